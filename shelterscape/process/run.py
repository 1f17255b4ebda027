"""What a process works with while it runs: files to read, and a run to write to."""

from __future__ import annotations

from collections.abc import Callable
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
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.tables import directions_in, read_toml, read_winds, write_table
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import read_layer, read_layer_alone, write_layer
from shelterscape.grid import Grid
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.outputs import Layer, Output, Picture, Raster, Table
from shelterscape.science.wind import WindSet, equal_winds, wind_sets

SHOWN_CONVERGENCE_DEG = 1.0
"""Smallest angle between true and grid north that is worth a notice."""

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
    """

    def __init__(
        self,
        outputs: tuple[Output, ...],
        folder: Path,
        tell: Tell = tell_nobody,
        cancelled: Callable[[], int] = never,
        part: tuple[float, float] = (0.0, 1.0),
    ) -> None:
        self._outputs, self._folder, self._tell = outputs, folder, tell
        self._cancelled, self._part = cancelled, part
        self.notices: list[Notice] = []
        self.findings: list[str] = []
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

    def stop_if_asked(self) -> None:
        """Raise `Stopped` when somebody asked for it."""
        if signal_number := self._cancelled():
            raise Stopped(signal_number)

    def notice(self, notice: Notice) -> None:
        """Record and show something a person should know."""
        if notice not in self.notices:
            self.notices.append(notice)
            self._tell({"event": "notice", **notice.fields()})

    def finding(self, text: str) -> None:
        """Record and show one result in a sentence."""
        self.findings.append(text)

    def raster(self, name: str, grid: Grid, bands: list[str]) -> RasterWriter:
        """Open a declared raster for writing; use it in a ``with`` block."""
        output = self._declared(Raster, name)
        self.bands[name] = bands
        path = self._path(output.files[0])
        style = styles.raster_sld(name, output.quantity)
        self._path(output.files[1]).write_text(style, encoding="utf-8")
        return RasterWriter(path, grid, bands, output.quantity)

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
        """Draw a declared picture."""
        path = self._path(self._declared(Picture, name).files[0])
        if isinstance(sheet, ChartSheet):
            draw_chart(path, sheet)
        elif isinstance(sheet, FeatureSheet):
            draw_features(path, sheet)
        else:
            draw_maps(path, sheet)

    def finish(self) -> None:
        """Check that all that was declared was written, optional outputs apart.

        Raises
        ------
        InternalError
        """
        missing = [o.name for o in self._outputs if o not in self.written and not o.optional]
        if missing:
            raise InternalError(
                "internal", "A process did not write what it declared.", value=", ".join(missing)
            )

    def _declared(self, kind: type[Declared], name: str) -> Declared:
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


class Files:
    """Reads the inputs of a process, and passes on what had to be done to them.

    Parameters
    ----------
    run : Run
        Takes the notices.
    """

    def __init__(self, run: Run) -> None:
        self._run = run

    def terrain(self, asked: TerrainInputs) -> tuple[NDArray[np.float32], Grid, float]:
        """The terrain model: elevation (m, NaN where missing), grid, and convergence (degrees)."""
        elevation, grid, notices = read_terrain(
            asked.dem, crs=asked.crs, to_crs=asked.to_crs, z_unit=asked.z_unit
        )
        self._pass_on(notices)
        convergence = grid.convergence_deg()
        if abs(convergence) > SHOWN_CONVERGENCE_DEG:
            side = "east" if convergence > 0 else "west"
            self._run.notice(
                Notice(
                    "convergence",
                    f"grid north lies {abs(convergence):.1f}° {side} of true north here; "
                    "wind directions were turned to fit",
                )
            )
        return elevation, grid, convergence

    def winds(self, source: str) -> dict[str, WindSet]:
        """The wind sets of a table by subset, or bare directions as one set."""
        directions = directions_in(source)
        if directions is not None:
            return {"": equal_winds(directions, where="winds")}
        frame, _ = read_winds(source)
        sets, notices = wind_sets(frame, Path(source).name)
        self._pass_on(notices)
        return sets

    def layer(
        self,
        source: str,
        grid: Grid,
        what: str,
        columns: dict[str, str],
        ground: str = "terrain model",
        keep_outside: bool = False,
    ) -> gpd.GeoDataFrame:
        """The features of a layer that lie on a grid, in its coordinate system."""
        frame, notices = read_layer(
            source, grid, what, columns=columns, ground=ground, keep_outside=keep_outside
        )
        self._pass_on(notices)
        return frame

    def layer_alone(
        self, source: str, what: str, columns: dict[str, str], to_crs: str | None
    ) -> tuple[gpd.GeoDataFrame, Grid]:
        """The features of a layer that others are brought onto, and a grid round them."""
        frame, grid, notices = read_layer_alone(source, what, columns=columns, to_crs=to_crs)
        self._pass_on(notices)
        return frame, grid

    def toml(self, source: str, what: str) -> dict[str, Any]:
        """The content of a TOML file."""
        return read_toml(source, what)[1]

    def _pass_on(self, notices: list[Notice]) -> None:
        for notice in notices:
            self._run.notice(notice)
