"""Layers of features out, into one GeoPackage."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

from shelterscape.errors import WriteError
from shelterscape.terms import TERMS

GEOMETRY_NAMES = {"point": "MultiPoint", "line": "MultiLineString", "polygon": "MultiPolygon"}
"""Geometry type in files by the kind a layer is declared with; other kinds stay mixed."""

STAMP = "2000-01-01T00:00:00Z"
"""Written as the date of change in every GeoPackage, so that the same inputs give the same bytes;
when a run was made stands in timings.json."""


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

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
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
            layer_options={"DESCRIPTION": description, "GEOMETRY_NAME": "geom", "FID": "fid"},
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


def describe_columns(path: Path, layers: dict[str, dict[str, str]]) -> None:
    """Write title, unit and meaning of every column into a GeoPackage (its schema extension).

    Parameters
    ----------
    path : Path
    layers : dict
        For each layer the term of each column.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    try:
        _describe(path, layers)
    except sqlite3.Error as error:
        raise _not_written(path, error) from error


def _not_written(path: Path, found: object) -> WriteError:
    return WriteError(
        "output-unwritable",
        "The GeoPackage could not be written, or did not read back as it was written.",
        where=path.name,
        value=found,
        mend="Look for a full or failing disk, then run again.",
    )


def _describe(path: Path, layers: dict[str, dict[str, str]]) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db, db:
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
        raise _not_written(path, found)
