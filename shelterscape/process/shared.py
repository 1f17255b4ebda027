"""Results for the whole map: calculated once, saved in files, and read by every part of the map.

Terrain wind at a cell depends on ground far away. If it were calculated for each holding, a cell
near a boundary would have different values in different holdings.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import NOTICES, InternalError, Notice
from shelterscape.files.planes import PlanesWriter, read_planes, write_planes
from shelterscape.files.record import read_json, replace_file, sha256_of
from shelterscape.grid import Grid
from shelterscape.process.stages import WindWork
from shelterscape.process.unmapped_ground import UnmappedGround
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.wind_over_terrain import speed_ups_in_strips

Field = NDArray[np.float32]

TERRAIN = "terrain.tif"

_RASTER = r"(?:terrain\.tif|surroundings_[0-9a-f]{12}\.tif|terrain_wind_[0-9a-f]{12}/[0-9.]+\.tif)"
_STEP = r"[0-9a-f]{12}\.json"
FILE = re.compile(
    rf"{_RASTER}(\.sha256)?|{_STEP}|[0-9a-f]{{12}}\.part|terrain_wind_[0-9a-f]{{12}}"
    r"|(.*/)?\.[^/]*\.part(\.tif)?"
)
"""Everything in such a folder, relative to it, except runs of steps."""


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

    @property
    def has_terrain(self) -> bool:
        """Whether the resampled terrain model was saved in full."""
        return _is_kept(self.terrain)

    def keep_terrain(self, elevation: Field, grid: Grid) -> None:
        """Save a resampled terrain model."""
        write_planes(self.terrain, grid, [elevation])
        _keep_checksum(self.terrain)

    def margin_m(self, step: str) -> float | None:
        """Margin that a step needs, m; None before the work of the step is done."""
        content = read_json(self._margin_file(step)) or {}
        margin = content.get("margin_m", math.nan)
        if not isinstance(content.get("files"), list):
            return None
        if margin is None:
            return math.inf
        known = isinstance(margin, int | float) and 0 <= margin <= _MOST_MARGIN_M
        return float(margin) if known else None

    def notices(self) -> list[Notice]:
        """What the work of all steps over the whole map noticed, each once."""
        steps = [p for p in sorted(self.folder.glob("*.json")) if re.fullmatch(_STEP, p.name)]
        noticed = [(read_json(step) or {}).get("notices") for step in steps]
        fields = [n for one in noticed if isinstance(one, list) for n in one]
        return list(dict.fromkeys(Notice(**n) for n in fields if _is_notice(n)))

    def keep_margin(self, step: str, margin_m: float, notices: Sequence[Notice] = ()) -> None:
        """Save the margin of a step and what it noticed; this marks its work as done."""
        self.folder.mkdir(parents=True, exist_ok=True)
        finite = margin_m if math.isfinite(margin_m) else None
        noticed = [one.fields() for one in notices]
        text = json.dumps({"margin_m": finite, "files": self._rasters(), "notices": noticed})
        replace_file(self._margin_file(step), text)

    def _rasters(self) -> list[str]:
        """Names of all rasters, relative to the folder."""
        names = (path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*.tif"))
        return sorted(name for name in names if re.fullmatch(_RASTER, name))

    def remove_damaged(self, check_stop: Callable[[], None]) -> list[str]:
        """Remove damaged rasters, and the marks of finished work, so that it is done again.

        Parameters
        ----------
        check_stop : callable
            Called before each raster; may raise.

        Returns
        -------
        list of str
            Names of damaged and missing rasters, relative to the folder.
        """
        steps = [p for p in self.folder.glob("*.json") if re.fullmatch(_STEP, p.name)]
        names = set(self._rasters())
        for step in steps:
            files = (read_json(step) or {}).get("files")
            for name in files if isinstance(files, list) else []:
                if isinstance(name, str) and re.fullmatch(_RASTER, name):
                    names.add(name)
        damaged = []
        for name in sorted(names):
            check_stop()
            path = self.folder / name
            if not _is_intact(path):
                damaged.append(name)
                path.unlink(missing_ok=True)
                _checksum_file(path).unlink(missing_ok=True)
        if damaged:
            for step in steps:
                step.unlink(missing_ok=True)
        return damaged

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
            if not _is_kept(self._terrain_wind(work.params, work.height_m, d))
        ]
        winds = speed_ups_in_strips(work.ground, wanted, height_m=work.height_m)
        for done, (direction, strips) in enumerate(zip(wanted, winds, strict=True)):
            text = f"terrain wind of the whole map, direction {done + 1} of {len(wanted)}"
            progress(done / len(wanted), text)
            path = self._terrain_wind(work.params, work.height_m, direction)
            with PlanesWriter(path, work.ground.grid, count=2) as writer:
                for row, wind in strips:
                    check_stop()
                    writer.write(row, [wind.speed_up, _coded(wind)])
            _keep_checksum(path)

    def terrain_wind(
        self, params: UnmappedGround, height_m: float, directions: Sequence[float], grid: Grid
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
                raise _missing("Terrain wind was not calculated for the whole map.", path)
            speed_up, coded = read_planes(path, grid)
            reason = np.maximum(-coded, 0).astype(np.uint8)
            yield TerrainWind(speed_up, None, coded > 0, reason)

    def _margin_file(self, step: str) -> Path:
        return self.folder / f"{_short(step)}.json"

    def _given(self, params: UnmappedGround) -> dict[str, Any]:
        """Inputs that the ground and its roughness depend on."""
        given: dict[str, Any] = {n: getattr(params, n) for n in UnmappedGround.model_fields}
        if params.roughness:  # belts are removed from the map of roughness
            given["belts"] = getattr(params, "belts", None)
        if params.roughness or params.open_water:
            given["fields"] = getattr(params, "fields", None)
        return given

    def _terrain_wind(self, params: UnmappedGround, height_m: float, direction_deg: float) -> Path:
        name = _short(json.dumps([self._given(params), height_m], sort_keys=True))
        return self.folder / f"terrain_wind_{name}" / f"{direction_deg:.9f}.tif"

    def keep_surroundings(self, params: UnmappedGround, blocks: Grid, heights: Field) -> None:
        """Save the land around the map, joined to it."""
        path = self._surroundings(params, blocks)
        if not _is_kept(path):
            write_planes(path, blocks, [heights])
            _keep_checksum(path)

    def surroundings(self, params: UnmappedGround, blocks: Grid) -> Field:
        """The land around the map, as it was kept.

        Raises
        ------
        InternalError
            ``shared-missing`` where it was not joined to the whole map before.
        """
        path = self._surroundings(params, blocks)
        if not path.is_file():
            raise _missing("The surroundings were not joined to the whole map.", path)
        return read_planes(path, blocks)[0]

    def _surroundings(self, params: UnmappedGround, blocks: Grid) -> Path:
        name = _short(json.dumps([self._given(params), blocks.shape], sort_keys=True))
        return self.folder / f"surroundings_{name}.tif"


_MOST_MARGIN_M = 1e9


def _is_notice(fields: object) -> bool:
    """Whether these are the fields of a notice; a file may be damaged."""
    if not isinstance(fields, dict) or set(fields) != {"code", "text", "count"}:
        return False
    code, text, count = fields["code"], fields["text"], fields["count"]
    return isinstance(text, str) and isinstance(count, int) and code in list(NOTICES)


def _coded(wind: TerrainWind) -> Field:
    """Where terrain wind is valid, 1; elsewhere the negative code of the reason."""
    reason = wind.valid if wind.reason is None else wind.reason
    return np.where(wind.valid, np.float32(1), -reason.astype(np.float32))


def _missing(what: str, path: Path) -> InternalError:
    return InternalError(
        "shared-missing",
        what,
        where=path.name,
        hint="Start the batch again: what is missing is then calculated again.",
    )


def _checksum_file(path: Path) -> Path:
    return path.with_name(f"{path.name}.sha256")


def _keep_checksum(path: Path) -> None:
    replace_file(_checksum_file(path), sha256_of(path) + "\n")


def _is_kept(path: Path) -> bool:
    return path.is_file() and _checksum_file(path).is_file()


def _is_intact(path: Path) -> bool:
    """Whether a raster has the checksum it was kept with."""
    try:
        return _checksum_file(path).read_bytes().strip() == sha256_of(path).encode()
    except OSError:
        return False


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
