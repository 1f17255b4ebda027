"""Land taken, loss and gain of crops that new belts add to fields, beside existing belts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.science.crops import LOSS_TO_H, CropResponse, gain_weight
from shelterscape.science.siting.candidates import FENCE_M
from shelterscape.science.siting.context import EvaluationContext
from shelterscape.science.siting.ground import SITING_RAYS
from shelterscape.science.siting.sampled_cells import MOST_PAIRS, SampledCells
from shelterscape.science.siting.sampled_cells import work_bytes as sampled_bytes

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Shapes = NDArray[np.object_]


def work_bytes(cells: int, directions: int) -> float:
    """Memory that `CropFields` and its changes need, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.

    Returns
    -------
    float
        Bytes.

    Notes
    -----
    Share, owner and priority of each cell of the grid; the sampled cells; and while gains are
    added up, the weight of each pair of ray and cell, and 8 entries a pair at 32 bytes (assumed).
    """
    pairs = min(MOST_PAIRS, cells * directions * SITING_RAYS)
    return cells * 20.0 + sampled_bytes(cells, directions) + pairs * (8.0 + 8 * 32.0)


@dataclass(frozen=True)
class CropChange:
    """What new belts change on each field in one year, ha of full yield.

    Parameters
    ----------
    taken : (m,) float64
        Land taken, 0 or more.
    lost : (m,) float64
        Yield lost near belts, minus that lost near the existing belts.
    gained : (m,) float64
        Yield gained beyond; below 0 where the response is a loss there too.
    """

    taken: Array
    lost: Array
    gained: Array

    @property
    def net(self) -> Array:
        """Gain minus loss and land taken, (m,), ha of full yield."""
        found: Array = self.gained - self.lost - self.taken
        return found


def least_and_most(one: CropChange, other: CropChange) -> tuple[CropChange, CropChange]:
    """The range of two changes: each part with its worst and its best value for each field.

    Parameters
    ----------
    one, other : CropChange
        By the low and the high response. Where belts are cut lower, the high response is the worse.

    Returns
    -------
    least, most : CropChange
    """
    return (
        CropChange(
            np.maximum(one.taken, other.taken),
            np.maximum(one.lost, other.lost),
            np.minimum(one.gained, other.gained),
        ),
        CropChange(
            np.minimum(one.taken, other.taken),
            np.minimum(one.lost, other.lost),
            np.maximum(one.gained, other.gained),
        ),
    )


class CropFields:
    """Fields with crops, and the position of belts relative to their cells.

    Parameters
    ----------
    context : EvaluationContext
        With the fields among its places.
    fields : sequence of int
        Rows of the fields among the places.
    belts : GeoDataFrame
        Existing belts and new ones, as `growth.belts_at` returns them when they are tallest.
    planted : (n,) bool
        Belts that take land.

    Notes
    -----
    Distances behind a belt are along each ray, as for shelter; of several belts the one with the
    largest gain counts. A ray counts by its share of the time with wind (assumed: yields were
    measured over whole seasons). Positions do not change from year to year, heights do.
    """

    def __init__(
        self,
        context: EvaluationContext,
        fields: Sequence[int],
        belts: gpd.GeoDataFrame,
        planted: Flags,
    ) -> None:
        assert context.places is not None
        self._shapes: Shapes = context.places.geometry.to_numpy()[list(fields)]
        self._lines: Shapes = belts.geometry.to_numpy()
        is_line = belts.geom_type.str.endswith("LineString").to_numpy()
        self._half_m = np.where(is_line, belts["width_m"].to_numpy(dtype=float) / 2.0, 0.0)
        self._planted = planted
        field_of, there = _on_fields(context, list(fields))
        self._cells = SampledCells(there, belts)
        self._owner = field_of[self._cells.cell]
        rays = self._cells.ray_weights(context.time_share, context.options.spread_deg)
        self._rays = rays / rays.sum()
        tallest = belts["height_m"].to_numpy(dtype=float)
        self._near = self._beside(LOSS_TO_H[1] * tallest + self._half_m)

    def change(
        self,
        heights_m: Array,
        before: Flags,
        after: Flags,
        response: CropResponse,
        *,
        fences: bool,
    ) -> CropChange:
        """What the new belts change in a year.

        Parameters
        ----------
        heights_m : (n,) float64
            Heights of the belts in the year, m, at most those given at first.
        before, after : (n,) bool
            Belts that exist without the new ones, and with them.
        response : CropResponse
        fences : bool
            Whether a strip of `FENCE_M` on each side of new belts is taken too.

        Returns
        -------
        CropChange
        """
        edge = self._half_m + FENCE_M * fences
        strips = self._around(after & self._planted, edge)
        zone_m = self._half_m + response.loss_to_h * heights_m
        with_new = shapely.difference(self._around(after & (heights_m > 0), zone_m), strips)
        without = self._around(before & (heights_m > 0), zone_m)
        # Differences of areas below a square centimetre are rounding.
        more_ha = np.round((shapely.area(with_new) - shapely.area(without)) / 1e4, 8)
        gained = self._gains(heights_m, after, zone_m) - self._gains(heights_m, before, zone_m)
        return CropChange(
            shapely.area(strips) / 1e4, response.loss_share * more_ha, response.gain_share * gained
        )

    def _around(self, belts: Flags, distance_m: Array) -> Shapes:
        """Parts of the fields within a distance of some belts."""
        rows = np.flatnonzero(belts)
        around = shapely.buffer(self._lines[rows], distance_m[rows], cap_style="flat")
        # Outlines of woods and rows of trees are buffered alike; fields are few.
        found: Shapes = shapely.intersection(self._shapes, shapely.union_all(around))
        return found

    def _beside(self, distance_m: Array) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
        """Pairs of cells and belts within a distance of each belt, and the distance, m."""
        grid = self._cells.context.grid
        row, col = np.divmod(self._cells.cell, grid.shape[1])
        x, y = grid.affine * (col + 0.5, row + 0.5)
        points = shapely.points(x, y)
        belt, cell = shapely.STRtree(points).query(
            self._lines, predicate="dwithin", distance=distance_m
        )
        return cell, belt, shapely.distance(points[cell], self._lines[belt])

    def _gains(self, heights_m: Array, belts: Flags, zone_m: Array) -> Array:
        """Hectares of each field in the zone of gain, weighted by the share of the full gain."""
        lines, cells = self._cells.lines, self._cells
        there = belts & (heights_m > 0)
        used = there[lines.belt]
        distance_m = lines.distance[used].astype(float) * cells.context.grid.cell_m
        weight = np.zeros(len(self._rays) * len(cells.cell))
        at_h = distance_m / heights_m[lines.belt[used]]
        np.maximum.at(weight, lines.pair[used], gain_weight(at_h))
        value: Array = self._rays @ weight.reshape(len(self._rays), -1)
        cell, belt, apart_m = self._near
        value[cell[there[belt] & (apart_m <= zone_m[belt])]] = 0.0
        found: Array = np.bincount(self._owner, cells.priority * value, len(self._shapes)).astype(
            float
        )
        return found


def _on_fields(
    context: EvaluationContext, fields: list[int]
) -> tuple[NDArray[np.int64], EvaluationContext]:
    """Number of the field of each cell of the grid, and the context with the fields alone."""
    assert context.places is not None and context.covered is not None
    shape = context.grid.shape
    # The last number, -1, is that of cells without a field.
    number = np.full(len(context.places) + 1, -1, np.int64)
    number[fields] = np.arange(len(fields))
    # A cell in several fields counts for the one that covers most of it.
    place, share = context.covered.main_places(number[:-1] >= 0, shape[0] * shape[1])
    there = replace(
        context, priority=share.reshape(1, *shape), purposes=("",), belts=context.belts.iloc[:0]
    )
    return number[place], there
