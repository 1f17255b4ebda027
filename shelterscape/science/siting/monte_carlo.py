"""Selection shares: how often each candidate is chosen when uncertain inputs are drawn again."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.science.growth import belts_at
from shelterscape.science.siting.benefit import Benefits
from shelterscape.science.siting.choice import choose_quickly
from shelterscape.science.siting.limits import Limits, NetCost, Purse
from shelterscape.science.siting.sampled_cells import DrawnCells, SampledCells
from shelterscape.science.siting.setting import Setting

Array = NDArray[np.float64]

RUNS = 200
BEST = 300
"""Runs, and how many of the best candidates take part in them."""

CURVES_DRAWN = ("barrier", "field", "handbook")
"""The three curves that are no mean of others; each is drawn as often."""


@dataclass(frozen=True)
class InputUncertainty:
    """How far what goes in may be off: standard deviations, all engineering choices (E).

    Parameters
    ----------
    frequency : float
        Of the natural logarithm of each direction's weight: about how much its share of the wind
        differs between stretches of years.
    swing : float
        Of the natural logarithm of the wind's swing about a direction.
    height, each_height : float
        Of the natural logarithm of heights: shared by all new belts of a run, whose growth is
        foretold together, and of each belt, standing ones too.
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
    """What came of the runs.

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


def selection_shares(
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
    progress: Callable[[int], None] = lambda done: None,
) -> SelectionShares:
    """Choose again and again under inputs drawn within what they may be off.

    Parameters
    ----------
    setting : Setting
    candidates : GeoDataFrame
        As for `choice.choose`.
    own : Benefits
        As `benefit.benefits` gives it; those with most for what they take of the budget take part.
    limits : Limits
    frame : GeoDataFrame, optional
        The candidates as they stand in the case, as `growth.belts_at` tells when not given.
    always : sequence of int
        Rows that take part whatever they bring: the choice whose sureness is asked for.
    must, forbidden, net_cost
        As for `choice.choose`; `net_cost` is given rows of `candidates`.
    runs, best : int
    uncertainty : InputUncertainty, optional
    seed : int
        The same seed and inputs give the same shares.
    progress : callable
        Given how many runs are done, after each; raises to stop.

    Returns
    -------
    SelectionShares

    Notes
    -----
    Each run chooses one by one, without changing lines for one another afterwards; what mending
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
    cells = SampledCells(setting, stands, seed=seed)
    counts, curves = np.zeros(len(part)), []
    benefit = np.zeros(runs)
    for run in range(runs if len(part) else 0):
        # A stream of its own for each run, so that fewer runs are the first of more.
        rng = np.random.default_rng([seed, run])
        drawn, varied = _drawn(setting, stands, uncertainty or InputUncertainty(), rng)
        wind = cells.ray_weights(drawn.weights, drawn.how.spread_deg)
        ground = DrawnCells(cells, drawn.belts, varied, drawn.how, wind)
        taken_away = own.taken_away[part]
        rows, benefit[run] = choose_quickly(
            ground, few, limits, must=must, net_cost=hook, taken_away=taken_away
        )
        counts[rows] += 1
        curves.append(drawn.how.curve)
        progress(run + 1)
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
    shares = Purse(candidates, limits).shares()
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
