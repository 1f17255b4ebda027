"""Traced belts compared with surveyed ones."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.tracing.profiles import stations

COLUMNS = (
    "name",
    "belt_type",
    "length_m",
    "traced_share",
    "height_m",
    "traced_height_m",
    "width_m",
    "traced_width_m",
)


def compare(surveyed: gpd.GeoDataFrame, traced: gpd.GeoDataFrame, within_m: float) -> pd.DataFrame:
    """Share of each surveyed belt that was traced, and both heights and widths.

    Parameters
    ----------
    surveyed : GeoDataFrame
        Lines with ``name``, ``belt_type``, ``height_m`` and ``width_m``; NaN where unknown.
    traced : GeoDataFrame
        Traced belts.
    within_m : float
        Distance up to which a traced belt is the surveyed one, m.

    Returns
    -------
    DataFrame
        `COLUMNS`; traced values are medians along the surveyed belt, missing where they are not
        known along most of it.
    """
    table = pd.DataFrame(surveyed.drop(columns="geometry"))
    lines = surveyed.geometry.to_numpy()
    table["length_m"] = shapely.length(lines)
    number, points = _points(lines, within_m / 2)
    nearest = np.full(len(points), -1)
    if len(traced) and len(points):
        tree = shapely.STRtree(traced.geometry.to_numpy())
        found = tree.query_nearest(points, max_distance=within_m, all_matches=False)
        nearest[found[0]] = found[1]
    along = pd.DataFrame({"belt": number, "hit": nearest >= 0})
    for column in ("height_m", "width_m"):
        values = np.append(traced[column].to_numpy(dtype=float), np.nan)
        along[f"traced_{column}"] = values[nearest]
    groups = along.groupby("belt")
    table["traced_share"] = groups["hit"].mean().reindex(range(len(table)), fill_value=0.0)
    for column in ("traced_height_m", "traced_width_m"):
        enough = groups[column].count() > groups["hit"].size() / 2
        table[column] = groups[column].median().where(enough).reindex(range(len(table)))
    return table[list(COLUMNS)]


def correctness(surveyed: gpd.GeoDataFrame, traced: gpd.GeoDataFrame, within_m: float) -> float:
    """Share of the traced length near a surveyed belt; NaN where nothing was traced.

    Parameters
    ----------
    surveyed, traced : GeoDataFrame
    within_m : float
        Distance up to which a surveyed belt is the traced one, m.

    Returns
    -------
    float

    Notes
    -----
    It states how many traced belts are real only where all belts were surveyed.
    """
    lines = traced.geometry.to_numpy()
    near = shapely.union_all(shapely.buffer(surveyed.geometry.to_numpy(), within_m))
    total = float(shapely.length(lines).sum())
    inside = float(shapely.length(shapely.intersection(lines, near)).sum())
    return inside / total if total else np.nan


def _points(
    lines: NDArray[np.object_], spacing_m: float
) -> tuple[NDArray[np.int64], NDArray[np.object_]]:
    """Points along lines of one or several parts, and the number of the line of each."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    part, along_m, _ = stations(parts, spacing_m)
    return owner[part], shapely.line_interpolate_point(parts[part], along_m)
