"""Layers of features in, one GeoPackage out."""

from __future__ import annotations

import contextlib
import sqlite3
import warnings
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import (
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)
from pyproj import Transformer

from shelterscape.errors import InputError, Notice, WriteError
from shelterscape.files.guards import openable, refuse_unsafe_table
from shelterscape.files.local import existing_file, split_layer
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

GEOMETRY_NAMES = {"point": "MultiPoint", "line": "MultiLineString", "polygon": "MultiPolygon"}
"""Geometry type in files by the kind a layer is declared with; other kinds stay mixed."""

_UNREADABLE = (DataSourceError, DataLayerError, FeatureError, GeometryError, FieldError)

STAMP = "2000-01-01T00:00:00Z"
"""Written as the date of change in every GeoPackage, so that the same inputs give the same bytes;
when a run was made stands in timings.json."""


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
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    where = f"{path.name}:{layer}"
    remarks: list[Notice] = []
    frame = _read(path, layer, where, remarks, _bounds_in(path, layer, grid) if part else None)
    frame = _renamed(frame, columns or {}, where)
    if part and not len(frame) and frame.crs is not None:
        return frame.to_crs(grid.crs), remarks
    try:
        frame, notices = _onto(frame, grid, where)
    except InputError as error:
        if not part or error.code not in ("layer-outside", "layer-empty"):
            raise
        return frame.iloc[:0].to_crs(grid.crs), remarks
    if part:
        notices = [n for n in notices if n.code != "features-outside"]
    return frame, remarks + notices


def _bounds_in(path: Path, layer: str, grid: Grid) -> tuple[float, float, float, float] | None:
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
    return layer or names[0]


def _read(
    path: Path,
    layer: str,
    where: str,
    remarks: list[Notice],
    bounds: tuple[float, float, float, float] | None = None,
) -> gpd.GeoDataFrame:
    refuse_unsafe_table(path, layer)
    try:
        with _remarks(remarks, where):
            frame = pyogrio.read_dataframe(openable(path), layer=layer, bbox=bounds)
    except (*_UNREADABLE, shapely.errors.GEOSException, ValueError) as error:
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


def _onto(frame: gpd.GeoDataFrame, grid: Grid, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    notices = []
    if frame.crs is None:
        raise _without_crs(where)
    there = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if not len(there):
        raise _empty(where)
    if len(there) < len(frame):
        count = len(frame) - len(there)
        notices.append(Notice("features-empty", f"{where}: features without geometry", count))
    # The CRS of the grid has no vertical part, and heights of vertices play no role.
    there = there.set_geometry(shapely.force_2d(there.geometry.to_numpy()), crs=frame.crs)
    if there.crs != grid.crs:
        there = there.to_crs(grid.crs)
        notices.append(Notice("layer-reprojected", f"{where}: brought into {grid.crs.name}"))
    # Places a projection cannot show come out infinite; they lie off any grid.
    shown = _all_finite(there.geometry.to_numpy())
    mixed = there.geom_type == "GeometryCollection"
    broken = shown & (mixed | ~there.geometry.is_valid)
    if broken.any():
        there = there.set_geometry(_repaired(there.geometry.to_numpy(), broken), crs=grid.crs)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    inside = shown.copy()
    inside[shown] = there.geometry[shown].intersects(shapely.box(*grid.bounds))
    if not inside.any():
        raise InputError(
            "layer-outside",
            "No feature of the layer lies on the terrain model; often a wrong coordinate system.",
            where=where,
            value=f"layer {_extent(there.total_bounds)}, terrain {_extent(grid.bounds)}",
            mend=_why_outside(there[shown].total_bounds, grid),
        )
    if not inside.all():
        text = f"{where}: features off the terrain model left out"
        notices.append(Notice("features-outside", text, int((~inside).sum())))
    return there[inside], notices


def _without_crs(where: str) -> InputError:
    return InputError(
        "crs-missing",
        "The layer does not say which coordinate system it is in.",
        where=where,
        mend="Set its coordinate system in your GIS and save it again.",
    )


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


def write_layer(
    path: Path, name: str, frame: gpd.GeoDataFrame, kind: str, description: str
) -> None:
    """Add a layer to a GeoPackage, made when it is not there.

    Parameters
    ----------
    path : Path
    name : str
    frame : GeoDataFrame
    kind : {"point", "line", "polygon", "any"}
    description : str
        What the layer shows, kept in the file.
    """
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    pyogrio.write_dataframe(
        frame,
        path,
        layer=name,
        driver="GPKG",
        append=path.exists(),
        geometry_type=GEOMETRY_NAMES.get(kind, "Unknown"),
        promote_to_multi=True,
        dataset_options={"VERSION": "1.3"} if not path.exists() else None,
        layer_options={"DESCRIPTION": description, "GEOMETRY_NAME": "geom", "FID": "fid"},
    )


_COLUMN_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
"""
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec121/#extension_schema"


def describe_columns(path: Path, layers: dict[str, dict[str, str]]) -> None:
    """Write title, unit and meaning of every column into a GeoPackage (its schema extension).

    Parameters
    ----------
    path : Path
    layers : dict
        For each layer the term of each column.
    """
    with sqlite3.connect(path) as db:
        db.executescript(_COLUMN_TABLES)
        for table in ("gpkg_data_columns",):
            # Its key holds a NULL, which never clashes: an earlier row must be taken out first.
            db.execute("DELETE FROM gpkg_extensions WHERE table_name = ?", (table,))
            db.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, ?)",
                (table, _SCHEMA_EXTENSION, "read-write"),
            )
        rows = [
            (layer, column, column, TERMS[term].label, TERMS[term].meaning)
            for layer, columns in layers.items()
            for column, term in columns.items()
        ]
        db.executemany(
            "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", rows
        )
    db.close()


def _counted(path: Path, layers: list[str]) -> dict[str, int] | str:
    """Features of each layer by reading them all; or what the database finds wrong with itself."""
    # Opened read-only, for otherwise a missing file would be made.
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
        verdict = str(db.execute("PRAGMA quick_check").fetchone()[0])
        if verdict != "ok":
            return verdict
        counted = {
            name: db.execute(f"SELECT count(*) FROM {_quoted(name)}").fetchone()[0]
            for name in layers
        }
    # GDAL believes the count kept beside the rows; both must agree.
    told = {name: pyogrio.read_info(path, layer=name)["features"] for name in layers}
    return counted if counted == told else f"rows {counted}, told {told}"


def _quoted(name: str) -> str:
    """A table name as SQL takes it, whatever it holds."""
    return '"' + name.replace('"', '""') + '"'


def verify_layers(path: Path, counts: dict[str, int]) -> None:
    """Open a finished GeoPackage again, count its features and have the database check itself.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    found: dict[str, int] | str
    try:
        found = _counted(path, list(counts))
    except (sqlite3.DatabaseError, DataSourceError, DataLayerError) as error:
        found = str(error)
    if found != counts:
        raise WriteError(
            "output-unwritable",
            "The GeoPackage did not read back as it was written.",
            where=path.name,
            value=found,
            mend="Look for a full or failing disk, then run again.",
        )
