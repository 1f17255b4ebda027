"""Maps of land cover or roughness, as rasters or areas, and tables of roughness lengths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file, fault_of
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.files.resampling import values_on
from shelterscape.grid import Grid

RASTER_SUFFIXES = (".tif", ".tiff", ".asc", ".vrt", ".img", ".hgt", ".nc")


def is_raster(source: str) -> bool:
    """Whether a path names a raster, by its suffix.

    Parameters
    ----------
    source : str

    Returns
    -------
    bool
    """
    return Path(source).suffix.lower() in RASTER_SUFFIXES


def read_codes(source: str, grid: Grid, what: str, *, part: bool = False) -> NDArray[np.float32]:
    """The first band of a raster on the cells of a grid, by nearest value.

    Parameters
    ----------
    source : str
    grid : Grid
    what : str
        Kind of the raster, for errors.
    part : bool
        Whether the grid is part of a map, which the raster need not cover.

    Returns
    -------
    (rows, cols) float32
        NaN where the raster has no value.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-missing``, ``layer-outside``.
    """
    path = existing_file(source, what)
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        values = values_on(data, grid, Resampling.nearest, what, path)
    if not part and not np.isfinite(values).any():
        raise InputError(
            "layer-outside",
            f"The {what} does not overlap the terrain model.",
            where=str(path),
            hint="Compare both in your GIS; one may have the wrong coordinate system.",
        )
    return values


def read_cover_table(source: str) -> pd.DataFrame:
    """A table of roughness lengths by land cover.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``.
    """
    path = existing_file(source, "table of roughness")
    try:
        return pd.read_csv(path, comment="#", encoding="utf-8-sig", skipinitialspace=True)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise InputError(
            "file-unreadable",
            "The table of roughness could not be read.",
            where=str(path),
            value=fault_of(error),
            hint="Save it as CSV in UTF-8, with the columns land_cover and roughness_m.",
        ) from error
