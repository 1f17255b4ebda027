"""Open files of layers: find a layer and read its features, all or those near a grid."""

from __future__ import annotations

import contextlib
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pyogrio.raw
from fiona.errors import FionaError
from numpy.typing import NDArray
from pyogrio.errors import (
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)
from pyproj import Transformer
from shapely.errors import ShapelyError

from shelterscape.errors import InputError, Notice
from shelterscape.files.gdal_options import LAYER_OPTIONS
from shelterscape.files.geopackages import STYLES
from shelterscape.files.guards import openable, refuse_unsafe_table
from shelterscape.files.layer_checks import empty_layer
from shelterscape.files.local import existing_file, fault_of, split_layer
from shelterscape.files.spatial_index import index_is_sound
from shelterscape.grid import Grid

UNREADABLE = (
    DataSourceError,
    DataLayerError,
    FeatureError,
    GeometryError,
    FieldError,
    ShapelyError,
    UnicodeDecodeError,
)
"""Errors raised when a damaged or unsuitable file is read."""


def layers_of(path: Path) -> list[str]:
    """Names of the layers in a file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of str

    Raises
    ------
    InputError
        ``file-unreadable``, ``not-local``.
    """
    try:
        with reader_warnings([], ""):
            return _listed(openable(path))
    except (*UNREADABLE, FionaError) as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read as a set of layers.",
            where=str(path),
            value=fault_of(error),
            hint="Export it as GeoPackage.",
        ) from error


def _listed(content: str | bytes) -> list[str]:
    with fiona.Env(**_NO_NETWORK), _quiet_log():
        if isinstance(content, str):
            return list(fiona.listlayers(content))
        with fiona.MemoryFile(content) as held:
            return list(held.listlayers())


@contextlib.contextmanager
def _quiet_log() -> Iterator[None]:
    """Ignore log entries that fiona cannot write because they quote bytes of a malformed file.

    The error itself is still raised; only its log entry fails, outside any ``try``.
    """
    hook = sys.unraisablehook
    sys.unraisablehook = lambda unraisable: None
    try:
        yield
    finally:
        sys.unraisablehook = hook


_NO_NETWORK = LAYER_OPTIONS | {
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}",
}
"""GDAL settings; the last two make addresses inside files unreachable: port 9 discards data."""


@contextlib.contextmanager
def reader_warnings(notices: list[Notice], where: str) -> Iterator[None]:
    """Convert warnings of the reader to notices that name the layer.

    Parameters
    ----------
    notices : list of Notice
        Extended in place.
    where : str
        Name of the layer.
    """
    pyogrio.set_gdal_config_options(_NO_NETWORK)
    # Coordinates that are not numbers are handled later.
    with warnings.catch_warnings(record=True) as caught, np.errstate(invalid="ignore"):
        warnings.simplefilter("always")
        yield
    texts = dict.fromkeys(str(w.message)[:200] for w in caught)
    notices += [Notice("reader-remark", f"{where}: {text}") for text in texts]


def located(source: str, what: str) -> tuple[Path, str]:
    """File and layer that a source names.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    what : str
        Kind of the layer, for errors.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``layer-missing``, ``layer-ambiguous``,
        ``layer-empty``.
    """
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    refuse_unsafe_table(path, layer)
    return path, layer


def _chosen(path: Path, layer: str, what: str) -> str:
    names = layers_of(path)
    # A desktop GIS keeps styles in a table of this name beside the layers.
    choices = [name for name in names if name != STYLES]
    if layer and layer not in names:
        raise InputError(
            "layer-missing",
            "The file does not have this layer.",
            where=str(path),
            value=layer,
            hint=f"Use one of: {', '.join(choices)}.",
        )
    if not layer and len(choices) > 1:
        raise InputError(
            "layer-ambiguous",
            f"The file has several layers; state which is the {what}.",
            where=str(path),
            hint=f"Write it as {path.name}:LAYER with one of: {', '.join(choices)}.",
        )
    if not layer and not choices:
        raise empty_layer(str(path))
    return layer or choices[0]


Bounds = tuple[float, float, float, float]


def bounds_in(path: Path, layer: str, grid: Grid) -> Bounds | None:
    """The bounds of a grid with a small margin, in the coordinate system of a layer.

    Returns
    -------
    tuple of float or None
        West, south, east, north; None where they cannot be stated.
    """
    with reader_warnings([], ""):
        reported = pyogrio.read_info(openable(path), layer=layer)["crs"]
    if reported is None:
        return None
    onto = Transformer.from_crs(grid.crs, reported, always_xy=True)
    west, south, east, north = onto.transform_bounds(*grid.bounds, densify_pts=21)
    aside = 0.01 * max(east - west, north - south)
    found = west - aside, south - aside, east + aside, north + aside
    return found if np.isfinite(found).all() and west < east else None


def touches(boxes: NDArray[np.float64], bounds: Bounds) -> NDArray[np.bool_]:
    """Which boxes touch bounds.

    Parameters
    ----------
    boxes : (n, 4) float64
        West, south, east, north; NaN for none.
    bounds : tuple of float

    Returns
    -------
    (n,) bool
    """
    west, south, east, north = boxes.T
    inside: NDArray[np.bool_] = (west <= bounds[2]) & (east >= bounds[0])
    return inside & (south <= bounds[3]) & (north >= bounds[1])


def read_features(
    path: Path,
    layer: str,
    where: str,
    warned: list[Notice],
    bounds: Bounds | None,
    first_number: int | None,
    used: list[str] | None,
) -> gpd.GeoDataFrame:
    """Features of a layer, or those that touch bounds; possibly none.

    Parameters
    ----------
    path : Path
    layer : str
    where : str
        Name of the layer in errors and notices.
    warned : list of Notice
        Warnings of the reader, extended in place.
    bounds : tuple of float, optional
        West, south, east, north, in the coordinate system of the layer.
    first_number, used
        As for `vectors.as_in_file`.

    Raises
    ------
    InputError
        ``file-unreadable``, ``layer-empty``.
    """
    numbered = first_number is not None
    try:
        indexed = bounds if bounds and index_is_sound(path, layer) else None
        with reader_warnings(warned, where):
            frame = pyogrio.read_dataframe(
                openable(path), layer=layer, bbox=indexed, fid_as_index=numbered, columns=used
            )
    except (*UNREADABLE, ValueError) as error:
        raise InputError(
            "file-unreadable",
            "The layer could not be read; it may be damaged.",
            where=where,
            value=fault_of(error),
            hint="Export it again, preferably as GeoPackage.",
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame):
        raise empty_layer(where)
    if bounds and not indexed:
        near = touches(frame.geometry.bounds.to_numpy(), bounds)
        frame = frame[near] if numbered else frame[near].reset_index(drop=True)
    if first_number is not None:
        # A spatial index returns features in another order.
        frame = frame.set_index(frame.index.to_numpy() - first_number).sort_index()
    return frame
