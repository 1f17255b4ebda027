"""The choice of `siting`: what each candidate brings, the best set, and how sure it is."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.process.stages import Progress
from shelterscape.processes.siting.lines import Lines
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.net import net_cost_of
from shelterscape.processes.siting.spec import minor_units
from shelterscape.science.belts import Case
from shelterscape.science.growth import belts_at
from shelterscape.science.places import coverage
from shelterscape.science.site_wind import where_modelled
from shelterscape.science.siting.benefit import Benefits, benefits
from shelterscape.science.siting.budgets import Cap, Limits, Phase
from shelterscape.science.siting.choice import Choice, choose
from shelterscape.science.siting.exact import Exact, exact
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import SelectionShares, selection_runs
from shelterscape.science.siting.setting import Setting, need_of, owners_of, setting_of
from shelterscape.science.terrain.validity import NOT_MODELLED

Field = NDArray[np.float32]

SLIGHT = 0.05
"""Lines that bring less a metre than this share of the best are not chosen (E), unless params
for."""

NOTHING_M2 = 0.5
"""Nor are lines that bring less than this much full shelter a metre, m2 of the ground most in need
(E): a belt shelters some hundred times that."""


@dataclass(frozen=True)
class Decision:
    """What was found.

    Parameters
    ----------
    setting : Setting
        Of the case lines were compared in.
    own : Benefits
        Of each candidate by itself.
    choice : Choice
    planted : GeoDataFrame
        Candidates with the year in which those chosen are planted or mended.
    exact : dict of Case to Exact
        The set in place, by case.
    chosen_share : (n,) float64
        Share of Monte Carlo runs each was chosen in; NaN for those that took no part.
    notices : list of Notice
    """

    setting: Setting
    own: Benefits
    choice: Choice
    planted: gpd.GeoDataFrame
    exact: dict[Case, Exact]
    chosen_share: NDArray[np.float64]
    notices: list[Notice]


def decide(data: SitingData, lines: Lines) -> Generator[Progress, None, Decision]:
    """Compare the candidates in one case, choose, and evaluate the choice in full in every case."""
    frame, params = lines.candidates, data.params
    local_heights = data.settled.local_heights
    yield Progress(0.1, "terrain wind")
    terrain_wind, notices = _terrain_wind(data)
    need = _need(data)
    setting = _setting(data, data.case, need, terrain_wind)
    yield Progress(0.15, f"benefit of each of {len(frame)} candidates")
    grown = belts_at(frame, data.case, local_heights=local_heights)
    ground = Ground(setting, frame, frame=grown)
    own = benefits(ground, frame)
    yield Progress(0.3, "choosing")
    must = named(frame, params.must_have, "must_have")
    forbidden = named(frame, params.forbidden, "forbidden")
    slight = slight_lines(frame, own, float(setting.need.max()))
    left_out = [*forbidden, *frame["candidate"][slight & ~frame["candidate"].isin(must)]]
    limits, net_cost = _limits(data, frame), None
    if data.grants is not None:
        net_cost, more = net_cost_of(data.grants, frame, params.planting_year)
        notices += more
    choice = choose(
        ground,
        frame,
        limits,
        own=own.gains,
        taken_away=own.taken_away,
        net_cost=net_cost,
        stop_if_asked=data.check_stop,
        must=must,
        forbidden=left_out,
    )
    del ground
    planted = _in_their_year(frame, choice, params.planting_year)
    found: dict[Case, Exact] = {}
    for i, case in enumerate(data.cases):
        yield Progress(0.45 + 0.2 * i / len(data.cases), f"chosen belts in place, {case.label}")
        here = setting if case == data.case else _setting(data, case, need, terrain_wind)
        then = belts_at(planted, case, local_heights=local_heights)
        found[case] = exact(here, then, choice.rows, stop_if_asked=data.check_stop)
    share = np.full(len(frame), np.nan)
    if params.reruns:
        runs = selection_runs(
            setting,
            frame,
            own,
            limits,
            frame=grown,
            always=choice.rows,
            runs=params.reruns,
            seed=params.seed,
            must=must,
            forbidden=left_out,
            net_cost=net_cost,
        )
        share = yield from _with_progress(runs, params.reruns)
    return Decision(setting, own, choice, planted, found, share, notices)


def _with_progress(
    runs: Generator[int, None, SelectionShares], count: int
) -> Generator[Progress, None, NDArray[np.float64]]:
    """Share of runs in which each candidate is chosen, reporting every run."""
    while True:
        try:
            done = next(runs)
        except StopIteration as end:
            shares: SelectionShares = end.value
            return shares.chosen_share
        yield Progress(0.65 + 0.35 * done / count, f"Monte Carlo run {done} of {count}")


def _terrain_wind(data: SitingData) -> tuple[dict[str, Field], list[Notice]]:
    """By season, terrain wind relative to flat, open terrain in each direction of its wind set.

    (directions, rows, cols); 1 where it is not modelled. Empty where the terrain does not count.
    """
    found: dict[int, Field] = {}
    notices = []
    for winds in data.terrain_wind.values():
        if id(winds) in found:
            continue
        each = (wind for _, wind in winds)
        found[id(winds)], lost = where_modelled(each, len(winds.directions), data.grid.shape)
        lost_ha = float(lost[np.isfinite(data.elevation)].sum()) * data.grid.cell_area_ha
        if lost_ha:
            text = (
                f"terrain wind not modelled on {lost_ha:,.1f} ha (mean over the wind directions; "
                f"{NOT_MODELLED}); there each wind counts as over flat, open terrain"
            )
            notices.append(Notice("not-modelled", text))
    return {season: found[id(winds)] for season, winds in data.terrain_wind.items()}, notices


def slight_lines(frame: gpd.GeoDataFrame, own: Benefits, most_need: float) -> NDArray[np.bool_]:
    """Lines that bring so little a metre that nobody would plant them to use a budget up.

    Parameters
    ----------
    frame : GeoDataFrame
    own : Benefits
    most_need : float
        Of any ground, as places tell it.
    """
    length = frame["length_m"].to_numpy(dtype=float)
    per_metre = own.total / np.maximum(length, 1e-9)
    least = max(SLIGHT * per_metre.max(initial=0.0), NOTHING_M2 / 1e4 * most_need)
    slight: NDArray[np.bool_] = per_metre < least
    return slight


def _need(data: SitingData) -> dict[str, Field]:
    """Need of each cell by purpose; without places, of all parcels or all ground alike."""
    grid = data.grid
    if data.places is not None:
        need = need_of(data.places, coverage(data.places, grid), grid)
    elif data.parcels is not None:
        fields = data.parcels.assign(purpose="", need=1.0)
        need = need_of(fields, coverage(fields, grid), grid)
    else:
        need = {"": np.ones(grid.shape, np.float32)}
    known = np.isfinite(data.elevation)
    return {name: np.where(known, field, np.float32(0)) for name, field in need.items()}


def _setting(
    data: SitingData, case: Case, need: dict[str, Field], terrain_wind: dict[str, Field]
) -> Setting:
    areas = data.holdings if data.holdings is not None else data.parcels
    owner: NDArray[np.int32] | None = None
    holdings: tuple[str, ...] = ()
    if areas is not None and (known := areas["holding_id"] != "").any():
        owner, holdings = owners_of(areas[known], data.grid)
    return setting_of(
        data.grid,
        case,
        data.settled.winds[case.season],
        data.belts,
        need,
        how=data.settled.how,
        power=data.settled.power,
        convergence_deg=data.convergence_deg,
        owner=owner,
        holdings=holdings,
        places=data.places,
        local_heights=data.settled.local_heights,
        open_wind=terrain_wind.get(case.season),
    )


def named(frame: gpd.GeoDataFrame, names: Sequence[str], column: str) -> list[str]:
    """Candidates params for or ruled out; a line that fell apart is named by all its parts."""
    marked = frame[column].astype(bool) | frame["part"].isin(names)
    known = {*frame["candidate"], *frame["part"]}
    # A name nobody bears is passed on, so that it is refused where names are checked.
    unknown = [name for name in names if name not in known]
    return [*frame["candidate"][marked | frame["candidate"].isin(names)], *unknown]


def _limits(data: SitingData, frame: gpd.GeoDataFrame) -> Limits:
    params = data.params
    metres, money = params.budget_m, minor_units(params.budget_net or params.budget)
    cap = Cap(params.holding_budget_m, minor_units(params.holding_budget))
    capped = cap.metres is not None or cap.money_minor is not None
    holdings = {str(h): cap for h in sorted(set(frame["holding_id"]) - {""})} if capped else {}
    years = range(params.planting_year, params.planting_year + params.phases)
    phases = tuple(
        Phase(
            year,
            None if metres is None else metres / params.phases,
            None if money is None else money // params.phases,
        )
        for year in years
    )
    return Limits(metres, money, holdings, phases if params.phases > 1 else ())


def _in_their_year(frame: gpd.GeoDataFrame, choice: Choice, planting_year: int) -> gpd.GeoDataFrame:
    """Candidates with the year in which those chosen are planted or mended."""
    later = np.zeros(len(frame), dtype=np.int64)
    later[choice.rows] = choice.phase
    planted = frame["planted_year"]
    moved = pd.Series(later, index=frame.index, dtype="Int64")
    return frame.assign(
        planted_year=planted.where(planted != planting_year, planted + moved),
        closing_from=frame["closing_from"] + moved,
    )
