"""Relative wind along each ray, and candidates ready to be evaluated on it.

The smallest-wind rule applies here: where several belts act, the smallest relative wind counts.
Existing belts act as in `science.prepared_belts`, with their ends and close neighbours. Candidates
act each by itself, without ends or close neighbours; `siting.full_evaluation` includes these.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind
from shelterscape.kernels.planting import plant, put_back
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.kernels.siting import CandidateLines, SitingRays, boxes, gains
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.prepared_belts import PreparedBelts, ShelterOptions, prepare_belts
from shelterscape.science.rays import rays_of, relative_wind_by_ray
from shelterscape.science.shelter import ray_offsets
from shelterscape.science.siting.context import EvaluationContext

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

SITING_RAYS = 5
"""Rays that represent one direction while candidates are compared; `shelter` uses 15."""

RAYS_AT_ONCE = 20
"""Rays of existing belts calculated together, to limit memory."""

VERTEX_BYTES = 20_000.0
"""Memory of the effect of belts along `RAYS_AT_ONCE` rays, bytes per vertex (measured for
`shelter`)."""

SQUARES = 12
"""Squares along each side of the map by which lines are sorted."""


def candidate_lines(frame: gpd.GeoDataFrame, grid: Grid, options: ShelterOptions) -> CandidateLines:
    """Candidates in the form that the kernels require (see `kernels.siting.gains`).

    Parameters
    ----------
    frame : GeoDataFrame
        As `belt_growth.belts_at` returns candidates in a case; one of height 0 has no effect.
    grid : Grid
    options : ShelterOptions

    Returns
    -------
    CandidateLines
    """
    present = np.flatnonzero(frame["height_m"].to_numpy(dtype=float) > 0)
    prepared = prepare_belts([frame], grid, options, apart=True)
    outlines = prepared.outlines
    owner = present[outlines.kind] if len(outlines.kind) else np.empty(0, np.int64)
    return CandidateLines(
        np.searchsorted(owner, np.arange(len(frame) + 1)).astype(np.int64),
        outlines.first_edge,
        outlines.edges,
        prepared.height,
        prepared.profile_index[outlines.kind],
        prepared.tables.reach_h(),
        REACH_WINDWARD_H,
        TABLE_STEP_H,
        prepared.tables.tables(),
        REACH_WINDWARD_H / TABLE_STEP_H,
    )


def ray_directions(context: EvaluationContext, rays: int) -> tuple[Array, Numbers, Array]:
    """Direction of every ray, the wind direction it represents, and its weight.

    Parameters
    ----------
    context : EvaluationContext
    rays : int
        Rays for each direction.

    Returns
    -------
    towards_deg : (r,) float64
        Degrees from grid north.
    direction : (r,) int64
        Index of the wind direction.
    share : (r,) float64
        Weights; their sum is 1.
    """
    offsets = [ray_offsets(float(s), context.options.spread_deg, rays) for s in context.sector_deg]
    count = np.array([len(o) for o in offsets])
    direction = np.repeat(np.arange(len(offsets)), count)
    towards = context.directions_deg[direction] + np.concatenate(offsets)
    return towards, direction, (context.weights / count)[direction]


def wind_by_ray(
    belts: gpd.GeoDataFrame, grid: Grid, options: ShelterOptions, directions_deg: Array
) -> Field:
    """Relative wind with belts, along each ray separately.

    Parameters
    ----------
    belts : GeoDataFrame
        As `belt_growth.belts_at` returns them.
    grid : Grid
    options : ShelterOptions
    directions_deg : (rays,) float64
        From grid north.

    Returns
    -------
    (rays, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    prepared = prepare_belts([belts], grid, options) if len(belts) else None
    return wind_of(prepared, grid, options, directions_deg)


def wind_of(
    prepared: PreparedBelts | None, grid: Grid, options: ShelterOptions, directions_deg: Array
) -> Field:
    """The same for belts prepared by `prepare_belts`; None where there are no belts.

    Parameters
    ----------
    prepared : PreparedBelts or None
    grid : Grid
    options : ShelterOptions
    directions_deg : (rays,) float64
        Degrees from grid north.

    Returns
    -------
    (rays, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    wind = np.empty((len(directions_deg), *grid.shape), np.float32)
    if prepared is None or not len(prepared.outlines.kind):
        wind[:] = 1
        return wind
    for begin in range(0, len(directions_deg), RAYS_AT_ONCE):
        lot = slice(begin, begin + RAYS_AT_ONCE)
        relative_wind_by_ray(
            rays_of(prepared, directions_deg[lot]), grid, options.combine, wind[lot]
        )
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


def spatial_order(frame: gpd.GeoDataFrame) -> Numbers:
    """An order of lines in which neighbours follow each other.

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
    # Rows of squares in alternating direction.
    col = np.where(at[:, 1] % 2, SQUARES - 1 - at[:, 0], at[:, 0])
    order: Numbers = np.lexsort((col, at[:, 1]))
    return order


class Ground:
    """Relative wind along each ray, to which candidates are added and from which they are removed.

    Parameters
    ----------
    context : EvaluationContext
    candidates : GeoDataFrame
        With the columns of completed belts.
    rays : int
        Rays for each direction.
    wind : (rays, rows, cols) float32, optional
        As `wind_by_ray` returns it for existing belts; calculated when not given. It is changed
        in place.
    frame : GeoDataFrame, optional
        The candidates in the case, as `belt_growth.belts_at` returns them; calculated when not
        given.

    Attributes
    ----------
    planted : list of int
        Planted candidates, in order.
    spatial_order : (n,) int64
        Candidates, neighbours next to each other.
    """

    def __init__(
        self,
        context: EvaluationContext,
        candidates: gpd.GeoDataFrame,
        rays: int = SITING_RAYS,
        wind: Field | None = None,
        frame: gpd.GeoDataFrame | None = None,
    ) -> None:
        self.context = context
        if frame is None:
            frame = belts_at(candidates, context.case) if len(candidates) else candidates
        self.frame = frame
        self.directions_deg, direction, share = ray_directions(context, rays)
        grid = context.grid
        if wind is None:
            wind = wind_by_ray(context.belts, grid, context.options, self.directions_deg)
        self.wind = wind
        self.lines: Any = (
            candidate_lines(self.frame, grid, context.options) if len(candidates) else None
        )
        steps = np.array([downwind(float(d)) for d in self.directions_deg])
        corner = np.array([grid.row0, grid.col0], np.int64)
        self.rays = SitingRays(steps, direction, share, corner)
        self.priority = context.priority_ha()
        self.spatial_order = spatial_order(candidates)
        self._turn = np.argsort(self.spatial_order)
        self.planted: list[int] = []
        self._saved: list[tuple[Numbers, Field]] = []
        self._boxes: Numbers | None = None

    def by_direction(self, which: Sequence[int] | Numbers) -> Array:
        """Benefit each of these candidates would add to the planted ones, by direction.

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
        out = np.zeros((len(numbers), len(self.context.weights)))
        weights = (self.priority, self.context.terrain_wind)
        if self.lines is None or not len(numbers):
            return out
        order = np.argsort(self._turn[numbers], kind="stable")
        in_turn = np.empty_like(out)
        gains(self.lines, numbers[order], self.wind, self.rays, *weights, in_turn)
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
        """Plant a candidate.

        Parameters
        ----------
        one : int
            Row of the candidate.

        Returns
        -------
        float
            Benefit it adds, ha eq.
        """
        out = np.empty(len(self.context.weights))
        weights = (self.priority, self.context.terrain_wind)
        self._saved.append(plant(self.lines, one, self.wind, self.rays, *weights, out))
        self.planted.append(one)
        return float(out.sum())

    def remove_last(self) -> int:
        """Remove the candidate planted last and return its row."""
        put_back(self.wind, *self._saved.pop())
        return self.planted.pop()

    def near(self, one: int) -> NDArray[np.bool_]:
        """Candidates that act on ground on which another one acts.

        Parameters
        ----------
        one : int
            Row of the other.

        Returns
        -------
        (n,) bool
        """
        if self._boxes is None:
            self._boxes = boxes(self.lines, self.rays.corner, self.context.grid.shape)
        top, bottom, left, right = self._boxes.T
        rows = (top < bottom[one]) & (bottom > top[one])
        found: NDArray[np.bool_] = rows & (left < right[one]) & (right > left[one])
        return found
