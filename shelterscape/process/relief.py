"""Elevation that is drawn as relief on a map, for processes that need none for their results."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from shelterscape.files.canopy_models import read_on
from shelterscape.files.draw_views import Bounds
from shelterscape.grid import Grid
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.relief_inputs import ReliefInputs

MOST_CELLS, LEAST_CELL_M = 800, 2.0
"""Cells along the longer side of the ground, and their least size, m: enough for a picture."""


class Relief(NamedTuple):
    """Elevation to draw.

    Parameters
    ----------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    """

    elevation: NDArray[np.float32]
    grid: Grid


def relief_of(
    params: ReliefInputs | TerrainInputs, bounds: Bounds, crs: object, what: str = "terrain model"
) -> Relief | None:
    """Elevation of some ground, no finer than a picture shows.

    Parameters
    ----------
    params : ReliefInputs or TerrainInputs
    bounds : tuple of float
        West, south, east, north, m.
    crs : object
        Of the bounds.
    what : str
        Name of the raster in errors.

    Returns
    -------
    Relief or None
        None without a terrain model, and where it holds no value there.

    Raises
    ------
    InputError
        As `files.canopy_models.read_on`.
    """
    if not params.dem:
        return None
    west, south, east, north = bounds
    cell_m = max(max(east - west, north - south) / MOST_CELLS, LEAST_CELL_M)
    shape = math.ceil((north - south) / cell_m), math.ceil((east - west) / cell_m)
    grid = Grid(shape, Affine(cell_m, 0, west, 0, -cell_m, north), crs)
    elevation = read_on(params.dem, grid, what, crs=params.crs, z_unit=params.z_unit)
    return Relief(elevation, grid) if np.isfinite(elevation).any() else None
