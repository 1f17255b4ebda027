"""The wind over the ground ray by ray, and candidates ready to be evaluated on it.

The plain rule holds here: where several belts act, the smallest relative wind counts. Existing
belts act as they do in `science.scene`, their ends and close neighbours with them; candidates act
each alone, without ends or close neighbours. `siting.exact` reports what that leaves out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.kernels.siting import CandidateLines, SitingRays, gains, plant, put_back
from shelterscape.science.growth import belts_at
from shelterscape.science.rays import lay_apart, rays_of
from shelterscape.science.scene import How, Scene, scene_of
from shelterscape.science.shelter import ray_offsets
from shelterscape.science.siting.setting import Setting

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

SITING_RAYS = 5
"""Rays that represent one direction while candidates are compared; `shelter` takes 15."""

RAYS_AT_ONCE = 20
"""Rays of existing belts calculated together, to limit memory."""

VERTEX_BYTES = 20_000.0
"""What belts do along `RAYS_AT_ONCE` rays, bytes for each vertex (measured for `shelter`)."""

SQUARES = 12
"""Squares along each side of the ground by which lines are sorted."""


def lines_of(frame: gpd.GeoDataFrame, grid: Grid, how: How) -> CandidateLines:
    """Candidates as the kernels want them (see `kernels.siting.gains`).

    Parameters
    ----------
    frame : GeoDataFrame
        As `growth.belts_at` gives candidates in a case; one of height 0 does nothing.
    grid : Grid
    how : How

    Returns
    -------
    CandidateLines
    """
    stands = np.flatnonzero(frame["height_m"].to_numpy(dtype=float) > 0)
    scene = scene_of([frame], grid, how, apart=True)
    outlines = scene.outlines
    owner = stands[outlines.kind] if len(outlines.kind) else np.empty(0, np.int64)
    return CandidateLines(
        np.searchsorted(owner, np.arange(len(frame) + 1)).astype(np.int64),
        outlines.first_edge,
        outlines.edges,
        scene.height,
        scene.profile_index[outlines.kind],
        scene.tables.reach_h(),
        REACH_WINDWARD_H,
        TABLE_STEP_H,
        scene.tables.tables(),
        REACH_WINDWARD_H / TABLE_STEP_H,
    )


def ray_directions(setting: Setting, rays: int) -> tuple[Array, Numbers, Array]:
    """Direction of every ray, the wind direction each represents, and its share.

    Parameters
    ----------
    setting : Setting
    rays : int
        Rays for each direction.

    Returns
    -------
    towards_deg : (r,) float64
        Degrees from grid north.
    direction : (r,) int64
        Number of the wind direction.
    share : (r,) float64
        Their sum is 1.
    """
    offsets = [ray_offsets(float(s), setting.how.spread_deg, rays) for s in setting.sector_deg]
    count = np.array([len(o) for o in offsets])
    direction = np.repeat(np.arange(len(offsets)), count)
    towards = setting.directions_deg[direction] + np.concatenate(offsets)
    return towards, direction, (setting.weights / count)[direction]


def wind_by_ray(belts: gpd.GeoDataFrame, grid: Grid, how: How, directions_deg: Array) -> Field:
    """Relative wind beside belts along each ray alone.

    Parameters
    ----------
    belts : GeoDataFrame
        As `growth.belts_at` returns them.
    grid : Grid
    how : How
    directions_deg : (rays,) float64
        From grid north.

    Returns
    -------
    (rays, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    scene = scene_of([belts], grid, how) if len(belts) else None
    return wind_of(scene, grid, how, directions_deg)


def wind_of(scene: Scene | None, grid: Grid, how: How, directions_deg: Array) -> Field:
    """The same for belts made ready by `scene_of`; None for no belts.

    Parameters
    ----------
    scene : Scene or None
    grid : Grid
    how : How
    directions_deg : (rays,) float64
        Degrees from grid north.

    Returns
    -------
    (rays, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    wind = np.empty((len(directions_deg), *grid.shape), np.float32)
    if scene is None or not len(scene.outlines.kind):
        wind[:] = 1
        return wind
    for begin in range(0, len(directions_deg), RAYS_AT_ONCE):
        lot = slice(begin, begin + RAYS_AT_ONCE)
        lay_apart(rays_of(scene, directions_deg[lot]), grid, how.combine, wind[lot])
    return wind


def work_bytes(cells: int, directions: int, vertices: int, rays: int = SITING_RAYS) -> float:
    """Memory that a `Ground` keeps, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.
    vertices : int
        Vertices of belts and candidates together.
    rays : int
        Rays for each direction.

    Returns
    -------
    float
        Bytes.
    """
    return 4.0 * cells * (directions * rays + 1) + VERTEX_BYTES * vertices


def near_together(frame: gpd.GeoDataFrame) -> Numbers:
    """An order of lines in which those near each other on the ground follow each other.

    Parameters
    ----------
    frame : GeoDataFrame

    Returns
    -------
    (n,) int64
        Rows.
    """
    if not len(frame):
        return np.empty(0, np.int64)
    middle = shapely.get_coordinates(shapely.centroid(frame.geometry.to_numpy()))
    low, size = middle.min(axis=0), max(float(np.ptp(middle, axis=0).max()), 1e-9)
    at = np.minimum(((middle - low) / size * SQUARES).astype(np.int64), SQUARES - 1)
    # Rows of squares walked to and fro.
    col = np.where(at[:, 1] % 2, SQUARES - 1 - at[:, 0], at[:, 0])
    order: Numbers = np.lexsort((col, at[:, 1]))
    return order


class Ground:
    """The wind ray by ray over the ground of a setting, on which candidates come and go.

    Parameters
    ----------
    setting : Setting
    candidates : GeoDataFrame
        With the columns of completed belts.
    rays : int
        Rays for each direction.
    wind : (rays, rows, cols) float32, optional
        As `wind_by_ray` returns it for existing belts, calculated when not given; it is
        changed.
    frame : GeoDataFrame, optional
        The candidates in the case; as `growth.belts_at` returns them when not given.

    Attributes
    ----------
    planted : list of int
        Candidates planted, in their order.
    near_order : (n,) int64
        Candidates in an order in which neighbours follow each other.
    """

    def __init__(
        self,
        setting: Setting,
        candidates: gpd.GeoDataFrame,
        rays: int = SITING_RAYS,
        wind: Field | None = None,
        frame: gpd.GeoDataFrame | None = None,
    ) -> None:
        self.setting = setting
        if frame is None:
            frame = belts_at(candidates, setting.case) if len(candidates) else candidates
        self.frame = frame
        self.directions_deg, direction, share = ray_directions(setting, rays)
        grid = setting.grid
        if wind is None:
            wind = wind_by_ray(setting.belts, grid, setting.how, self.directions_deg)
        self.wind = wind
        self.lines: Any = lines_of(self.frame, grid, setting.how) if len(candidates) else None
        steps = np.array([downwind(float(d)) for d in self.directions_deg])
        corner = np.array([grid.row0, grid.col0], np.int64)
        self.rays = SitingRays(steps, direction, share, corner)
        self.need = setting.need_ha()
        self.near_order = near_together(candidates)
        self._turn = np.argsort(self.near_order)
        self.planted: list[int] = []
        self._saved: list[tuple[Numbers, Field]] = []

    def by_direction(self, which: Sequence[int] | Numbers) -> Array:
        """What each of some candidates alone would add to what is planted now, by direction.

        Parameters
        ----------
        which : (w,) int
            Rows of candidates.

        Returns
        -------
        (w, directions) float64
            ha eq.
        """
        numbers = np.asarray(which, dtype=np.int64)
        out = np.zeros((len(numbers), len(self.setting.weights)))
        wanted = (self.need, self.setting.open_wind)
        if self.lines is None or not len(numbers):
            return out
        order = np.argsort(self._turn[numbers], kind="stable")
        in_turn = np.empty_like(out)
        gains(self.lines, numbers[order], self.wind, self.rays, *wanted, in_turn)
        out[order] = in_turn
        return out

    def gains(self, which: Sequence[int] | Numbers) -> Array:
        """The same over all directions.

        Parameters
        ----------
        which : (w,) int
            Rows of candidates.

        Returns
        -------
        (w,) float64
            ha eq.
        """
        total: Array = self.by_direction(which).sum(axis=1)
        return total

    def plant(self, one: int) -> float:
        """Add a candidate to what is planted.

        Parameters
        ----------
        one : int
            Row of the candidate.

        Returns
        -------
        float
            What it adds, ha eq.
        """
        out = np.empty(len(self.setting.weights))
        wanted = (self.need, self.setting.open_wind)
        self._saved.append(plant(self.lines, one, self.wind, self.rays, *wanted, out))
        self.planted.append(one)
        return float(out.sum())

    def put_back(self) -> int:
        """Remove the candidate added last; returns it."""
        put_back(self.wind, *self._saved.pop())
        return self.planted.pop()
