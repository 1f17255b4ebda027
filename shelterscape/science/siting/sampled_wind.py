"""Relative wind on sampled cells, with the heights, porosities and curve of one run."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.ray_cells import look_up, raise_beside_ends
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.science.belt_profiles import share_at_height
from shelterscape.science.belts import HARD_TYPES, recovery_distances
from shelterscape.science.prepared_belts import END_FULL_EXTENT_H, END_RISE, ShelterOptions
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.siting.sampled_cells import Chains, SampledCells

Array = NDArray[np.float64]
Field = NDArray[np.float32]

TABLE = (REACH_WINDWARD_H / TABLE_STEP_H, TABLE_STEP_H)
"""Index of the origin in curve tables, and their spacing in heights."""


def wind_with_existing(
    cells: SampledCells,
    curve_tables: CurveTables,
    belts: gpd.GeoDataFrame,
    options: ShelterOptions,
) -> Field:
    """Relative wind with existing belts only.

    Parameters
    ----------
    cells : SampledCells
    curve_tables : CurveTables
    belts : GeoDataFrame
        Those in the context of `cells`, with the heights and porosities of the run.
    options : ShelterOptions
        With the curve of the run.

    Returns
    -------
    (rays × cells,) float32
        0 to 1.25.
    """
    cell_m = cells.context.grid.cell_m
    wind = np.ones(len(cells.direction) * len(cells.cell), np.float32)
    if not len(belts):
        return wind
    chains = _chain_figures(belts, cells.chains)
    rows = curve_tables.rows(belts, options, chains)
    height = np.append(belts["height_m"].to_numpy(dtype=float), [c[3] for c in chains])
    tables = curve_tables.tables()
    product = options.combine == "product"
    look_up(*cells.existing, height / cell_m, rows, tables, *TABLE, product, wind)
    low, alone = belts["porosity_low"].to_numpy(dtype=float), height[: len(belts)]
    shade = share_at_height(np.maximum(alone, 1e-9), options.at_height_m)
    rise = END_RISE * (1.0 - low) * shade
    raise_beside_ends(*cells.ends, alone / cell_m, rise, END_FULL_EXTENT_H, wind)
    return wind


def wind_with_each(
    cells: SampledCells,
    curve_tables: CurveTables,
    candidates: gpd.GeoDataFrame,
    options: ShelterOptions,
) -> Field:
    """Relative wind with each candidate alone, where it acts.

    Parameters
    ----------
    cells, curve_tables, options
        As for `wind_with_existing`.
    candidates : GeoDataFrame
        Those of `cells`, with the heights and porosities of the run.

    Returns
    -------
    (k,) float32
        By slot of `cells`.
    """
    lowered = np.ones(len(cells.pair), np.float32)
    rows = curve_tables.rows(candidates, options, [])
    height = candidates["height_m"].to_numpy(dtype=float) / cells.context.grid.cell_m
    lines = (cells.slot, *cells.lines[1:])
    look_up(*lines, height, rows, curve_tables.tables(), *TABLE, False, lowered)
    return lowered


def _chain_figures(belts: gpd.GeoDataFrame, chains: Chains) -> list[tuple[float, ...]]:
    """Porosity, porosity of the lower half, width and height of chains, as for rays (assumed)."""
    if not len(chains.members):
        return []
    there = chains.members >= 0
    # Without one of its members, the others are a chain of their own or act alone.
    open_ground = (belts["porosity"] >= 1.0) & (belts["porosity_low"] >= 1.0)
    ended = (there & open_ground.to_numpy()[chains.members]).any(axis=1)
    hard = belts["belt_type"].isin(HARD_TYPES).to_numpy()[chains.members]
    recovery = np.where(there, recovery_distances(belts)[chains.members], 0.0)

    def _of(column: str, without: float) -> Array:
        return np.where(there, belts[column].to_numpy(dtype=float)[chains.members], without)

    return list(
        zip(
            np.where(ended, 1.0, _of("porosity", 1.0).prod(axis=1)),
            np.where(ended, 1.0, _of("porosity_low", 1.0).prod(axis=1)),
            _of("width_m", 0.0).sum(axis=1) + chains.gap_m,
            _of("height_m", 0.0).max(axis=1),
            (hard | ~there).all(axis=1),
            recovery.sum(axis=1) / there.sum(axis=1),
            strict=True,
        )
    )
