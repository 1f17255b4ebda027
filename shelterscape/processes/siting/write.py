"""Layers, rasters and tables of `siting`."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.process import Layer
from shelterscape.process.run import Run
from shelterscape.processes.siting.decide import Decision, named
from shelterscape.processes.siting.lines import Lines
from shelterscape.processes.siting.outputs import LAND, OUTPUTS
from shelterscape.processes.siting.read import Given
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


def write(given: Given, lines: Lines, found: Decision, run: Run) -> gpd.GeoDataFrame:
    """Write everything but pictures; returns the belts chosen."""
    told = _told(given, lines, found)
    run.layer("candidates", told[[*_COLUMNS["candidates"], "geometry"]])
    chosen = _chosen(told, found, given.asked.planting_year)
    run.layer("chosen_belts", chosen[[*_COLUMNS["chosen_belts"], "geometry"]])
    if given.places is not None:
        run.layer("places_with_belts", _places(given, found))
    _rasters(given, found, run)
    run.table("benefit_curve", _curve(found))
    run.table("benefit_by_case", _by_case(found))
    run.table("constraints", lines.constraints)
    run.table("cuts", lines.cuts)
    run.table("belt_bearings", _bearings(given))
    run.table("belt_growth", _growth(given, lines, found))
    return chosen


def _told(given: Given, lines: Lines, found: Decision) -> gpd.GeoDataFrame:
    """Candidates with all that is known of them."""
    frame, own, choice = lines.candidates, found.own, found.choice
    names = given.belts["name"].to_numpy(dtype=object)
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
        places=_served(given, found, len(frame)),
        winds=_worked(given, found),
        constraints=_against(frame, lines.constraints),
        reason=_reasons(given, frame, found),
    )


def _served(given: Given, found: Decision, count: int) -> list[str]:
    """Places each candidate brings most to."""
    words: list[list[str]] = [[] for _ in range(count)]
    if given.places is None:
        return [""] * count
    names = given.places["name"].to_numpy(dtype=object)
    columns = ("row", "place", "benefit_ha")
    served = (found.own.by_place[column].to_numpy() for column in columns)
    for row, place, benefit in zip(*served, strict=True):
        if len(words[int(row)]) < MOST_NAMED:
            name = names[int(place)] or f"place {int(place) + 1}"
            words[int(row)].append(f"{name} {benefit:.2f} ha")
    return ["; ".join(each) for each in words]


def _worked(given: Given, found: Decision) -> list[str]:
    """Winds in which each candidate brings most, from true north."""
    by_wind = found.own.by_direction
    share = by_wind / np.maximum(by_wind.sum(axis=1, keepdims=True), 1e-12)
    order = np.argsort(-share, axis=1, kind="stable")[:, :MOST_NAMED]
    names = [f"{d:g}°" for d in given.winds.direction_deg]
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


def _reasons(given: Given, frame: gpd.GeoDataFrame, found: Decision) -> NDArray[np.object_]:
    """Why each candidate is chosen or not; slight lines were kept out of the choice too."""
    ruled_out = frame["candidate"].isin(named(frame, given.asked.forbidden, "forbidden"))
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


def _places(given: Given, found: Decision) -> gpd.GeoDataFrame:
    """Places through the cases, without and with the belts chosen."""
    places = given.places
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


def _rasters(given: Given, found: Decision, run: Run) -> None:
    missing = ~np.isfinite(given.elevation)
    bands = [case.label for case in found.exact]
    with (
        run.raster("relative_wind_with", given.grid, bands) as wind,
        run.raster("shelter_gain", given.grid, bands) as gain,
    ):
        for i, exact in enumerate(found.exact.values(), start=1):
            there = np.where(missing, np.float32(np.nan), exact.relative_wind_with)
            wind.write(i, there)
            gain.write(i, np.where(missing, np.float32(np.nan), exact.relative_wind - there))


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


def _growth(given: Given, lines: Lines, found: Decision) -> pd.DataFrame:
    """Belts chosen and mended through the years, each counted from its own year of planting."""
    wanted = (lines.candidates["action"] != PLANT).to_numpy(copy=True)
    wanted[found.choice.rows] = True
    shown = found.planted[wanted]
    begun = given.asked.planting_year
    years = sorted({begun + n for n in GROWTH_YEARS} | {y for y in given.settled.years if y})
    frames = []
    for case in (Case(season, year) for year in years for season in given.settled.seasons):
        grown = belts_at(shown, case, local_heights=given.settled.local_heights)
        # Work of a later phase has not begun: what stands then is the old belt, or nothing.
        there = grown[(grown["closing_from"] <= case.year).to_numpy(dtype=bool)]
        frames.append(
            there[["candidate", "action", "height_m", "porosity"]].assign(
                season=case.season_label, year=case.year
            )
        )
    told = pd.concat(frames, ignore_index=True)
    return pd.DataFrame(told).sort_values(["candidate", "year", "season"], ignore_index=True)


def _bearings(given: Given) -> pd.DataFrame:
    """Losses beside the best bearing, from true north."""
    turns = np.array(sorted(given.bearing.loss))
    true_deg = (given.bearing.bearing_deg + given.convergence_deg + turns) % 180.0
    lost = [given.bearing.loss[int(turn)] for turn in turns]
    return pd.DataFrame({"turned_deg": turns, "bearing_deg": true_deg, "lost": lost})
