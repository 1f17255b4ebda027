"""Small grounds for the tests of grants: a scheme, a few belts, an area."""

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
    "dated": date(2026, 1, 1),
    "source": "made up for tests",
    "status": "invented",
    "currency": "EUR",
    "qualify": {"categories": ["hill"]},
    "pay": [{"what": "planting", "kind": "capital", "per": "ha", "amount_minor": 600_000}],
}


def content(**changes: Any) -> dict[str, Any]:
    """The content of a scheme file with changes; dotted parts such as ``qualify`` are merged."""
    found = copy.deepcopy(CONTENT)
    for key, value in changes.items():
        if key == "qualify":
            found["qualify"] |= value
        else:
            found[key] = value
    return found


def scheme(**changes: Any) -> Scheme:
    """A scheme that pays 6,000.00 per hectare of belt on the hill, changed as asked."""
    return scheme_from(content(**changes), "test.toml")


def belts(*lines: list[tuple[float, float]], width_m: float = 12.0, **columns: Any):
    """Belts along lines, completed; 12 m wide, planted with oak."""
    count = len(lines)
    given = {"name": [f"b{i}" for i in range(count)], "width_m": [width_m] * count}
    given |= {"species": ["oak"] * count} | columns
    frame = gpd.GeoDataFrame(given, geometry=[LineString(line) for line in lines], crs=CRS)
    return grants.complete(frame, "belts", 2500.0)[0]


def ground(frame, *schemes: Scheme, areas=None, agreements=()) -> grants.Ground:
    """Belts laid over the hill."""
    there = {"hill": HILL} if areas is None else areas
    return grants.lay_out(frame, there, list(agreements), schemes or (scheme(),))


def paid(frame, *schemes: Scheme, year: int = YEAR, **more) -> grants.Payments:
    """What belts are paid."""
    return grants.payments(ground(frame, *schemes, **more), year)
