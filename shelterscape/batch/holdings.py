"""The holdings of a batch, whatever their layer holds, each with a folder of its own."""

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
        As the layer has them; either may be empty.
    folder : str
        Name of its folder: safe on every system, its own among all.
    outline : bytes
        WKB, in the coordinate system the terrain model is worked in.
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
        """What people know it by."""
        return self.holding_id or self.name or self.folder


def read_holdings(
    source: str, crs: CRS, columns: dict[str, str]
) -> tuple[list[Holding], list[Notice]]:
    """Read the holdings of a layer; odd ones too, which then fail by themselves.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    crs : CRS
        Coordinate system the terrain model is worked in.
    columns : dict
        Columns by the names wanted, where they differ.

    Raises
    ------
    InputError
        For a layer that cannot be read, or has no column ``holding_id``.
    """
    frame, notices = read_features(source, crs, "holding layer", columns)
    shapes = frame.geometry.to_numpy()
    # A line among areas is a holding without area, no reason to turn all others away.
    areas = np.where(shapely.get_dimensions(shapes) == 2, shapes, shapely.Polygon())
    frame = holding_layers.complete(frame.set_geometry(areas, crs=crs), "holdings")
    outlines = [shapely.to_wkb(shapely.normalize(shape)) for shape in frame.geometry]
    rows = list(zip(frame["holding_id"], frame["name"], outlines, strict=True))
    return _with_folders(rows), notices


def tiles_of(grid: Grid, cells: int) -> list[Holding]:
    """A map cut into squares of so many cells a side, row by row.

    Raises
    ------
    UsageError
    """
    if cells < LEAST_TILE_CELLS:
        raise UsageError(
            "usage",
            f"Tiles have {LEAST_TILE_CELLS} cells a side at least.",
            where="--tiles",
            value=cells,
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


def chosen(holdings: Sequence[Holding], only: Sequence[str]) -> list[Holding]:
    """Those of a holding_id, name or folder; all of them when none is named.

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
                "There is no such holding.",
                where="--only",
                value=word,
                mend=nearest(word, sorted(known)[:20]),
            )
    return [h for h in holdings if {h.holding_id, h.name, h.folder} & set(only)]


def _with_folders(rows: list[tuple[str, str, bytes]]) -> list[Holding]:
    """Give each a folder named after it, told apart by what it is and not by where it stands.

    The order of a layer may change from one export to the next; repeated ids are told apart by
    their outlines, and true repeats are counted.
    """
    seen: Counter[str] = Counter()
    found = []
    for holding_id, name, outline in rows:
        own = hashlib.sha256(holding_id.encode("utf-8", "surrogatepass") + b"\0" + outline)
        mark = own.hexdigest()[:10]
        seen[mark] += 1
        again = f"-{seen[mark]}" if seen[mark] > 1 else ""
        folder = f"{_slug(holding_id or name)}-{mark}{again}"
        found.append(Holding(_plain(holding_id), _plain(name), folder, outline))
    return found


def _slug(text: str) -> str:
    """The plain letters and digits of a name; what follows keeps it from being a reserved one."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:SLUG_LENGTH].strip("-") or "holding"


def _plain(text: str) -> str:
    """A name as records and files can carry it: no control characters, no halves of letters."""
    return "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cs"))
