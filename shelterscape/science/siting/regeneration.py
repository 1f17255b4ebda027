"""Belts from natural regeneration: a fence where trees nearby shed seed, and time."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.siting.candidates import EDGE, REGENERATE, REGENERATION
from shelterscape.science.siting.generated_lines import SHORTEST_M, as_array

Array = NDArray[np.float64]

DESIGN_NAME = "natural regeneration"
"""Design of these belts in a file of designs; its cost is that of the fences."""

SEED_DISTANCE_M = 50.0
"""Largest distance of a seed source, metres (assumed): heavy seed falls closer, and the light seed
of birch flies farther."""

DELAY_YEARS = 5
"""Years from fencing until trees grow (assumed)."""

SUCCESS = (0.3, 0.9)
"""Share of fenced strips on which a belt grows, low and high (assumed)."""

TALL_SEED_TREES_M = 3.0
"""Least height of existing belts that shed seed of trees, metres (assumed)."""

MAY_FAIL = (
    f"natural regeneration: a belt grows on {100 * SUCCESS[0]:.0f} to {100 * SUCCESS[1]:.0f} % of "
    "fenced strips (assumed), from seed of the trees nearby"
)
"""Flag of these candidates."""


def regenerating_lines(
    kept: gpd.GeoDataFrame, belts: gpd.GeoDataFrame, seed_distance_m: float = SEED_DISTANCE_M
) -> gpd.GeoDataFrame:
    """Parts of lines along parcel edges within reach of a seed source.

    Parameters
    ----------
    kept : GeoDataFrame
        As `exclusion.exclude` returns lines.
    belts : GeoDataFrame
        Existing belts and woods with ``height_m``; the tall ones are seed sources.
    seed_distance_m : float
        m.

    Returns
    -------
    GeoDataFrame
        With N before the name of each parcel edge and the type and design of natural regeneration.
    """
    tall = belts["height_m"].to_numpy(dtype=float) >= TALL_SEED_TREES_M
    reach = shapely.union_all(shapely.buffer(belts.geometry.to_numpy()[tall], seed_distance_m))
    edges = kept[(kept["candidate_type"] == EDGE).to_numpy()]
    parts = [_longest(line) for line in shapely.intersection(edges.geometry.to_numpy(), reach)]
    lines = as_array(parts)
    long = shapely.length(lines) >= SHORTEST_M
    names = "N" + edges["candidate"].astype(str)
    found = edges.assign(
        candidate=names, part=names, candidate_type=REGENERATION, design=DESIGN_NAME
    ).set_geometry(lines)
    return found[long].reset_index(drop=True)


def _longest(shape: shapely.Geometry) -> shapely.Geometry:
    """The longest part of a line; an empty line where there is none."""
    parts = shapely.get_parts(shape)
    parts = parts[shapely.get_type_id(parts) == 1]
    return max(parts, key=shapely.length, default=shapely.LineString())


def as_regenerating(belts: gpd.GeoDataFrame, delay_years: int = DELAY_YEARS) -> gpd.GeoDataFrame:
    """Belts of which those from natural regeneration start to grow after some years.

    Parameters
    ----------
    belts : GeoDataFrame
        As `candidates.with_design` returns them.
    delay_years : int
        Years from fencing until trees grow.

    Returns
    -------
    GeoDataFrame
    """
    late = (belts["candidate_type"] == REGENERATION).to_numpy()
    delay = np.where(late, delay_years, 0)
    return belts.assign(
        action=np.where(late, REGENERATE, belts["action"]),
        planted_year=belts["planted_year"] + delay,
        closing_from=belts["closing_from"] + delay,
    )


def failure_cost_ha(candidates: gpd.GeoDataFrame, gains: Array) -> Array:
    """Benefit counted against belts from natural regeneration because they may fail, ha eq.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``action``.
    gains : (n,) float64
        Benefit each adds by itself where it grows, ha eq.

    Returns
    -------
    (n,) float64
        Benefit times the share that fails, the mean of its low and high; 0 for other candidates.
    """
    fails = 1.0 - sum(SUCCESS) / 2
    regenerates = (candidates["action"] == REGENERATE).to_numpy()
    found: Array = np.where(regenerates, fails * np.maximum(gains, 0.0), 0.0)
    return found
