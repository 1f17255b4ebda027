"""Full evaluation of a chosen set: with belt ends, interaction of close belts, and all rays.

Candidates are compared by the smallest-wind rule (see `siting.ground`). The final result is the
field as `science.shelter` returns it, without the belts that restorations replace; the difference
between the two is reported.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.grid import downwind
from shelterscape.kernels.threads import STRIP_ROWS, map_threads
from shelterscape.science.belt_profiles import ProfileTables
from shelterscape.science.belts import recovery_distances
from shelterscape.science.hours_on_places import CellWinds
from shelterscape.science.places import WELL_SHELTERED, StockCorners, means
from shelterscape.science.prepared_belts import PreparedBelts, prepare_belts
from shelterscape.science.shelter import (
    mean_over_rays,
    one_direction,
    ray_offsets,
    reduction_to_relative,
)
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.changed_ground import ChangedGround
from shelterscape.science.siting.context import NO_HOLDING, PUBLIC, EvaluationContext
from shelterscape.science.siting.ground import VERTEX_BYTES

Array = NDArray[np.float64]
Field = NDArray[np.float32]


@dataclass(frozen=True)
class FullEvaluation:
    """A set of candidates in place, evaluated in full.

    Parameters
    ----------
    benefit_ha : float
        Benefit added to the existing belts, ha eq.
    by_purpose : (purposes,) float64
        The same by purpose, ha eq.
    own_benefit_ha, neighbours_benefit_ha, public_benefit_ha : float
        Parts of the benefit on the holdings that plant, on other holdings, and on public land.
    relative_wind, relative_wind_with_belts : (rows, cols) float32
        Mean relative wind without and with the set, as `science.shelter.over_winds` returns it.
    places : DataFrame
        For each place ``relative_wind``, ``relative_wind_with_belts`` and ``benefit_ha``. For
        stock areas with a head of stock also ``corner_time_share`` and
        ``corner_time_share_with``: share of the time with wind in which stock has a sheltered
        corner large enough, without and with the set; NaN elsewhere.
    sheltered_m2 : (directions, places, 2) float64
        Well sheltered ground of each place, without and with the set, m².
    """

    benefit_ha: float
    by_purpose: Array
    own_benefit_ha: float
    neighbours_benefit_ha: float
    public_benefit_ha: float
    relative_wind: Field
    relative_wind_with_belts: Field
    places: pd.DataFrame
    sheltered_m2: Array

    def shortfall_ha(self, compared_ha: float) -> float:
        """Benefit by the smallest-wind rule minus that in full; negative where the rule gives less.

        Parameters
        ----------
        compared_ha : float
            Benefit by the smallest-wind rule, ha eq.

        Returns
        -------
        float
            ha eq.
        """
        return compared_ha - self.benefit_ha


def belts_with_set(
    context: EvaluationContext, frame: gpd.GeoDataFrame, rows: Sequence[int]
) -> gpd.GeoDataFrame:
    """Belts with a set in place, without the existing ones it replaces.

    Parameters
    ----------
    context : EvaluationContext
    frame : GeoDataFrame
        Candidates as `belt_growth.belts_at` returns them in the case (`Ground.frame`).
    rows : sequence of int

    Returns
    -------
    GeoDataFrame
        With the columns that `prepare_belts` needs.
    """
    chosen = frame.iloc[list(rows)]
    replaced = replaced_rows(chosen)
    stays = ~np.isin(np.arange(len(context.belts)), replaced[replaced >= 0])
    columns = ["height_m", "width_m", "belt_type", "porosity", "porosity_low", "recovery_h"]
    columns += ["bare_stem_m", "geometry"]
    there = (context.belts[stays] if len(stays) else None, chosen)
    parts = [
        one.assign(recovery_h=recovery_distances(one))[columns]
        for one in there
        if one is not None and len(one)
    ]
    if not parts:
        return gpd.GeoDataFrame({c: [] for c in columns}, geometry="geometry", crs=frame.crs)
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=parts[0].crs)


class ExistingWinds(NamedTuple):
    """Relative wind with the existing belts alone, to evaluate several sets beside them.

    Parameters
    ----------
    winds : (directions, rows, cols) float32
        Ratio to the wind without belts, 0 to 1.25.
    prepared : PreparedBelts or None
        The existing belts; None without any.
    """

    winds: Field
    prepared: PreparedBelts | None


def full_evaluation(
    context: EvaluationContext,
    frame: gpd.GeoDataFrame,
    rows: Sequence[int],
    *,
    existing: ExistingWinds | None = None,
    cell_winds: CellWinds | None = None,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> FullEvaluation:
    """Evaluate a set of candidates in full.

    Parameters
    ----------
    context : EvaluationContext
    frame : GeoDataFrame
        Candidates as `belt_growth.belts_at` returns them in the case (`Ground.frame`), with
        ``holding_id`` and ``restores_belt`` where known.
    rows : sequence of int
        Rows of the candidates in place.
    existing : ExistingWinds, optional
        As `existing_winds` returns it, where several sets are evaluated; calculated by default.
    cell_winds : CellWinds, optional
        Two cases of one wind set, to which relative wind on places without and with the set is
        added.
    stop_if_requested : callable
        Called between directions; raises to stop.

    Returns
    -------
    FullEvaluation
    """
    grid = context.grid
    without = _prepared(context, frame, []) if existing is None else existing.prepared
    with_set = _prepared(context, frame, rows, None if without is None else without.tables.copy())
    changed = ChangedGround(without, with_set)
    lost = np.zeros(grid.shape)
    reduction = np.zeros((2, *grid.shape), np.float32)
    corners, sheltered = _corners(context), []
    for number, weight in enumerate(context.weights):
        stop_if_requested()
        before = _field(without, context, number) if existing is None else existing.winds[number]
        fields = (before, _field_with(before, changed, context, number))
        _add_direction(context, number, float(weight), fields, lost, reduction)
        if corners is not None:
            corners.add([float(context.time_share[number])] * 2, np.stack(fields))
            sheltered.append(_sheltered_m2(context, fields))
        if cell_winds is not None:
            for case, field in enumerate(fields):
                cell_winds.set(case, number, field)
    return _summed(
        context,
        frame,
        rows,
        lost,
        reduction_to_relative(reduction, context.speed_exponent),
        corners,
        np.array(sheltered),
    )


def _add_direction(
    context: EvaluationContext,
    number: int,
    weight: float,
    fields: tuple[Field, Field],
    lost: Array,
    reduction: Field,
) -> None:
    """Add the weighted effect of one direction to both sums, in strips that fit the cache."""
    wind_weight, exponent = context.wind_weight(number), context.speed_exponent

    def _add(first: int) -> None:
        strip = slice(first, first + STRIP_ROWS)
        parts = [field[strip] for field in fields]
        more = wind_weight if isinstance(wind_weight, float) else wind_weight[strip]
        lost[strip] += np.float64(weight) * more * (parts[0] - parts[1]).astype(float)
        for total, part in zip(reduction, parts, strict=True):
            power = part if exponent == 1.0 else part ** np.float32(exponent)
            total[strip] += np.float32(weight) * (1 - power)

    map_threads(_add, range(0, lost.shape[0], STRIP_ROWS))


def existing_winds(
    context: EvaluationContext, *, stop_if_requested: Callable[[], None] = lambda: None
) -> ExistingWinds:
    """Relative wind with the existing belts alone, for each direction.

    Parameters
    ----------
    context : EvaluationContext
    stop_if_requested : callable
        Called between directions; raises to stop.

    Returns
    -------
    ExistingWinds
    """
    prepared = _prepared(context, context.belts, [])
    found = np.empty((len(context.weights), *context.grid.shape), np.float32)
    for number in range(len(found)):
        stop_if_requested()
        found[number] = _field(prepared, context, number)
    return ExistingWinds(found, prepared)


def work_bytes(cells: int, vertices: int) -> float:
    """Memory that `full_evaluation` needs, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    vertices : int
        Vertices of belts and candidates together.

    Returns
    -------
    float
        Bytes.
    """
    # Loss in double precision with its terms, and fields without and with the set.
    return 72.0 * cells + VERTEX_BYTES * vertices


def _prepared(
    context: EvaluationContext,
    frame: gpd.GeoDataFrame,
    rows: Sequence[int],
    tables: ProfileTables | None = None,
) -> PreparedBelts | None:
    belts = belts_with_set(context, frame, rows)
    if not len(belts):
        return None
    return prepare_belts([belts], context.grid, context.options, tables=tables)


def _field(prepared: PreparedBelts | None, context: EvaluationContext, number: int) -> Field:
    """Relative wind in one direction."""
    if prepared is None:
        return np.ones(context.grid.shape, np.float32)
    direction, sector = context.directions_deg[number], context.sector_deg[number]
    return one_direction(prepared, context.grid, float(direction), float(sector))[0]


def _field_with(
    before: Field, changed: ChangedGround, context: EvaluationContext, number: int
) -> Field:
    """The same with a set, calculated where it can differ from the wind before."""
    grid, found = context.grid, before.copy()
    direction, sector = float(context.directions_deg[number]), float(context.sector_deg[number])
    towards_deg = direction + ray_offsets(sector, context.options.spread_deg)
    steps = np.array([downwind(float(d)) for d in towards_deg])
    windows = changed.windows(steps, grid)
    belts = changed.belts_on(windows, steps)
    parts: list[Field] = [np.ones((1, *window.shape), np.float32) for window in windows]
    if belts is not None:
        parts = mean_over_rays(belts, windows, towards_deg)
    for window, part in zip(windows, parts, strict=True):
        row, col = window.row0 - grid.row0, window.col0 - grid.col0
        found[row : row + window.shape[0], col : col + window.shape[1]] = part[0]
    return found


def _corners(context: EvaluationContext) -> StockCorners | None:
    if context.places is None or context.covered is None:
        return None
    return StockCorners(context.places, context.covered, context.grid, 2)


def _sheltered_m2(context: EvaluationContext, fields: Sequence[Field]) -> Array:
    """Well sheltered ground of each place in one wind direction, (places, 2), m²."""
    covered = context.covered
    assert covered is not None
    sums = [
        np.bincount(
            covered.owner,
            covered.share * (field.ravel()[covered.cell] <= WELL_SHELTERED),
            len(covered.first) - 1,
        )
        for field in fields
    ]
    found: Array = np.stack(sums, axis=1).astype(float) * context.grid.cell_m**2
    return found


def _summed(
    context: EvaluationContext,
    frame: gpd.GeoDataFrame,
    rows: Sequence[int],
    lost: Array,
    fields: Field,
    corners: StockCorners | None,
    sheltered_m2: Array,
) -> FullEvaluation:
    """Wind reduction on each cell, summed by purpose and beneficiary."""
    number = {name: i for i, name in enumerate(context.holdings)}
    planting = {
        number.get(str(h), NO_HOLDING - 1) for h in frame.iloc[list(rows)].get("holding_id", [])
    }
    area = context.grid.cell_area_ha
    by_purpose = area * np.array([(priority * lost).sum() for priority in context.priority])
    by_cell = context.priority.sum(axis=0) * lost * area
    own = np.isin(context.owner, sorted(planting))
    public = context.owner == PUBLIC
    return FullEvaluation(
        benefit_ha=float(by_cell.sum()),
        by_purpose=by_purpose,
        own_benefit_ha=float(by_cell[own].sum()),
        neighbours_benefit_ha=float(by_cell[~own & ~public].sum()),
        public_benefit_ha=float(by_cell[public].sum()),
        relative_wind=fields[0],
        relative_wind_with_belts=fields[1],
        places=_places(context, lost, fields, corners),
        sheltered_m2=sheltered_m2,
    )


def _places(
    context: EvaluationContext, lost: Array, fields: Field, corners: StockCorners | None
) -> pd.DataFrame:
    if context.places is None or context.covered is None or corners is None:
        return pd.DataFrame()
    covered, count = context.covered, len(context.places)
    inside = covered.share * lost.ravel()[covered.cell]
    priority = context.places["priority"].to_numpy(dtype=float) * context.grid.cell_area_ha
    share = np.full((count, 2), np.nan)
    for place, by_case in corners.share.items():
        share[place] = by_case
    return pd.DataFrame(
        {
            "relative_wind": means(fields[0], covered),
            "relative_wind_with_belts": means(fields[1], covered),
            "benefit_ha": priority * np.bincount(covered.owner, inside, count),
            "corner_time_share": share[:, 0],
            "corner_time_share_with": share[:, 1],
        }
    )
