"""Selection shares: how often each candidate is chosen when uncertain inputs are drawn again."""

from __future__ import annotations

import functools
from collections.abc import Collection, Generator, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.ray_cells import (
    gains_in_cells,
    look_up,
    plant_in_cells,
    raise_beside_ends,
)
from shelterscape.kernels.shelter_curves import REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.science.belt_profiles import ProfileTables, belt_profile, share_at_height
from shelterscape.science.belts import HARD_TYPES
from shelterscape.science.growth import belts_at
from shelterscape.science.scene import END_FULL_EXTENT_H, END_RISE, How
from shelterscape.science.siting import sampled_cells
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.budgets import BudgetTracker, Limits, NetCost
from shelterscape.science.siting.choice import choose_quickly
from shelterscape.science.siting.sampled_cells import Chains, SampledCells
from shelterscape.science.siting.setting import Setting

Array = NDArray[np.float64]
Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

RUNS = 200
BEST = 300
"""Runs, and how many of the best candidates take part in them."""

CURVES_DRAWN = ("barrier", "field", "handbook")
"""The three curves that are no mean of others; each is drawn as often."""


POROSITY_STEP, SHARE_STEP = 0.02, 0.05
"""Steps to which porosity, and width and height shares, are rounded in Monte Carlo runs: far less
than they are drawn apart, so that runs share their curve tables."""

MOST_CURVES = 4000
"""Curve tables kept between runs, about 55 MB."""


TABLE = (REACH_WINDWARD_H / TABLE_STEP_H, TABLE_STEP_H)
"""Where curve tables have their origin, and their spacing."""


@dataclass(frozen=True)
class InputUncertainty:
    """Uncertainty of the inputs: standard deviations, all assumed values (E).

    Parameters
    ----------
    frequency : float
        Of the natural logarithm of each direction's weight: about how much its share of the wind
        differs between stretches of years.
    swing : float
        Of the natural logarithm of the wind's swing about a direction.
    height, each_height : float
        Of the natural logarithm of heights: shared by all new belts of a run, whose growth is
        predicted together, and of each belt, existing ones too.
    porosity, each_porosity : float
        The same of porosity, added.
    """

    frequency: float = 0.20
    swing: float = 0.20
    height: float = 0.15
    each_height: float = 0.10
    porosity: float = 0.07
    each_porosity: float = 0.05


@dataclass(frozen=True)
class SelectionShares:
    """Results of the runs.

    Parameters
    ----------
    chosen_share : (n,) float64
        Share of the runs in which each candidate was chosen; NaN for those that took no part.
    benefit_ha : (runs,) float64
        Benefit of the set chosen in each run, by the plain rule.
    curve : list of str
        Curve drawn in each.
    """

    chosen_share: Array
    benefit_ha: Array
    curve: list[str]


def selection_runs(
    setting: Setting,
    candidates: gpd.GeoDataFrame,
    own: Benefits,
    limits: Limits,
    *,
    frame: gpd.GeoDataFrame | None = None,
    always: Sequence[int] = (),
    must: Collection[str] = (),
    forbidden: Collection[str] = (),
    net_cost: NetCost | None = None,
    runs: int = RUNS,
    best: int = BEST,
    uncertainty: InputUncertainty | None = None,
    seed: int = 1,
) -> Generator[int, None, SelectionShares]:
    """Choose again and again under inputs drawn within their uncertainty.

    Parameters
    ----------
    setting : Setting
    candidates : GeoDataFrame
        As for `choice.choose`.
    own : Benefits
        As `benefit.benefits` returns it; those with most for their share of the budget take part.
    limits : Limits
    frame : GeoDataFrame, optional
        The candidates in the case; as `growth.belts_at` returns them when not given.
    always : sequence of int
        Rows that take part in every case: the choice whose robustness is examined.
    must, forbidden, net_cost
        As for `choice.choose`; `net_cost` is given rows of `candidates`.
    runs, best : int
    uncertainty : InputUncertainty, optional
    seed : int
        The same seed and inputs give the same shares.

    Yields
    ------
    int
        How many runs are done.

    Returns
    -------
    SelectionShares

    Notes
    -----
    Each run chooses one by one, without changing lines for one another afterwards; what restoration
    takes away is not drawn again. Runs keep the geometry of `sampled_cells`: rays stay where they
    are and are weighted for the drawn spread of direction, and existing belts act together where
    they do at their expected heights.
    """
    part = _taking_part(candidates, own, limits, {*must}, {*forbidden}, best, always)
    few = candidates.iloc[part].reset_index(drop=True)
    if frame is None:
        frame = belts_at(candidates, setting.case) if len(candidates) else candidates
    stands = frame.iloc[part].reset_index(drop=True)
    hook = None if net_cost is None else functools.cache(_on_part(net_cost, part))
    cells, bank = SampledCells(setting, stands, seed=seed), CurveBank()
    counts, curves = np.zeros(len(part)), []
    benefit = np.zeros(runs)
    for run in range(runs if len(part) else 0):
        # A stream of its own for each run, so that fewer runs are the first of more.
        rng = np.random.default_rng([seed, run])
        drawn, varied = _drawn(setting, stands, uncertainty or InputUncertainty(), rng)
        wind = cells.ray_weights(drawn.weights, drawn.how.spread_deg)
        ground = DrawnCells(cells, bank, drawn.belts, varied, drawn.how, wind)
        taken_away = own.taken_away[part]
        rows, benefit[run] = choose_quickly(
            ground, few, limits, must=must, net_cost=hook, taken_away=taken_away
        )
        counts[rows] += 1
        curves.append(drawn.how.curve)
        yield run + 1
    share = np.full(len(candidates), np.nan)
    share[part] = counts / max(runs, 1)
    return SelectionShares(share, benefit, curves)


