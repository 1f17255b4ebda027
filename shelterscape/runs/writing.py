"""Write the outputs of a step, and check them against its description."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import geopandas as gpd
import pandas as pd

from shelterscape.errors import InternalError
from shelterscape.files import style_qml, style_sld
from shelterscape.files.draw_sheets import (
    ChartSheet,
    FormSheet,
    MapSheet,
    PhotographSheet,
    RoseSheet,
    SectionSheet,
)
from shelterscape.files.geopackages import DefaultStyle, write_layer
from shelterscape.files.gpx import write_gpx
from shelterscape.files.handover_sheets import PrintedSheets, ScaleMap
from shelterscape.files.layer_rules import rules_of
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.styles import colour_table
from shelterscape.files.tables import write_table
from shelterscape.files.workbooks import write_workbook
from shelterscape.grid import Grid
from shelterscape.process import (
    PICTURE_CAUTION,
    Layer,
    Output,
    Picture,
    Process,
    Raster,
    Table,
    Waypoints,
    Workbook,
)
from shelterscape.process.area import Area, AreaMask
from shelterscape.process.stages import Block, Data
from shelterscape.runs.staging import identity_of, swapped
from shelterscape.terms import TERMS

REPORT_IT = "Report this error to the author of the process, with the inputs that cause it."
"""Hint where a process does not keep to its description."""

Sheet = (
    MapSheet
    | ChartSheet
    | FormSheet
    | PhotographSheet
    | RoseSheet
    | SectionSheet
    | ScaleMap
    | PrintedSheets
)

Declared = TypeVar("Declared", Raster, Layer, Table, Picture, Workbook, Waypoints)
Frame = TypeVar("Frame", bound=pd.DataFrame)


class OutputWriter:
    """Writes the outputs of one step into a folder; use it in a ``with`` block.

    Parameters
    ----------
    process : Process
    data : Data
        With the grid, and the bands of every raster.
    folder : Path
    check_stop : callable
        Called between pieces of work; raises when a stop was requested.
    area : Area, optional
        The part of the map to write; the whole map by default.
    """

    def __init__(
        self,
        process: Process,
        data: Data,
        folder: Path,
        check_stop: Callable[[], None],
        area: Area | None = None,
    ) -> None:
        self._process, self._bands, self._grid = process, data.rasters, data.grid
        self._folder, self._check_stop = folder, check_stop
        self._identity = identity_of(folder)
        self._inside = None if area is None or not self._bands else AreaMask(area, data.grid)
        self._rasters: dict[str, RasterWriter] = {}
        self._open = contextlib.ExitStack()
        self._written: set[tuple[type, str]] = set()
        self.features: dict[str, int] = {}
        self.styles: dict[str, DefaultStyle] = {}

    @property
    def grid(self) -> Grid:
        """Grid of the written rasters."""
        return self._grid if self._inside is None else self._inside.grid

    @property
    def uncompressed_bytes(self) -> int:
        """Size of all rasters of this step before compression, bytes."""
        rows, cols = self.grid.shape
        cell_bytes = (len(b.labels) * (1 if b.classes else 4) for b in self._bands.values())
        return rows * cols * sum(cell_bytes)

    @property
    def written(self) -> list[Output]:
        """Outputs written so far, in the order of their declaration."""
        return [o for o in self._process.outputs if (type(o), o.name) in self._written]

    @property
    def bands(self) -> dict[str, list[str]]:
        """Labels of the bands of every written raster."""
        return {name: list(self._bands[name].labels) for name in self._rasters}

    def block(self, block: Block) -> None:
        """Write a block; open the file at the first block of a raster."""
        if block.name not in self._rasters:
            self._rasters[block.name] = self._open.enter_context(self._raster(block.name))
        self._rasters[block.name].write(block.band + 1, block.values, block.row)

    def _raster(self, name: str) -> RasterWriter:
        output, bands = self._declared(Raster, name), self._bands[name]
        path, qml, sld = (self._path(file) for file in output.files)
        term = output.quantity
        options: dict[str, Any] = {
            "stop_if_requested": self._check_stop,
            "cut": None if self._inside is None else self._inside.crop,
        }
        if bands.classes is None:
            texts = style_qml.raster_qml(term), style_sld.raster_sld(name, term)
        else:
            classes = bands.classes
            texts = (
                style_qml.class_raster_qml(classes),
                style_sld.class_raster_sld(name, term, classes),
            )
            options["classes"] = dict(enumerate(classes))
            options["colours"] = colour_table(classes)
        for file, text in zip((qml, sld), texts, strict=True):
            file.write_text(text, encoding="utf-8")
        return RasterWriter(path, self.grid, list(bands.labels), term, **options)

    def close_rasters(self) -> None:
        """Finish every raster."""
        self._open.close()

    def layer(self, name: str, frame: gpd.GeoDataFrame) -> None:
        """Write a declared layer."""
        output = self._declared(Layer, name)
        ordered = rounded(
            frame[[*_checked_columns(output, frame.columns.drop("geometry")), "geometry"]]
        )
        write_layer(self._path(output.files[0]), name, ordered, output.kind, output.title)
        self.features[name] = len(frame)
        rules = rules_of(name, output.title, output.style, ordered)
        sld = style_sld.layer_sld(rules)
        self._path(output.files[1]).write_text(sld, encoding="utf-8")
        self.styles[name] = DefaultStyle(style_qml.layer_qml(rules), sld)

    def table(self, name: str, frame: pd.DataFrame) -> None:
        """Write a declared table."""
        output = self._declared(Table, name)
        write_table(
            self._path(output.files[0]), rounded(frame[_checked_columns(output, frame.columns)])
        )

    def workbooks(self, tables: Mapping[str, pd.DataFrame]) -> None:
        """Write every declared workbook with the tables of this run."""
        columns = {o.name: o.columns for o in self._process.outputs if isinstance(o, Table)}
        for output in self._process.outputs:
            if isinstance(output, Workbook):
                self._declared(Workbook, output.name)
                sheets = {
                    name: rounded(tables[name][list(columns[name])])
                    for name in output.tables
                    if name in tables
                }
                write_workbook(self._path(output.files[0]), sheets)

    def waypoints(self, layers: Mapping[str, gpd.GeoDataFrame]) -> None:
        """Write every declared file of waypoints whose layer this run has."""
        for output in self._process.outputs:
            if isinstance(output, Waypoints) and output.layer in layers:
                self._declared(Waypoints, output.name)
                frame = rounded(layers[output.layer])
                shown = frame.drop(columns=[output.label, frame.geometry.name])
                names = [str(name) for name in frame[output.label]]
                write_gpx(self._path(output.files[0]), frame.geometry, names, _described(shown))

    def picture(self, name: str, sheet: Sheet) -> None:
        """Draw a declared picture with one line of caution; a printed one with all cautions."""
        output = self._declared(Picture, name)
        # What is printed leaves the folder, in which summary.txt has all cautions.
        cautions = self._process.all_cautions if output.printed else (PICTURE_CAUTION,)
        notes = (*sheet.notes, *cautions)
        draw(self._path(output.files[0]), dataclasses.replace(sheet, notes=notes))

    def finish(self, *, pictures: bool) -> None:
        """Check that every declared output was written, except optional ones.

        Raises
        ------
        InternalError
        """
        missing = [
            o.name
            for o in self._process.outputs
            if o not in self.written and not o.optional and (pictures or not isinstance(o, Picture))
        ]
        if missing:
            raise InternalError(
                "internal",
                "A process did not write what it declared.",
                value=", ".join(missing),
                hint=REPORT_IT,
            )

    def _declared(self, kind: type[Declared], name: str) -> Declared:
        self._check_stop()
        for output in self._process.outputs:
            if isinstance(output, kind) and output.name == name:
                self._written.add((kind, name))
                return output
        raise InternalError(
            "internal",
            f"A process wrote an undeclared {kind.__name__.lower()}.",
            value=name,
            hint=REPORT_IT,
        )

    def _path(self, relative: str) -> Path:
        path = self._folder / relative
        # Files must not go through a link that somebody puts in the place of the folder.
        is_link = self._folder.is_symlink() or path.parent.is_symlink()
        if is_link or identity_of(self._folder) != self._identity:
            raise swapped(str(self._folder))
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def __enter__(self) -> OutputWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._open.__exit__(kind, error, trace)


def draw(path: Path, sheet: Sheet) -> None:
    """Draw a picture from its description."""
    if isinstance(sheet, ChartSheet):
        from shelterscape.files.draw_charts import draw_chart

        draw_chart(path, sheet)
    elif isinstance(sheet, RoseSheet):
        from shelterscape.files.draw_rose import draw_roses

        draw_roses(path, sheet)
    elif isinstance(sheet, PhotographSheet):
        from shelterscape.files.draw_photographs import draw_photographs

        draw_photographs(path, sheet)
    elif isinstance(sheet, SectionSheet):
        from shelterscape.files.draw_section import draw_section

        draw_section(path, sheet)
    elif isinstance(sheet, FormSheet):
        from shelterscape.files.draw_form import draw_form

        draw_form(path, sheet)
    elif isinstance(sheet, ScaleMap):
        from shelterscape.files.draw_scale_map import draw_scale_map

        draw_scale_map(path, sheet)
    elif isinstance(sheet, PrintedSheets):
        from shelterscape.files.draw_printed_sheets import draw_printed_sheets

        draw_printed_sheets(path, sheet)
    else:
        from shelterscape.files.draw import draw_maps

        draw_maps(path, sheet)


def _described(frame: pd.DataFrame) -> list[str]:
    """Values of each row with their titles and units, in one line."""
    terms = [TERMS[str(name)] for name in frame]
    return [
        "; ".join(
            f"{term.title} {value} {term.symbol}".strip()
            for term, value in zip(terms, row, strict=True)
            if not pd.isna(value) and value != ""
        )
        for row in frame.itertuples(index=False)
    ]


def rounded(frame: Frame) -> Frame:
    """Features or rows with numbers rounded to the decimals of their terms."""
    names = [str(name) for name in frame if pd.api.types.is_float_dtype(frame[name])]
    changed = {n: [TERMS[n].rounded(float(value)) for value in frame[n]] for n in names}
    return frame.assign(**changed)


def _checked_columns(output: Layer | Table, columns: pd.Index) -> list[str]:
    """The declared columns in order; raise when the columns are others."""
    if set(columns) != set(output.columns):
        raise InternalError(
            "internal",
            f"The columns of {output.name} differ from those its process declares.",
            value=", ".join(sorted(set(map(str, columns)) ^ set(output.columns))),
            hint=REPORT_IT,
        )
    return list(output.columns)
