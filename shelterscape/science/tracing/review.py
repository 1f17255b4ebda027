"""Reasons to check a traced belt, and the order in which to check them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

LEAST_SHARE = 0.7
"""Belts with less canopy along their length are doubtful (assumed values here and below)."""
LEAST_SLENDERNESS = 2.0
LOW_MORE_M = 0.5
SMOOTH_SHARE = 0.5
TALL_M, UNEVEN = 8.0, 3.0
MOST_WIDTH_M = 20.0

COLUMNS = ["name", "reason", "height_m", "length_m"]


def _reasons(belts: pd.DataFrame, threshold_m: float) -> list[str]:
    """Why each belt is uncertain; empty where it is not.

    Parameters
    ----------
    belts : DataFrame
        Traced belts, with ``smooth_share`` (share of canopy with an even top), ``lowest_m`` and
        ``highest_m`` (lowest and highest sample) and ``rough_width_m`` (width, also of narrow
        belts).
    threshold_m : float
        Canopy threshold, m.
    """
    return [_reason(row, threshold_m) for row in belts.to_dict("records")]


def _reason(belt: Mapping[Any, Any], threshold_m: float) -> str:
    found = []
    height, width, length = belt["height_m"], belt["rough_width_m"], belt["length_m"]
    if not height > 0:
        return "no canopy along this line: removed, below the threshold, or drawn elsewhere"
    if belt["canopy_share"] < LEAST_SHARE:
        found.append(f"canopy along only {100 * belt['canopy_share']:.0f} % of its length")
    if length < LEAST_SLENDERNESS * width and length < 2 * MOST_WIDTH_M:
        found.append(f"{length:.0f} m long and {width:.0f} m wide: perhaps a group of trees")
    if height < threshold_m + LOW_MORE_M:
        found.append("barely above the threshold: perhaps scrub or a crop")
    if belt["smooth_share"] > SMOOTH_SHARE:
        found.append("a top as even as a roof: perhaps a building, or a clipped hedge")
    if width > MOST_WIDTH_M:
        found.append(f"{width:.0f} m wide: perhaps a narrow wood")
    if belt["highest_m"] > max(TALL_M, UNEVEN * belt["lowest_m"]):
        found.append(
            f"height from {belt['lowest_m']:.0f} to {belt['highest_m']:.0f} m: perhaps several "
            "kinds of belt, or trees in a hedge"
        )
    return "; ".join(found)


def to_review(belts: gpd.GeoDataFrame, threshold_m: float) -> gpd.GeoDataFrame:
    """Uncertain belts, those first that shelter most: length times height.

    Parameters
    ----------
    belts, threshold_m
        See `_reasons`.

    Returns
    -------
    GeoDataFrame
        ``review_order`` from 1, ``name``, ``reason``, ``height_m`` and ``length_m``.
    """
    found = belts.assign(reason=_reasons(belts, threshold_m))
    found = found[found["reason"] != ""]
    # A line without canopy shelters nothing, but may be a belt that is lost.
    weight = found["length_m"] * found["height_m"].fillna(threshold_m)
    order = np.lexsort([found["name"].to_numpy(dtype=str), -weight.to_numpy(dtype=float)])
    found = found.iloc[order].reset_index(drop=True)
    found["review_order"] = np.arange(1, len(found) + 1)
    return found[["review_order", *COLUMNS, "geometry"]]
