"""Write layers of features into one GeoPackage."""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

from shelterscape.errors import WriteError
from shelterscape.files.gdal_options import LAYER_OPTIONS
from shelterscape.terms import TERMS

GEOMETRY_NAMES = {"point": "MultiPoint", "line": "MultiLineString", "polygon": "MultiPolygon"}
"""Geometry type in files by kind of layer; other kinds may hold any type."""

GEOMETRY, STYLES = "geom", "layer_styles"
"""Name of the geometry column of every layer, and of the table of styles."""

STAMP = "2000-01-01T00:00:00.000Z"
"""Date of change in every GeoPackage, fixed so that the same inputs give the same bytes. The time
of a run is in timings.json."""


def write_layer(
    path: Path, name: str, frame: gpd.GeoDataFrame, kind: str, description: str
) -> None:
    """Add a layer to a GeoPackage, which is created if it does not exist.

    Parameters
    ----------
    path : Path
    name : str
    frame : GeoDataFrame
    kind : {"point", "line", "polygon", "any"}
    description : str
        Content of the layer, written to the file.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    pyogrio.set_gdal_config_options(LAYER_OPTIONS | {"OGR_CURRENT_DATE": STAMP})
    try:
        pyogrio.write_dataframe(
            frame,
            path,
            layer=name,
            driver="GPKG",
            append=path.exists(),
            geometry_type=GEOMETRY_NAMES.get(kind, "Unknown"),
            promote_to_multi=True,
            dataset_options={"VERSION": "1.3"} if not path.exists() else None,
            layer_options={"DESCRIPTION": description, "GEOMETRY_NAME": GEOMETRY, "FID": "fid"},
        )
    except (DataSourceError, DataLayerError, FeatureError) as error:
        raise _not_written(path, error) from error


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


def describe_columns(path: Path, layers: dict[str, tuple[str, ...]]) -> None:
    """Write title, unit and meaning of every column into a GeoPackage (its schema extension).

    Parameters
    ----------
    path : Path
    layers : dict
        Term of each column, by layer.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    try:
        _describe(path, layers)
    except sqlite3.Error as error:
        raise _not_written(path, error) from error


@dataclass(frozen=True)
class DefaultStyle:
    """The style of a layer in both formats that the table of styles holds.

    Parameters
    ----------
    qml, sld : str
    """

    qml: str
    sld: str


_STYLE_TABLE = f"""
CREATE TABLE {STYLES} (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
  f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
  owner TEXT(30), ui TEXT(30), update_time DATETIME);
INSERT INTO gpkg_contents (table_name, data_type, identifier, last_change)
  VALUES ('{STYLES}', 'attributes', '{STYLES}', '{STAMP}');
"""


def write_styles(path: Path, styles: dict[str, DefaultStyle]) -> None:
    """Write the default style of every layer into a GeoPackage, in the table a GIS looks for.

    Parameters
    ----------
    path : Path
    styles : dict
        By layer.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    rows = [
        (number, layer, GEOMETRY, layer, style.qml, style.sld, STAMP)
        for number, (layer, style) in enumerate(styles.items(), start=1)
    ]
    try:
        with contextlib.closing(sqlite3.connect(path)) as db, db:
            db.executescript(_STYLE_TABLE)
            db.executemany(
                f"INSERT INTO {STYLES} VALUES (?, '', '', ?, ?, ?, ?, ?, 1, '', '', '', ?)", rows
            )
    except sqlite3.Error as error:
        raise _not_written(path, error) from error


def style_in(path: Path, layer: str) -> DefaultStyle | None:
    """The default style of a layer of a GeoPackage; None if it has none."""
    address = f"{path.resolve().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(address, uri=True)) as db:
        # Files of earlier versions have no such table.
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (STYLES,)).fetchone():
            return None
        found = db.execute(
            f"SELECT styleQML, styleSLD FROM {STYLES} WHERE f_table_name = ?", (layer,)
        ).fetchone()
    return DefaultStyle(*found) if found else None


def _not_written(path: Path, found: object) -> WriteError:
    return WriteError(
        "output-unwritable",
        "The GeoPackage could not be written, or differs from what was written to it.",
        where=path.name,
        value=found,
        hint="Check the disk for space and faults, then run again.",
    )


def _describe(path: Path, layers: dict[str, tuple[str, ...]]) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.executescript(_COLUMN_TABLES)
        for table in ("gpkg_data_columns",):
            # The key holds NULL, which is unequal to itself: an earlier row must be deleted first.
            db.execute("DELETE FROM gpkg_extensions WHERE table_name = ?", (table,))
            db.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, ?)",
                (table, _SCHEMA_EXTENSION, "read-write"),
            )
        rows = [
            (layer, column, column, TERMS[column].label, TERMS[column].meaning)
            for layer, columns in layers.items()
            for column in columns
        ]
        db.executemany(
            "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", rows
        )


def _counted(path: Path, layers: list[str]) -> dict[str, int] | str:
    """Number of features of each layer, or the fault that the database finds in itself."""
    # Read-only: otherwise a missing file would be created.
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as db:
        verdict = str(db.execute("PRAGMA quick_check").fetchone()[0])
        if verdict != "ok":
            return verdict
        counted = {
            name: db.execute(f"SELECT count(*) FROM {_quoted(name)}").fetchone()[0]
            for name in layers
        }
    # GDAL uses the stored count; it must agree with the rows.
    reported = {name: pyogrio.read_info(path, layer=name)["features"] for name in layers}
    return counted if counted == reported else f"rows {counted}, stored count {reported}"


def _quoted(name: str) -> str:
    """A table name in quotes for SQL, whatever its characters."""
    return '"' + name.replace('"', '""') + '"'


def verify_layers(path: Path, counts: dict[str, int]) -> None:
    """Open a finished GeoPackage, count its features and have the database check itself.

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
        raise _not_written(path, found)
