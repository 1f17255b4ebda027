"""Read layers of features."""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyogrio.raw
import shapely
from affine import Affine
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from shelterscape.errors import InputError, Notice
from shelterscape.files.crs import ground_plan, known_crs, metric_crs, refuse_local, scale_notices
from shelterscape.files.guards import openable
from shelterscape.files.layer_checks import (
    empty_layer,
    lying_on,
    outside_notice,
    refuse_absurd,
    reproject_to,
)
from shelterscape.files.layer_reading import (
    UNREADABLE,
    bounds_in,
    located,
    read_features,
    reader_warnings,
    touches,
)
from shelterscape.files.local import fault_of
from shelterscape.files.spatial_index import index_is_sound
from shelterscape.grid import Grid

LARGE_FEATURES = 100_000
LARGE_DRIVERS = {"GPKG": 1, "FlatGeobuf": 0, "ESRI Shapefile": 0}
"""From this number of features on (assumed), only those near the terrain model are read: from
formats that state the number of features and can select them, and the number each gives
to its first feature."""

ALONE_MARGIN_M, ALONE_CELL_M = 50.0, 10.0
"""Margin and cell size of the grid around a layer without a terrain model."""


def read_layer(
    source: str,
    grid: Grid,
    what: str,
    *,
    columns: dict[str, str] | None = None,
    ground: str = "terrain model",
    keep_outside: bool = False,
    part: bool = False,
    may_be_empty: bool = False,
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
    may_be_empty : bool
        Whether the layer may have no features at all.

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
        allowed = part or (may_be_empty and not len(frame))
        if not allowed or error.code not in ("layer-outside", "layer-empty"):
            raise
        return frame.iloc[:0].to_crs(grid.crs), warned
    if part:
        more = [n for n in more if n.code != "features-outside"]
    return there, warned + notices + more


def _head_if_large(source: str, what: str) -> dict[str, Any] | None:
    """Information on a large layer, as pyogrio reports it; None for other layers."""
    path, layer = located(source, what)
    try:
        with reader_warnings([], ""):
            head = pyogrio.read_info(openable(path), layer=layer)
    except UNREADABLE:
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
    source: str,
    what: str,
    *,
    columns: dict[str, str] | None = None,
    to_crs: str | None = None,
    may_be_empty: bool = False,
) -> tuple[gpd.GeoDataFrame, Grid, list[Notice]]:
    """Read a layer that defines the grid for other inputs.

    Parameters
    ----------
    source, what, columns
        As for `read_layer`.
    to_crs : str, optional
        Coordinate system in metres to work in; by default that of the layer.
    may_be_empty : bool
        Whether the layer may have no features at all.

    Returns
    -------
    frame : GeoDataFrame
    grid : Grid
        Around the features, with a margin; one cell at the origin without any.
    notices : list of Notice

    Raises
    ------
    InputError
        As `read_layer`, except ``layer-outside``; also ``crs-…``.
    """
    frame, where, warned = as_in_file(source, what, columns or {})
    own = ground_plan(CRS.from_user_input(frame.crs))
    if not len(frame):
        if not may_be_empty:
            raise empty_layer(where)
        crs = ground_plan(known_crs(to_crs, "to_crs")) if to_crs else own
        return frame.to_crs(crs), Grid((1, 1), Affine.scale(ALONE_CELL_M, -ALONE_CELL_M), crs), []
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
    path, layer = located(source, what)
    where = f"{path.name}:{layer}"
    warned: list[Notice] = []
    bounds = bounds_in(path, layer, near) if near is not None else None
    frame = read_features(path, layer, where, warned, bounds, first_number, used)
    frame = _renamed(frame, columns, where)
    if frame.crs is None:
        raise InputError(
            "crs-missing",
            "The layer does not state its coordinate system.",
            where=where,
            hint="Set its coordinate system in your GIS and save it again.",
        )
    refuse_local(CRS.from_user_input(frame.crs), "layer", where)
    refuse_absurd(frame, where)
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
    path, layer = located(source, what)
    try:
        with reader_warnings([], ""):
            reported = pyogrio.read_info(openable(path), layer=layer)
            own, box = reported["crs"], None
            if grid is not None and grid.crs is not None and own:
                turned = Transformer.from_crs(grid.crs, own, always_xy=True)
                box = turned.transform_bounds(*grid.bounds)
            near = box if box and np.isfinite(box).all() else None
            indexed = near if near and index_is_sound(path, layer) else None
            shapes = pyogrio.raw.read(openable(path), layer=layer, columns=[], bbox=indexed)[2]
            if near and not indexed and shapes is not None:
                shapes = shapes[touches(shapely.bounds(shapely.from_wkb(shapes)), near)]
    except (*UNREADABLE, ProjError) as error:
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
