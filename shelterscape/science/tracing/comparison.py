"""Traced belts compared with surveyed ones."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

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
        `COLUMNS`; traced values are medians along the surveyed belt.
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
        table[column] = groups[column].median().reindex(range(len(table)))
    return table[list(COLUMNS)]


def _points(lines: np.ndarray, spacing_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Points along lines of one or several parts, and the number of the line of each."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    length = shapely.length(parts)
    count = np.maximum(1, np.round(length / spacing_m).astype(int))
    part = np.repeat(np.arange(len(parts)), count)
    within = np.arange(len(part)) - np.repeat(np.cumsum(count) - count, count)
    at = shapely.line_interpolate_point(parts[part], (within + 0.5) * (length / count)[part])
    return owner[part], at
