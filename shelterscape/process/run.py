"""What a process works with while it runs: files to read, and a run to write to."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
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
from shelterscape.files.land_cover import is_raster, read_codes, read_cover_table
from shelterscape.files.local import split_layer
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.tables import directions_in, read_toml, read_winds, write_table
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import read_layer, read_layer_alone
from shelterscape.grid import Grid
from shelterscape.process.area import Area, Inside
from shelterscape.process.inputs import RoughGround, TerrainInputs
from shelterscape.process.outputs import Layer, Output, Picture, Raster, Table
from shelterscape.process.shared import Shared
from shelterscape.science.terrain import OpenWind, roughness, speed_ups
from shelterscape.science.wind import WindSet, equal_winds
from shelterscape.science.wind_tables import wind_sets

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
    ) -> None:
        self._outputs, self._folder, self._tell = outputs, folder, tell
        self._cancelled, self._part = cancelled, part
        self._area = area
        self._inside: Inside | None = None
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
        term = output.other_quantity if other else output.quantity
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

    @property
    def _draws(self) -> bool:
        return self._area is None or self._area.pictures

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


class Files:
    """Reads the inputs of a process, and passes on what had to be done to them.

    Parameters
    ----------
    run : Run
        Takes the notices, and says on which part of the map results are wanted.
    shared : Shared, optional
        Keeps what is worked out over the whole map; with an area it is read there instead.
    """

    def __init__(self, run: Run, shared: Shared | None = None) -> None:
        self._run, self._area, self._shared = run, run.area, shared

    @property
    def outline(self) -> shapely.Geometry | None:
        """Outline of the part of the map on which results are wanted; None for all of it."""
        return None if self._area is None else self._area.geometry

    @property
    def whole(self) -> bool:
        """Whether the whole map is looked at, not a part."""
        return self._area is None

    def terrain(self, asked: TerrainInputs) -> tuple[NDArray[np.float32], Grid, float]:
        """The terrain model: elevation (m, NaN where missing), grid, and convergence (degrees)."""
        how: dict[str, Any] = {"crs": asked.crs, "to_crs": asked.to_crs, "z_unit": asked.z_unit}
        source = asked.dem
        if self._area is not None:
            how["around"] = self._area.around
            if self._shared is not None and self._shared.terrain.is_file():
                source = str(self._shared.terrain)
                how = {"around": self._area.around, "crs": asked.to_crs or asked.crs}
        elevation, grid, notices = read_terrain(source, **how)
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
        frame, header = read_winds(source)
        sets, notices = wind_sets(frame, Path(source).name, header)
        self._pass_on(notices)
        return sets

    def roughness(
        self,
        asked: RoughGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> float | NDArray[np.float32]:
        """Roughness length of the ground, m: one for all of it, or a map without belts in it.

        Parameters
        ----------
        asked : RoughGround
        grid : Grid
        height_m : float
            Height above ground at which wind is wanted; told when ground is too rough for it.
        belts : GeoDataFrame or None
            Belts as `science.belts.complete` gives them.
        columns : dict
            Columns in the map by the names wanted.
        """
        # With it come compiled kernels, which commands that compute nothing do not wait for.

        if not asked.roughness:
            return asked.roughness_m
        table = None
        if asked.roughness_table:
            frame = read_cover_table(asked.roughness_table)
            table = roughness.table_of(frame, Path(asked.roughness_table).name)
        where = Path(split_layer(asked.roughness)[0]).name
        if is_raster(asked.roughness):
            codes = read_codes(asked.roughness, grid, "map of roughness")
            lengths = roughness.from_codes(codes, table, where)
        else:
            areas = self.layer(asked.roughness, grid, "map of roughness", columns)
            lengths = roughness.from_areas(areas, grid, table, where)
        found, notices = roughness.completed(
            lengths, asked.roughness_m, belts, grid, height_m=height_m, where=where
        )
        self._pass_on(notices)
        return found

    def layer(
        self,
        source: str,
        grid: Grid,
        what: str,
        columns: dict[str, str],
        ground: str = "terrain model",
        keep_outside: bool = False,
    ) -> gpd.GeoDataFrame:
        """The features of a layer that lie on a grid, in its coordinate system.

        On a part of the map there may be none.
        """
        frame, notices = read_layer(
            source,
            grid,
            what,
            columns=columns,
            ground=ground,
            keep_outside=keep_outside,
            part=not self.whole,
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

    def places(
        self, source: str | None, grid: Grid, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        """Places in the area; None where none were given, or none lie there."""
        return self._in_area(source, grid, "place layer", columns)

    def holdings(
        self, source: str | None, grid: Grid, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        """Holdings, likewise."""
        return self._in_area(source, grid, "holding layer", columns)

    def _in_area(
        self, source: str | None, grid: Grid, what: str, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        if not source:
            return None
        frame = self.layer(source, grid, what, columns)
        if self._area is not None:
            frame = frame[self._area.holds(frame.geometry.to_numpy())]
        return frame if len(frame) else None

    def open_winds(
        self,
        asked: RoughGround,
        elevation: NDArray[np.float32],
        grid: Grid,
        directions: Sequence[float],
        *,
        height_m: float,
        roughness_m: float | NDArray[np.float32],
    ) -> Iterator[OpenWind]:
        """Wind over hills, direction by direction: see `science.terrain.speed_ups`.

        On a part of the map it is that of the whole, worked out beforehand.
        """
        if self._area is not None and self._shared is not None:
            return self._shared.open_wind(asked, height_m, directions, grid)
        winds = speed_ups(elevation, grid, directions, height_m=height_m, roughness_m=roughness_m)
        if self._shared is None:
            return winds
        return self._shared.keep_open_wind(asked, height_m, directions, winds, grid)

    def _pass_on(self, notices: list[Notice]) -> None:
        for notice in notices:
            self._run.notice(notice)
