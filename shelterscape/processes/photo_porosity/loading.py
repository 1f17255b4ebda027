"""Inputs of `photo-porosity`: photographs, each with its belt, season and outline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.files.photographs import photograph_size, read_photograph
from shelterscape.grid import Grid
from shelterscape.process.inputs import columns_by_layer, nearest
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands
from shelterscape.processes.photo_porosity.spec import PhotoPorosityInputs
from shelterscape.science.photographs import MOST_WORK_PIXELS, SHOWN_PIXELS, outline_from
from shelterscape.science.season_words import season_from

COLUMNS: dict[str, tuple[str, ...]] = {"photographs": ("photograph", "name", "season", "outline")}
"""Columns that are read, by table."""

UNPACKED_BYTES, WORK_BYTES = 8.0, 64.0
"""Memory for each pixel of a photograph while it is unpacked, and of the examined part;
measured."""

_HINT = "Save it as CSV in UTF-8 with the columns photograph, name, season and outline."


@dataclass(frozen=True)
class Shot:
    """One photograph with what it shows.

    Parameters
    ----------
    source : str
        Path.
    name : str
        Name of the belt.
    season : {"in-leaf", "bare"}
    outline : (n, 2) float64
        Corners of the belt, pixels.
    """

    source: str
    name: str
    season: str
    outline: NDArray[np.float64]

    @property
    def file(self) -> str:
        """Name of the file."""
        return Path(self.source).name


@dataclass(frozen=True)
class PhotographData:
    """Input data of `compute`.

    Parameters
    ----------
    shots : list of Shot
    grid : Grid
        Not used: no raster is written.
    rasters : dict of Bands
        Empty.
    """

    shots: list[Shot]
    grid: Grid = field(default_factory=lambda: Grid((1, 1), Affine.scale(1, -1), None))
    rasters: dict[str, Bands] = field(default_factory=dict)

    def photographs(self) -> Iterator[tuple[Shot, NDArray[np.uint8]]]:
        """Each shot with its photograph, read one at a time."""
        for shot in self.shots:
            yield shot, read_photograph(shot.source)


def load(params: PhotoPorosityInputs, reader: Reader) -> PhotographData:
    """Check every photograph, and its belt, season and outline."""
    by_file = _by_file(params.photographs)
    rows = _rows(params, reader, list(by_file))
    shots, assumed = [], 0
    for file, row in rows:
        size = photograph_size(by_file[file])
        season = season_from(row.get("season", ""), file) or params.season
        assumed += season is None
        outline = outline_from(row.get("outline") or params.outline, size, file)
        name = row.get("name") or params.belt
        shots.append(Shot(by_file[file], name, season or "in-leaf", outline))
    if assumed:
        text = "season of photographs not given: taken as in leaf"
        reader.notice(Notice("value-assumed", text, assumed))
    unnamed = sum(not shot.name for shot in shots)
    if unnamed:
        text = "photographs without the name of a belt: not joined to a layer of belts"
        reader.notice(Notice("photograph-doubtful", text, unnamed))
    return PhotographData(shots)


def _by_file(sources: tuple[str, ...]) -> dict[str, str]:
    """Paths by name of the file; each name once."""
    found: dict[str, str] = {}
    for source in sources:
        name = Path(source).name
        if name in found:
            raise InputError(
                "input-refused",
                "Two photographs have the same file name.",
                where="photographs",
                value=name,
                hint="Rename one of them, or leave out the duplicate.",
            )
        found[name] = source
    return found


def _rows(
    params: PhotoPorosityInputs, reader: Reader, files: list[str]
) -> list[tuple[str, dict[str, str]]]:
    """Rows of the table, then a row without values for each photograph that is not in it."""
    known = columns_by_layer(params.fields, COLUMNS)["photographs"]
    if not params.photograph_table:
        return [(file, {}) for file in files]
    columns = {name: known.get(name, name) for name in COLUMNS["photographs"]}
    frame = reader.text_table(params.photograph_table, "table of photographs", columns, _HINT)
    where = Path(params.photograph_table).name
    if "photograph" not in frame:
        raise InputError(
            "column-missing",
            "The table of photographs has no column with the names of their files.",
            where=where,
            value=columns["photograph"],
            hint=_HINT,
        )
    rows = []
    for index, cells in zip(frame.index, frame.to_dict("records"), strict=True):
        row = {str(name): str(cell) for name, cell in cells.items()}
        if row["photograph"] not in files:
            raise InputError(
                "name-unknown",
                "The table names a photograph that is not given.",
                where=f"{where}, row {index + 1}",
                value=row["photograph"] or "nothing",
                hint=f"{nearest(row['photograph'], files)} Give each photograph with --photograph.",
            )
        rows.append((row["photograph"], row))
    listed = {file for file, _ in rows}
    return rows + [(file, {}) for file in files if file not in listed]


def work_bytes(params: PhotoPorosityInputs, sizes: InputSizes) -> float:
    """Largest memory used, bytes: the largest photograph, and what is kept of all."""
    pixels = [rows * cols for rows, cols in map(photograph_size, params.photographs)]
    largest = max(pixels)
    kept = 8.0 * SHOWN_PIXELS**2 * len(pixels)
    return UNPACKED_BYTES * largest + WORK_BYTES * min(largest, MOST_WORK_PIXELS) + kept
