"""Values of a raster on the cells of another grid."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT

from shelterscape.errors import InputError
from shelterscape.files.local import fault_of
from shelterscape.grid import Grid


def values_on(
    data: Any, grid: Grid, resampling: Resampling, what: str, path: Path, *, crs: object = None
) -> NDArray[np.float32]:
    """The first band of an open raster on the cells of a grid.

    Parameters
    ----------
    data : rasterio dataset
    grid : Grid
    resampling : Resampling
    what : str
        Kind of the raster, for errors.
    path : Path
        For errors.
    crs : optional
        Coordinate system in place of the one that the file states.

    Returns
    -------
    (rows, cols) float32
        As stored in the file, without its scale; NaN where it has no value.

    Raises
    ------
    InputError
        ``file-unreadable``, ``crs-missing``.
    """
    own = data.crs if crs is None else crs
    if own is None:
        raise InputError(
            "crs-missing",
            f"The {what} does not state its coordinate system.",
            where=str(path),
            hint="Set its coordinate system in your GIS and save it again.",
        )
    rows, cols = grid.shape
    layout = {"crs": grid.crs.to_wkt(), "transform": grid.affine, "height": rows, "width": cols}
    # Cells off a file without a nodata value must not read as 0.
    unmarked = data.nodata is None
    try:
        with WarpedVRT(
            data, src_crs=own, resampling=resampling, add_alpha=unmarked, **layout
        ) as onto:
            values = onto.read(1).astype(np.float32)
            known = (onto.read(onto.count) if unmarked else onto.dataset_mask()) > 0
    except RasterioError as error:
        raise InputError(
            "file-unreadable",
            f"The {what} could not be read.",
            where=str(path),
            value=fault_of(error),
            hint="Open it in your GIS, and export it again if it is damaged.",
        ) from error
    values[~known] = np.nan
    return values
