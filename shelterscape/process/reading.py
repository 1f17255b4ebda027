"""Reads the inputs of a process: the only way from its parameters to the files they name."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.files.land_cover import is_raster, read_codes, read_cover_table
from shelterscape.files.local import split_layer
from shelterscape.files.tables import directions_in, read_toml, read_winds
from shelterscape.files.terrain_models import grid_of, read_piece, read_terrain
from shelterscape.files.vectors import read_layer, read_layer_alone
from shelterscape.grid import Grid
from shelterscape.process.area import Area, Inside
from shelterscape.process.inputs import RoughGround, TerrainInputs
from shelterscape.process.shared import Shared
from shelterscape.science.terrain import OpenWind, roughness, speed_ups
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.wind import WindSet, equal_winds
from shelterscape.science.wind_tables import wind_sets

SHOWN_CONVERGENCE_DEG = 1.0
"""Smallest angle between true and grid north that is worth a notice."""


def no_notice(notice: Notice) -> None:
    """A listener that ignores every notice."""


def never_stop() -> None:
    """A stop check where nobody can ask for a stop."""


@dataclass(frozen=True)
class TerrainWinds:
    """Terrain wind for each direction, as often as it is required.

    Parameters
    ----------
    directions : sequence of float
        Degrees from grid north.
    start : callable
        Begins again from the first direction.
    """

    directions: Sequence[float]
    start: Callable[[], Iterator[OpenWind]]

    def __iter__(self) -> Iterator[tuple[float, OpenWind]]:
        return zip(self.directions, self.start(), strict=True)


class Reader:
    """Reads the inputs of a process, and passes on what had to be done to them.

    Parameters
    ----------
    notice : callable
        Takes what a person should know.
    check_stop : callable
        Called during long work; raises when a stop was requested.
    area : Area, optional
        The part of the map on which results are wanted; all of it by default.
    shared : Shared, optional
        Keeps what is calculated over the whole map; with an area it is read from there.
    from_steps : frozenset of str
        Inputs that an earlier step of the same run wrote.
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
        self._shared = shared

    @property
    def outline(self) -> shapely.Geometry | None:
        """Outline of the part of the map on which results are wanted; None for all of it."""
        return None if self.area is None else self.area.geometry

    @property
    def whole(self) -> bool:
        """Whether results are wanted on the whole map, not on a part."""
        return self.area is None

    def notices(self, notices: Sequence[Notice]) -> None:
        """Pass several notices on."""
        for notice in notices:
            self.notice(notice)

    def wanted(self, elevation: NDArray[np.float32], grid: Grid) -> NDArray[np.bool_]:
        """Cells with ground on which results are wanted, (rows, cols)."""
        known = np.isfinite(elevation)
        return known if self.area is None else known & Inside(self.area, grid).cells

    def terrain(self, params: TerrainInputs) -> tuple[NDArray[np.float32], Grid, float]:
        """The terrain model: elevation (m, NaN where missing), grid, and convergence (degrees)."""
        how: dict[str, Any] = {"crs": params.crs, "to_crs": params.to_crs, "z_unit": params.z_unit}
        source = params.dem
        if self.area is not None:
            how["around"] = self.area.around
            if self._shared is not None and self._shared.terrain.is_file():
                source = str(self._shared.terrain)
                how = {"around": self.area.around, "crs": params.to_crs or params.crs}
        elevation, grid, notices = read_terrain(source, **how)
        self.notices(notices)
        return elevation, grid, self._convergence(grid)

    def grid(self, params: TerrainInputs) -> tuple[Grid, float]:
        """The grid of the whole terrain model, and convergence (degrees), from its head alone."""
        grid, _ = grid_of(params.dem, crs=params.crs, to_crs=params.to_crs)
        return grid, self._convergence(grid)

    def _convergence(self, grid: Grid) -> float:
        convergence = grid.convergence_deg()
        if abs(convergence) > SHOWN_CONVERGENCE_DEG:
            side = "east" if convergence > 0 else "west"
            self.notice(
                Notice(
                    "convergence",
                    f"grid north lies {abs(convergence):.1f}° {side} of true north here; "
                    "wind directions were turned to fit",
                )
            )
        return convergence

    def elevation(self, params: TerrainInputs) -> Callable[[Grid], NDArray[np.float32]]:
        """Reads the elevation of pieces of the whole map."""
        if self._shared is not None and self._shared.terrain.is_file():
            return partial(read_piece, str(self._shared.terrain))
        return partial(read_piece, params.dem, z_unit=params.z_unit)

    def winds(self, source: str) -> dict[str, WindSet]:
        """The wind sets of a table by subset, or bare directions as one set."""
        directions = directions_in(source)
        if directions is not None:
            return {"": equal_winds(directions, where="winds")}
        frame, header = read_winds(source)
        sets, notices = wind_sets(frame, Path(source).name, header)
        self.notices(notices)
        return sets

    def roughness(
        self,
        params: RoughGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> float | NDArray[np.float32]:
        """Roughness length of the ground, m: one for all of it, or a map without belts in it.

        Parameters
        ----------
        params : RoughGround
        grid : Grid
        height_m : float
            Height above ground at which wind is wanted; ground too rough for it is reported.
        belts : GeoDataFrame or None
            Belts as `science.belts.complete` gives them.
        columns : dict
            Columns in the map by the names wanted.
        """
        if not params.roughness:
            return params.roughness_m
        read = self._roughness_reader(params, grid, height_m, belts, columns, part=not self.whole)
        found, notices = read(grid)
        self.notices(notices)
        return found

    def _roughness_reader(
        self,
        params: RoughGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
        part: bool,
    ) -> Callable[[Grid], tuple[NDArray[np.float32], list[Notice]]]:
        """What reads a map of roughness on a grid, or on pieces of it."""
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
            """Roughness lengths of a piece, and notices about it."""
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
        params: RoughGround,
        elevation: Callable[[Grid], NDArray[np.float32]],
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> Ground:
        """The whole map, to be read piece by piece; parameters as for `roughness`."""
        if not params.roughness:
            return Ground(grid, elevation, params.roughness_m)
        read = self._roughness_reader(params, grid, height_m, belts, columns, part=True)
        return Ground(grid, elevation, lambda piece: read(piece)[0])

    def layer(
        self,
        source: str,
        grid: Grid,
        what: str,
        columns: dict[str, str],
        ground: str = "terrain model",
        keep_outside: bool = False,
    ) -> gpd.GeoDataFrame:
        """The features of a layer that are on a grid, in its coordinate system.

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
        self.notices(notices)
        return frame

    def layer_alone(
        self, source: str, what: str, columns: dict[str, str], to_crs: str | None
    ) -> tuple[gpd.GeoDataFrame, Grid]:
        """The features of a layer that others are brought onto, and a grid round them."""
        frame, grid, notices = read_layer_alone(source, what, columns=columns, to_crs=to_crs)
        self.notices(notices)
        return frame, grid

    def toml(self, source: str, what: str) -> dict[str, Any]:
        """The content of a TOML file."""
        return read_toml(source, what)[1]

    def places(
        self, source: str | None, grid: Grid, columns: dict[str, str]
    ) -> gpd.GeoDataFrame | None:
        """Places in the area; None where none were given, or none are there."""
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
        if self.area is not None:
            frame = frame[self.area.holds(frame.geometry.to_numpy())]
        return frame if len(frame) else None

    def terrain_wind(
        self,
        params: RoughGround,
        elevation: NDArray[np.float32],
        grid: Grid,
        directions: Sequence[float],
        *,
        height_m: float,
        roughness_m: float | NDArray[np.float32],
    ) -> TerrainWinds:
        """Terrain wind without its turning, direction by direction (from grid north).

        On a part of the map it is read from what was calculated over the whole.
        """
        shared = self._shared
        if shared is None:
            return TerrainWinds(
                directions,
                lambda: speed_ups(
                    elevation,
                    grid,
                    directions,
                    height_m=height_m,
                    roughness_m=roughness_m,
                    turning=False,
                ),
            )
        return TerrainWinds(
            directions, lambda: shared.open_wind(params, height_m, directions, grid)
        )