def _taking_part(
    candidates: gpd.GeoDataFrame,
    own: Benefits,
    limits: Limits,
    must: set[str],
    forbidden: set[str],
    best: int,
    always: Sequence[int],
) -> NDArray[np.int64]:
    """Rows of the best candidates, in the order of their names."""
    names = candidates["candidate"].astype(str).to_numpy()
    shares = BudgetTracker(candidates, limits).shares()
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = np.where(own.total > 0, own.total / shares, 0.0)
    order = np.lexsort((names, -worth))
    found = {int(row) for row in order[:best] if worth[row] > 0}
    found |= {int(row) for row in always}
    found |= {int(row) for row in np.flatnonzero(np.isin(names, sorted(must)))}
    found -= {int(row) for row in np.flatnonzero(np.isin(names, sorted(forbidden)))}
    return np.array(sorted(found, key=lambda row: names[row]), dtype=np.int64)


def _on_part(net_cost: NetCost, part: NDArray[np.int64]) -> NetCost:
    return lambda rows: net_cost(frozenset(int(part[row]) for row in rows))


def _drawn(
    setting: Setting,
    stands: gpd.GeoDataFrame,
    uncertainty: InputUncertainty,
    rng: np.random.Generator,
) -> tuple[Setting, gpd.GeoDataFrame]:
    """A setting and candidates as they may well be."""
    weights = setting.weights * np.exp(rng.normal(0.0, uncertainty.frequency, len(setting.weights)))
    spread = setting.how.spread_deg * float(np.exp(rng.normal(0.0, uncertainty.swing)))
    curve = CURVES_DRAWN[int(rng.integers(len(CURVES_DRAWN)))]
    grown = float(np.exp(rng.normal(0.0, uncertainty.height)))
    opened = float(rng.normal(0.0, uncertainty.porosity))
    drawn = replace(
        setting,
        weights=weights / weights.sum(),
        how=replace(setting.how, curve=curve, spread_deg=spread),
        belts=_varied(setting.belts, 1.0, 0.0, uncertainty, rng),
    )
    return drawn, _varied(stands, grown, opened, uncertainty, rng)


def _varied(
    belts: gpd.GeoDataFrame,
    grown: float,
    opened: float,
    uncertainty: InputUncertainty,
    rng: np.random.Generator,
) -> gpd.GeoDataFrame:
    """Belts with heights and porosities of a run."""
    if not len(belts):
        return belts
    height = grown * np.exp(rng.normal(0.0, uncertainty.each_height, len(belts)))
    more = opened + rng.normal(0.0, uncertainty.each_porosity, len(belts))
    changed = {
        name: np.clip(belts[name].to_numpy(dtype=float) + more, 0.0, 1.0)
        for name in ("porosity", "porosity_low")
    }
    return belts.assign(height_m=belts["height_m"].to_numpy(dtype=float) * height, **changed)


def work_bytes(cells: int, directions: int) -> float:
    """Memory that `selection_runs` takes besides its `Setting`, bytes.

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
    """
    return 14e3 * MOST_CURVES + sampled_cells.work_bytes(cells, directions)


class CurveBank:
    """Curve tables shared by Monte Carlo runs, made when first met."""

    def __init__(self) -> None:
        self._tables = ProfileTables(1)
        self._count = 0

    def rows(self, belts: gpd.GeoDataFrame, how: How, more: Sequence[tuple[float, ...]]) -> Numbers:
        """Numbers of the curve tables of belts, then of more figures.

        Parameters
        ----------
        belts : GeoDataFrame
        how : How
        more : sequence of tuple
            Porosity, that of the lower half, width and height in m, and 1 for a wall or fence.

        Returns
        -------
        (belts + more,) int64
        """
        if self._count > MOST_CURVES:
            self._tables, self._count = ProfileTables(1), 0
        columns = ["porosity", "porosity_low", "width_m", "height_m"]
        figures = belts[columns].to_numpy(dtype=float).reshape(len(belts), 4)
        others = np.array(more, dtype=float).reshape(len(more), 5)
        figures = np.vstack([figures, others[:, :4]])
        hard = [*belts["belt_type"].isin(HARD_TYPES), *(others[:, 4] > 0)]
        height = np.maximum(figures[:, 3], 1e-9)
        porosity = np.round(figures[:, :2] / POROSITY_STEP) * POROSITY_STEP
        shade = np.round(share_at_height(height, how.at_height_m) / SHARE_STEP) * SHARE_STEP
        width = np.round((1.0 - np.exp(-0.5 * figures[:, 2] / height)) / SHARE_STEP) * SHARE_STEP
        width_h = -2.0 * np.log(np.maximum(1.0 - width, 1e-3))
        found = np.empty(len(figures), np.int64)
        rows = np.column_stack([porosity, width_h, shade])
        for i, row in enumerate(rows):
            curve = "barrier" if hard[i] else how.curve
            found[i] = self._tables.index(belt_profile(row[:1], row[1:2], row[2], row[3], curve))
        self._count = max(self._count, int(found.max(initial=0)))
        return found

    def tables(self) -> Field:
        """Relative wind of all met so far."""
        tables: Field = self._tables.tables()[0]
        return tables


