"""Size thresholds of environmental assessment, phases and neighbouring belts added up."""

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

EFFECTS = {"notify": "tell the authority before planting", "consent": "ask for consent first"}

COLUMNS = (
    "country",
    "rule",
    "effect",
    "belts",
    "years",
    "area_ha",
    "threshold_ha",
    "result",
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
    within_m : float
        Belts nearer than this to each other are added up.
    within_years : int
        Planting within so many years is added up.
    categories : tuple of str
        Categories of area in which alone it holds; empty for everywhere.
    source, status : str
    dated : date
        Day the file was written.
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
    dated: date


def reached(
    belts: gpd.GeoDataFrame,
    own: NDArray[np.bool_],
    thresholds: list[Threshold],
    areas: dict[str, shapely.Geometry],
) -> pd.DataFrame:
    """Area of new planting that counts together, beside each threshold.

    Parameters
    ----------
    belts : GeoDataFrame
        ``outline`` and ``planted_year`` of the belts asked about and of neighbouring new planting.
    own : (n,) bool
        Which of them are examined; groups of neighbours alone are left out.
    thresholds : list of Threshold
    areas : dict
        Ground of each category.

    Returns
    -------
    DataFrame
        For each threshold every group of belts that reaches it, or else the largest group; never a
        decision.
    """
    years, names = belts["planted_year"].to_numpy(), belts["name"].to_numpy()
    rows: list[dict[str, object]] = []
    for rule in thresholds:
        counting = _clipped(belts["outline"].to_numpy(), rule, areas)
        found = [
            _row(rule, counting[group], years[group], names[group])
            for group in _together(counting, years, own, rule)
        ]
        found.sort(key=lambda row: (-float(str(row["area_ha"])), str(row["belts"])))
        over = [row for row in found if row["result"] == "reached"]
        rows += over or found[:1]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _clipped(
    outlines: NDArray[np.object_], rule: Threshold, areas: dict[str, shapely.Geometry]
) -> NDArray[np.object_]:
    """What of each belt a rule counts."""
    if not rule.categories:
        return outlines
    there = shapely.union_all([areas[c] for c in rule.categories if c in areas])
    clipped: NDArray[np.object_] = shapely.intersection(outlines, there)
    return clipped


def _together(
    outlines: NDArray[np.object_],
    years: NDArray[np.float64],
    own: NDArray[np.bool_],
    rule: Threshold,
) -> list[NDArray[np.intp]]:
    """Groups of belts planted within the years of a rule, in chains of neighbours.

    Only groups with a belt that is examined, and none that is part of another.
    """
    there = ~shapely.is_empty(outlines)
    one, other = shapely.STRtree(outlines).query(
        outlines, predicate="dwithin", distance=rule.within_m
    )
    count = len(outlines)
    found: set[frozenset[int]] = set()
    for first in np.unique(years[there]):
        inside = there & (years >= first) & (years < first + rule.within_years)
        linked = inside[one] & inside[other]
        links = coo_matrix((np.ones(linked.sum()), (one[linked], other[linked])), (count, count))
        _, label = connected_components(links, directed=False)
        for k in np.unique(label[inside & own]):
            found.add(frozenset(np.flatnonzero((label == k) & inside).tolist()))
    largest = [group for group in found if not any(group < bigger for bigger in found)]
    return [np.array(sorted(group)) for group in largest]


def _row(
    rule: Threshold,
    outlines: NDArray[np.object_],
    years: NDArray[np.float64],
    names: NDArray[np.object_],
) -> dict[str, object]:
    """What one group comes to; ground that belts share counts once."""
    area = round(float(shapely.area(shapely.union_all(outlines))) / 1e4, 4)
    low, high = int(years.min()), int(years.max())
    is_reached = area >= rule.area_ha
    return {
        "country": rule.country,
        "rule": rule.name,
        "effect": rule.effect,
        "belts": _shortened(sorted(map(str, names))),
        "years": f"{low}" if low == high else f"{low}–{high}",
        "area_ha": area,
        "threshold_ha": rule.area_ha,
        "result": "reached" if is_reached else "below",
        "advice": f"{EFFECTS[rule.effect]}; it decides" if is_reached else "ask all the same",
        "source": f"{rule.source} (status: {rule.status}; file of {rule.dated})",
    }


def _shortened(names: list[str], most: int = 6) -> str:
    """Some names; how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
