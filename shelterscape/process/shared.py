"""What follows from the whole map: calculated once, kept in files, read in windows by every part.

Terrain wind at one cell follows from ground far away. Calculated for each holding by itself it
would differ from one to the next; calculated once, a cell has one value in all of them.
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
from shelterscape.science.terrain import OpenWind
from shelterscape.science.terrain.open_wind import speed_ups_in_strips

Field = NDArray[np.float32]

TERRAIN = "terrain.tif"


class Shared:
    """A folder of what was calculated over the whole map.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def terrain(self) -> Path:
        """The resampled terrain model; it exists only where that was needed."""
        return self.folder / TERRAIN

    def keep_terrain(self, elevation: Field, grid: Grid) -> None:
        """Keep a terrain model that was resampled."""
        write_planes(self.terrain, grid, [elevation])

    def margin_m(self, step: str) -> float | None:
        """The margin a step needs, m; None where its part is not done yet."""
        try:
            told = json.loads(self._note(step).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return math.inf if told["margin_m"] is None else float(told["margin_m"])

    def keep_margin(self, step: str, margin_m: float) -> None:
        """Note that the part of a step is done, and the margin it needs."""
        self.folder.mkdir(parents=True, exist_ok=True)
        finite = margin_m if math.isfinite(margin_m) else None
        part = self._note(step).with_suffix(".part")
        part.write_text(json.dumps({"margin_m": finite}), encoding="utf-8")
        os.replace(part, self._note(step))

    def keep_terrain_wind(
        self,
        work: WindWork,
        check_stop: Callable[[], None],
        progress: Callable[[float, str], None] = lambda share, text: None,
    ) -> None:
        """Calculate and keep the terrain wind that parts of the map need, not its turning.

        Directions kept already are not calculated again.

        Parameters
        ----------
        work : WindWork
        check_stop : callable
            Called before each strip; may raise.
        progress : callable
            Takes the share done and what comes next.
        """
        wanted = [
            d
            for d in work.directions
            if not self._open_wind(work.params, work.height_m, d).is_file()
        ]
        winds = speed_ups_in_strips(work.ground, wanted, height_m=work.height_m)
        for done, (direction, strips) in enumerate(zip(wanted, winds, strict=True)):
            text = f"terrain wind over the whole map, {done + 1} of {len(wanted)} directions"
            progress(done / len(wanted), text)
            path = self._open_wind(work.params, work.height_m, direction)
            with PlanesWriter(path, work.ground.grid, count=2) as writer:
                for row, wind in strips:
                    check_stop()
                    writer.write(row, [wind.speed_up, wind.valid.astype(np.float32)])

    def open_wind(
        self, params: RoughGround, height_m: float, directions: Sequence[float], grid: Grid
    ) -> Iterator[OpenWind]:
        """The open wind of each direction on a part of the map.

        Raises
        ------
        InternalError
            ``shared-missing``.
        """
        for direction in directions:
            path = self._open_wind(params, height_m, direction)
            if not path.is_file():
                raise InternalError(
                    "shared-missing",
                    "Wind over hills was not worked out for the whole map beforehand.",
                    where=path.name,
                    mend="Start the batch again.",
                )
            speed_up, valid = read_planes(path, grid)
            yield OpenWind(speed_up, None, valid > 0)

    def _note(self, step: str) -> Path:
        return self.folder / f"{_short(step)}.json"

    def _open_wind(self, params: RoughGround, height_m: float, direction_deg: float) -> Path:
        rough: dict[str, Any] = {name: getattr(params, name) for name in RoughGround.model_fields}
        if params.roughness:  # belts are taken out of it
            rough |= {name: getattr(params, name, None) for name in ("belts", "fields")}
        name = _short(json.dumps([rough, height_m], sort_keys=True))
        return self.folder / f"open_wind_{name}" / f"{direction_deg:.9f}.tif"


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
