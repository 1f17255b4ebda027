"""Checks on files from unknown sources, made before a library opens them.

A data set may hold data only. It is refused if it refers to a network, a program or another folder,
if it unpacks to many times its size, or if its content is computed when it is read.
"""

from __future__ import annotations

import contextlib
import lzma
import mmap
import re
import sqlite3
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

from shelterscape.errors import InputError
from shelterscape.files.local import fault_of

HEAD_BYTES = 65_536
MOST_UNPACKED_BYTES = 8 * 1024**3
MOST_UNPACKED_RATIO = 200
"""Bounds on an archive (assumed): text compresses 10 to 30 times, an attack 1000 times."""

MOST_MEMBERS = 1000
SMALL_RASTER_BYTES = 64 * 1024**2
MOST_RASTER_RATIO = 2000
"""Bounds on a raster (assumed): level ground compresses about 1000 times. A header that states more
has no data behind it."""

MOST_VRT_BYTES = 4 * 1024**2

_POINTERS = (b"<OGRVRT", b"<OGRWFS", b"<OGCAPI", b"gdal_streamed_alg", b"exceededTransferLimit")
"""First bytes of files that hold no data, only where to fetch it or how to compute it."""

_FAR_CRS = re.compile(
    rb'"crs"\s*:\s*\{[^{}]*(?:"type"\s*:\s*"(?:link|url)"|\{[^{}]*"(?:href|url)"\s*:)',
    re.IGNORECASE,
)
"""A coordinate system at an address, as in early GeoJSON."""

_VRT_PARTS = frozenset((
    "VRTDataset", "SRS", "GeoTransform", "Metadata", "MDI", "VRTRasterBand", "Description",
    "UnitType", "Offset", "Scale", "NoDataValue", "HideNoDataValue", "ColorInterp", "Histograms",
    "HistItem", "HistMin", "HistMax", "BucketCount", "IncludeOutOfRange", "Approximate",
    "HistCounts", "SimpleSource", "ComplexSource", "SourceFilename", "SourceBand",
    "SourceProperties", "SrcRect", "DstRect", "NODATA", "ScaleOffset", "ScaleRatio", "MaskBand",
    "OverviewList",
))  # fmt: skip
"""Elements of a virtual raster that only place rasters side by side. All others compute, warp, run
a function or name files in other ways."""

_DATA_SUFFIXES = (".shp", ".gpkg", ".geojson", ".json", ".gml", ".kml", ".gpx", ".fgb")
_SQLITE = b"SQLite format 3\0"
_XML_FORMATS = (b"opengis.net/gml", b"opengis.net/kml", b"topografix.com/GPX")
"""Namespaces of the XML formats that are read."""

KINDS = "GeoPackage, shapefile (also zipped), GeoJSON, GML, KML, GPX or FlatGeobuf"
"""Formats of layers that are read."""


def refuse_pointers(path: Path) -> None:
    """Refuse a raster that refers to data elsewhere.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        ``not-local``, or ``file-unreadable`` for a file without permission to read.
    """
    head = _head(path)
    if b"<VRTDataset" in head:
        for _ in _vrt_sources(path):
            pass
    _refuse_references(head, str(path))


def sources_of(path: Path) -> list[Path]:
    """Source files of a virtual raster; none for other files.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        ``not-local`` as in `refuse_pointers`.
    """
    return list(_vrt_sources(path)) if b"<VRTDataset" in _head(path) else []


def refuse_swollen(size: int, files: list[Path], where: str) -> None:
    """Refuse a raster whose header states far more bytes than its files can hold.

    Parameters
    ----------
    size : int
        Bytes of cells stated in its header.
    files : list of Path
        The raster and its source files.
    where : str
        Name of the raster in errors.

    Raises
    ------
    InputError
        ``file-unreadable``.
    """
    there = sum(file.stat().st_size for file in files)
    if size > SMALL_RASTER_BYTES and size > MOST_RASTER_RATIO * there:
        raise InputError(
            "file-unreadable",
            "The header of the raster states far more cells than its file can hold.",
            where=where,
            value=f"{size} bytes of cells in a file of {there}",
            hint="Copy or export it again; the file may be incomplete or forged.",
        )


