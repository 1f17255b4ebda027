"""The older shape of a process, ``compute(params, files, run)``, for those not converted yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.process.inputs import RoughGround
from shelterscape.process.reading import Reader
from shelterscape.process.run import Run
from shelterscape.process.shared import Shared
from shelterscape.process.stages import WindWork
from shelterscape.science.terrain import OpenWind
from shelterscape.science.terrain.ground import held


class Files(Reader):
    """A reader over a run."""

    def __init__(self, run: Run, shared: Shared | None = None) -> None:
        super().__init__(run.notice, run.stop_if_asked, run.area, shared)

    def open_winds(
        self,
        params: RoughGround,
        elevation: NDArray[np.float32],
        grid: Grid,
        directions: Sequence[float],
        *,
        height_m: float,
        roughness_m: float | NDArray[np.float32],
    ) -> Iterator[OpenWind]:
        """Terrain wind of each direction; over the whole map of a batch it is kept first."""
        if self._shared is not None and self.whole:
            ground = held(elevation, grid, roughness_m)
            keep = WindWork(params, ground, directions, height_m)
            self._shared.keep_terrain_wind(keep, self.check_stop)
        winds = self.terrain_wind(
            params, elevation, grid, directions, height_m=height_m, roughness_m=roughness_m
        )
        return (wind for _, wind in winds)
