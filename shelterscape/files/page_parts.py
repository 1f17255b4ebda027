"""Rasters, layers and pictures of a run in the forms that a page holds as text."""

from __future__ import annotations

import base64
import gzip
import io
import json
import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling

MOST_PIXELS = 700
"""Larger side of a raster in a page, pixels."""

CODES = 254
"""Number of values that a picture of a raster distinguishes; 0 is a missing value."""


def raster_picture(
    path: Path, band: int, low: float, high: float, *, classed: bool = False
) -> tuple[str, tuple[float, float, float, float]]:
    """One band as a grey picture, and the ground it covers.

    Parameters
    ----------
    path : Path
    band : int
        From 1.
    low, high : float
        Values of the codes 1 and 255; those beyond are set to them.
    classed : bool
        Whether cells are class codes; the picture then holds the class code + 1.

    Returns
    -------
    address : str
        ``data:image/png;base64,…``; grey 0 is a missing value.
    extent : tuple of float
        West, south, east, north in the coordinate system of the raster, m.
    """
    with rasterio.open(path) as source:
        step = max(1, math.ceil(max(source.shape) / MOST_PIXELS))
        shape = tuple(math.ceil(n / step) for n in source.shape)
        how = Resampling.nearest if classed else Resampling.average
        values = source.read(band, out_shape=shape, resampling=how, masked=True)
        bounds = source.bounds
    if classed:
        codes = values.filled(0).astype(float) + 1
    else:
        codes = 1 + np.round(CODES * np.clip((values.filled(low) - low) / (high - low), 0, 1))
    codes[np.ma.getmaskarray(values)] = 0
    return png_address(codes.astype(np.uint8)), (
        bounds.left,
        bounds.bottom,
        bounds.right,
        bounds.top,
    )


def png_address(pixels: NDArray[np.uint8]) -> str:
    """A picture as an address that holds its bytes."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return address_of(stream.getvalue())


def address_of(png: bytes) -> str:
    """The bytes of a PNG picture as an address."""
    return "data:image/png;base64," + base64.b64encode(png).decode()


def packed_features(frame: gpd.GeoDataFrame) -> str:
    """Features as GeoJSON, compressed and in letters; ids are row numbers from 0.

    Parameters
    ----------
    frame : GeoDataFrame

    Returns
    -------
    str
        Coordinates are rounded to 0.1 m. Equal features give equal text.
    """
    shapes = frame.geometry.set_precision(0.1, mode="pointwise")
    rows = plain_rows(frame)
    features = [
        {"type": "Feature", "id": i, "properties": row, "geometry": shape.__geo_interface__}
        for i, (row, shape) in enumerate(zip(rows, shapes, strict=True))
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features}, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode(), 6, mtime=0)).decode()


def plain_rows(frame: Any) -> list[dict[str, Any]]:
    """Rows of a table as plain values; None for a missing one."""
    plain = frame.drop(columns="geometry") if "geometry" in frame else frame
    columns = {name: plain[name].astype(object).where(plain[name].notna(), None) for name in plain}
    names = list(columns)
    return [
        {name: _plain(value) for name, value in zip(names, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def cell_text(value: Any) -> str:
    """A value as a cell of a table; empty for a missing one."""
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    return float(value) if isinstance(value, float | np.floating) else str(value)
