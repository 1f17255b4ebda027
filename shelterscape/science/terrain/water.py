"""Open water where a terrain model has no ground: flat, and seen from the land."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from scipy import ndimage

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.science.columns import numbers
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.validity import mask_cells
from shelterscape.terms import TERMS

Field = NDArray[np.float32]

READ_COLUMNS = ("water_level_m",)
"""Columns that are read from a layer of open water."""

SEA_LEVEL_M = 0.0
"""Level of the sea where none is given: the datum of most national terrain models is near it
(common practice, no single source)."""

LOW_COAST_M = 5.0
"""Elevation below which land beside missing cells may be a coast (assumed value)."""

READ_ROWS = 512
"""Approximate number of rows that are read at a time."""


@dataclass(frozen=True)
class Water:
    """Open water in place of missing cells.

    Parameters
    ----------
    areas : GeoDataFrame or None
        Areas of water with ``level_m``, as `areas_of` returns them; None where all missing cells
        are water.
    level_m : float or None
        Level of all missing cells, m above the datum of the terrain model; required without areas.
    """

    areas: gpd.GeoDataFrame | None
    level_m: float | None

    def filled(self, elevation: Field, grid: Grid) -> Field:
        """Elevation with the level of the water in missing cells.

        Parameters
        ----------
        elevation : (rows, cols) float32
            m; NaN where missing.
        grid : Grid
            Grid of these cells; a window gives the values of the whole.

        Returns
        -------
        (rows, cols) float32
            The same array where nothing is missing.
        """
        missing = np.isnan(elevation)
        if not missing.any():
            return elevation
        levels = np.full(grid.shape, np.nan, np.float32)
        if self.areas is None:
            levels[:] = self.level_m
        if self.areas is not None and len(self.areas):
            shapes = zip(self.areas.geometry, self.areas["level_m"], strict=True)
            rasterize(shapes, out=levels, transform=grid.affine)
        found: Field = np.where(missing, levels, elevation)
        return found

    def around(self, heights: Field, grid: Grid) -> Field:
        """The land around a map with water in missing cells, within what its model covers.

        Parameters
        ----------
        heights : (rows, cols) float32
            m; NaN where missing.
        grid : Grid

        Returns
        -------
        (rows, cols) float32
        """
        rows, cols = (np.flatnonzero(np.isfinite(heights).any(axis=a)) for a in (1, 0))
        here = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
        found = heights.copy()
        found[here] = self.filled(heights, grid)[here]
        return found


def areas_of(frame: gpd.GeoDataFrame, level_m: float | None, where: str) -> gpd.GeoDataFrame:
    """Areas of open water with their levels.

    Parameters
    ----------
    frame : GeoDataFrame
        Polygons with ``water_level_m`` where known.
    level_m : float or None
        Level of areas without one, m.
    where : str
        Name of the layer in errors.

    Returns
    -------
    GeoDataFrame
        With ``level_m``, highest first, so that the lowest applies where areas overlap.

    Raises
    ------
    InputError
        ``areas-needed``, ``column-bad``; ``water-level-missing`` for an area without a level.
    """
    if (shapely.get_dimensions(frame.geometry.to_numpy()) < 2).any():
        raise InputError(
            "areas-needed",
            "Open water must be given as polygons.",
            where=where,
            hint="Make polygons of lines and points in your GIS.",
        )
    levels = numbers(frame, "water_level_m", TERMS["water_level_m"], where)
    if np.isnan(levels).any() and level_m is None:
        row = int(np.argmax(np.isnan(levels)))
        raise InputError(
            "water-level-missing",
            "The level of a lake is not known.",
            where=f"{where}, feature {frame.index[row] + 1}",
            hint="Fill in water_level_m in the layer, or add --water-level-m with the level of all "
            "of its lakes.",
        )
    usual = np.nan if level_m is None else level_m
    found = frame[["geometry"]].assign(level_m=np.where(np.isnan(levels), usual, levels))
    return found.sort_values("level_m", ascending=False, kind="stable")


def water_seen(ground: Ground, water: Water) -> list[Notice]:
    """A notice with the number of missing cells that are open water.

    Parameters
    ----------
    ground : Ground
        The whole map, read once in strips.
    water : Water

    Returns
    -------
    list of Notice
        ``water-seen``.
    """
    count = 0
    for part in ground.strips(READ_ROWS):
        heights = ground.elevation(part)
        count += int((np.isnan(heights) & np.isfinite(water.filled(heights, part))).sum())
    text = f"{count:,} missing cells count as open water: flat, without results"
    if not count:
        text = "no missing cell is open water: missing_ground has no effect"
    return [Notice("water-seen", text, count)]


def sea_suspected(ground: Ground, where: str = "map") -> list[Notice]:
    """A notice where missing cells at the edge of a map may be sea.

    Parameters
    ----------
    ground : Ground
        The map, or a part of it, read once in strips and examined on blocks of about 25 m.
    where : str
        What the edge is called in the notice.

    Returns
    -------
    list of Notice
        ``sea-suspected``, where missing cells that reach the edge border land lower than
        `LOW_COAST_M`; otherwise none.
    """
    cells = mask_cells(ground.grid.cell_m)
    counts, low = [], []
    for part in ground.strips(cells * max(1, READ_ROWS // cells)):
        heights = ground.elevation(part)
        counts.append(_count(np.isnan(heights), cells))
        low.append(_count(heights < LOW_COAST_M, cells) > 0)
    missing = np.concatenate(counts)
    at_edge = np.ones(missing.shape, np.bool_)
    at_edge[1:-1, 1:-1] = False
    outside = ndimage.binary_propagation(at_edge & (missing > 0), mask=missing > 0)
    count = int(missing[outside].sum())
    if not (np.concatenate(low) & ndimage.binary_dilation(outside)).any():
        return []
    text = (
        f"{count:,} missing cells at the edge of the {where}, by land below {LOW_COAST_M:g} m: "
        "if sea, add --missing-ground sea"
    )
    return [Notice("sea-suspected", text, count)]


def _count(where: NDArray[np.bool_], cells: int) -> NDArray[np.int64]:
    """Number of true cells in square blocks."""
    rows, cols = (np.arange(0, n, cells) for n in where.shape)
    by_row = np.add.reduceat(where, rows, axis=0, dtype=np.int64)
    return np.add.reduceat(by_row, cols, axis=1)
