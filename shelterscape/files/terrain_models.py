"""Terrain models: read, checked, and laid out on square north-up cells in metres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.warp import calculate_default_transform, reproject

from shelterscape.errors import InputError, Notice
from shelterscape.files.crs import ground_plan, known_crs, metric_crs
from shelterscape.files.local import existing_file
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.grid import Grid

METRES_PER = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0, "cm": 0.01}
"""Metres in one unit of height."""

_FEET = {"ft", "foot", "feet", "us-ft", "us survey foot", "us_survey_foot", "ftus", "sfoot"}


def read_terrain(
    source: str, *, crs: str | None = None, to_crs: str | None = None, z_unit: str | None = None
) -> tuple[NDArray[np.float32], Grid, list[Notice]]:
    """Read a terrain model.

    Parameters
    ----------
    source : str
        Path of a raster; its first band is the elevation.
    crs : str, optional
        Coordinate system, for a file that does not say its own.
    to_crs : str, optional
        Coordinate system in metres to lay it out in.
    z_unit : {"m", "ft", "us-ft", "cm"}, optional
        Unit of the heights, when it is not metres.

    Returns
    -------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    notices : list of Notice

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-missing``, ``crs-geographic``, ``crs-unit``,
        ``elevation-unit``, ``raster-empty``.
    """
    path = existing_file(source, "terrain model")
    notices: list[Notice] = []
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        own = _own_crs(data, crs, path)
        target = metric_crs(own, to_crs, tuple(data.bounds), "terrain model", str(path))
        if data.count > 1:
            notices.append(Notice("bands-ignored", f"{path.name}: band 1 used", data.count - 1))
        elevation = _heights(data, z_unit, path)
        affine = data.transform
    if _fits(affine):
        affine = Affine(affine.a, 0, affine.c, 0, -affine.a, affine.f)
    if not _fits(affine) or own != target:
        elevation, affine = _laid_out(elevation, affine, own, target)
        notices.append(
            Notice(
                "dem-resampled",
                f"{path.name}: laid out anew on square cells of {affine.a:g} m in {target.name}",
            )
        )
    if not np.isfinite(elevation).any():
        raise InputError("raster-empty", "The terrain model holds no usable cell.", where=str(path))
    return elevation, Grid(elevation.shape, affine, target), notices


def _own_crs(data: DatasetReader, given: str | None, path: Path) -> CRS:
    if given:
        return ground_plan(known_crs(given, "crs"))
    if data.crs is None:
        raise InputError(
            "crs-missing",
            "The terrain model does not say which coordinate system it is in.",
            where=str(path),
            mend="Add --crs EPSG:… with the code its supplier states.",
        )
    return ground_plan(CRS.from_wkt(data.crs.to_wkt()))


def _heights(data: DatasetReader, z_unit: str | None, path: Path) -> NDArray[np.float32]:
    stated = (data.units[0] or "").strip().lower()
    if not z_unit and stated in _FEET:
        raise InputError(
            "elevation-unit",
            "The terrain model states heights in feet.",
            where=str(path),
            value=stated,
            mend="Add --z-unit ft (or us-ft, or m if the file is wrong about itself).",
        )
    try:
        band = data.read(1, masked=True)
    except RasterioError as error:
        raise InputError(
            "file-unreadable",
            "The terrain model breaks off or is damaged.",
            where=str(path),
            value=error,
            mend="Copy it here again from where it came.",
        ) from error
    values = band.astype(np.float64).filled(np.nan)
    values = (values * data.scales[0] + data.offsets[0]) * METRES_PER[z_unit or "m"]
    values[~np.isfinite(values)] = np.nan
    return values.astype(np.float32)


def _fits(affine: Affine) -> bool:
    return (
        affine.b == 0
        and affine.d == 0
        and affine.a > 0
        and bool(np.isclose(affine.a, -affine.e, rtol=1e-6))
    )


def _laid_out(
    elevation: NDArray[np.float32], affine: Affine, own: CRS, target: CRS
) -> tuple[NDArray[np.float32], Affine]:
    """Resample onto square north-up cells; bilinear, so that no step is made where none is."""
    rows, cols = elevation.shape
    corners = [affine * corner for corner in ((0, 0), (cols, 0), (0, rows), (cols, rows))]
    xs, ys = zip(*corners, strict=True)
    bounds = (min(xs), min(ys), max(xs), max(ys))
    to, width, height = calculate_default_transform(
        own.to_wkt(), target.to_wkt(), cols, rows, *bounds
    )
    # Cells keep the finer of their two sides, so that resampling loses no detail.
    side = (
        min(to.a, -to.e)
        if own != target
        else min(np.hypot(affine.a, affine.d), np.hypot(affine.b, affine.e))
    )
    width, height = (int(np.ceil(n)) for n in (width * to.a / side, height * -to.e / side))
    square = Affine(float(side), 0, to.c, 0, -float(side), to.f)
    out = np.full((height, width), np.nan, np.float32)
    reproject(
        elevation,
        out,
        src_transform=affine,
        src_crs=own.to_wkt(),
        src_nodata=np.nan,
        dst_transform=square,
        dst_crs=target.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
        # GDAL takes a turned raster for a thinned one and smooths it; planes then drift .1 cell.
        XSCALE=1,
        YSCALE=1,
    )
    return out, square
