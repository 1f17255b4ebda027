"""A run: takes what a process writes."""

from __future__ import annotations

import gc
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InternalError, Notice, Stopped
from shelterscape.files import styles
from shelterscape.files.draw import (
    ChartSheet,
    FeatureSheet,
    MapSheet,
    draw_chart,
    draw_features,
    draw_maps,
)
from shelterscape.files.geopackages import write_layer
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.tables import write_table
from shelterscape.grid import Grid
from shelterscape.process.area import Area, Inside
from shelterscape.process.outputs import Layer, Output, Picture, Raster, Table

Tell = Callable[[dict[str, Any]], None]
Declared = TypeVar("Declared", Raster, Layer, Table, Picture)


def tell_nobody(event: dict[str, Any]) -> None:
    """A listener that takes no notice."""


def never() -> int:
    """A stop question that is always answered no."""
    return 0


class Run:
    """Takes what a process writes, and holds it to what it declared.

    Parameters
    ----------
    outputs : tuple of Output
        What the process declared.
    folder : Path
        Where files go.
    tell : callable
        Takes events: progress, notice, finding.
    cancelled : callable
        Answers 0, or the number of the signal that asks the run to stop.
    part : tuple of float
        Share of the whole work at which this run begins and ends.
    area : Area, optional
        The part of the map on which results are wanted; all of it by default.
    """

    def __init__(
        self,
        outputs: tuple[Output, ...],
        folder: Path,
        tell: Tell = tell_nobody,
        cancelled: Callable[[], int] = never,
        part: tuple[float, float] = (0.0, 1.0),
        area: Area | None = None,
        pictures: bool = True,
    ) -> None:
        self._outputs, self._folder, self._tell = outputs, folder, tell
        self._cancelled, self._part = cancelled, part
        self._area, self._draws = area, pictures
        self._inside: Inside | None = None
        self.notices: list[Notice] = []
        self.findings: list[str] = []
        self.figures: dict[str, float | str | None] = {}
        self.bands: dict[str, list[str]] = {}
        self.features: dict[str, int] = {}
        self._written: set[tuple[type, str]] = set()

    @property
    def written(self) -> list[Output]:
        """Outputs written so far, in the order they were declared."""
        return [o for o in self._outputs if (type(o), o.name) in self._written]

    def progress(self, share: float, text: str) -> None:
        """Say how much of the work is done, 0 to 1, and what is going on; stop when asked."""
        self.stop_if_asked()
        begin, end = self._part
        overall = begin + (end - begin) * min(max(share, 0.0), 1.0)
        self._tell({"event": "progress", "share": round(overall, 4), "text": text})

    @property
    def area(self) -> Area | None:
        """The part of the map on which results are wanted; None for all of it."""
        return self._area

    def wanted(self, elevation: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
        """Cells with ground on which results are wanted."""
        known = np.isfinite(elevation)
        return known if self._area is None else known & self.inside(grid).cells

    def inside(self, grid: Grid) -> Inside:
        """Cells of a grid inside the area; only where there is one."""
        if self._area is None:
            raise InternalError("internal", "No area was asked for.")
        if self._inside is None or self._inside.cells.shape != grid.shape:
            self._inside = Inside(self._area, grid)
        return self._inside

    def stop_if_asked(self) -> None:
        """Raise `Stopped` when somebody asked for it."""
        if signal_number := self._cancelled():
            raise Stopped(signal_number)

    def notice(self, notice: Notice) -> None:
        """Record and show something a person should know; stop when asked."""
        self.stop_if_asked()
        if notice not in self.notices:
            self.notices.append(notice)
            self._tell({"event": "notice", **notice.fields()})

    def finding(self, text: str) -> None:
        """Record and show one result in a sentence."""
        self.findings.append(text)

    def raster(
        self,
        name: str,
        grid: Grid,
        bands: list[str],
        *,
        other: bool = False,
        classes: Mapping[str, str] | None = None,
    ) -> RasterWriter:
        """Open a declared raster for writing; use it in a ``with`` block.

        Parameters
        ----------
        name : str
        grid : Grid
        bands : list of str
        other : bool
            Whether it holds the other of the two quantities it was declared with.
        classes : mapping, optional
            Colour by class name, in the order of their codes from 0; makes a raster of classes.
        """
        output = self._declared(Raster, name)
        self.bands[name] = bands
        path, style = (self._path(file) for file in output.files)
        term = output.relative_quantity if other else output.quantity
        cut = None
        if self._area is not None:
            inside = self.inside(grid)
            grid, cut = inside.grid, inside.cut
        if classes is None:
            style.write_text(styles.raster_sld(name, term), encoding="utf-8")
            return RasterWriter(path, grid, bands, term, stop_if_asked=self.stop_if_asked, cut=cut)
        style.write_text(styles.class_raster_sld(name, term, classes), encoding="utf-8")
        return RasterWriter(
            path,
            grid,
            bands,
            term,
            classes=dict(enumerate(classes)),
            colours=styles.colour_table(classes),
            cut=cut,
            stop_if_asked=self.stop_if_asked,
        )

    def layer(self, name: str, frame: gpd.GeoDataFrame) -> None:
        """Write a declared layer; columns it lacks or has too many are an error of ours."""
        output = self._declared(Layer, name)
        ordered = frame[[*_exactly(output, frame.columns.drop("geometry")), "geometry"]]
        write_layer(self._path(output.files[0]), name, ordered, output.kind, output.title)
        self.features[name] = len(frame)
        if output.colour_by:
            style = styles.classes_sld(name, output.title, output.colour_by, output.colours)
        else:
            style = styles.line_sld(name, output.title)
        self._path(output.files[1]).write_text(style, encoding="utf-8")

    def table(self, name: str, frame: pd.DataFrame) -> None:
        """Write a declared table."""
        output = self._declared(Table, name)
        write_table(self._path(output.files[0]), frame[_exactly(output, frame.columns)])

    def picture(self, name: str, sheet: MapSheet | ChartSheet | FeatureSheet) -> None:
        """Draw a declared picture, unless none are wanted."""
        if not self._draws:
            return
        path = self._path(self._declared(Picture, name).files[0])
        if isinstance(sheet, ChartSheet):
            draw_chart(path, sheet)
        elif isinstance(sheet, FeatureSheet):
            draw_features(path, sheet)
        else:
            draw_maps(path, sheet)
        # A figure refers to itself; one that lingers would add to the peak of the next.
        gc.collect()

    def finish(self) -> None:
        """Check that all that was declared was written, optional outputs apart.

        Raises
        ------
        InternalError
        """
        missing = [
            o.name
            for o in self._outputs
            if o not in self.written
            and not o.optional
            and (self._draws or not isinstance(o, Picture))
        ]
        if missing:
            raise InternalError(
                "internal", "A process did not write what it declared.", value=", ".join(missing)
            )

    def _declared(self, kind: type[Declared], name: str) -> Declared:
        self.stop_if_asked()
        for output in self._outputs:
            if isinstance(output, kind) and output.name == name:
                self._written.add((kind, name))
                return output
        raise InternalError(
            "internal", f"A process wrote an undeclared {kind.__name__}.", value=name
        )

    def _path(self, relative: str) -> Path:
        path = self._folder / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        return path


def _exactly(output: Layer | Table, columns: pd.Index) -> list[str]:
    if set(columns) != set(output.columns):
        raise InternalError(
            "internal",
            f"The columns of {output.name} are not those declared.",
            value=", ".join(sorted(set(map(str, columns)) ^ set(output.columns))),
        )
    return list(output.columns)
