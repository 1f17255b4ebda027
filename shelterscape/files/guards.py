"""Files nobody vouches for: what is refused before a reader opens them.

A data set may hold data. It may not send its reader to a network, a program or another folder,
unpack to many times its size, or hold something to be worked out.
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

HEAD_BYTES = 65_536
MOST_UNPACKED_BYTES = 8 * 1024**3
MOST_UNPACKED_RATIO = 200
"""Bounds on an archive (engineering choice): text packs 10 to 30 times, a bomb 1000 times."""

MOST_MEMBERS = 1000
SMALL_RASTER_BYTES = 64 * 1024**2
MOST_RASTER_RATIO = 2000
"""Bounds on a raster (engineering choice): level ground packs some 1000 times; what claims more is
a header with nothing behind it."""

MOST_VRT_BYTES = 4 * 1024**2

_POINTERS = (b"<OGRVRT", b"<OGRWFS", b"<OGCAPI", b"gdal_streamed_alg", b"exceededTransferLimit")
"""Beginnings of files that hold no data, only where to fetch or how to make it."""

_FAR_CRS = re.compile(
    rb'"crs"\s*:\s*\{[^{}]*(?:"type"\s*:\s*"(?:link|url)"|\{[^{}]*"(?:href|url)"\s*:)',
    re.IGNORECASE,
)
"""A coordinate system that GeoJSON of old could keep at an address."""

_VRT_PARTS = frozenset((
    "VRTDataset", "SRS", "GeoTransform", "Metadata", "MDI", "VRTRasterBand", "Description",
    "UnitType", "Offset", "Scale", "NoDataValue", "HideNoDataValue", "ColorInterp", "Histograms",
    "HistItem", "HistMin", "HistMax", "BucketCount", "IncludeOutOfRange", "Approximate",
    "HistCounts", "SimpleSource", "ComplexSource", "SourceFilename", "SourceBand",
    "SourceProperties", "SrcRect", "DstRect", "NODATA", "ScaleOffset", "ScaleRatio", "MaskBand",
    "OverviewList",
))  # fmt: skip
"""Parts of a virtual raster that only lay rasters side by side. All others work something out,
warp, run a function or name files in ways of their own."""

_DATA_SUFFIXES = (".shp", ".gpkg", ".geojson", ".json", ".gml", ".kml", ".fgb")
_SQLITE = b"SQLite format 3\0"
KINDS = "GeoPackage, shapefile (also zipped), GeoJSON, GML, KML or FlatGeobuf"
"""Kinds of layer files that are read."""


def refuse_pointers(path: Path) -> None:
    """Refuse a raster that sends its reader elsewhere.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        ``not-local``, or ``file-unreadable`` for a file closed to us.
    """
    head = _head(path)
    if b"<VRTDataset" in head:
        for _ in _vrt_sources(path):
            pass
    _refuse_pointing(head, str(path))


def sources_of(path: Path) -> list[Path]:
    """Files that a virtual raster draws on; none for other files.

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
    """Refuse a raster whose header claims far more bytes than its files can hold.

    Parameters
    ----------
    size : int
        Bytes of cells that its header claims.
    files : list of Path
        The raster and what it draws on.
    where : str
        What to call it in errors.

    Raises
    ------
    InputError
        ``file-unreadable``.
    """
    there = sum(file.stat().st_size for file in files)
    if size > SMALL_RASTER_BYTES and size > MOST_RASTER_RATIO * there:
        raise InputError(
            "file-unreadable",
            "The raster claims far more cells than its file can hold.",
            where=where,
            value=f"{size} bytes of cells in a file of {there}",
            mend="Copy or export it again; the file may be cut short or forged.",
        )


