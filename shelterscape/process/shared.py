"""Results for the whole map: calculated once, saved in files, and read by every part of the map.

Terrain wind at a cell depends on ground far away. If it were calculated for each holding, a cell
near a boundary would have different values in different holdings.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InternalError
from shelterscape.files.planes import PlanesWriter, read_planes, write_planes
from shelterscape.grid import Grid
from shelterscape.process.inputs import RoughGround
from shelterscape.process.stages import WindWork
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.wind_over_terrain import speed_ups_in_strips

Field = NDArray[np.float32]

TERRAIN = "terrain.tif"


class Shared:
    """A folder with results for the whole map.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def terrain(self) -> Path:
        """Path of the resampled terrain model; it exists only if resampling was needed."""
        return self.folder / TERRAIN

    def keep_terrain(self, elevation: Field, grid: Grid) -> None:
        """Save a resampled terrain model."""
        write_planes(self.terrain, grid, [elevation])

    def margin_m(self, step: str) -> float | None:
        """Margin that a step needs, m; None before the work of the step is done."""
        try:
            content = json.loads(self._margin_file(step).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return math.inf if content["margin_m"] is None else float(content["margin_m"])

    def keep_margin(self, step: str, margin_m: float) -> None:
        """Save the margin that a step needs; this marks the work of the step as done."""
        self.folder.mkdir(parents=True, exist_ok=True)
        finite = margin_m if math.isfinite(margin_m) else None
        part = self._margin_file(step).with_suffix(".part")
        part.write_text(json.dumps({"margin_m": finite}), encoding="utf-8")
        os.replace(part, self._margin_file(step))

    def keep_terrain_wind(
        self,
        work: WindWork,
        check_stop: Callable[[], None],
        progress: Callable[[float, str], None] = lambda share, text: None,
    ) -> None:
        """Calculate and save terrain wind for the whole map, without its change of direction.

        Directions that are saved already are not calculated again.

        Parameters
        ----------
        work : WindWork
        check_stop : callable
            Called before each strip of rows; may raise.
        progress : callable
            Receives the share done, 0 to 1, and a description of the next part.
        """
        wanted = [
            d
            for d in work.directions
            if not self._terrain_wind(work.params, work.height_m, d).is_file()
        ]
        winds = speed_ups_in_strips(work.ground, wanted, height_m=work.height_m)
        for done, (direction, strips) in enumerate(zip(wanted, winds, strict=True)):
            text = f"terrain wind of the whole map, direction {done + 1} of {len(wanted)}"
            progress(done / len(wanted), text)
            path = self._terrain_wind(work.params, work.height_m, direction)
            with PlanesWriter(path, work.ground.grid, count=2) as writer:
                for row, wind in strips:
                    check_stop()
                    writer.write(row, [wind.speed_up, wind.valid.astype(np.float32)])

    def terrain_wind(
        self, params: RoughGround, height_m: float, directions: Sequence[float], grid: Grid
    ) -> Iterator[TerrainWind]:
        """Terrain wind of each direction on a part of the map.

        Raises
        ------
        InternalError
            ``shared-missing`` where it was not calculated for the whole map before.
        """
        for direction in directions:
            path = self._terrain_wind(params, height_m, direction)
            if not path.is_file():
                raise InternalError(
                    "shared-missing",
                    "Terrain wind was not calculated for the whole map.",
                    where=path.name,
                    hint="Start the batch again.",
                )
            speed_up, valid = read_planes(path, grid)
            yield TerrainWind(speed_up, None, valid > 0)

    def _margin_file(self, step: str) -> Path:
        return self.folder / f"{_short(step)}.json"

    def _terrain_wind(self, params: RoughGround, height_m: float, direction_deg: float) -> Path:
        rough: dict[str, Any] = {name: getattr(params, name) for name in RoughGround.model_fields}
        if params.roughness:  # belts are removed from the map of roughness
            rough |= {name: getattr(params, name, None) for name in ("belts", "fields")}
        name = _short(json.dumps([rough, height_m], sort_keys=True))
        return self.folder / f"terrain_wind_{name}" / f"{direction_deg:.9f}.tif"


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
