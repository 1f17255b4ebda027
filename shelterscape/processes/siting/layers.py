"""Layers and tables of `siting`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.process import Layer
from shelterscape.process.stages import Results
from shelterscape.processes.siting.decide import Decision, named
from shelterscape.processes.siting.lines import Lines
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import LAND, OUTPUTS
from shelterscape.science.belts import Case
from shelterscape.science.growth import belts_at
from shelterscape.science.places import purpose_of
from shelterscape.science.siting.benefit import table
from shelterscape.science.siting.candidates import PLANT, land_of
from shelterscape.science.siting.choice import RULED_OUT
from shelterscape.science.siting.planner_layers import EFFECTS

_COLUMNS = {output.name: output.columns for output in OUTPUTS if isinstance(output, Layer)}

GROWTH_YEARS = (0, 5, 10, 20)
"""Years after the work in which heights and porosities are told."""

MOST_NAMED = 3
"""Places and winds named beside a line."""

LEAST_SHARE = 0.10
"""Share of its benefit a wind must bring to be named (E)."""

SLIGHT = "brings next to nothing"


@dataclass(frozen=True, kw_only=True)
class SitingResults(Results):
    """What `summarise` needs besides layers and tables.

    Parameters
    ----------
    data : SitingData
    lines : Lines
    decision : Decision
    """

    data: SitingData
    lines: Lines
    decision: Decision


def results_of(
    data: SitingData, lines: Lines, found: Decision, notices: Sequence[Notice]
) -> SitingResults:
    """All layers and tables."""
    told = _told(data, lines, found)
    chosen = _chosen(told, found, data.params.planting_year)
    layers = {
        "candidates": told[[*_COLUMNS["candidates"], "geometry"]],
        "chosen_belts": chosen[[*_COLUMNS["chosen_belts"], "geometry"]],
    }
    if data.places is not None:
        layers["places_with_belts"] = _places(data, found)
    return SitingResults(
        layers=layers,
        tables={
            "benefit_curve": _curve(found),
            "benefit_by_case": _by_case(found),
            "constraints": lines.constraints,
            "cuts": lines.cuts,
            "belt_bearings": _bearings(data),
            "belt_growth": _growth(data, lines, found),
        },
        notices=notices,
        data=data,
        lines=lines,
        decision=found,
    )


def _told(data: SitingData, lines: Lines, found: Decision) -> gpd.GeoDataFrame:
    """Candidates with all that is known of them."""
    frame, own, choice = lines.candidates, found.own, found.choice
    names = data.belts["name"].to_numpy(dtype=object)
    mends = frame["mends"].to_numpy(dtype=float, na_value=np.nan)
    mended = [names[int(m)] or f"belt {int(m) + 1}" if m == m else "" for m in mends]
    order = pd.array([pd.NA] * len(frame), "Int64")
    order[np.array(choice.rows, dtype=np.int64)] = np.arange(1, len(choice.rows) + 1)
    asked = np.where(frame["must_have"], "asked for", np.where(frame["forbidden"], RULED_OUT, ""))
    figures = table(frame, own).drop(columns="candidate")
    land = land_of(
        frame["length_m"].to_numpy(dtype=float),
        frame["width_m"].to_numpy(dtype=float),
        frame["height_20_m"].to_numpy(dtype=float),
        (frame["action"] == PLANT).to_numpy(),
    )
    return frame.drop(columns="mends").assign(
        **dict(zip(LAND, land, strict=True)),
        **{str(column): figures[column].to_numpy() for column in figures},
        mends=mended,
        asked=asked,
        order=order,
        chosen_share=found.chosen_share,
        places=_served(data, found, len(frame)),
        winds=_worked(data, found),
        constraints=_against(frame, lines.constraints),
        reason=_reasons(data, frame, found),
    )


def _served(data: SitingData, found: Decision, count: int) -> list[str]:
    """Places each candidate brings most to."""
    words: list[list[str]] = [[] for _ in range(count)]
    if data.places is None:
        return [""] * count
    names = data.places["name"].to_numpy(dtype=object)
    columns = ("row", "place", "benefit_ha")
    served = (found.own.by_place[column].to_numpy() for column in columns)
    for row, place, benefit in zip(*served, strict=True):
        if len(words[int(row)]) < MOST_NAMED:
            name = names[int(place)] or f"place {int(place) + 1}"
            words[int(row)].append(f"{name} {benefit:.2f} ha")
    return ["; ".join(each) for each in words]


def _worked(data: SitingData, found: Decision) -> list[str]:
    """Winds in which each candidate brings most, from true north."""
    by_wind = found.own.by_direction
    share = by_wind / np.maximum(by_wind.sum(axis=1, keepdims=True), 1e-12)
    order = np.argsort(-share, axis=1, kind="stable")[:, :MOST_NAMED]
    names = [f"{d:g}°" for d in data.winds.direction_deg]
    return [
        "; ".join(f"{names[k]} {share[i, k]:.0%}" for k in row if share[i, k] >= LEAST_SHARE)
        for i, row in enumerate(order)
    ]


def _against(frame: gpd.GeoDataFrame, told: pd.DataFrame) -> list[str]:
    """What stands against each candidate in a few words, hardest first."""
    rows = told[told["candidate"] != ""][["candidate", "effect", "constraint"]].drop_duplicates()
    rank = {effect: n for n, effect in enumerate(EFFECTS)}
    rows = rows.assign(rank=rows["effect"].map(rank)).sort_values(["candidate", "rank"])
    words = (rows["effect"] + ": " + rows["constraint"]).groupby(rows["candidate"]).agg("; ".join)
    return list(words.reindex(frame["candidate"]).fillna(""))


def _reasons(data: SitingData, frame: gpd.GeoDataFrame, found: Decision) -> NDArray[np.object_]:
    """Why each candidate is chosen or not; slight lines were kept out of the choice too."""
    ruled_out = frame["candidate"].isin(named(frame, data.params.forbidden, "forbidden"))
    reason = found.choice.reason.copy()
    reason[(reason == RULED_OUT) & ~ruled_out.to_numpy()] = SLIGHT
    return reason


def _chosen(told: gpd.GeoDataFrame, found: Decision, planting_year: int) -> gpd.GeoDataFrame:
    """The belts chosen, in their order."""
    choice = found.choice
    chosen = told.iloc[choice.rows].reset_index(drop=True)
    adds = np.asarray(choice.adds_ha, dtype=float)
    return chosen.assign(
        year=planting_year + np.asarray(choice.phase, dtype=np.int64),
        adds_ha=adds,
        so_far_ha=np.cumsum(adds),
        so_far_m=chosen["length_m"].cumsum(),
        so_far_minor=chosen["cost_minor"].cumsum(),
    )


def _places(data: SitingData, found: Decision) -> gpd.GeoDataFrame:
    """Places through the cases, without and with the belts chosen."""
    places = data.places
    assert places is not None
    purposes = [purpose_of(name) for name in places["purpose"]]
    frames = []
    for case, exact in found.exact.items():
        wind = exact.places
        frames.append(
            places.assign(
                season=case.season_label,
                year=case.year,
                wind_without=wind["relative_wind"].to_numpy(),
                relative_wind=wind["relative_wind_with"].to_numpy(),
                target=[p.target if p else np.nan for p in purposes],
                benefit_ha=wind["benefit_ha"].to_numpy(),
                corner_without=wind["corner_share"].to_numpy(),
                corner_share=wind["corner_share_with"].to_numpy(),
            )
        )
    frame = pd.concat(frames, ignore_index=True)
    return frame.assign(head=frame["head"].astype("Int64"), year=frame["year"].astype("Int64"))


def _curve(found: Decision) -> pd.DataFrame:
    curve = found.choice.curve.rename(columns={"lines": "belts", "metres": "length_m"})
    money = ["cost_minor", "net_cost_minor"]
    return curve.assign(**{name: curve[name].round().astype("int64") for name in money})


def _by_case(found: Decision) -> pd.DataFrame:
    rows = [
        {
            "season": case.season_label,
            "year": case.year,
            "benefit_ha": exact.benefit_ha,
            "own_ha": exact.own_ha,
            "neighbours_ha": exact.neighbours_ha,
            "public_ha": exact.public_ha,
        }
        for case, exact in found.exact.items()
    ]
    return pd.DataFrame(rows)


def _growth(data: SitingData, lines: Lines, found: Decision) -> pd.DataFrame:
    """Belts chosen and mended through the years, each counted from its own year of planting."""
    wanted = (lines.candidates["action"] != PLANT).to_numpy(copy=True)
    wanted[found.choice.rows] = True
    shown = found.planted[wanted]
    begun = data.params.planting_year
    years = sorted({begun + n for n in GROWTH_YEARS} | {y for y in data.settled.years if y})
    frames = []
    for case in (Case(season, year) for year in years for season in data.settled.seasons):
        grown = belts_at(shown, case, local_heights=data.settled.local_heights)
        # Work of a later phase has not begun: what stands then is the old belt, or nothing.
        there = grown[(grown["closing_from"] <= case.year).to_numpy(dtype=bool)]
        frames.append(
            there[["candidate", "action", "height_m", "porosity"]].assign(
                season=case.season_label, year=case.year
            )
        )
    told = pd.concat(frames, ignore_index=True)
    return pd.DataFrame(told).sort_values(["candidate", "year", "season"], ignore_index=True)


def _bearings(data: SitingData) -> pd.DataFrame:
    """Losses beside the best bearing, from true north."""
    turns = np.array(sorted(data.bearing.loss))
    true_deg = (data.bearing.bearing_deg + data.convergence_deg + turns) % 180.0
    lost = [data.bearing.loss[int(turn)] for turn in turns]
    return pd.DataFrame({"turned_deg": turns, "bearing_deg": true_deg, "lost": lost})
