"""Layers of features in."""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pyogrio.raw
import shapely
from affine import Affine
from numpy.typing import NDArray
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
from shelterscape.files.crs import ground_plan, metric_crs
from shelterscape.files.guards import openable, refuse_unsafe_table
from shelterscape.files.local import existing_file, split_layer
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
"""What reading a damaged or mistaken file may raise."""

ALONE_MARGIN_M, ALONE_CELL_M = 50.0, 10.0
"""Margin and cell of the grid laid round a layer that stands alone."""


def layers_of(path: Path) -> list[str]:
    """Names of the layers in a file.

    Raises
    ------
    InputError
        ``file-unreadable``, ``not-local``.
    """
    try:
        with _remarks([], ""):
            return [str(name) for name, _ in pyogrio.list_layers(openable(path))]
    except _UNREADABLE as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read as a set of layers.",
            where=str(path),
            value=error,
            mend="GeoPackage is the safest kind; export it as one.",
        ) from error


_NO_NETWORK = {"GDAL_HTTP_PROXY": "127.0.0.1:9", "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}"}
"""GDAL settings by which an address inside a file leads nowhere: port 9 discards."""


@contextlib.contextmanager
def _remarks(notices: list[Notice], where: str) -> Iterator[None]:
    """Turn what the reader has to remark into notices; a warning tells no person where to look."""
    pyogrio.set_gdal_config_options(_NO_NETWORK)
    # Coordinates that are no numbers are dealt with later.
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
    """Read the features of a layer that lie on a grid, in its coordinate system.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    grid : Grid
    what : str
        What the layer is, for errors and notices.
    columns : dict, optional
        Names in the file by the names wanted, where they differ.
    ground : str
        What the grid stands for, in words.
    keep_outside : bool
        Keep features off the grid too, as long as one lies on it.
    part : bool
        Whether the grid is a part of the map: then no feature need lie on it, those elsewhere are
        not told of, and no more is read than lies near.

    Returns
    -------
    frame : GeoDataFrame
        Its index counts features as they stand in the file, from 0.
    notices : list of Notice

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``layer-missing``, ``layer-ambiguous``,
        ``layer-empty``, ``layer-outside``, ``crs-missing``, ``column-missing``.
    """
    frame, where, remarks = as_in_file(source, what, columns or {}, grid if part else None)
    try:
        there, notices = _brought_into(frame, grid.crs, where)
        there, more = _lying_on(there, grid, where, ground, keep_outside)
    except InputError as error:
        if not part or error.code not in ("layer-outside", "layer-empty"):
            raise
        return frame.iloc[:0].to_crs(grid.crs), remarks
    if part:
        more = [n for n in more if n.code != "features-outside"]
    return there, remarks + notices + more


def read_layer_alone(
    source: str, what: str, *, columns: dict[str, str] | None = None, to_crs: str | None = None
) -> tuple[gpd.GeoDataFrame, Grid, list[Notice]]:
    """Read a layer that other inputs are then brought onto, as `read_layer` does with a grid.

    Parameters
    ----------
    source, what, columns
        As for `read_layer`.
    to_crs : str, optional
        Coordinate system in metres to work in; the layer's own by default.

    Returns
    -------
    frame : GeoDataFrame
    grid : Grid
        Round the features, with a margin.
    notices : list of Notice

    Raises
    ------
    InputError
        As `read_layer`, but ``layer-outside``; ``crs-geographic``, ``crs-unit``.
    """
    frame, where, remarks = as_in_file(source, what, columns or {})
    own = ground_plan(CRS.from_user_input(frame.crs))
    crs = metric_crs(own, to_crs, tuple(frame.total_bounds), what, where)
    frame, notices = _brought_into(frame, crs, where)
    west, south, east, north = frame.total_bounds
    cols, rows = (
        math.ceil((high - low + 2 * ALONE_MARGIN_M) / ALONE_CELL_M)
        for low, high in ((west, east), (south, north))
    )
    affine = Affine(
        ALONE_CELL_M, 0, west - ALONE_MARGIN_M, 0, -ALONE_CELL_M, north + ALONE_MARGIN_M
    )
    return frame, Grid((rows, cols), affine, crs), remarks + notices


