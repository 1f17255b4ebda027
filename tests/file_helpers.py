"""Small rasters and layers for the tests of `shelterscape.files`."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine

from shelterscape.grid import Grid

CRS = "EPSG:25832"
GRID = Grid((100, 100), Affine(10, 0, 560_000, 0, -10, 5_710_000), CRS)
"""One square kilometre in central Germany."""


def write_dem(path: Path, values, *, affine=GRID.affine, crs=CRS, **more) -> Path:
    """Write bands (or one) of values as a GeoTIFF; `more` may hold nodata, units, scale, offset."""
    values = np.asarray(values)
    bands = values[None] if values.ndim == 2 else values
    units, scale, offset = more.pop("units", None), more.pop("scale", 1), more.pop("offset", 0)
    profile = {"driver": "GTiff", "height": bands.shape[1], "width": bands.shape[2]}
    profile |= {"count": len(bands), "dtype": bands.dtype, "crs": crs, "transform": affine}
    with rasterio.open(path, "w", **profile, **more) as data:
        data.write(bands)
        data.scales, data.offsets = [scale] * len(bands), [offset] * len(bands)
        if units:
            data.units = [units] * len(bands)
    return path


def cell_centres(affine: Affine, shape: tuple[int, int]):
    """The x and y of all cell centres."""
    rows, cols = np.indices(shape) + 0.5
    return affine * (cols, rows)


def plane(x, y):
    """Ground that rises 5 % eastward and falls 3 % northward, m."""
    return 200.0 + 0.05 * (x - 560_000.0) - 0.03 * (y - 5_709_000.0)


def write_features(path: Path, geometries, *, layer="things", crs=CRS, driver="GPKG", **columns):
    """Write features with columns; a second call with another layer adds to the file."""
    frame = gpd.GeoDataFrame(columns, geometry=list(geometries), crs=crs)
    frame.to_file(path, layer=layer, driver=driver, mode="a" if path.exists() else "w")
    return path


def notices_by_code(notices) -> dict[str, int]:
    """Count of each notice by its code; a duplicate code is an error."""
    codes = [n.code for n in notices]
    assert len(set(codes)) == len(codes), codes
    return {n.code: n.count for n in notices}
