"""Restoration of existing belts: gaps filled, hedges laid or coppiced, underplanting, thinning.

A restored belt takes the place of the old one; only filled gaps are beside it. How dense and tall
each becomes with the years is given by the columns of `candidates.CLOSING_COLUMNS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.science.belts import HARD_TYPES
from shelterscape.science.growth import YOUNG_UP_TO_M, species_names
from shelterscape.science.siting.candidates import (
    BELT_COLUMNS,
    CLOSING_COLUMNS,
    GAP_UP,
    LETTERS,
    MENDING,
)
from shelterscape.science.siting.cutting import LEAST_PART_M, Cutter, cut, openings
from shelterscape.science.siting.designs import Design, Designs, Restoration, cost_minor

HEDGES = ("hedge", "bank with hedge")
"""Kinds of belt that are laid or coppiced."""

DENSER_BY = 0.05
"""Restoration that closes a belt by less than this share of sky is not worth offering (E)."""

OPEN_BELOW = 0.50
"""A belt whose lower half shows more sky than this is open below (E)."""

TALLEST_GIVEN_M = 2.0
"""A belt lower than this is no candidate for cutting: there is nothing to lay (E)."""


def restoration_options(
    belts: gpd.GeoDataFrame,
    book: Designs,
    design: Design,
    planted_year: int,
    wanted: tuple[float, float],
    season: str,
    cutters: Sequence[Cutter] = (),
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Ways to restore existing belts, as candidates.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them; walls, fences and areas such as woods are left
        alone.
    book : Designs
    design : Design
        What fills gaps in belts whose species is not known here.
    planted_year : int
        Year in which the work is done.
    wanted : tuple of float
        Porosity wanted in `season`, low to high: belts closer than that may be thinned.
    season : {"in-leaf", "bare"}
    cutters : sequence of Cutter
        Ground that excludes filling of gaps, apart from the belts themselves.

    Returns
    -------
    candidates : GeoDataFrame
        Columns as `candidates.with_design` returns them. ``mends`` is the row of the belt each
        replaces: of those that share it, one at most can be done. It is empty for gaps filled.
    cuts : DataFrame
        What gaps lost, as `cutting.cut` returns it.

    Notes
    -----
    All assumed values: a hedge is laid up to a height, coppiced when taller; both close it
    to the figures of the book. A belt open below in the season is underplanted with evergreens:
    its lower half closes over the years, and until then all of it counts as open as the part that
    gains most, so that benefit comes rather too late than too early. A belt denser than wanted is
    thinned to what is wanted.
    """
    rows = []
    for number, belt in enumerate(belts.itertuples(index=False)):
        if belt.belt_type in HARD_TYPES or shapely.get_dimensions(belt.geometry) != 1:
            continue
        found = [
            _gap_up(belt, book.mending.get(GAP_UP), design),
            _cut_back(belt, book.mending),
            _underplant(belt, book.mending.get("underplant"), season),
            _thin(belt, book.mending.get("thin"), wanted[0], season),
        ]
        rows += [{"mends": number} | row for row in found if row]
    frame = _framed(rows, planted_year, belts.crs)
    gaps = (frame["action"] == GAP_UP).to_numpy()
    filled, cuts = cut(frame[gaps], cutters, shortest_m=LEAST_PART_M)
    kept = pd.concat([frame[~gaps], filled], ignore_index=True).sort_values("candidate")
    length = kept.geometry.length
    cost = [cost_minor(m, c) for m, c in zip(length, kept["cost_per_m"], strict=True)]
    return kept.drop(columns="cost_per_m").assign(
        length_m=length.astype(float), cost_minor=pd.Series(cost, index=kept.index, dtype="int64")
    ).reset_index(drop=True), cuts


def _framed(rows: list[dict[str, Any]], year: int, crs: object) -> gpd.GeoDataFrame:
    columns = ["mends", "action", "cost_per_m", "regrows", *BELT_COLUMNS, *CLOSING_COLUMNS]
    frame = gpd.GeoDataFrame(pd.DataFrame(rows, columns=[*columns, "geometry"]), crs=crs)
    start = pd.array([year] * len(frame), "Int64")
    regrows = frame["regrows"].astype(bool).to_numpy()
    planted = frame["planted_year"].astype("Int64").mask(regrows, year)
    return frame.drop(columns="regrows").assign(
        candidate=[f"{LETTERS[MENDING]}{n:04d}" for n in range(1, len(frame) + 1)],
        kind=MENDING,
        mends=frame["mends"].astype("Int64").mask(frame["action"] == GAP_UP),
        design="",
        must_have=False,
        forbidden=False,
        part=[f"{LETTERS[MENDING]}{n:04d}" for n in range(1, len(frame) + 1)],
        planted_year=planted,
        closing_from=start,
        **{
            column: frame[column].astype(float)
            for column in (
                "height_m",
                "porosity",
                "bare_porosity",
                "width_m",
                "porosity_low",
                "bare_stem_m",
                "closing_years",
                "first_density",
            )
        },
    )


