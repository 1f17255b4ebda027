"""What widening belts to a scheme's least width would cost and bring."""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.science.grants.belts import outlines
from shelterscape.science.grants.faults import too_narrow
from shelterscape.science.grants.ground import Ground, lay_out
from shelterscape.science.grants.maps import Agreement
from shelterscape.science.grants.paying import total

ALL = "all of these"
COLUMNS = (
    "name",
    "holding_id",
    "parcel_id",
    "scheme",
    "width_m",
    "width_asked_m",
    "extra_ha",
    "extra_cost_minor",
    "extra_payment_minor",
    "still_fails",
)


def widening(
    ground: Ground,
    areas: dict[str, shapely.Geometry],
    agreements: list[Agreement],
    start_year: int,
) -> pd.DataFrame:
    """Belts too narrow for a scheme on whose ground they are, widened to what it requires.

    Parameters
    ----------
    ground : Ground
    areas, agreements
        As for `lay_out`.
    start_year : int

    Returns
    -------
    DataFrame
        A row for each belt and scheme, and one for all of a scheme's together, as some bring money
        only together. ``extra_payment_minor`` is what all schemes together pay more; the cost is
        taken to grow with the width (assumed value), empty where it is not known.
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
    both, place = _with_wider(ground, narrow)
    wide = lay_out(both, areas, agreements, ground.schemes)
    whole = set(range(len(ground.belts)))
    before = total(wide, start_year, whole)
    rows = []
    for index, scheme in enumerate(ground.schemes):
        mine = [belt for i, belt in narrow if i == index]
        each = [[belt] for belt in mine] + ([mine] if len(mine) > 1 else [])
        for belts in each:
            wider = [place[index, belt] for belt in belts]
            paid = total(wide, start_year, whole - set(belts) | set(wider))
            told = _told(ground, wide, index, belts, wider)
            rows.append(told | {"scheme": scheme.name, "extra_payment_minor": paid - before})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _with_wider(
    ground: Ground, narrow: Iterable[tuple[int, int]]
) -> tuple[gpd.GeoDataFrame, dict[tuple[int, int], int]]:
    """The belts with wider ones after them, and the place of each wider one by scheme and belt."""
    rows: list[gpd.GeoDataFrame] = []
    place: dict[tuple[int, int], int] = {}
    for index, belt in narrow:
        scheme = ground.schemes[index]
        row = ground.belts.iloc[[belt]].copy()
        width = scheme.least_width_m - 2 * scheme.fence_m
        row["cost_minor"] = np.floor(row["cost_minor"] * width / row["width_m"] + 0.5)
        row["width_m"] = width
        row["outline"] = outlines(row.geometry.to_numpy(), np.array([width]))
        place[index, belt] = len(ground.belts) + len(rows)
        rows.append(row)
    return pd.concat([ground.belts, *rows], ignore_index=True), place


def _told(
    ground: Ground, wide: Ground, index: int, belts: list[int], wider: list[int]
) -> dict[str, object]:
    """What one row says of some belts and the same belts wider."""
    now, then = ground.belts.iloc[belts], wide.belts.iloc[wider]
    several = len(belts) > 1
    fails = {fault for belt in wider for fault in wide.faults[index][belt]}
    return {
        "name": ALL if several else now["name"].iloc[0],
        "holding_id": "" if several else now["holding_id"].iloc[0],
        "parcel_id": "" if several else now["parcel_id"].iloc[0],
        "width_m": float(now["width_m"].min()) if several else float(now["width_m"].iloc[0]),
        "width_asked_m": float(then["width_m"].iloc[0]),
        "extra_ha": round((sum(_m2(wide, wider)) - sum(_m2(ground, belts))) / 1e4, 4),
        "extra_cost_minor": then["cost_minor"].sum(skipna=False)
        - now["cost_minor"].sum(skipna=False),
        "still_fails": "; ".join(sorted(fails)),
    }


def _m2(ground: Ground, belts: list[int]) -> list[float]:
    return [ground.stems_m2[belt] for belt in belts]
