"""Reads the inputs of a process.

Wind over hills brings compiled kernels with it, for which commands that compute nothing need not
wait: it is imported where it is used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InternalError, Notice
from shelterscape.files.land_cover import is_raster, read_codes, read_cover_table
from shelterscape.files.local import split_layer
from shelterscape.files.tables import directions_in, read_toml, read_winds
from shelterscape.files.terrain_models import grid_of, read_piece, read_terrain
from shelterscape.files.vectors import read_layer, read_layer_alone
from shelterscape.grid import Grid
from shelterscape.process.inputs import RoughGround, TerrainInputs
from shelterscape.process.run import Run
from shelterscape.process.shared import Shared
from shelterscape.science.wind import WindSet, equal_winds
from shelterscape.science.wind_tables import wind_sets

if TYPE_CHECKING:
    from shelterscape.science.terrain import OpenWind
    from shelterscape.science.terrain.ground import Ground

SHOWN_CONVERGENCE_DEG = 1.0
"""Smallest angle between true and grid north that is worth a notice."""


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
        return elevation, grid, self._convergence(grid)

    def grid(self, asked: TerrainInputs) -> tuple[Grid, float]:
        """The grid of the whole terrain model, and convergence (degrees), from its head alone."""
        grid, _ = grid_of(asked.dem, crs=asked.crs, to_crs=asked.to_crs)
        return grid, self._convergence(grid)

    def _convergence(self, grid: Grid) -> float:
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
        return convergence

    def elevation(self, asked: TerrainInputs) -> Callable[[Grid], NDArray[np.float32]]:
        """Reads the elevation of pieces of the whole map."""
        if self._shared is not None and self._shared.terrain.is_file():
            return partial(read_piece, str(self._shared.terrain))
        return partial(read_piece, asked.dem, z_unit=asked.z_unit)

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
        if not asked.roughness:
            return asked.roughness_m
        read = self._roughness_reader(asked, grid, height_m, belts, columns, part=not self.whole)
        found, notices = read(grid)
        self._pass_on(notices)
        return found

    def _roughness_reader(
        self,
        asked: RoughGround,
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
        part: bool,
    ) -> Callable[[Grid], tuple[NDArray[np.float32], list[Notice]]]:
        """What reads a map of roughness on a grid, or on pieces of it."""
        from shelterscape.science.terrain import roughness

        source = asked.roughness or ""
        table = None
        if asked.roughness_table:
            frame = read_cover_table(asked.roughness_table)
            table = roughness.table_of(frame, Path(asked.roughness_table).name)
        where = Path(split_layer(source)[0]).name
        areas = None
        if not is_raster(source):
            areas = self.layer(source, grid, "map of roughness", columns)

        def read(piece: Grid) -> tuple[NDArray[np.float32], list[Notice]]:
            """Roughness lengths of a piece, and what is to be told of it."""
            if areas is not None:
                lengths = roughness.from_areas(areas, piece, table, where)
            else:
                codes = read_codes(source, piece, "map of roughness", part=part)
                lengths = roughness.from_codes(codes, table, where)
            return roughness.completed(
                lengths, asked.roughness_m, belts, piece, height_m=height_m, where=where
            )

        return read

    def ground(
        self,
        asked: RoughGround,
        elevation: Callable[[Grid], NDArray[np.float32]],
        grid: Grid,
        height_m: float,
        belts: gpd.GeoDataFrame | None,
        columns: dict[str, str],
    ) -> Ground:
        """The whole map, to be read piece by piece; arguments as for `roughness`."""
        from shelterscape.science.terrain.ground import Ground

        if not asked.roughness:
            return Ground(grid, elevation, asked.roughness_m)
        read = self._roughness_reader(asked, grid, height_m, belts, columns, part=True)
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
        from shelterscape.science.terrain import speed_ups
        from shelterscape.science.terrain.ground import held

        if self._shared is None:
            return speed_ups(
                elevation, grid, directions, height_m=height_m, roughness_m=roughness_m
            )
        if self.whole:
            self.keep_open_winds(asked, held(elevation, grid, roughness_m), directions, height_m)
        return self._shared.open_wind(asked, height_m, directions, grid)

    def keep_open_winds(
        self, asked: RoughGround, ground: Ground, directions: Sequence[float], height_m: float
    ) -> None:
        """Work out and keep what parts of the map will ask `open_winds` for."""
        from shelterscape.science.terrain.open_wind import speed_ups_in_strips

        if self._shared is None:
            raise InternalError("internal", "There is no place to keep open wind in.")
        wanted = self._shared.missing(asked, height_m, directions)
        winds = speed_ups_in_strips(ground, wanted, height_m=height_m)
        for done, (direction, strips) in enumerate(zip(wanted, winds, strict=True)):
            text = f"open wind over the whole map, {done + 1} of {len(wanted)} directions"
            self._run.progress(done / len(wanted), text)
            asking = self._asking(strips)
            self._shared.keep_open_wind(asked, height_m, direction, asking, ground.grid)

    def _asking(self, strips: Iterator[tuple[int, OpenWind]]) -> Iterator[tuple[int, OpenWind]]:
        """The strips, asking before each whether to stop."""
        for strip in strips:
            self._run.stop_if_asked()
            yield strip

    def _pass_on(self, notices: list[Notice]) -> None:
        for notice in notices:
            self._run.notice(notice)
