"""Thresholds of environmental assessment, compared with the area of new planting."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

ADVICE = {
    "notify": "notify the authority before planting; it decides",
    "consent": "obtain consent before planting; the authority decides",
}
"""Recommended next step where a threshold is reached, by its effect."""

ADVICE_BELOW = "below this threshold; consult the authority early all the same"

COLUMNS = (
    "country",
    "rule",
    "consequence",
    "belt_names",
    "years_counted",
    "part_area_ha",
    "threshold_ha",
    "threshold_result",
    "advice",
    "source",
)


@dataclass(frozen=True)
class Threshold:
    """An area of new planting from which an authority must be notified or must consent.

    Parameters
    ----------
    country, name : str
    effect : {"notify", "consent"}
    area_ha : float
        Area of new planting, ha.
    within_m : float
        Belts at most this far from each other are added, m.
    within_years : int
        Planting within this number of years is added.
    categories : tuple of str
        Categories of area to which the rule is limited; empty for everywhere.
    source, status : str
        Origin of the rule, and whether it was verified.
    rules_date : date
        Date on which the file was written.
    """

    country: str
    name: str
    effect: str
    area_ha: float
    within_m: float
    within_years: int
    categories: tuple[str, ...]
    source: str
    status: str
    rules_date: date


def threshold_comparison(
    belts: gpd.GeoDataFrame,
    own: NDArray[np.bool_],
    thresholds: list[Threshold],
    areas: dict[str, shapely.Geometry],
) -> pd.DataFrame:
    """Compare the area of new planting that counts together with each threshold.

    Parameters
    ----------
    belts : GeoDataFrame
        ``outline`` and ``planted_year`` of the planned belts and of neighbouring new planting.
    own : (n,) bool
        Which of them are planned; groups without a planned belt are left out.
    thresholds : list of Threshold
    areas : dict
        Ground of each category.

    Returns
    -------
    DataFrame
        For each threshold, every group of belts that reaches it, or the largest group where none
        does. It supports a decision of the authority and does not replace it.
    """
    years, names = belts["planted_year"].to_numpy(), belts["name"].to_numpy()
    rows: list[dict[str, object]] = []
    for rule in thresholds:
        ground = _clipped(belts["outline"].to_numpy(), rule, areas)
        found = [
            _row(rule, ground[group], years[group], names[group])
            for group in _neighbour_groups(ground, years, own, rule)
        ]
        found.sort(key=lambda row: (-float(str(row["part_area_ha"])), str(row["belt_names"])))
        reached = [row for row in found if row["threshold_result"] == "reached"]
        rows += reached or found[:1]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _clipped(
    outlines: NDArray[np.object_], rule: Threshold, areas: dict[str, shapely.Geometry]
) -> NDArray[np.object_]:
    """Ground of each belt within the categories of a rule."""
    if not rule.categories:
        return outlines
    area = shapely.union_all([areas[c] for c in rule.categories if c in areas])
    clipped: NDArray[np.object_] = shapely.intersection(outlines, area)
    return clipped


def _neighbour_groups(
    outlines: NDArray[np.object_],
    years: NDArray[np.float64],
    own: NDArray[np.bool_],
    rule: Threshold,
) -> list[NDArray[np.intp]]:
    """Groups of neighbouring belts planted within the years of a rule.

    Belts are neighbours directly or through others in the group. Every group holds a planned belt,
    and none is part of another.
    """
    counting = ~shapely.is_empty(outlines)
    one, other = shapely.STRtree(outlines).query(
        outlines, predicate="dwithin", distance=rule.within_m
    )
    total = len(outlines)
    found: set[frozenset[int]] = set()
    for first in np.unique(years[counting]):
        in_years = counting & (years >= first) & (years < first + rule.within_years)
        linked = in_years[one] & in_years[other]
        links = coo_matrix((np.ones(linked.sum()), (one[linked], other[linked])), (total, total))
        _, label = connected_components(links, directed=False)
        for k in np.unique(label[in_years & own]):
            found.add(frozenset(np.flatnonzero((label == k) & in_years).tolist()))
    largest = [group for group in found if not any(group < bigger for bigger in found)]
    return [np.array(sorted(group)) for group in largest]


def _row(
    rule: Threshold,
    outlines: NDArray[np.object_],
    years: NDArray[np.float64],
    names: NDArray[np.object_],
) -> dict[str, object]:
    """Area of one group compared with a rule; ground that belts share counts once."""
    area = round(float(shapely.area(shapely.union_all(outlines))) / 1e4, 4)
    low, high = int(years.min()), int(years.max())
    is_reached = area >= rule.area_ha
    return {
        "country": rule.country,
        "rule": rule.name,
        "consequence": rule.effect,
        "belt_names": _first_names(sorted(map(str, names))),
        "years_counted": f"{low}" if low == high else f"{low}–{high}",
        "part_area_ha": area,
        "threshold_ha": rule.area_ha,
        "threshold_result": "reached" if is_reached else "below",
        "advice": ADVICE[rule.effect] if is_reached else ADVICE_BELOW,
        "source": f"{rule.source} (status: {rule.status}; file dated {rule.rules_date})",
    }


def _first_names(names: list[str], count: int = 6) -> str:
    """The first names as text, with the number of the others."""
    more = len(names) - count
    return ", ".join(names[:count]) + (f" and {more} more" if more > 0 else "")