def openable(path: Path) -> str | bytes:
    """A file of layers in the form its reader accepts, after checks.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str or bytes
        A path, also into an archive, or the content if opening the file would write beside it.

    Raises
    ------
    InputError
        ``not-local``, ``file-unreadable``.
    """
    if path.suffix.lower() == ".zip":
        return _member(path)
    head = _head(path)
    _refuse_references(head, str(path))
    kind = _kind(path.name, head)
    if not kind:
        raise InputError(
            "file-unreadable",
            "The format of this file is not supported.",
            where=str(path),
            hint=f"Export it as {KINDS}, and use that file.",
        )
    if kind == "json" and _holds(path, _FAR_CRS):
        raise _refers_elsewhere(
            str(path), "its coordinate system", "Export it again, preferably as GeoPackage."
        )
    if kind == "xml":
        return path.read_bytes()  # beside a file of GML its reader would write an index
    if kind == "sqlite":
        _refuse_unsafe_database(path, head)
        if head[18:20] == b"\2\2":
            # SQLite writes files beside a database in write-ahead mode even to read it.
            raw = path.read_bytes()
            return raw[:18] + b"\1\1" + raw[20:]
    return str(path.absolute())


def refuse_unsafe_table(path: Path, layer: str) -> None:
    """Refuse a layer of a GeoPackage that is computed when it is read.

    Parameters
    ----------
    path : Path
    layer : str

    Raises
    ------
    InputError
        ``file-unreadable`` for a view, a virtual table or computed columns.
    """
    if path.suffix.lower() == ".zip" or not is_database(path):
        return
    with read_only_database(path) as db:
        row = db.execute("SELECT type, sql FROM sqlite_master WHERE name = ?", (layer,)).fetchone()
        columns = db.execute("SELECT hidden FROM pragma_table_xinfo(?)", (layer,)).fetchall()
    kind, sql = row or ("table", "")
    made = kind != "table" or _is_virtual_table(sql) or any(hidden for (hidden,) in columns)
    if made:
        raise InputError(
            "file-unreadable",
            "The layer is not a plain table: it is computed each time it is read.",
            where=str(path),
            value=layer,
            hint="Export the layer to a new GeoPackage, and use that file.",
        )


def is_database(path: Path) -> bool:
    """Whether a file is a database of the kind in GeoPackages.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
    """
    return _head(path).startswith(_SQLITE)


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)
    except OSError as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read.",
            where=str(path),
            value=error.strerror,
            hint="Check that you have permission to read the file.",
        ) from error


def _holds(path: Path, pattern: re.Pattern[bytes]) -> bool:
    """Whether a file contains a pattern; the file is not read into memory."""
    with (
        path.open("rb") as stream,
        mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content,
    ):
        return pattern.search(content) is not None


def _kind(name: str, head: bytes) -> str:
    """Format of a file of layers by its first bytes; empty if it is not supported."""
    if head.startswith(_SQLITE):
        return "sqlite"
    if head.startswith(b"fgb\x03fgb"):
        return "flatgeobuf"
    if head.startswith(b"\0\0\x27\x0a") and name.lower().endswith(".shp"):
        return "shapefile"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"{"):
        return "json"
    spoken = any(name in head for name in _XML_FORMATS)
    return "xml" if text.startswith(b"<") and spoken else ""


def _refers_elsewhere(where: str, value: str, hint: str) -> InputError:
    what = "This file does not hold all of its data: it refers to other places."
    return InputError("not-local", what, where=where, value=value, hint=hint)


def _refuse_references(head: bytes, where: str) -> None:
    for mark in _POINTERS:
        if mark in head:
            hint = "Export the data itself, preferably as GeoPackage, and use that file."
            raise _refers_elsewhere(where, mark.decode().strip("<"), hint)


# --- virtual rasters --------------------------------------------------------------------------


def _vrt_sources(path: Path) -> Iterator[Path]:
    """Sources of a virtual raster: files in its own folder, placed side by side."""
    if path.stat().st_size > MOST_VRT_BYTES:
        raise _far(path, f"{path.stat().st_size} bytes")
    try:
        nodes = list(ElementTree.parse(path).iter())
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise _far(path, fault_of(error) or "no XML") from error
    # Links are followed, as its reader does.
    folder = path.resolve().parent
    for node in nodes:
        if node.tag not in _VRT_PARTS or "subClass" in node.attrib or _reports_places(node):
            raise _far(path, node.get("subClass") or node.get("domain") or node.tag)
        if node.tag == "SourceFilename":
            name = (node.text or "").strip()
            plain = node.get("relativeToVRT") == "1" and Path(name).name == name
            source = folder / name
            if not plain or not source.is_file() or source.resolve().parent != folder:
                raise _far(path, name)
            if b"<VRTDataset" in _head(source):
                raise _far(path, name)
            yield source


def _reports_places(node: ElementTree.Element) -> bool:
    """Whether metadata affects how the raster is read, such as a raster of positions."""
    return node.tag == "Metadata" and bool(node.get("domain"))


