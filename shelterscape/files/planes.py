"""Plain rasters that only we read again: exact numbers, whole at once, read back in windows."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio._err import CPLE_BaseError
from rasterio.errors import RasterioError
from rasterio.windows import Window

from shelterscape.errors import WriteError
from shelterscape.files.rasters import ENVIRONMENT
from shelterscape.grid import Grid


def write_planes(path: Path, grid: Grid, planes: list[NDArray[np.float32]]) -> None:
    """Write one band for each plane; the file is there whole or not at all.

    Parameters
    ----------
    path : Path
    grid : Grid
    planes : list of (rows, cols) float32
        NaN where missing.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    # Two may be at it at once, on two machines even: each writes a file of its own first.
    part = path.with_name(f".{path.stem}.{os.getpid()}.part.tif")
    try:
        with (
            rasterio.Env(**ENVIRONMENT),
            rasterio.open(
                part,
                "w",
                driver="GTiff",
                height=grid.shape[0],
                width=grid.shape[1],
                count=len(planes),
                dtype="float32",
                nodata=np.nan,
                crs=grid.crs.to_wkt() if grid.crs is not None else None,
                transform=grid.affine,
                tiled=True,
                blockxsize=256,
                blockysize=256,
                interleave="band",
                compress="deflate",
                predictor=3,
                zlevel=1,
                bigtiff="if_safer",
            ) as data,
        ):
            for number, plane in enumerate(planes, start=1):
                data.write(plane, number)
        back = read_planes(part, grid)
        if not all(np.array_equal(a, b, equal_nan=True) for a, b in zip(planes, back, strict=True)):
            raise _damaged(path)
        os.replace(part, path)
    except (RasterioError, CPLE_BaseError) as error:
        # Not all of GDAL's errors become rasterio's own: those of a full disk do not.
        raise _damaged(path) from error
    finally:
        part.unlink(missing_ok=True)


def read_planes(path: Path, grid: Grid) -> list[NDArray[np.float32]]:
    """The bands of a file on a grid cut from the one it was written for."""
    window = Window(grid.col0, grid.row0, grid.shape[1], grid.shape[0])
    with rasterio.Env(**ENVIRONMENT), rasterio.open(path) as data:
        return list(data.read(window=window))


def _damaged(path: Path) -> WriteError:
    return WriteError(
        "output-unwritable",
        "A raster kept for all holdings did not read back as it was written.",
        where=path.name,
        mend="Look for a full or failing disk, then run again.",
    )