def openable(path: Path) -> str | bytes:
    """A file of layers as its reader takes it, once it is known to be a plain one.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str or bytes
        A path, also into an archive, or the content where opening the file would write beside it.

    Raises
    ------
    InputError
        ``not-local``, ``file-unreadable``.
    """
    if path.suffix.lower() == ".zip":
        return _member(path)
    head = _head(path)
    _refuse_pointing(head, str(path))
    kind = _kind(path.name, head)
    if not kind:
        raise InputError(
            "file-unreadable",
            "This is no kind of layer file that is read here.",
            where=str(path),
            value=_shown(head[:16]),
            mend=f"Export it as {KINDS}, and name that.",
        )
    if kind == "json" and _holds(path, _FAR_CRS):
        raise _pointing(str(path), "its coordinate system", "Export it again, best as GeoPackage.")
    if kind == "xml":
        return path.read_bytes()  # beside a file of GML its reader would write an index
    if kind == "sqlite":
        _refuse_unsafe_database(path, head)
        if head[18:20] == b"\2\2":
            # A database left in the mode of a log gets log files beside it even to be read.
            raw = path.read_bytes()
            return raw[:18] + b"\1\1" + raw[20:]
    return str(path.absolute())


def refuse_unsafe_table(path: Path, layer: str) -> None:
    """Refuse a layer of a GeoPackage that is worked out when it is read.

    Parameters
    ----------
    path : Path
    layer : str

    Raises
    ------
    InputError
        ``file-unreadable`` for a view, a virtual table or worked-out columns.
    """
    if path.suffix.lower() == ".zip" or not _head(path).startswith(_SQLITE):
        return
    with _database(path) as db:
        row = db.execute("SELECT type, sql FROM sqlite_master WHERE name = ?", (layer,)).fetchone()
        columns = db.execute("SELECT hidden FROM pragma_table_xinfo(?)", (layer,)).fetchall()
    kind, sql = row or ("table", "")
    made = kind != "table" or _is_virtual_table(sql) or any(hidden for (hidden,) in columns)
    if made:
        raise InputError(
            "file-unreadable",
            "The layer is no plain table: it is worked out each time it is read.",
            where=str(path),
            value=layer,
            mend="Export the layer to a new GeoPackage, and name that.",
        )


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
            mend="Check that you may read the file.",
        ) from error


def _holds(path: Path, pattern: re.Pattern[bytes]) -> bool:
    """Whether a pattern stands anywhere in a file; the file stays on the disk."""
    with (
        path.open("rb") as stream,
        mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content,
    ):
        return pattern.search(content) is not None


def _shown(raw: bytes) -> str:
    return ascii(raw.decode("latin-1")).strip("'")


def _kind(name: str, head: bytes) -> str:
    """What a file of layers is by its first bytes; empty for what is not read."""
    if head.startswith(_SQLITE):
        return "sqlite"
    if head.startswith(b"fgb\x03fgb"):
        return "flatgeobuf"
    if head.startswith(b"\0\0\x27\x0a") and name.lower().endswith(".shp"):
        return "shapefile"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"{"):
        return "json"
    spoken = b"opengis.net/gml" in head or b"opengis.net/kml" in head
    return "xml" if text.startswith(b"<") and spoken else ""


def _pointing(where: str, value: str, mend: str) -> InputError:
    what = "This file does not hold all of its data but tells where to fetch it."
    return InputError("not-local", what, where=where, value=value, mend=mend)


def _refuse_pointing(head: bytes, where: str) -> None:
    for mark in _POINTERS:
        if mark in head:
            mend = "Export the data itself, best as GeoPackage, and name that."
            raise _pointing(where, mark.decode().strip("<"), mend)


# --- virtual rasters --------------------------------------------------------------------------


def _vrt_sources(path: Path) -> Iterator[Path]:
    """Sources of a virtual raster: real files in its own folder, laid side by side."""
    if path.stat().st_size > MOST_VRT_BYTES:
        raise _far(path, f"{path.stat().st_size} bytes")
    try:
        nodes = list(ElementTree.parse(path).iter())
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise _far(path, str(error)) from error
    # A link is followed first, as its reader does.
    folder = path.resolve().parent
    for node in nodes:
        if node.tag not in _VRT_PARTS or "subClass" in node.attrib or _tells_places(node):
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


def _tells_places(node: ElementTree.Element) -> bool:
    """Whether metadata has a meaning of its own to the reader, such as a raster of positions."""
    return node.tag == "Metadata" and bool(node.get("domain"))


def _far(path: Path, value: str) -> InputError:
    return InputError(
        "not-local",
        "A virtual raster may only lay side by side raster files of its own folder.",
        where=str(path),
        value=value[:200],
        mend="Put the files beside it, or export one GeoTIFF.",
    )