def as_in_file(
    source: str, what: str, columns: dict[str, str], near: Grid | None = None
) -> tuple[gpd.GeoDataFrame, str, list[Notice]]:
    """Features of a layer, columns renamed; what to call the layer; and what its reader said.

    With `near` no more is read than lies by that grid, which may be nothing.
    """
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    where = f"{path.name}:{layer}"
    remarks: list[Notice] = []
    bounds = _bounds_in(path, layer, near) if near is not None else None
    frame = _renamed(_read(path, layer, where, remarks, bounds), columns, where)
    if frame.crs is None:
        raise InputError(
            "crs-missing",
            "The layer does not say which coordinate system it is in.",
            where=where,
            mend="Set its coordinate system in your GIS and save it again.",
        )
    return frame, where, remarks


@dataclass(frozen=True)
class LayerSize:
    """How many features a layer has on a grid, their vertices, and its features in all."""

    features: int = 0
    vertices: int = 0
    read_features: int = 0

    def __add__(self, other: LayerSize) -> LayerSize:
        return LayerSize(
            self.features + other.features,
            self.vertices + other.vertices,
            self.read_features + other.read_features,
        )


def size_of(source: str, what: str, grid: Grid | None = None) -> LayerSize:
    """The size of what lies on a grid, or of a whole layer, without its columns.

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
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    refuse_unsafe_table(path, layer)
    try:
        with _remarks([], ""):
            told = pyogrio.read_info(openable(path), layer=layer)
        own, box = told["crs"], None
        if grid is not None and grid.crs is not None and own:
            turned = Transformer.from_crs(grid.crs, own, always_xy=True)
            box = turned.transform_bounds(*grid.bounds)
        near = box if box and np.isfinite(box).all() else None
        with _remarks([], ""):
            shapes = pyogrio.raw.read(openable(path), layer=layer, columns=[], bbox=near)[2]
    except (*_UNREADABLE, ProjError) as error:
        raise InputError(
            "file-unreadable",
            "The layer could not be read.",
            where=f"{path.name}:{layer}",
            value=error,
        ) from error
    there = [shape for shape in (() if shapes is None else shapes) if shape]
    # In well-known binary a vertex in the plane takes 16 bytes and the rest of a feature few.
    return LayerSize(len(there), sum(map(len, there)) // 16, told["features"])


def _chosen(path: Path, layer: str, what: str) -> str:
    names = layers_of(path)
    if layer and layer not in names:
        raise InputError(
            "layer-missing",
            "The file holds no such layer.",
            where=str(path),
            value=layer,
            mend=f"Use one of: {', '.join(names)}.",
        )
    if not layer and len(names) > 1:
        raise InputError(
            "layer-ambiguous",
            f"The file holds several layers; say which is the {what}.",
            where=str(path),
            mend=f"Write it as {path.name}:LAYER with one of: {', '.join(names)}.",
        )
    if not names:
        raise _empty(str(path))
    return layer or names[0]


Bounds = tuple[float, float, float, float]


def _bounds_in(path: Path, layer: str, grid: Grid) -> Bounds | None:
    """The bounds of a grid, a little widened, in the coordinate system of a layer."""
    with _remarks([], ""):
        told = pyogrio.read_info(openable(path), layer=layer)["crs"]
    if told is None:
        return None
    onto = Transformer.from_crs(grid.crs, told, always_xy=True)
    west, south, east, north = onto.transform_bounds(*grid.bounds, densify_pts=21)
    aside = 0.01 * max(east - west, north - south)
    found = west - aside, south - aside, east + aside, north + aside
    return found if np.isfinite(found).all() and west < east else None


def _read(
    path: Path, layer: str, where: str, remarks: list[Notice], bounds: Bounds | None = None
) -> gpd.GeoDataFrame:
    refuse_unsafe_table(path, layer)
    try:
        with _remarks(remarks, where):
            frame = pyogrio.read_dataframe(openable(path), layer=layer, bbox=bounds)
    except (*_UNREADABLE, ValueError) as error:
        raise InputError(
            "file-unreadable",
            "The layer could not be read; it may be damaged.",
            where=where,
            value=error,
            mend="Export it again, best as GeoPackage.",
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame) or not (len(frame) or bounds):
        raise _empty(where)
    return frame


def _empty(where: str) -> InputError:
    return InputError(
        "layer-empty",
        "The layer holds no features with geometry.",
        where=where,
        mend="Name another layer, or fill this one.",
    )


def _renamed(frame: gpd.GeoDataFrame, columns: dict[str, str], where: str) -> gpd.GeoDataFrame:
    for given in columns.values():
        if given not in frame.columns:
            raise InputError(
                "column-missing",
                "The layer has no such column.",
                where=where,
                value=given,
                mend=f"Use one of: {', '.join(map(str, frame.columns))}.",
            )
    # All at once, so that two columns can change places.
    values = {wanted: frame[given] for wanted, given in columns.items()}
    return frame.drop(columns=list(columns.values())).assign(**values)


def _brought_into(
    frame: gpd.GeoDataFrame, crs: CRS, where: str
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Features with a geometry, in a coordinate system, valid."""
    notices = []
    there = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if not len(there):
        raise _empty(where)
    if len(there) < len(frame):
        count = len(frame) - len(there)
        notices.append(Notice("features-empty", f"{where}: features without geometry", count))
    # The CRS of the grid has no vertical part, and heights of vertices play no role.
    there = there.set_geometry(shapely.force_2d(there.geometry.to_numpy()), crs=frame.crs)
    if there.crs != crs:
        there = there.to_crs(crs)
        notices.append(Notice("layer-reprojected", f"{where}: brought into {crs.name}"))
    # Places a projection cannot show come out infinite; they lie off any grid.
    mixed = there.geom_type == "GeometryCollection"
    broken = _all_finite(there.geometry.to_numpy()) & (mixed | ~there.geometry.is_valid)
    if broken.any():
        there = there.set_geometry(_repaired(there.geometry.to_numpy(), broken), crs=crs)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return there, notices


