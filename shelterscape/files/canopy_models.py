"""Read rasters of canopy height, surface models, and ground models on the same cells."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.enums import Resampling

from shelterscape.errors import Notice, ShelterscapeError
from shelterscape.files.local import existing_file
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.files.resampling import values_on
from shelterscape.files.terrain_models import METRES_PER, check_unit, read_terrain
from shelterscape.grid import Grid

Around = tuple[tuple[float, float, float, float], float]


def read_heights(
    source: str,
    what: str,
    *,
    crs: str | None = None,
    to_crs: str | None = None,
    z_unit: str | None = None,
    around: Around | None = None,
) -> tuple[NDArray[np.float32], Grid, list[Notice]]:
    """Read a raster of heights or elevations, with the checks of a terrain model.

    Parameters
    ----------
    source : str
    what : str
        Name of the raster in errors.
    crs, to_crs, z_unit, around
        As for `read_terrain`; with `around`, a raster that must be resampled is cut afterwards.

    Returns
    -------
    values : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    notices : list of Notice

    Raises
    ------
    InputError
        As `read_terrain`.
    """
    with named(what):
        values, grid, notices = read_terrain(
            source, crs=crs, to_crs=to_crs, z_unit=z_unit, around=around
        )
    # Missing cells are usual where nothing grows, and hide no view.
    notices = [n for n in notices if n.code != "cells-missing"]
    if around is not None and grid.whole_shape is None:
        window = grid.around(*around)
        if window is not None:
            rows, cols = window.shape
            values = values[window.row0 : window.row0 + rows, window.col0 : window.col0 + cols]
            grid = window
    return values, grid, notices


@contextlib.contextmanager
def named(what: str) -> Iterator[None]:
    """Name another raster than a terrain model in errors."""
    try:
        yield
    except ShelterscapeError as error:
        fields = error.fields()
        texts = {k: fields[k].replace("terrain model", what) for k in ("what", "hint")}
        raise type(error)(
            error.code,
            texts["what"],
            where=error.where,
            value=error.value,
            hint=texts["hint"],
        ) from error


def read_on(
    source: str, grid: Grid, what: str, *, crs: str | None = None, z_unit: str | None = None
) -> NDArray[np.float32]:
    """The first band of a raster of elevation on the cells of a grid, bilinear.

    Parameters
    ----------
    source : str
    grid : Grid
    what : str
        Name of the raster in errors.
    crs : str, optional
        Coordinate system, for a file that does not state it.
    z_unit : str, optional
        Unit of the elevations, when it is not metres.

    Returns
    -------
    (rows, cols) float32
        m; NaN where the raster has no value.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-missing``, ``elevation-unit``.
    """
    path = existing_file(source, what)
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data, named(what):
        check_unit(data, z_unit, path)
        own = CRS.from_user_input(crs).to_wkt() if crs else None
        values = values_on(data, grid, Resampling.bilinear, what, path, crs=own)
        scale, offset = data.scales[0], data.offsets[0]
    values = (values * scale + offset) * np.float32(METRES_PER[z_unit or "m"])
    return values.astype(np.float32)