def _row(belt: Any, way: Restoration, **changes: Any) -> dict[str, Any]:
    """A belt with changes made by one way of restoration; dense from the start unless stated."""
    kept = {column: getattr(belt, column) for column in BELT_COLUMNS}
    usual = {"geometry": belt.geometry, "first_density": 1.0, "regrows": False}
    way_of = {
        "action": way.action,
        "cost_per_m": way.cost_per_m,
        "closing_years": way.closing_years,
    }
    return kept | usual | way_of | changes


def _gap_up(belt: Any, way: Restoration | None, design: Design) -> dict[str, Any] | None:
    """New plants in the gaps of a belt, gateways left open."""
    if way is None:
        return None
    low, high = way.figures["shortest_gap_m"], way.figures["longest_gap_m"]
    gaps = [gap for gap in openings(belt.geometry) if low <= shapely.length(gap) <= high]
    if not gaps:
        return None
    known = {name.casefold() for name in species_names()}
    given = belt.species if str(belt.species).casefold() in known else design.species
    return _row(
        belt,
        way,
        geometry=shapely.MultiLineString(gaps),
        species=given,
        height_m=np.nan,
        porosity_low=belt.porosity,
        bare_stem_m=0.0,
        first_density=0.0,
        regrows=True,
    )


def _cut_back(belt: Any, ways: dict[str, Restoration]) -> dict[str, Any] | None:
    """A hedge laid while low enough, coppiced when it has grown too tall for that."""
    if belt.belt_type not in HEDGES or not belt.height_m >= TALLEST_GIVEN_M:
        return None
    fitting = [
        ways[action]
        for action in ("lay", "coppice")
        if action in ways and belt.height_m <= ways[action].figures["tallest_m"]
    ]
    if not fitting:
        return None
    way, figures = fitting[0], fitting[0].figures
    # An evergreen keeps its leaves, laid or not.
    bare = figures["bare_porosity"] if belt.bare_porosity > belt.porosity else figures["porosity"]
    if min(belt.porosity_low - figures["porosity"], belt.bare_porosity - bare) < DENSER_BY:
        return None
    return _row(
        belt,
        way,
        height_m=figures["height_m"],
        porosity=figures["porosity"],
        bare_porosity=bare,
        porosity_low=figures["porosity"],
        bare_stem_m=0.0,
        first_density=1.0 if way.closing_years == 0 else 0.0,
        regrows=True,
    )


def _underplant(belt: Any, way: Restoration | None, season: str) -> dict[str, Any] | None:
    """Shade-bearing evergreens under a belt that is open below in the season."""
    if way is None or belt.belt_type in HEDGES or not belt.height_m >= YOUNG_UP_TO_M:
        return None
    clothed = 1.0 - np.clip(2.0 * belt.bare_stem_m / belt.height_m, 0.0, 1.0)
    leaf = (1.0 - belt.porosity_low) * clothed
    # As `belts.standing` has it: the lower half loses its leaves in proportion to the whole.
    bare = leaf * (1.0 - belt.bare_porosity) / max(1.0 - belt.porosity, 1e-9)
    low_then = way.figures["porosity_low"]
    gains = [max(1.0 - density - low_then, 0.0) for density in (leaf, bare)]
    low_now = 1.0 - (bare if season == "bare" else leaf)
    if not (low_now > OPEN_BELOW and low_now - low_then >= DENSER_BY):
        return None
    # The whole gains half of what its lower half does.
    mean = max(belt.porosity - gains[0] / 2.0, 0.0)
    mean_bare = max(belt.bare_porosity - gains[1] / 2.0, mean)
    now = (leaf, 1.0 - belt.porosity, 1.0 - belt.bare_porosity)
    then = (1.0 - low_then, 1.0 - mean, 1.0 - mean_bare)
    return _row(
        belt,
        way,
        porosity=mean,
        bare_porosity=mean_bare,
        porosity_low=min(low_then, 1.0 - leaf),
        bare_stem_m=0.0,
        first_density=float(min(a / b for a, b in zip(now, then, strict=True))),
    )


def _thin(
    belt: Any, way: Restoration | None, wanted_low: float, season: str
) -> dict[str, Any] | None:
    """A belt closer than wanted, opened to what is wanted in the season."""
    now = belt.bare_porosity if season == "bare" else belt.porosity
    if way is None or wanted_low - now < DENSER_BY or not belt.height_m >= YOUNG_UP_TO_M:
        return None
    more = (1.0 - wanted_low) / (1.0 - now)
    opened = {
        column: 1.0 - (1.0 - getattr(belt, column)) * more
        for column in ("porosity", "bare_porosity", "porosity_low")
    }
    return _row(belt, way, **opened)