# --- archives ---------------------------------------------------------------------------------


def _member(path: Path) -> str:
    """The path into an archive at which its reader finds the one data set it holds."""
    try:
        _refuse_crowd(path)
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            _refuse_bomb(members, path)
            for member in members:
                with archive.open(member) as stream:
                    _refuse_pointing(stream.read(HEAD_BYTES), f"{path}, {member.filename}")
    except InputError:
        raise
    except _BAD_PACKING as error:
        raise InputError(
            "file-unreadable",
            "The archive could not be opened.",
            where=str(path),
            value=error,
            mend="Unpack it and name the file inside.",
        ) from error
    found = [m.filename for m in members if m.filename.lower().endswith(_DATA_SUFFIXES)]
    several_shapes = len(found) > 1 and all(name.lower().endswith(".shp") for name in found)
    if several_shapes:
        return f"/vsizip/{path.absolute()}"
    if len(found) != 1 or found[0].lower().endswith(".gpkg"):
        raise InputError(
            "file-unreadable",
            "An archive is read when it holds one data set that is no database.",
            where=str(path),
            value=", ".join(found)[:200] or "no data set",
            mend=f"Unpack it and name the file inside: {KINDS}.",
        )
    return f"/vsizip/{path.absolute()}/{found[0]}"


_BAD_PACKING = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, NotImplementedError,
    RuntimeError, ValueError,
)  # fmt: skip


def _refuse_crowd(path: Path) -> None:
    """Refuse an archive of very many members before its list is taken into memory."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - HEAD_BYTES))
        tail = stream.read()
    at = tail.rfind(b"PK\5\6")
    count = int.from_bytes(tail[at + 10 : at + 12], "little") if at >= 0 else 0
    if count > MOST_MEMBERS:
        raise _not_plain(path, f"{count} members or more")


def _refuse_bomb(members: list[zipfile.ZipInfo], path: Path) -> None:
    for member in members:
        parts = re.split(r"[/\\]", member.filename)
        if not parts[0] or ".." in parts or ":" in parts[0]:
            raise _not_plain(path, member.filename)
    unpacked = sum(m.file_size for m in members)
    packed = max(sum(m.compress_size for m in members), 1)
    # Members that lie over each other unpack many times the archive.
    packed = min(packed, path.stat().st_size)
    if unpacked > MOST_UNPACKED_BYTES or unpacked > MOST_UNPACKED_RATIO * packed:
        raise _not_plain(path, f"{unpacked} bytes unpacked")


def _not_plain(path: Path, value: str) -> InputError:
    return InputError(
        "file-unreadable",
        "The archive is not a plain one: it unpacks too large or reaches outside itself.",
        where=str(path),
        value=value,
        mend="Unpack it yourself, look at what it holds, and name the file inside.",
    )


# --- databases --------------------------------------------------------------------------------


@contextlib.contextmanager
def _database(path: Path) -> Iterator[sqlite3.Connection]:
    """A database opened so that nothing is written, not even beside it, and nothing is run."""
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
            value=error,
            mend="Export the layer to a new GeoPackage, and name that.",
        ) from error


def _refuse_unsafe_database(path: Path, head: bytes) -> None:
    for suffix in ("-wal", "-journal"):
        log = path.with_name(path.name + suffix)
        if log.is_file() and log.stat().st_size:
            raise InputError(
                "file-unreadable",
                "The file is being worked on, or a program left it unfinished.",
                where=str(path),
                value=log.name,
                mend="Close it in other programs, or open it in your GIS once and save it again.",
            )
    with _database(path) as db:
        own = db.execute(
            "SELECT name, type, sql FROM sqlite_master WHERE name LIKE 'gpkg!_%' ESCAPE '!'"
        ).fetchall()
    for name, kind, sql in own:
        if kind == "view" or _is_virtual_table(sql):
            raise InputError(
                "file-unreadable",
                "A table that describes the GeoPackage is no plain table.",
                where=str(path),
                value=name,
                mend="Export the layer to a new GeoPackage, and name that.",
            )


def _is_virtual_table(sql: str | None) -> bool:
    return re.match(r"\s*create\s+virtual", sql or "", re.IGNORECASE) is not None
