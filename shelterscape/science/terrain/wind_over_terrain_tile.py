"""Terrain wind over a map with surroundings that is a single tile."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import downwind as downwind_of
from shelterscape.science.terrain.linear_theory import TerrainWind, finished
from shelterscape.science.terrain.validity import TOO_ROUGH
from shelterscape.science.terrain.wind_over_terrain_tiles import STRIP_ROWS, Tiles

Field = NDArray[np.float32]


class OnlyTile:
    """A map that is one tile: its short waves are transformed once for all wind directions.

    Parameters
    ----------
    tiles : Tiles
    """

    def __init__(self, tiles: Tiles) -> None:
        self._tiles, self._grid = tiles, tiles.ground.grid
        self._waves, self._known = tiles.short_waves(0, 0, self._grid.shape)
        lengths, self._smooth = tiles.roughness_on(self._grid)
        self._at = tiles.theory.classes.at(lengths)
        self._work = np.empty((self._grid.shape[0], self._waves.shape[1]), np.complex64)

    def wind(self, direction_deg: float) -> TerrainWind:
        """Terrain wind in one direction.

        Parameters
        ----------
        direction_deg : float
            Wind direction, degrees clockwise from grid north.

        Returns
        -------
        TerrainWind
        """
        tiles, wind, shape = self._tiles, downwind_of(direction_deg), self._grid.shape
        change = tiles.theory.change(self._waves, shape, wind, tiles.tables, self._at, self._work)
        self._add_long_waves(change, wind)
        reason = tiles.blocks.on_cells(tiles.blocks.reasons(wind), 0, shape[0])
        if self._smooth is not None:
            reason[~self._smooth] = np.maximum(reason[~self._smooth], TOO_ROUGH)
        return finished(change, self._known, reason, tiles.turning)

    def _add_long_waves(self, change: Field, wind: tuple[float, float]) -> None:
        broad, classes = self._tiles.broad_change(wind), self._tiles.theory.classes
        for row in range(0, change.shape[0], STRIP_ROWS):
            here = change[row : row + STRIP_ROWS]
            at = None if self._at is None else self._at[row : row + STRIP_ROWS]
            for i in (0, 1):
                surfaces = (self._tiles.on_map(p[i], row, 0, here.shape[:2]) for p in broad)
                here[..., i] += classes.blended(surfaces, at)
