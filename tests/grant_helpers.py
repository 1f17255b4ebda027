"""Small inputs for the tests of grants: a scheme, a few belts, an area."""

from __future__ import annotations

import copy
from datetime import date
from typing import Any

import geopandas as gpd
from shapely import LineString, box

from shelterscape.process.grant_files import scheme_from
from shelterscape.science import grants
from shelterscape.science.grants.scheme import Scheme

CRS = "EPSG:25832"
YEAR = 2027
HILL = box(-1000, -1000, 1000, 1000)

CONTENT: dict[str, Any] = {
    "name": "Hill",
    "rules_date": date(2026, 1, 1),
    "source": "invented for tests",
    "status": "invented",
    "currency": "EUR",
    "qualify": {"categories": ["hill"]},
    "pay": [{"what": "planting", "kind": "capital", "per": "ha", "amount": 6000}],
}


def content(**changes: Any) -> dict[str, Any]:
    """The content of a scheme file with changes; ``qualify`` is merged, other keys are replaced."""
    found = copy.deepcopy(CONTENT)
    for key, value in changes.items():
        if key == "qualify":
            found["qualify"] |= value
        else:
            found[key] = value
    return found


def scheme(**changes: Any) -> Scheme:
    """A scheme that pays 6,000.00 per hectare of belt on the hill, with changes."""
    return scheme_from(content(**changes), "test.toml")


def belts(*lines: list[tuple[float, float]], width_m: float = 12.0, **columns: Any):
    """Completed belts along lines, 12 m wide, planted with oak; `cost` is in currency units."""
    count = len(lines)
    given = {"name": [f"b{i}" for i in range(count)], "width_m": [width_m] * count}
    given |= {"species": ["oak"] * count} | columns
    frame = gpd.GeoDataFrame(given, geometry=[LineString(line) for line in lines], crs=CRS)
    return grants.complete_belts(frame, "belts", 2500.0)[0]


def ground(frame, *schemes: Scheme, areas=None, agreements=()) -> grants.Ground:
    """Ground of belts on the hill, divided into pieces."""
    areas = {"hill": HILL} if areas is None else areas
    return grants.divide_ground(frame, areas, list(agreements), schemes or (scheme(),))


def paid(frame, *schemes: Scheme, year: int = YEAR, **more) -> grants.Payments:
    """Payments for belts."""
    return grants.payments(ground(frame, *schemes, **more), year)
