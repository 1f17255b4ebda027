"""Reader of the inputs of a process: all files that inputs name are read here."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.files.canopy_models import read_heights, read_on
from shelterscape.files.crs import scale_notices
from shelterscape.files.earlier_runs import EarlierRun, earlier_run
from shelterscape.files.land_cover import is_raster, read_codes, read_cover_table
from shelterscape.files.local import split_layer
from shelterscape.files.tables import directions_in, read_toml, read_winds
from shelterscape.files.terrain_models import grid_of, read_piece, read_terrain
from shelterscape.files.text_tables import read_text_table
from shelterscape.files.vectors import read_layer, read_layer_alone
from shelterscape.files.weather_records import open_record, read_rose
from shelterscape.grid import Grid
from shelterscape.process.area import Area, AreaMask
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.seen_ground import SeenGround, missing_notices, see
from shelterscape.process.shared import Shared
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.science import hours_tables
from shelterscape.science.terrain import TerrainWind, roughness, speed_ups
from shelterscape.science.terrain.ground import Ground, held
from shelterscape.science.terrain.water import sea_suspected
from shelterscape.science.wind import WindSet, equal_winds
from shelterscape.science.wind_records import Collector
from shelterscape.science.wind_sectors import Hours
from shelterscape.science.wind_tables import wind_sets

SHOWN_CONVERGENCE_DEG = 1.0
"""Smallest angle between true and grid north that is reported, degrees."""


def no_notice(notice: Notice) -> None:
    """A listener that ignores every notice."""


def never_stop() -> None:
    """A stop check that never stops."""


@dataclass(frozen=True)
class TerrainWinds:
    """Terrain wind for each direction; can be iterated several times.

    Parameters
    ----------
    directions : sequence of float
        Degrees from grid north.
    start : callable
        Returns an iterator that starts at the first direction.
    """

    directions: Sequence[float]
    start: Callable[[], Iterator[TerrainWind]]

    def __iter__(self) -> Iterator[tuple[float, TerrainWind]]:
        return zip(self.directions, self.start(), strict=True)


class Reader:
    """Reads the inputs of a process, and reports changes made to them as notices.

    Parameters
    ----------
    notice : callable
        Receives each `Notice`.
    check_stop : callable
        Called during long work; raises when a stop was requested.
    area : Area, optional
        Part of the map to calculate results for; by default the whole map.
    shared : Shared, optional
        Results for the whole map; with an area, terrain wind is read from there.
    from_steps : frozenset of str
        Inputs written by an earlier step of the same run.
    """

    def __init__(
        self,
        notice: Callable[[Notice], None] = no_notice,
        check_stop: Callable[[], None] = never_stop,
        area: Area | None = None,
        shared: Shared | None = None,
        from_steps: frozenset[str] = frozenset(),
    ) -> None:
        self.notice, self.check_stop, self.area = notice, check_stop, area
        self.from_steps = from_steps
        self.shared = shared
        self._seen: SeenGround | None = None

    @property
    def outline(self) -> shapely.Geometry | None:
        """Outline of the part of the map with results; None for the whole map."""
        return None if self.area is None else self.area.geometry

    @property
    def whole(self) -> bool:
        """Whether results cover the whole map."""
        return self.area is None

    def notices(self, notices: Sequence[Notice]) -> None:
        """Report several notices."""
        for notice in notices:
            self.notice(notice)

    def wanted(self, elevation: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
        """Cells with known elevation to calculate results for, (rows, cols)."""
        known = np.isfinite(elevation)
        return known if self.area is None else known & AreaMask(self.area, grid).cells

    def terrain(self, params: TerrainInputs) -> tuple[NDArray[np.float32], Grid, float]:
        """Terrain model: elevation (m, NaN where missing), grid, and convergence (degrees)."""
        options: dict[str, Any] = {
            "crs": params.crs,
            "to_crs": params.to_crs,
            "z_unit": params.z_unit,
        }
        source = params.dem
        if self.area is not None:
            options["around"] = self.area.around
            if self.shared is not None and self.shared.terrain.is_file():
                source = str(self.shared.terrain)
                options = {"around": self.area.around, "crs": params.to_crs or params.crs}
        elevation, grid, notices = read_terrain(source, **options)
        self.notices(notices)
        if isinstance(params, UnmappedGround):
            self._about_missing(params, held(elevation, grid))
        return elevation, grid, self._convergence(grid)

    def _about_missing(self, params: UnmappedGround, ground: Ground) -> None:
        """Report missing cells that are water, or may be."""
        if self.whole:
            self._seen = see(self, params, ground)
            self.notices(missing_notices(ground, self._seen))
        elif self.shared is not None and "sea-suspected" in {n.code for n in self.shared.notices()}:
            seen = self.seen_ground(params, ground.grid).over(ground)
            self.notices(sea_suspected(seen, "part of the map"))

    def heights(
        self, source: str, what: str, params: TerrainInputs
    ) -> tuple[NDArray[np.float32], Grid]:
        """A raster of heights or elevations with a grid of its own: m, NaN where missing."""
        values, grid, notices = read_heights(
            source,
            what,
            crs=params.crs,
            to_crs=params.to_crs,
            z_unit=params.z_unit,
            around=None if self.area is None else self.area.around,
        )
        self.notices(notices)
        return values, grid

    def heights_on(
        self, source: str, what: str, grid: Grid, params: TerrainInputs
    ) -> NDArray[np.float32]:
        """A raster of elevations on the cells of a grid: m, NaN where missing."""
        return read_on(source, grid, what, crs=params.crs, z_unit=params.z_unit)

    def grid(self, params: TerrainInputs) -> tuple[Grid, float]:
        """Grid of the whole terrain model, and convergence (degrees); reads the header only."""
        grid, _ = grid_of(params.dem, crs=params.crs, to_crs=params.to_crs)
        return grid, self._convergence(grid)

    def _convergence(self, grid: Grid) -> float:
        self.notices(scale_notices(grid))
        convergence = grid.convergence_deg()
        if abs(convergence) > SHOWN_CONVERGENCE_DEG:
            side = "east" if convergence > 0 else "west"
            self.notice(
                Notice(
                    "convergence",
                    f"grid north is {abs(convergence):.1f}° {side} of true north; "
                    "wind directions were converted",
                )
            )
        return convergence

    def elevation(self, params: TerrainInputs) -> Callable[[Grid], NDArray[np.float32]]:
        """A function that reads the elevation of parts of the whole map."""
        if self.shared is not None and self.shared.terrain.is_file():
            return partial(read_piece, str(self.shared.terrain))
        return partial(read_piece, params.dem, z_unit=params.z_unit)

    def winds(self, source: str) -> dict[str, WindSet]:
        """Wind sets of a table by subset, or one wind set of listed directions."""
        directions = directions_in(source)
        if directions is not None:
            return {"": equal_winds(directions, where="winds")}
        frame, header = read_winds(source)
        sets, notices = wind_sets(frame, Path(source).name, header)
        self.notices(notices)
        return sets

    def records(
        self, sources: Sequence[str], columns: dict[str, str], needed: tuple[str, ...]
    ) -> Collector:
        """The rows of a weather record in one file or several, read piece by piece."""
        collected = Collector()
        for source in sources:
            file = open_record(source, columns, needed)
            collected.start(file.path.name, file.headings, comma=file.decimal_comma)
            for piece in file.pieces():
                self.check_stop()
                collected.add(piece)
        return collected

    def readings(
        self, source: str, columns: dict[str, str], needed: tuple[str, ...]
    ) -> pd.DataFrame:
        """Rows of a table of wind readings as texts, by the columns wanted."""
        file = open_record(source, columns, needed, what="table of readings", layer="readings")
        return pd.concat([*file.pieces()], ignore_index=True)

    def hourly(self, source: str) -> Hours:
        """The table of hours that wind-set writes."""
        columns = {name: name for name in hours_tables.COLUMNS}
        file = open_record(
            source, columns, hours_tables.NEEDED, hours_tables.HINT, what="table of hours"
        )
        hours, notices = hours_tables.hours_of(file.pieces(), file.path.name)
        self.notices(notices)
        return hours

    def rose_table(self, source: str) -> pd.DataFrame:
        """A rose table as texts."""
        return read_rose(source)

    def text_table(
        self, source: str, what: str, columns: dict[str, str], hint: str
    ) -> pd.DataFrame:
        """A small table as text, its columns by usual names."""
        return read_text_table(source, what, columns, hint)

    def roughness(
        self,
        params: UnmappedGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> float | NDArray[np.float32]:
        """Roughness length, m: one number, or a map from which belts are removed.

        Parameters
        ----------
        params : UnmappedGround
        grid : Grid
        height_m : float
            Height above ground of the wind, m; ground too rough for it is reported.
        belts : GeoDataFrame or None
            As `science.belts.complete` returns them.
        columns : dict
            Columns of the map of roughness by usual names.
        """
        if not params.roughness:
            return params.roughness_m
        read = self._roughness_reader(params, grid, height_m, belts, columns, part=not self.whole)
        found, notices = read(grid)
        self.notices(notices)
        return found

    def _roughness_reader(
        self,
        params: UnmappedGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
        part: bool,
    ) -> Callable[[Grid], tuple[NDArray[np.float32], list[Notice]]]:
        """A function that reads a map of roughness on a grid or on parts of it."""
        source = params.roughness or ""
        table = None
        if params.roughness_table:
            frame = read_cover_table(params.roughness_table)
            table = roughness.table_of(frame, Path(params.roughness_table).name)
        where = Path(split_layer(source)[0]).name
        areas = None
        if not is_raster(source):
            areas = self.layer(source, grid, "map of roughness", columns)

        def read(piece: Grid) -> tuple[NDArray[np.float32], list[Notice]]:
            """Roughness lengths of a part of the grid, and notices."""
            if areas is not None:
                lengths = roughness.from_areas(areas, piece, table, where)
            else:
                codes = read_codes(source, piece, "map of roughness", part=part)
                lengths = roughness.from_codes(codes, table, where)
            return roughness.completed(
                lengths, params.roughness_m, belts, piece, height_m=height_m, where=where
            )

        return read

    def ground(
        self,
        params: UnmappedGround,
        elevation: Callable[[Grid], NDArray[np.float32]],
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> Ground:
        """Ground of the whole map, read part by part; parameters as in `roughness`."""
        found = Ground(grid, elevation, params.roughness_m)
        if params.roughness:
            read = self._roughness_reader(params, grid, height_m, belts, columns, part=True)
            found = replace(found, roughness_m=lambda piece: read(piece)[0])
        self._about_missing(params, found)
        return self.seen_ground(params, grid).over(found)

    def seen_ground(self, params: UnmappedGround, grid: Grid) -> SeenGround:
        """What the land sees in place of missing cells and beyond the map; read once.

        Raises
        ------
        InputError
            As `seen_ground.see`.
        """
        if self._seen is None:
            elevation = self.elevation(params)  # type: ignore[arg-type]
            self._seen = see(self, params, Ground(grid, elevation, params.roughness_m))
        return self._seen

    def layer(
        self,
        source: str,
        grid: Grid,
        what: str,
        columns: dict[str, str],
        ground: str = "terrain model",
        keep_outside: bool = False,
        may_be_empty: bool = False,
        part: bool | None = None,
    ) -> gpd.GeoDataFrame:
        """Features of a layer that are on a grid, in the coordinate system of the grid.

        On a part of the map only those near it are read, and there may be none, unless ``part`` is
        False. ``may_be_empty``: the layer may have none at all, as one that an earlier step wrote.
        """
        frame, notices = read_layer(
            source,
            grid,
            what,
            columns=columns,
            ground=ground,
            keep_outside=keep_outside,
            part=not self.whole if part is None else part,
            may_be_empty=may_be_empty,
        )
        self.notices(notices)
        return frame

    def layer_alone(
        self,
        source: str,
        what: str,
        columns: dict[str, str],
        to_crs: str | None,
        may_be_empty: bool = False,
    ) -> tuple[gpd.GeoDataFrame, Grid]:
        """Features of the layer that sets the coordinate system, and a grid around them."""
        frame, grid, notices = read_layer_alone(
            source, what, columns=columns, to_crs=to_crs, may_be_empty=may_be_empty
        )
        self.notices(notices)
        return frame, grid

    def toml(self, source: str, what: str) -> dict[str, Any]:
        """Content of a TOML file."""
        return read_toml(source, what)[1]

    def earlier_run(self, source: str, process_id: str) -> EarlierRun:
        """A finished run of a process, by its record."""
        return earlier_run(source, process_id)

    def places(
        self, source: str | None, grid: Grid, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        """Places inside the area; None without any."""
        return self._in_area(source, grid, "place layer", columns)

    def holdings(
        self, source: str | None, grid: Grid, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        """Holdings inside the area; None without any."""
        return self._in_area(source, grid, "holding layer", columns)

    def _in_area(
        self, source: str | None, grid: Grid, what: str, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        if not source:
            return None
        frame = self.layer(source, grid, what, columns)
        if self.area is not None:
            frame = frame[self.area.holds(frame.geometry.to_numpy())]
        return frame if len(frame) else None

    def terrain_wind(
        self,
        params: UnmappedGround,
        elevation: NDArray[np.float32],
        grid: Grid,
        directions: Sequence[float],
        *,
        height_m: float,
        roughness_m: float | NDArray[np.float32],
    ) -> TerrainWinds:
        """Terrain wind without its change of direction, for each direction from grid north.

        For a part of the map it is read from the results for the whole map.
        """
        shared, seen = self.shared, self.seen_ground(params, grid)

        def start() -> Iterator[TerrainWind]:
            """Terrain wind from the first direction on."""
            if shared is not None:
                return shared.terrain_wind(params, height_m, directions, grid)
            return speed_ups(
                seen.filled(elevation, grid),
                grid,
                directions,
                height_m=height_m,
                roughness_m=roughness_m,
                turning=False,
                surroundings=seen.surroundings,
            )

        return TerrainWinds(directions, lambda: seen.on_land(start(), elevation))
