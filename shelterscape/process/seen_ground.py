"""Ground that the land sees where the terrain model has none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.process.memory import InputSizes
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain import roughness as roughness_maps
from shelterscape.science.terrain import water as open_water
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.water import Water

Field = NDArray[np.float32]

GROUND_COLUMNS = {
    "roughness": roughness_maps.READ_COLUMNS,
    "open_water": open_water.READ_COLUMNS,
}
"""Columns that are read, by layer of `UnmappedGround`."""


@dataclass(frozen=True)
class SeenGround:
    """What is seen in place of missing cells.

    Parameters
    ----------
    water : Water or None
    """

    water: Water | None = None

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
        return elevation if self.water is None else self.water.filled(elevation, grid)

    def over(self, ground: Ground) -> Ground:
        """A map that is read in parts, with what is known of missing cells."""
        if self.water is None:
            return ground
        return replace(ground, elevation=lambda part: self.filled(ground.elevation(part), part))

    def on_land(self, winds: Iterator[TerrainWind], elevation: Field) -> Iterator[TerrainWind]:
        """Terrain wind on cells of the terrain model only."""
        if self.water is None:
            yield from winds
            return
        missing = np.isnan(elevation)
        for wind in winds:
            wind.speed_up[missing] = np.nan
            wind.valid[missing] = False
            yield wind


def work_bytes(params: UnmappedGround, sizes: InputSizes) -> float:
    """Memory of the ground that is seen, bytes.

    Parameters
    ----------
    params : UnmappedGround
    sizes : InputSizes

    Returns
    -------
    float
        0 unless something is known of missing cells.

    Notes
    -----
    The elevation with missing cells filled, twice while terrain wind starts, and a mask of missing
    cells: 9 bytes per cell.
    """
    return 0.0 if params.missing_ground == "unknown" else 9.0 * sizes.cells
