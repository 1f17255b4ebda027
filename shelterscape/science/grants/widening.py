"""Cost and additional payment of widening belts to the smallest width of a scheme."""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.science.grants.belts import outlines
from shelterscape.science.grants.faults import too_narrow
from shelterscape.science.grants.ground import Ground, divide_ground
from shelterscape.science.grants.maps import Agreement
from shelterscape.science.grants.paying import total

ALL = "all belts too narrow for this scheme"
COLUMNS = (
    "name",
    "holding_id",
    "parcel_id",
    "scheme",
    "width_m",
    "required_width_m",
    "extra_area_ha",
    "extra_cost_minor",
    "extra_payment_minor",
    "still_fails",
)


def widening_options(
    ground: Ground,
    areas: dict[str, shapely.Geometry],
    agreements: list[Agreement],
    start_year: int,
) -> pd.DataFrame:
    """Compare belts that are too narrow for a scheme with belts as wide as it requires.

    Parameters
    ----------
    ground : Ground
    areas, agreements
        As for `divide_ground`.
    start_year : int

    Returns
    -------
    DataFrame
        A row for each belt on qualifying ground and each scheme, and a row for all belts of a
        scheme together, as blocks may qualify only together. ``extra_payment_minor`` is the
        change of the total payment by all schemes. ``extra_cost_minor`` assumes a cost in
        proportion to width (assumed value); it is missing where the cost is unknown.
    """
    narrow = [
        (index, belt)
        for index in range(len(ground.schemes))
        for belt in ground.order
        if too_narrow(ground.belts["width_m"].iloc[belt], ground.schemes[index])
        and any(piece in ground.qualifying[index] for piece in ground.of_belt[belt])
        and shapely.get_dimensions(ground.belts.geometry.iloc[belt]) == 1
    ]
    if not narrow:
        return pd.DataFrame(columns=list(COLUMNS))
    both, place = _with_wider_belts(ground, narrow)
    wide = divide_ground(both, areas, agreements, ground.schemes)
    whole = set(range(len(ground.belts)))
    before = total(wide, start_year, whole)
    rows = []
    for index, scheme in enumerate(ground.schemes):
        mine = [belt for i, belt in narrow if i == index]
        each = [[belt] for belt in mine] + ([mine] if len(mine) > 1 else [])
        for belts in each:
            wider = [place[index, belt] for belt in belts]
            paid = total(wide, start_year, whole - set(belts) | set(wider))
            row = _widening_row(ground, wide, index, belts, wider)
            rows.append(row | {"scheme": scheme.name, "extra_payment_minor": paid - before})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _with_wider_belts(
    ground: Ground, narrow: Iterable[tuple[int, int]]
) -> tuple[gpd.GeoDataFrame, dict[tuple[int, int], int]]:
    """The belts followed by wider ones, and the position of each wider one by scheme and belt."""
    rows: list[gpd.GeoDataFrame] = []
    place: dict[tuple[int, int], int] = {}
    for index, belt in narrow:
        scheme = ground.schemes[index]
        row = ground.belts.iloc[[belt]].copy()
        width = scheme.min_width_m - 2 * scheme.fence_m
        row["cost_minor"] = np.floor(row["cost_minor"] * width / row["width_m"] + 0.5)
        row["width_m"] = width
        row["outline"] = outlines(row.geometry.to_numpy(), np.array([width]))
        place[index, belt] = len(ground.belts) + len(rows)
        rows.append(row)
    return pd.concat([ground.belts, *rows], ignore_index=True), place


def _widening_row(
    ground: Ground, wide: Ground, index: int, belts: list[int], wider: list[int]
) -> dict[str, object]:
    """Widths, additional area and cost of some belts, now and widened."""
    now, widened = ground.belts.iloc[belts], wide.belts.iloc[wider]
    several = len(belts) > 1
    fails = {fault for belt in wider for fault in wide.faults[index][belt]}
    return {
        "name": ALL if several else now["name"].iloc[0],
        "holding_id": "" if several else now["holding_id"].iloc[0],
        "parcel_id": "" if several else now["parcel_id"].iloc[0],
        "width_m": float(now["width_m"].min()) if several else float(now["width_m"].iloc[0]),
        "required_width_m": float(widened["width_m"].iloc[0]),
        "extra_area_ha": round((_stems_m2(wide, wider) - _stems_m2(ground, belts)) / 1e4, 4),
        "extra_cost_minor": widened["cost_minor"].sum(skipna=False)
        - now["cost_minor"].sum(skipna=False),
        "still_fails": "; ".join(sorted(fails)),
    }


def _stems_m2(ground: Ground, belts: list[int]) -> float:
    """Area of some belts to their stems, m²."""
    return sum(ground.stems_m2[belt] for belt in belts)
