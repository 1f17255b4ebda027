"""Read layers of features."""

from __future__ import annotations

import contextlib
import math
import sys
import warnings
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pyogrio.raw
from affine import Affine
from fiona.errors import FionaError
from pyogrio.errors import (
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError
from shapely.errors import ShapelyError

from shelterscape.errors import InputError, Notice
from shelterscape.files.crs import ground_plan, metric_crs, refuse_local, scale_notices
from shelterscape.files.guards import openable, refuse_unsafe_table
from shelterscape.files.layer_checks import empty_layer, lying_on, outside_notice, reproject_to
from shelterscape.files.local import existing_file, fault_of, split_layer
from shelterscape.grid import Grid

_UNREADABLE = (
    DataSourceError,
    DataLayerError,
    FeatureError,
    GeometryError,
    FieldError,
    ShapelyError,
    UnicodeDecodeError,
)
"""Errors raised when a damaged or unsuitable file is read."""

LARGE_FEATURES = 100_000
LARGE_DRIVERS = {"GPKG": 1, "FlatGeobuf": 0, "ESRI Shapefile": 0}
"""From this number of features on (assumed), only those near the terrain model are read: from
formats that state the number of features and can select them, and the number each gives
to its first feature."""

ALONE_MARGIN_M, ALONE_CELL_M = 50.0, 10.0
"""Margin and cell size of the grid around a layer without a terrain model."""


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
        with _reader_warnings([], ""):
            return _listed(openable(path))
    except (*_UNREADABLE, FionaError) as error:
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


_NO_NETWORK = {"GDAL_HTTP_PROXY": "127.0.0.1:9", "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}"}
"""GDAL settings that make addresses inside files unreachable: port 9 discards data."""


@contextlib.contextmanager
def _reader_warnings(notices: list[Notice], where: str) -> Iterator[None]:
    """Convert warnings of the reader to notices that name the layer."""
    pyogrio.set_gdal_config_options(_NO_NETWORK)
    # Coordinates that are not numbers are handled later.
    with warnings.catch_warnings(record=True) as caught, np.errstate(invalid="ignore"):
        warnings.simplefilter("always")
        yield
    texts = dict.fromkeys(str(w.message)[:200] for w in caught)
    notices += [Notice("reader-remark", f"{where}: {text}") for text in texts]


def read_layer(
    source: str,
    grid: Grid,
    what: str,
    *,
    columns: dict[str, str] | None = None,
    ground: str = "terrain model",
    keep_outside: bool = False,
    part: bool = False,
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Read the features of a layer that are on a grid, in the coordinate system of the grid.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    grid : Grid
    what : str
        Kind of the layer, for errors and notices.
    columns : dict, optional
        Column names in the file by standard name, where they differ.
    ground : str
        Name of what the grid represents.
    keep_outside : bool
        Keep all features if at least one is on the grid.
    part : bool
        Whether the grid is part of the map. Then the layer may have no feature on it, features off
        it are not reported, and only features near it are read.

    Returns
    -------
    frame : GeoDataFrame
        Its index is the position of features in the file, from 0.
    notices : list of Notice

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``layer-missing``, ``layer-ambiguous``,
        ``layer-empty``, ``layer-outside``, ``crs-local``, ``crs-missing``, ``column-missing``.
    """
    head = None if part or keep_outside else _head_if_large(source, what)
    if head and (found := _read_of_large(source, grid, what, columns or {}, ground, head)):
        return found
    frame, where, warned = as_in_file(source, what, columns or {}, grid if part else None)
    try:
        there, notices = reproject_to(frame, grid.crs, where)
        there, more = lying_on(there, grid, where, ground, keep_outside)
    except InputError as error:
        if not part or error.code not in ("layer-outside", "layer-empty"):
            raise
        return frame.iloc[:0].to_crs(grid.crs), warned
    if part:
        more = [n for n in more if n.code != "features-outside"]
    return there, warned + notices + more


def _head_if_large(source: str, what: str) -> dict[str, Any] | None:
    """Information on a large layer, as pyogrio reports it; None for other layers."""
    path, layer = _located(source, what)
    try:
        with _reader_warnings([], ""):
            head = pyogrio.read_info(openable(path), layer=layer)
    except _UNREADABLE:
        return None  # the reader reports it
    return head if head["driver"] in LARGE_DRIVERS and head["features"] >= LARGE_FEATURES else None


def _read_of_large(
    source: str,
    grid: Grid,
    what: str,
    columns: dict[str, str],
    ground: str,
    head: dict[str, Any],
) -> tuple[gpd.GeoDataFrame, list[Notice]] | None:
    """Features of a large layer on a grid, read alone; None if there are none.

    Features without geometry count as off the grid.
    """
    first = LARGE_DRIVERS[head["driver"]]
    frame, where, warned = as_in_file(source, what, columns, grid, first)
    try:
        there, notices = reproject_to(frame, grid.crs, where)
        there, _ = lying_on(there, grid, where, ground, keep_outside=False)
    except InputError as error:
        if error.code not in ("layer-outside", "layer-empty"):
            raise
        return None
    if outside := head["features"] - len(there):
        notices.append(outside_notice(where, ground, outside))
    return there, warned + notices


def read_layer_alone(
    source: str, what: str, *, columns: dict[str, str] | None = None, to_crs: str | None = None
) -> tuple[gpd.GeoDataFrame, Grid, list[Notice]]:
    """Read a layer that defines the grid for other inputs.

    Parameters
    ----------
    source, what, columns
        As for `read_layer`.
    to_crs : str, optional
        Coordinate system in metres to work in; by default that of the layer.

    Returns
    -------
    frame : GeoDataFrame
    grid : Grid
        Around the features, with a margin.
    notices : list of Notice

    Raises
    ------
    InputError
        As `read_layer`, except ``layer-outside``; also ``crs-…``.
    """
    frame, where, warned = as_in_file(source, what, columns or {})
    own = ground_plan(CRS.from_user_input(frame.crs))
    crs = metric_crs(own, to_crs, tuple(frame.total_bounds), what, where)
    frame, notices = reproject_to(frame, crs, where)
    west, south, east, north = frame.total_bounds
    spans = east - west, north - south
    cols, rows = (math.ceil((span + 2 * ALONE_MARGIN_M) / ALONE_CELL_M) for span in spans)
    corner = west - ALONE_MARGIN_M, north + ALONE_MARGIN_M
    affine = Affine.translation(*corner) * Affine.scale(ALONE_CELL_M, -ALONE_CELL_M)
    notices += scale_notices(grid := Grid((rows, cols), affine, crs))
    return frame, grid, warned + notices


def as_in_file(
    source: str,
    what: str,
    columns: dict[str, str],
    near: Grid | None = None,
    first_number: int | None = None,
    used: list[str] | None = None,
) -> tuple[gpd.GeoDataFrame, str, list[Notice]]:
    """Read a layer in its own coordinate system.

    Parameters
    ----------
    source, what, columns
        As for `read_layer`.
    near : Grid, optional
        Only features near it are read, possibly none.
    first_number : int, optional
        Number of the first feature in the format of the file; features then keep their numbers.
    used : list of str, optional
        Columns that are read where the file has them, by their names in it; all by default.

    Returns
    -------
    frame : GeoDataFrame
        With columns renamed, in the coordinate system of the file.
    where : str
        Name of the layer in errors and notices.
    notices : list of Notice
        Warnings of the reader.

    Raises
    ------
    InputError
        As `read_layer`, except ``layer-outside``.
    """
    path, layer = _located(source, what)
    where = f"{path.name}:{layer}"
    warned: list[Notice] = []
    bounds = _bounds_in(path, layer, near) if near is not None else None
    frame = _read(path, layer, where, warned, bounds, first_number, used)
    frame = _renamed(frame, columns, where)
    if frame.crs is None:
        raise InputError(
            "crs-missing",
            "The layer does not state its coordinate system.",
            where=where,
            hint="Set its coordinate system in your GIS and save it again.",
        )
    refuse_local(CRS.from_user_input(frame.crs), "layer", where)
    return frame, where, warned


@dataclass(frozen=True)
class LayerSize:
    """Number of features of a layer on a grid, of their vertices, and of all its features."""

    features: int = 0
    vertices: int = 0
    read_features: int = 0

    def __add__(self, other: LayerSize) -> LayerSize:
        return LayerSize(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))


def size_of(source: str, what: str, grid: Grid | None = None) -> LayerSize:
    """The size of a layer or of its part on a grid, without its columns.

    Parameters
    ----------
    source, what
        As for `read_layer`.
    grid : Grid, optional

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``layer-missing``, ``layer-ambiguous``.
    """
    path, layer = _located(source, what)
    try:
        with _reader_warnings([], ""):
            reported = pyogrio.read_info(openable(path), layer=layer)
            own, box = reported["crs"], None
            if grid is not None and grid.crs is not None and own:
                turned = Transformer.from_crs(grid.crs, own, always_xy=True)
                box = turned.transform_bounds(*grid.bounds)
            near = box if box and np.isfinite(box).all() else None
            shapes = pyogrio.raw.read(openable(path), layer=layer, columns=[], bbox=near)[2]
    except (*_UNREADABLE, ProjError) as error:
        raise InputError(
            "file-unreadable",
            "The layer could not be read.",
            where=f"{path.name}:{layer}",
            value=fault_of(error),
            hint="Open it in your GIS, and export it again if it is damaged.",
        ) from error
    there = [shape for shape in (() if shapes is None else shapes) if shape]
    # In well-known binary a 2-D vertex has 16 bytes; the rest of a feature has few.
    return LayerSize(len(there), sum(map(len, there)) // 16, reported["features"])


def _located(source: str, what: str) -> tuple[Path, str]:
    """File and layer that a source names."""
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    refuse_unsafe_table(path, layer)
    return path, layer


def _chosen(path: Path, layer: str, what: str) -> str:
    names = layers_of(path)
    if layer and layer not in names:
        raise InputError(
            "layer-missing",
            "The file does not have this layer.",
            where=str(path),
            value=layer,
            hint=f"Use one of: {', '.join(names)}.",
        )
    if not layer and len(names) > 1:
        raise InputError(
            "layer-ambiguous",
            f"The file has several layers; state which is the {what}.",
            where=str(path),
            hint=f"Write it as {path.name}:LAYER with one of: {', '.join(names)}.",
        )
    if not names:
        raise empty_layer(str(path))
    return layer or names[0]


Bounds = tuple[float, float, float, float]


def _bounds_in(path: Path, layer: str, grid: Grid) -> Bounds | None:
    """The bounds of a grid with a small margin, in the coordinate system of a layer."""
    with _reader_warnings([], ""):
        reported = pyogrio.read_info(openable(path), layer=layer)["crs"]
    if reported is None:
        return None
    onto = Transformer.from_crs(grid.crs, reported, always_xy=True)
    west, south, east, north = onto.transform_bounds(*grid.bounds, densify_pts=21)
    aside = 0.01 * max(east - west, north - south)
    found = west - aside, south - aside, east + aside, north + aside
    return found if np.isfinite(found).all() and west < east else None


def _read(
    path: Path,
    layer: str,
    where: str,
    warned: list[Notice],
    bounds: Bounds | None,
    first_number: int | None,
    used: list[str] | None,
) -> gpd.GeoDataFrame:
    numbered = first_number is not None
    try:
        with _reader_warnings(warned, where):
            frame = pyogrio.read_dataframe(
                openable(path), layer=layer, bbox=bounds, fid_as_index=numbered, columns=used
            )
    except (*_UNREADABLE, ValueError) as error:
        raise InputError(
            "file-unreadable",
            "The layer could not be read; it may be damaged.",
            where=where,
            value=fault_of(error),
            hint="Export it again, preferably as GeoPackage.",
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame) or not (len(frame) or bounds):
        raise empty_layer(where)
    if first_number is not None:
        # A spatial index returns features in another order.
        frame = frame.set_index(frame.index.to_numpy() - first_number).sort_index()
    return frame


def _renamed(frame: gpd.GeoDataFrame, columns: dict[str, str], where: str) -> gpd.GeoDataFrame:
    for given in columns.values():
        if given not in frame.columns:
            raise InputError(
                "column-missing",
                "The layer does not have this column.",
                where=where,
                value=given,
                hint=f"Use one of: {', '.join(map(str, frame.columns))}.",
            )
    # All at once, so that two columns can swap names.
    values = {wanted: frame[given] for wanted, given in columns.items()}
    return frame.drop(columns=list(columns.values())).assign(**values)