def _far(path: Path, value: str) -> InputError:
    return InputError(
        "not-local",
        "A virtual raster may only place raster files of its own folder side by side.",
        where=str(path),
        value=value[:200],
        hint="Put the files in its folder, or export one GeoTIFF.",
    )


# --- archives ---------------------------------------------------------------------------------


def _member(path: Path) -> str:
    """The path of the one data set in an archive, as its reader accepts it."""
    try:
        _refuse_many_members(path)
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            _refuse_unsafe_archive(members, path)
            for member in members:
                with archive.open(member) as stream:
                    _refuse_references(stream.read(HEAD_BYTES), f"{path}, {member.filename}")
    except InputError:
        raise
    except _BAD_PACKING as error:
        raise InputError(
            "file-unreadable",
            "The archive could not be opened.",
            where=str(path),
            value=fault_of(error),
            hint="Unpack it and use the file inside.",
        ) from error
    found = [m.filename for m in members if m.filename.lower().endswith(_DATA_SUFFIXES)]
    several_shapes = len(found) > 1 and all(name.lower().endswith(".shp") for name in found)
    if several_shapes:
        return f"/vsizip/{path.absolute()}"
    if len(found) != 1 or found[0].lower().endswith(".gpkg"):
        raise InputError(
            "file-unreadable",
            "An archive must hold exactly one data set, which must not be a database.",
            where=str(path),
            value=", ".join(found)[:200] or "no data set",
            hint=f"Unpack it and use the file inside: {KINDS}.",
        )
    return f"/vsizip/{path.absolute()}/{found[0]}"


_BAD_PACKING = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, NotImplementedError,
    RuntimeError, ValueError,
)  # fmt: skip


def _refuse_many_members(path: Path) -> None:
    """Refuse an archive with very many members before their list is read into memory."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - HEAD_BYTES))
        tail = stream.read()
    at = tail.rfind(b"PK\5\6")
    count = int.from_bytes(tail[at + 10 : at + 12], "little") if at >= 0 else 0
    if count > MOST_MEMBERS:
        raise _not_plain(path, f"{count} members or more")


def _refuse_unsafe_archive(members: list[zipfile.ZipInfo], path: Path) -> None:
    for member in members:
        parts = re.split(r"[/\\]", member.filename)
        if not parts[0] or ".." in parts or ":" in parts[0]:
            raise _not_plain(path, member.filename)
    unpacked = sum(m.file_size for m in members)
    packed = max(sum(m.compress_size for m in members), 1)
    # Overlapping members unpack to many times the size of the archive.
    packed = min(packed, path.stat().st_size)
    if unpacked > MOST_UNPACKED_BYTES or unpacked > MOST_UNPACKED_RATIO * packed:
        raise _not_plain(path, f"{unpacked} bytes unpacked")


def _not_plain(path: Path, value: str) -> InputError:
    return InputError(
        "file-unreadable",
        "The archive is unsafe: it unpacks to too large a size or refers outside itself.",
        where=str(path),
        value=value,
        hint="Unpack it, examine its content, and use the file inside.",
    )


# --- databases --------------------------------------------------------------------------------


@contextlib.contextmanager
def read_only_database(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database so that nothing is written, not even beside it, and nothing is run.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        ``file-unreadable``.
    """
    try:
        uri = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as db:
            db.execute("PRAGMA trusted_schema = OFF")
            yield db
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read as a GeoPackage.",
            where=str(path),
            value=fault_of(error),
            hint="Export the layer to a new GeoPackage, and use that file.",
        ) from error


def _refuse_unsafe_database(path: Path, head: bytes) -> None:
    for suffix in ("-wal", "-journal"):
        log = path.with_name(path.name + suffix)
        if log.is_file() and log.stat().st_size:
            raise InputError(
                "file-unreadable",
                "Another program uses the file, or left it incomplete.",
                where=str(path),
                value=log.name,
                hint="Close it in other programs, or open it in your GIS and save it again.",
            )
    with read_only_database(path) as db:
        own = db.execute(
            "SELECT name, type, sql FROM sqlite_master WHERE name LIKE 'gpkg!_%' ESCAPE '!'"
        ).fetchall()
    for name, kind, sql in own:
        if kind == "view" or _is_virtual_table(sql):
            raise InputError(
                "file-unreadable",
                "A table that describes the GeoPackage is not a plain table.",
                where=str(path),
                value=name,
                hint="Export the layer to a new GeoPackage, and use that file.",
            )


def _is_virtual_table(sql: str | None) -> bool:
    return re.match(r"\s*create\s+virtual", sql or "", re.IGNORECASE) is not None
