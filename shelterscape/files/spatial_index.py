"""Spatial indexes of layers: whether one agrees with the features, so that it loses none of them.

An index is a copy of where features are. A program that does not update it leaves it stale, and
then a part of a map would lose features that the whole map has.
"""

from __future__ import annotations

import os
import re
import sqlite3
import zipfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.files.guards import is_database, read_only_database

INDEX_SUFFIXES = (".qix", ".sbn")
"""Indexes beside a shapefile: nothing in them states which state of the shapefile they describe."""

ROWS_AT_ONCE = 20_000
_ENVELOPE_BYTES = (0, 32, 48, 48, 64)
"""Bytes of the envelope in the header of a geometry, by its code (GeoPackage 1.3, 2.1.3)."""


def index_is_sound(path: Path, layer: str) -> bool:
    """Whether features of a layer can be selected by its spatial index, if it has one.

    Parameters
    ----------
    path : Path
    layer : str

    Returns
    -------
    bool
        False also where that cannot be determined.

    Notes
    -----
    A GeoPackage is compared feature by feature, once for each state of the file.
    """
    state = path.stat()
    changes = state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns
    return _is_sound(path.absolute(), layer, changes)


@lru_cache(maxsize=64)
def _is_sound(path: Path, layer: str, changes: tuple[int, ...]) -> bool:
    if path.suffix.lower() == ".zip":
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    elif path.suffix.lower() == ".shp":
        names = [n for n in os.listdir(path.parent) if Path(n).stem == path.stem]
    elif is_database(path):
        with read_only_database(path) as db:
            try:
                return _agrees(db, layer)
            except (sqlite3.Error, ValueError, IndexError):
                return False  # the reader reports what is wrong with the layer itself
    else:
        return True
    return not any(name.lower().endswith(INDEX_SUFFIXES) for name in names)


def _agrees(db: sqlite3.Connection, layer: str) -> bool:
    """Whether the index of a GeoPackage is sound in itself and covers every feature."""
    found = db.execute(
        "SELECT column_name FROM gpkg_geometry_columns WHERE lower(table_name) = lower(?)", (layer,)
    ).fetchone()
    if found is None:
        return True
    index = f"rtree_{layer}_{found[0]}"
    made = db.execute(
        "SELECT sql FROM sqlite_master WHERE lower(name) = lower(?)", (index,)
    ).fetchone()
    if made is None:
        return True
    # A table of another kind is not read: it could be computed by anything.
    if not re.match(r"create\s+virtual\s+table\s.*\susing\s+rtree\b", made[0] or "", re.I | re.S):
        return False
    if db.execute("SELECT rtreecheck(?)", (index,)).fetchone()[0] != "ok":
        return False
    return all(_covered(rows) for rows in _with_boxes(db, layer, found[0], index))


def _with_boxes(
    db: sqlite3.Connection, layer: str, column: str, index: str
) -> Iterator[list[tuple[bytes, float, float, float, float]]]:
    """Geometry of every feature and its box in the index: west, south, east, north."""
    table, geometry, boxes = (
        '"' + name.replace('"', '""') + '"' for name in (layer, column, index)
    )
    rows = db.execute(
        f"SELECT t.{geometry}, r.minx, r.miny, r.maxx, r.maxy FROM {table} AS t "
        f"LEFT JOIN {boxes} AS r ON r.id = t.rowid WHERE t.{geometry} IS NOT NULL"
    )
    while piece := rows.fetchmany(ROWS_AT_ONCE):
        yield piece


def _covered(rows: list[tuple[bytes, float, float, float, float]]) -> bool:
    """Whether the boxes of features contain their geometry."""
    there = _bounds([row[0] for row in rows])
    boxes = np.array([row[1:] for row in rows], dtype=float)
    empty = np.isnan(there).all(axis=1)
    low = boxes[:, :2] <= there[:, :2]
    high = boxes[:, 2:] >= there[:, 2:]
    return bool((empty | (low & high).all(axis=1)).all())


def _bounds(blobs: list[bytes]) -> NDArray[np.float64]:
    """Bounds of geometries as a GeoPackage stores them; NaN for empty ones."""
    plain = [blob[8 + _ENVELOPE_BYTES[blob[3] >> 1 & 7] :] for blob in blobs]
    # Without the error of the library a curve, which it does not know, would seem to be missing.
    shapes = shapely.from_wkb(np.array([*plain, b""], dtype=object)[:-1], on_invalid="ignore")
    if any(shape is None for shape in shapes):
        raise ValueError("a geometry of unknown kind")
    found: NDArray[np.float64] = shapely.bounds(shapes)
    return found
