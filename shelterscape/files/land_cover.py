"""Maps of land cover or roughness, as a raster or as areas, and tables that go with them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT

from shelterscape.errors import InputError
from shelterscape.files.local import existing_file
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.grid import Grid

RASTER_SUFFIXES = (".tif", ".tiff", ".asc", ".vrt", ".img", ".hgt", ".nc")


def is_raster(source: str) -> bool:
    """Whether a path names a raster, by its ending.

    Parameters
    ----------
    source : str

    Returns
    -------
    bool
    """
    return Path(source).suffix.lower() in RASTER_SUFFIXES


def read_codes(source: str, grid: Grid, what: str, *, part: bool = False) -> NDArray[np.float32]:
    """The first band of a raster on the cells of a grid, each taking the nearest value.

    Parameters
    ----------
    source : str
    grid : Grid
    what : str
        What the raster is, for errors.
    part : bool
        Whether the grid is a part of a map, to which the raster need not reach.

    Returns
    -------
    (rows, cols) float32
        NaN where the raster holds nothing.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-missing``, ``layer-outside``.
    """
    path = existing_file(source, what)
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        if data.crs is None:
            raise InputError(
                "crs-missing",
                f"The {what} does not say which coordinate system it is in.",
                where=str(path),
                mend="Write its coordinate system into the file.",
            )
        layout = {
            "crs": grid.crs.to_wkt(),
            "transform": grid.affine,
            "height": grid.shape[0],
            "width": grid.shape[1],
            "resampling": Resampling.nearest,
        }
        try:
            # A file without a mark for missing values must not read as 0 beyond its edge.
            unmarked = data.nodata is None
            with WarpedVRT(data, add_alpha=unmarked, **layout) as onto:
                values = onto.read(1).astype(np.float32)
                known = (onto.read(onto.count) if unmarked else onto.dataset_mask()) > 0
        except RasterioError as error:
            raise InputError(
                "file-unreadable", f"The {what} could not be read.", where=str(path), value=error
            ) from error
    values[~known] = np.nan
    if not part and not np.isfinite(values).any():
        raise InputError(
            "layer-outside",
            f"The {what} does not reach the terrain model.",
            where=str(path),
            mend="Check both in a GIS; one may lie in the wrong coordinate system.",
        )
    return values


def read_cover_table(source: str) -> pd.DataFrame:
    """A table from land cover to roughness lengths.

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
            "The table of roughness could not be read as a table.",
            where=str(path),
            value=error,
            mend="Save it as CSV text in UTF-8: land_cover, roughness_m.",
        ) from error
