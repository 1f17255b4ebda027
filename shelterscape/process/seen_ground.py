"""Ground that the land sees where the terrain model has none."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.files.canopy_models import read_on
from shelterscape.grid import Grid
from shelterscape.process.area import Area
from shelterscape.process.memory import InputSizes
from shelterscape.process.shared import Shared
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain import roughness as roughness_maps
from shelterscape.science.terrain import water as open_water
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.land_around import joined
from shelterscape.science.terrain.surroundings import (
    WIDTH_M,
    Surroundings,
    blocks_around,
    restored,
)
from shelterscape.science.terrain.surroundings import work_bytes as around_bytes
from shelterscape.science.terrain.water import (
    SEA_LEVEL_M,
    Water,
    areas_of,
    sea_suspected,
    water_seen,
)
from shelterscape.science.terrain.wind_over_terrain import surrounded_bytes

Field = NDArray[np.float32]

GROUND_COLUMNS = {
    "roughness": roughness_maps.READ_COLUMNS,
    "open_water": open_water.READ_COLUMNS,
}
"""Columns that are read, by layer of `UnmappedGround`."""


@dataclass(frozen=True)
class SeenGround:
    """What is seen in place of missing cells and beyond the map.

    Parameters
    ----------
    water : Water or None
    surroundings : Surroundings or None
    """

    water: Water | None = None
    surroundings: Surroundings | None = None

    def filled(self, elevation: Field, grid: Grid) -> Field:
        """Elevation with what is known of missing cells.

        Parameters
        ----------
        elevation : (rows, cols) float32
            m; NaN where missing.
        grid : Grid
            Of these cells.

        Returns
        -------
        (rows, cols) float32
            The same array where nothing is filled.
        """
        if self.water is not None:
            elevation = self.water.filled(elevation, grid)
        if self.surroundings is not None and (missing := np.isnan(elevation)).any():
            elevation = np.where(missing, self.surroundings.on(grid), elevation)
        return elevation

    def over(self, ground: Ground) -> Ground:
        """A map that is read in parts, with what is known of missing cells."""
        if self.water is None and self.surroundings is None:
            return ground
        return replace(
            ground,
            elevation=lambda part: self.filled(ground.elevation(part), part),
            surroundings=self.surroundings,
        )

    def on_land(self, winds: Iterator[TerrainWind], elevation: Field) -> Iterator[TerrainWind]:
        """Terrain wind on cells of the terrain model only."""
        missing = np.isnan(elevation)
        if (self.water is None and self.surroundings is None) or not missing.any():
            yield from winds
            return
        for wind in winds:
            wind.speed_up[missing] = np.nan
            wind.valid[missing] = False
            yield wind


class _Reader(Protocol):
    """What `see` needs of a `Reader`."""

    area: Area | None
    shared: Shared | None
    notice: Callable[[Notice], None]

    def layer(
        self, source: str, grid: Grid, what: str, columns: dict[str, str]
    ) -> gpd.GeoDataFrame:
        """Features of a layer that are on a grid."""


def see(reader: _Reader, params: UnmappedGround, ground: Ground) -> SeenGround:
    """Read what the land sees in place of missing cells and beyond the map.

    For a part of the map, the surroundings are those joined to the whole map.

    Parameters
    ----------
    reader : Reader
    params : UnmappedGround
    ground : Ground
        The terrain model; not used for a part of it.

    Returns
    -------
    SeenGround

    Raises
    ------
    InputError
        ``areas-needed``, ``column-bad``, ``water-level-missing``, ``surroundings-bad``, and as the
        readers of layers and rasters.
    """
    water = _water(reader, params, ground.grid)
    if not params.surroundings:
        return SeenGround(water)
    blocks = blocks_around(ground.grid, width_m(params))
    if reader.area is not None and reader.shared is not None:
        heights = reader.shared.surroundings(params, blocks)
        return SeenGround(water, restored(heights, ground.grid, width_m(params)))
    outer = read_on(params.surroundings, blocks, "surroundings")
    land = SeenGround(water).over(ground)
    found, offset_m, spread_m = joined(land, outer, width_m(params))
    if water is not None:
        found = replace(found, heights=water.around(found.heights, blocks))
    if reader.shared is not None:
        reader.shared.keep_surroundings(params, blocks, found.heights)
    text = (
        f"surroundings {Path(params.surroundings).name}: changed by {offset_m:+.1f} m to fit the "
        f"terrain model; then typically {spread_m:.1f} m from it"
    )
    reader.notice(Notice("surroundings-joined", text))
    return SeenGround(water, found)


def width_m(params: UnmappedGround) -> float:
    """Width of the land around the map that is read, m: at least the length of views."""
    return max(WIDTH_M, getattr(params, "limit_m", 0.0))


def _water(reader: _Reader, params: UnmappedGround, grid: Grid) -> Water | None:
    """Open water in place of missing cells."""
    if params.missing_ground == "unknown":
        return None
    level_m = params.water_level_m
    if level_m is None and params.missing_ground == "sea":
        level_m = SEA_LEVEL_M
    areas = None
    if params.open_water:
        fields = getattr(params, "fields", {})
        names = {c: fields.get(f"open_water.{c}", c) for c in open_water.READ_COLUMNS}
        frame = reader.layer(params.open_water, grid, "layer of open water", names)
        areas = areas_of(frame, level_m, "open water")
    return Water(areas, level_m)


def missing_notices(ground: Ground, seen: SeenGround) -> list[Notice]:
    """Notices about missing cells of the whole map that are water, or may be.

    Parameters
    ----------
    ground : Ground
        The terrain model.
    seen : SeenGround

    Returns
    -------
    list of Notice
    """
    if seen.water is not None:
        return water_seen(ground, seen.water)
    return sea_suspected(seen.over(ground))


def work_bytes(params: UnmappedGround, sizes: InputSizes) -> float:
    """Memory of the ground that is seen, bytes.

    Parameters
    ----------
    params : UnmappedGround
    sizes : InputSizes

    Returns
    -------
    float
        0 unless something is known of missing cells or of the land around.

    Notes
    -----
    The elevation with missing cells filled, twice while terrain wind starts, and a mask of missing
    cells: 9 bytes per cell. With surroundings, also their blocks, and the change of the wind by
    long waves.
    """
    if params.missing_ground == "unknown" and not params.surroundings:
        return 0.0
    found = 9.0 * sizes.cells
    if params.surroundings and sizes.grid is not None:
        found += around_bytes(sizes.grid, width_m(params)) + surrounded_bytes(sizes.grid)
    return found
