"""Layers of features in, one GeoPackage out."""

from __future__ import annotations

import contextlib
import math
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS

from shelterscape.errors import InputError, Notice, WriteError
from shelterscape.files.crs import ground_plan, metric_crs
from shelterscape.files.local import existing_file, refuse_pointers, split_layer
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

GEOMETRY_NAMES = {"point": "MultiPoint", "line": "MultiLineString", "polygon": "MultiPolygon"}
"""Geometry type in files by the kind a layer is declared with; other kinds stay mixed."""

ALONE_MARGIN_M, ALONE_CELL_M = 50.0, 10.0
"""Margin and cell of the grid laid round a layer that stands alone."""

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
    refuse_pointers(path)
    try:
        return [str(name) for name, _ in pyogrio.list_layers(_openable(path))]
    except DataSourceError as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read as a set of layers.",
            where=str(path),
            value=error,
            mend="GeoPackage is the safest kind; export it as one.",
        ) from error


def _openable(path: Path) -> Path | bytes:
    """What to hand to the reader: GML by its bytes, for beside a file GDAL would write an index."""
    return path.read_bytes() if path.suffix.lower() in (".gml", ".xml") else path


def read_layer(
    source: str,
    grid: Grid,
    what: str,
    *,
    columns: dict[str, str] | None = None,
    ground: str = "terrain model",
    keep_outside: bool = False,
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

    Returns
    -------
    frame : GeoDataFrame
    notices : list of Notice

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``layer-missing``, ``layer-ambiguous``,
        ``layer-empty``, ``layer-outside``, ``crs-missing``, ``column-missing``.
    """
    frame, where = _as_in_file(source, what, columns or {})
    frame, notices = _brought_into(frame, grid.crs, where)
    frame, more = _lying_on(frame, grid, where, ground, keep_outside)
    return frame, notices + more


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
    frame, where = _as_in_file(source, what, columns or {})
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
    return frame, Grid((rows, cols), affine, crs), notices


def _as_in_file(source: str, what: str, columns: dict[str, str]) -> tuple[gpd.GeoDataFrame, str]:
    """Features of a layer, each with a geometry, columns renamed; and what to call the layer."""
    text, layer = split_layer(source)
    path = existing_file(text, what)
    layer = _chosen(path, layer, what)
    where = f"{path.name}:{layer}"
    frame = _renamed(_read(path, layer, where), columns, where)
    if frame.crs is None:
        raise InputError(
            "crs-missing",
            "The layer does not say which coordinate system it is in.",
            where=where,
            mend="Set its coordinate system in your GIS and save it again.",
        )
    return frame, where


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


def _read(path: Path, layer: str, where: str) -> gpd.GeoDataFrame:
    try:
        frame = pyogrio.read_dataframe(_openable(path), layer=layer)
    except (DataSourceError, DataLayerError) as error:
        raise InputError(
            "file-unreadable", "The layer could not be read.", where=where, value=error
        ) from error
    if not isinstance(frame, gpd.GeoDataFrame) or not len(frame):
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
    broken = _shown(there) & ~there.geometry.is_valid
    if broken.any():
        there = there.set_geometry(_repaired(there.geometry.to_numpy(), broken), crs=crs)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return there.reset_index(drop=True), notices


def _shown(frame: gpd.GeoDataFrame) -> pd.Series:
    return np.isfinite(frame.bounds).all(axis=1)


def _lying_on(
    frame: gpd.GeoDataFrame, grid: Grid, where: str, ground: str, keep_outside: bool
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    shown = _shown(frame)
    inside = shown & frame.geometry.intersects(shapely.box(*grid.bounds))
    if not inside.any():
        raise InputError(
            "layer-outside",
            f"No feature of the layer lies on the {ground}; often a wrong coordinate system.",
            where=where,
            value=f"layer {_extent(frame.total_bounds)}, {ground} {_extent(grid.bounds)}",
            mend="Compare both in your GIS and set the right coordinate system.",
        )
    if keep_outside:
        return frame[shown].reset_index(drop=True), []
    notices = []
    if not inside.all():
        text = f"{where}: features off the {ground} left out"
        notices.append(Notice("features-outside", text, int((~inside).sum())))
    return frame[inside].reset_index(drop=True), notices


def _repaired(geometry: NDArray[np.object_], broken: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Broken geometries made valid, each of the kind it was.

    A spike on an area comes back as a line beside it; only parts of the area's own kind are kept.
    """
    out = geometry.copy()
    for i in np.flatnonzero(broken):
        whole = shapely.make_valid(geometry[i])
        if whole.geom_type == "GeometryCollection":
            parts = shapely.get_parts(whole)
            parts = parts[shapely.get_dimensions(parts) == shapely.get_dimensions(whole)]
            whole = shapely.union_all(parts)
        out[i] = whole
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
