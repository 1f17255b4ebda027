"""The holdings of a batch, and the name of the folder of each."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import CRS

from shelterscape.errors import InputError, Notice, UsageError
from shelterscape.files.whole_layers import read_features
from shelterscape.grid import Grid
from shelterscape.process.inputs import nearest
from shelterscape.science import holdings as holding_layers

SLUG_LENGTH = 40
LEAST_TILE_CELLS = 64


@dataclass(frozen=True)
class Holding:
    """One holding, or one tile of a map.

    Parameters
    ----------
    holding_id, name : str
        As in the layer, without control characters; either may be empty.
    folder : str
        Name of its folder: unique, and valid on every system.
    outline : bytes
        WKB, in the coordinate system of the calculation.
    """

    holding_id: str
    name: str
    folder: str
    outline: bytes

    @property
    def geometry(self) -> shapely.Geometry:
        """The outline as a geometry."""
        return shapely.from_wkb(self.outline)

    @property
    def label(self) -> str:
        """Its holding_id, else its name, else its folder."""
        return self.holding_id or self.name or self.folder


def read_holdings(
    source: str, crs: CRS, columns: dict[str, str]
) -> tuple[list[Holding], list[Notice]]:
    """Read the holdings of a layer.

    Special cases, such as a holding without outline, are read too; each then fails alone.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    crs : CRS
        Coordinate system of the calculation.
    columns : dict
        Name of the column in the file by the name used here, where they differ.

    Raises
    ------
    InputError
        The layer cannot be read, or has no column ``holding_id``.
    """
    used = holding_layers.READ_COLUMNS
    frame, notices = read_features(source, crs, "holding layer", columns, used)
    if "holding_id" not in frame:
        # The error lists every column of the file.
        frame, _ = read_features(source, crs, "holding layer", columns)
    shapes = frame.geometry.to_numpy()
    # A line among areas is a holding without area; it fails alone.
    areas = np.where(shapely.get_dimensions(shapes) == 2, shapes, shapely.Polygon())
    frame = holding_layers.complete(frame.set_geometry(areas, crs=crs), "holdings")
    outlines = [shapely.to_wkb(shapely.normalize(shape)) for shape in frame.geometry]
    rows = list(zip(frame["holding_id"], frame["name"], outlines, strict=True))
    return _with_folders(rows), notices


def tiles_of(grid: Grid, cells: int) -> list[Holding]:
    """Divide a map into squares with sides of `cells` cells, row by row.

    Raises
    ------
    UsageError
    """
    if cells < LEAST_TILE_CELLS:
        raise UsageError(
            "usage",
            f"Sides of tiles have at least {LEAST_TILE_CELLS} cells.",
            where="--tiles",
            value=cells,
            hint=f"Give {LEAST_TILE_CELLS} or more; 2048 suits large maps.",
        )
    rows, cols = grid.shape
    found = []
    for row in range(0, rows, cells):
        for col in range(0, cols, cells):
            shape = min(cells, rows - row), min(cells, cols - col)
            box = shapely.box(*grid.window(row, col, shape).bounds)
            label = f"row {row} column {col}"
            found.append(Holding(label, "", f"row-{row:06d}-column-{col:06d}", shapely.to_wkb(box)))
    return found


def select(holdings: Sequence[Holding], only: Sequence[str]) -> list[Holding]:
    """Holdings whose holding_id, name or folder is in `only`; all when it is empty.

    Raises
    ------
    InputError
        ``name-unknown``.
    """
    if not only:
        return list(holdings)
    known = {text for h in holdings for text in (h.holding_id, h.name, h.folder) if text}
    for word in only:
        if word not in known:
            raise InputError(
                "name-unknown",
                "There is no holding of this id, name or folder.",
                where="--only",
                value=word,
                hint=nearest(word, sorted(known)[:20]),
            )
    return [h for h in holdings if {h.holding_id, h.name, h.folder} & set(only)]


def _with_folders(rows: list[tuple[str, str, bytes]]) -> list[Holding]:
    """Name the folder of each holding after its id and outline, not after its place in the layer.

    The order of a layer may change from one export to the next. The outline distinguishes holdings
    with the same id; full duplicates are numbered.
    """
    seen: Counter[str] = Counter()
    found = []
    for holding_id, name, outline in rows:
        own = hashlib.sha256(holding_id.encode("utf-8", "surrogatepass") + b"\0" + outline)
        mark = own.hexdigest()[:10]
        seen[mark] += 1
        again = f"-{seen[mark]}" if seen[mark] > 1 else ""
        folder = f"{_slug(holding_id or name)}-{mark}{again}"
        found.append(Holding(_printable(holding_id), _printable(name), folder, outline))
    return found


def _slug(text: str) -> str:
    """The ASCII letters and digits of a name; the checksum after it avoids reserved names."""
    ascii_only = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:SLUG_LENGTH].strip("-") or "holding"


def _printable(text: str) -> str:
    """A name without control characters and lone surrogates."""
    return "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cs"))
