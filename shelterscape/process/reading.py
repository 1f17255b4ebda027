"""Reads the inputs of a process.

Wind over hills brings compiled kernels with it, for which commands that compute nothing need not
wait: it is imported where it is used.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.files.land_cover import is_raster, read_codes, read_cover_table
from shelterscape.files.local import split_layer
from shelterscape.files.tables import directions_in, read_toml, read_winds
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import read_layer, read_layer_alone
from shelterscape.grid import Grid
from shelterscape.process.inputs import RoughGround, TerrainInputs
from shelterscape.process.run import Run
from shelterscape.process.shared import Shared
from shelterscape.science.wind import WindSet, equal_winds
from shelterscape.science.wind_tables import wind_sets

if TYPE_CHECKING:
    from shelterscape.science.terrain import OpenWind

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
        from shelterscape.science.terrain import roughness

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
        from shelterscape.science.terrain import speed_ups

        if self._area is not None and self._shared is not None:
            return self._shared.open_wind(asked, height_m, directions, grid)
        winds = speed_ups(elevation, grid, directions, height_m=height_m, roughness_m=roughness_m)
        if self._shared is None:
            return winds
        return self._shared.keep_open_wind(asked, height_m, directions, winds, grid)

    def _pass_on(self, notices: list[Notice]) -> None:
        for notice in notices:
            self._run.notice(notice)