class DrawnCells:
    """Cells under one draw of heights, porosities, curve and winds; candidates come and go.

    It answers `gains`, `plant` and `put_back` as `ground.Ground` does.

    Parameters
    ----------
    cells : SampledCells
    bank : CurveBank
    belts, candidates : GeoDataFrame
        As they were given, with drawn heights and porosities.
    how : How
        With the drawn curve.
    ray_weights : (rays,) float64
        As `SampledCells.ray_weights` returns them.
    """

    def __init__(
        self,
        cells: SampledCells,
        bank: CurveBank,
        belts: gpd.GeoDataFrame,
        candidates: gpd.GeoDataFrame,
        how: How,
        ray_weights: Array,
    ) -> None:
        self._cells, self._bank = cells, bank
        self.planted: list[int] = []
        self._saved: list[Field] = []
        weight = ray_weights[:, None] * cells.need
        if len(cells.windy):
            weight = weight * cells.windy[cells.direction]
        self._weight = weight.ravel()
        self._wind = self._standing(belts, how)
        self._lowered = np.ones(len(cells.pair), np.float32)
        look = bank.rows(candidates, how, [])
        height = candidates["height_m"].to_numpy(dtype=float) / cells.setting.grid.cell_m
        lines = (cells.slot, *cells.lines[1:])
        look_up(*lines, height, look, bank.tables(), *TABLE, False, self._lowered)

    def _standing(self, belts: gpd.GeoDataFrame, how: How) -> Field:
        """Relative wind beside existing belts alone, by pair."""
        cells, bank, cell_m = self._cells, self._bank, self._cells.setting.grid.cell_m
        wind = np.ones(len(self._weight), np.float32)
        if not len(belts):
            return wind
        chains = _chain_figures(belts, cells.chains)
        look = bank.rows(belts, how, chains)
        height = np.append(belts["height_m"].to_numpy(dtype=float), [c[3] for c in chains])
        tables = bank.tables()
        product = how.combine == "product"
        look_up(*cells.existing, height / cell_m, look, tables, *TABLE, product, wind)
        low, alone = belts["porosity_low"].to_numpy(dtype=float), height[: len(belts)]
        shade = share_at_height(np.maximum(alone, 1e-9), how.at_height_m)
        rise = END_RISE * (1.0 - low) * shade
        raise_beside_ends(*cells.ends, alone / cell_m, rise, END_FULL_EXTENT_H, wind)
        return wind

    def gains(self, which: Sequence[int] | Numbers) -> Array:
        """What each of some candidates alone would add to what is planted now.

        Parameters
        ----------
        which : (w,) int
            Rows of candidates.

        Returns
        -------
        (w,) float64
            ha eq.
        """
        numbers, out = np.asarray(which, dtype=np.int64), np.zeros(len(which))
        known = (self._cells.first, self._cells.pair, self._lowered)
        gains_in_cells(numbers, *known, self._wind, self._weight, out)
        return out

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
        first, last = self._cells.first[one : one + 2]
        known = (self._cells.pair, self._lowered, self._wind, self._weight)
        added, before = plant_in_cells(first, last, *known)
        self._saved.append(before)
        self.planted.append(one)
        return float(added)

    def put_back(self) -> int:
        """Take off the candidate added last; returns it."""
        one = self.planted.pop()
        first, last = self._cells.first[one : one + 2]
        self._wind[self._cells.pair[first:last]] = self._saved.pop()
        return one


def _chain_figures(belts: gpd.GeoDataFrame, chains: Chains) -> list[tuple[float, ...]]:
    """Porosity, that of the lower half, width and height of chains, as `scene` joins them (E)."""
    if not len(chains.members):
        return []
    there = chains.members >= 0

    hard = belts["belt_type"].isin(HARD_TYPES).to_numpy()[chains.members]

    def _of(column: str, without: float) -> Array:
        return np.where(there, belts[column].to_numpy(dtype=float)[chains.members], without)

    return list(
        zip(
            _of("porosity", 1.0).prod(axis=1),
            _of("porosity_low", 1.0).prod(axis=1),
            _of("width_m", 0.0).sum(axis=1) + chains.gap_m,
            _of("height_m", 0.0).max(axis=1),
            (hard | ~there).all(axis=1),
            strict=True,
        )
    )