def _lying_on(
    frame: gpd.GeoDataFrame, grid: Grid, where: str, ground: str, keep_outside: bool
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    shown = _all_finite(frame.geometry.to_numpy())
    inside = shown.copy()
    inside[shown] = frame.geometry[shown].intersects(shapely.box(*grid.bounds))
    if not inside.any():
        raise InputError(
            "layer-outside",
            f"No feature of the layer lies on the {ground}; often a wrong coordinate system.",
            where=where,
            value=f"layer {_extent(frame.total_bounds)}, {ground} {_extent(grid.bounds)}",
            mend=_why_outside(frame[shown].total_bounds, grid),
        )
    if keep_outside:
        return frame[shown], []
    notices = []
    if not inside.all():
        text = f"{where}: features off the {ground} left out"
        notices.append(Notice("features-outside", text, int((~inside).sum())))
    return frame[inside], notices


def _all_finite(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which geometries have real numbers for coordinates throughout."""
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    found = np.ones(len(geometry), bool)
    found[owner[~np.isfinite(xy).all(axis=1)]] = False
    return found


_ZONES = range(1, 61)
"""Numbers of the zones that some countries write before an easting."""


def _why_outside(bounds: NDArray[np.float64], grid: Grid) -> str:
    """What a layer off the map most likely suffers from."""
    west, south, east, north = bounds
    terrain = shapely.box(*grid.bounds)
    if not np.isfinite(bounds).all():
        return "Its coordinates are no numbers; draw or export it again."
    if terrain.intersects(shapely.box(south, west, north, east)):
        return "Its eastings and northings look swapped; exchange them."
    for zone in _ZONES:
        if terrain.intersects(shapely.box(west - zone * 1e6, south, east - zone * 1e6, north)):
            return (
                f"Its eastings carry the zone number {zone} before them: set the coordinate "
                "system that counts so (for zone 32 on ETRS89 it is EPSG:4647)."
            )
    if abs(west) <= 180 and abs(east) <= 180 and abs(south) <= 90 and abs(north) <= 90:
        return "Its coordinates look like degrees: set the system they are in, such as EPSG:4326."
    return "Compare both in your GIS and set the right coordinate system."


def _repaired(geometry: NDArray[np.object_], broken: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Broken geometries made valid, each of the kind it was.

    A spike on an area comes back as a line beside it; only parts of the area's own kind are kept.
    What has no extent of its kind, such as a line that ends where it began, stays as it is: what
    it means is for its user to say.
    """
    out = geometry.copy()
    for i in np.flatnonzero(broken):
        kind = shapely.get_dimensions(geometry[i])
        parts = shapely.get_parts(shapely.make_valid(geometry[i]))
        parts = parts[shapely.get_dimensions(parts) == kind]
        if len(parts):
            out[i] = shapely.union_all(parts) if len(parts) > 1 else parts[0]
    return out


def _extent(bounds: tuple[float, ...]) -> str:
    west, south, east, north = (f"{b:.0f}" for b in bounds)
    return f"{west}…{east} E, {south}…{north} N"
