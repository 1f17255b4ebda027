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
from shelterscape.terms import TERMS

Field = NDArray[np.float32]

READ_COLUMNS = ("water_level_m",)
"""Columns that are read from a layer of open water."""

SEA_LEVEL_M = 0.0
"""Level of the sea where none is given: the datum of most national terrain models is near it
(common practice, no single source)."""

LOW_COAST_M = 5.0
"""Elevation below which land beside missing cells may be a coast (assumed value)."""


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


def sea_suspected(elevation: Field) -> list[Notice]:
    """A notice where missing cells at the edge of the map may be sea.

    Parameters
    ----------
    elevation : (rows, cols) float32
        The whole map, m; NaN where missing.

    Returns
    -------
    list of Notice
        ``sea-suspected``, where missing cells that reach the edge of the map border land lower
        than `LOW_COAST_M`; otherwise none.
    """
    missing = np.isnan(elevation)
    edge = np.ones_like(missing)
    edge[1:-1, 1:-1] = False
    if not (missing & edge).any():
        return []
    outside = ndimage.binary_propagation(missing & edge, mask=missing)
    shore = ndimage.binary_dilation(outside) & ~missing
    count = int(outside.sum())
    if not (elevation[shore] < LOW_COAST_M).any():
        return []
    text = (
        f"{count} missing cells at the edge of the map border land lower than {LOW_COAST_M:g} m: "
        "if they are sea, add --missing-ground sea"
    )
    return [Notice("sea-suspected", text, count)]
