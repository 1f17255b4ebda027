"""The choice of `siting`: what each candidate brings, the best set, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.process.run import Run
from shelterscape.processes.siting.inputs import minor_units
from shelterscape.processes.siting.lines import Lines
from shelterscape.processes.siting.net import net_cost_of
from shelterscape.processes.siting.read import Given
from shelterscape.science.belts import Case
from shelterscape.science.growth import belts_at
from shelterscape.science.places import coverage
from shelterscape.science.siting.benefit import Benefits, benefits
from shelterscape.science.siting.budgets import Cap, Limits, Phase
from shelterscape.science.siting.choice import Choice, choose
from shelterscape.science.siting.exact import Exact, exact
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import selection_shares
from shelterscape.science.siting.setting import Setting, need_of, owners_of, setting_of

Field = NDArray[np.float32]

SLIGHT = 0.05
"""Lines that bring less a metre than this share of the best are not chosen (E), unless asked
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
        Share of reruns each was chosen in; NaN for those that took no part.
    """

    setting: Setting
    own: Benefits
    choice: Choice
    planted: gpd.GeoDataFrame
    exact: dict[Case, Exact]
    chosen_share: NDArray[np.float64]


def decide(given: Given, lines: Lines, run: Run) -> Decision:
    """Compare the candidates in one case, choose, and work the choice out in full in every case."""
    frame, asked = lines.candidates, given.asked
    need = _need(given)
    setting = _setting(given, given.case, need)
    run.progress(0.2, f"what each of {len(frame)} candidates brings")
    grown = belts_at(frame, given.case, local_heights=given.settled.local_heights)
    ground = Ground(setting, frame, frame=grown)
    own = benefits(ground, frame)
    run.progress(0.35, "choosing")
    must = named(frame, asked.must_have, "must_have")
    forbidden = named(frame, asked.forbidden, "forbidden")
    slight = slight_lines(frame, own, float(setting.need.max()))
    left_out = [*forbidden, *frame["candidate"][slight & ~frame["candidate"].isin(must)]]
    limits = _limits(given, frame)
    net_cost = None
    if given.grants is not None:
        net_cost = net_cost_of(given.grants, frame, asked.planting_year, run)
    choice = choose(
        ground,
        frame,
        limits,
        own=own.gains,
        taken_away=own.taken_away,
        net_cost=net_cost,
        stop_if_asked=run.stop_if_asked,
        must=must,
        forbidden=left_out,
    )
    del ground
    planted = _in_their_year(frame, choice, asked.planting_year)
    found: dict[Case, Exact] = {}
    for i, case in enumerate(given.cases):
        run.progress(0.5 + 0.15 * i / len(given.cases), f"the set in place, {case.label}")
        here = setting if case == given.case else _setting(given, case, need)
        then = belts_at(planted, case, local_heights=given.settled.local_heights)
        found[case] = exact(here, then, choice.rows, stop_if_asked=run.stop_if_asked)
    share = np.full(len(frame), np.nan)
    if asked.reruns:
        share = selection_shares(
            setting,
            frame,
            own,
            limits,
            frame=grown,
            always=choice.rows,
            runs=asked.reruns,
            seed=asked.seed,
            progress=lambda done: run.progress(
                0.65 + 0.25 * done / asked.reruns, f"rerun {done} of {asked.reruns}"
            ),
            must=must,
            forbidden=left_out,
            net_cost=net_cost,
        ).chosen_share
    return Decision(setting, own, choice, planted, found, share)


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


def _need(given: Given) -> dict[str, Field]:
    """Need of each cell by purpose; without places, of all parcels or all ground alike."""
    grid = given.grid
    if given.places is not None:
        need = need_of(given.places, coverage(given.places, grid), grid)
    elif given.parcels is not None:
        fields = given.parcels.assign(purpose="", need=1.0)
        need = need_of(fields, coverage(fields, grid), grid)
    else:
        need = {"": np.ones(grid.shape, np.float32)}
    known = np.isfinite(given.elevation)
    return {name: np.where(known, field, np.float32(0)) for name, field in need.items()}


def _setting(given: Given, case: Case, need: dict[str, Field]) -> Setting:
    areas = given.holdings if given.holdings is not None else given.parcels
    owner: NDArray[np.int32] | None = None
    holdings: tuple[str, ...] = ()
    if areas is not None and (known := areas["holding_id"] != "").any():
        owner, holdings = owners_of(areas[known], given.grid)
    return setting_of(
        given.grid,
        case,
        given.settled.winds[case.season],
        given.belts,
        need,
        how=given.settled.how,
        power=given.settled.power,
        convergence_deg=given.convergence_deg,
        owner=owner,
        holdings=holdings,
        places=given.places,
        local_heights=given.settled.local_heights,
        open_wind=given.open_wind.get(case.season),
    )


def named(frame: gpd.GeoDataFrame, names: Sequence[str], column: str) -> list[str]:
    """Candidates asked for or ruled out; a line that fell apart is named by all its parts."""
    marked = frame[column].astype(bool) | frame["part"].isin(names)
    known = {*frame["candidate"], *frame["part"]}
    # A name nobody bears is passed on, so that it is refused where names are checked.
    unknown = [name for name in names if name not in known]
    return [*frame["candidate"][marked | frame["candidate"].isin(names)], *unknown]


def _limits(given: Given, frame: gpd.GeoDataFrame) -> Limits:
    asked = given.asked
    metres, money = asked.budget_m, minor_units(asked.budget_net or asked.budget)
    cap = Cap(asked.holding_budget_m, minor_units(asked.holding_budget))
    capped = cap.metres is not None or cap.money_minor is not None
    holdings = {str(h): cap for h in sorted(set(frame["holding_id"]) - {""})} if capped else {}
    years = range(asked.planting_year, asked.planting_year + asked.phases)
    phases = tuple(
        Phase(
            year,
            None if metres is None else metres / asked.phases,
            None if money is None else money // asked.phases,
        )
        for year in years
    )
    return Limits(metres, money, holdings, phases if asked.phases > 1 else ())


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


def tell(given: Given, lines: Lines, found: Decision, run: Run) -> None:
    """What was found, in sentences."""
    choice, frame = found.choice, lines.candidates
    here = found.exact[given.case]
    new_m = frame["length_m"][frame["action"] == "plant"].sum()
    run.finding(
        f"{len(frame):,} candidates; of {lines.offered_m / 1000:,.1f} km of lines offered "
        f"{new_m / 1000:,.1f} km could be planted"
    )
    best = given.bearing
    true_deg = (best.bearing_deg + given.convergence_deg) % 180.0
    run.finding(
        f"belts that run {true_deg:.0f}°–{true_deg + 180:.0f}° catch most of the wind; turned by "
        f"30° they lose {min(best.loss[30], best.loss[-30]):.0%} to "
        f"{max(best.loss[30], best.loss[-30]):.0%}"
    )
    gross = int(frame["cost_minor"].iloc[choice.rows].sum())
    paid = f" less {(gross - choice.net_cost_minor) / 100:,.2f} of grant" if given.grants else ""
    run.finding(
        f"{len(choice.rows)} belts chosen, {choice.metres:,.0f} m for "
        f"{gross / 100:,.2f}{paid}: {here.benefit_ha:,.1f} sheltered hectares, "
        f"{given.case.label}; by the plain rule {choice.benefit_ha:,.1f}, and no set more than "
        f"{choice.bound_ha:,.1f}"
    )
    _tell_asked(frame, given, choice, run)
    flagged = frame.iloc[choice.rows]
    flagged = flagged[flagged["flags"] != ""]
    if len(flagged):
        told = "; ".join(f"{row.candidate} {row.flags}" for row in flagged.itertuples())
        run.notice(Notice("belts-flagged", f"belts chosen to look at: {told}", len(flagged)))


def _tell_asked(frame: gpd.GeoDataFrame, given: Given, choice: Choice, run: Run) -> None:
    """Lines asked for that nothing is left of must not go unsaid."""
    lines = given.lines
    if lines is None or "drawn" not in given.asked.offer:
        return
    ids = np.array([f"G{n:04d}" for n in range(1, len(lines) + 1)])
    gone = lines["must_have"].to_numpy() & ~np.isin(ids, frame["part"])
    if gone.any():
        text = f"lines asked for but cut away whole: {', '.join(ids[gone])}; see the table of cuts"
        run.notice(Notice("lines-lost", text, int(gone.sum())))
