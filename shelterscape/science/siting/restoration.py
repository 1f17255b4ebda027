"""Restoration of existing belts: gapping up, laying, coppicing, underplanting and thinning.

A restored belt replaces the existing one; filled gaps are added to it. The columns of
`candidates.CLOSING_COLUMNS` describe how its density changes over the years.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.science.belts import BARE_LOW, HARD_TYPES, ROW_SPECIES, SPECIES_SHARES
from shelterscape.science.growth import YOUNG_UP_TO_M, species_names
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.siting.candidates import (
    BELT_COLUMNS,
    CLOSING_COLUMNS,
    GAP_UP,
    ID_LETTERS,
    RESTORATION,
)
from shelterscape.science.siting.designs import Designs, Restoration, cost_minor
from shelterscape.science.siting.exclusion import LEAST_PART_M, ExclusionZone, exclude, openings

HEDGES = ("hedge", "bank with hedge")
"""Belt types for which laying and coppicing are possible."""

DENSER_BY = 0.05
"""Restoration that reduces porosity by less than this is not proposed (assumed)."""

OPEN_BELOW = 0.50
"""A belt is open below where the porosity of its lower half is above this (assumed)."""

LOWEST_CUT_M = 2.0
"""Least height of a hedge for laying or coppicing, m (assumed)."""


def restoration_options(
    belts: gpd.GeoDataFrame,
    designs: Designs,
    design: BeltDesign,
    planted_year: int,
    wanted_porosity: tuple[float, float],
    season: str,
    exclusion_zones: Sequence[ExclusionZone] = (),
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Possible restorations of existing belts, as candidates.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them; walls, fences and polygons such as woods get no
        restoration.
    designs : Designs
    design : BeltDesign
        Design whose species fills gaps in belts of unknown species.
    planted_year : int
        Year of the work.
    wanted_porosity : tuple of float
        Porosity to aim for in `season`, low to high; denser belts may be thinned.
    season : {"in-leaf", "bare"}
    exclusion_zones : sequence of ExclusionZone
        Ground on which no gap may be filled, apart from the belts themselves.

    Returns
    -------
    candidates : GeoDataFrame
        Columns as `candidates.with_design` returns them. ``restores_belt`` is the row of the belt
        each replaces, empty for filled gaps; at most one restoration of a belt can be chosen.
    exclusions : DataFrame
        Length excluded from gaps, as `exclusion.exclude` returns it.

    Notes
    -----
    All values are assumed. Laying is possible for hedges up to a height limit, coppicing for taller
    ones; the porosity they reach is that of the file of designs. A belt open below in the season
    can be underplanted with evergreens, so that its lower half closes over the years. Until then
    the least closed part sets the density of all of it: the benefit is rather late than early. A
    belt denser than `wanted_porosity` can be thinned to its lower limit.
    """
    rows = []
    for number, belt in enumerate(belts.itertuples(index=False)):
        if belt.belt_type in HARD_TYPES or shapely.get_dimensions(belt.geometry) != 1:
            continue
        found = [
            _gap_up(belt, designs.restoration.get(GAP_UP), design),
            _cut_back(belt, designs.restoration),
            _underplant(belt, designs.restoration.get("underplant"), season),
            _thin(belt, designs.restoration.get("thin"), wanted_porosity[0], season),
        ]
        rows += [{"restores_belt": number} | row for row in found if row]
    frame = _as_candidates(rows, planted_year, belts.crs)
    gaps = (frame["action"] == GAP_UP).to_numpy()
    filled, exclusions = exclude(frame[gaps], exclusion_zones, shortest_m=LEAST_PART_M)
    kept = pd.concat([frame[~gaps], filled], ignore_index=True).sort_values("candidate")
    length = kept.geometry.length
    cost = [cost_minor(m, c) for m, c in zip(length, kept["cost_per_m"], strict=True)]
    return kept.drop(columns="cost_per_m").assign(
        length_m=length.astype(float), cost_minor=pd.Series(cost, index=kept.index, dtype="int64")
    ).reset_index(drop=True), exclusions


def _as_candidates(rows: list[dict[str, Any]], year: int, crs: object) -> gpd.GeoDataFrame:
    columns = ["restores_belt", "action", "cost_per_m", "regrows", *BELT_COLUMNS, *CLOSING_COLUMNS]
    frame = gpd.GeoDataFrame(pd.DataFrame(rows, columns=[*columns, "geometry"]), crs=crs)
    start = pd.array([year] * len(frame), "Int64")
    regrows = frame["regrows"].astype(bool).to_numpy()
    planted = frame["planted_year"].astype("Int64").mask(regrows, year)
    return frame.drop(columns="regrows").assign(
        candidate=[f"{ID_LETTERS[RESTORATION]}{n:04d}" for n in range(1, len(frame) + 1)],
        candidate_type=RESTORATION,
        restores_belt=frame["restores_belt"].astype("Int64").mask(frame["action"] == GAP_UP),
        design="",
        must_have=False,
        forbidden=False,
        **{BARE_LOW: np.nan, ROW_SPECIES: "", SPECIES_SHARES: ""},
        part=[f"{ID_LETTERS[RESTORATION]}{n:04d}" for n in range(1, len(frame) + 1)],
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


def _row(belt: Any, restoration: Restoration, **changes: Any) -> dict[str, Any]:
    """A belt changed by one restoration; at full density from the start unless stated otherwise."""
    kept = {column: getattr(belt, column) for column in BELT_COLUMNS}
    usual = {"geometry": belt.geometry, "first_density": 1.0, "regrows": False}
    of_action = {
        "action": restoration.action,
        "cost_per_m": restoration.cost_per_m,
        "closing_years": restoration.closing_years,
    }
    return kept | usual | of_action | changes


def _gap_up(
    belt: Any, restoration: Restoration | None, design: BeltDesign
) -> dict[str, Any] | None:
    """Gaps of a belt planted up; gateways stay open."""
    if restoration is None:
        return None
    low, high = restoration.figures["shortest_gap_m"], restoration.figures["longest_gap_m"]
    gaps = [gap for gap in openings(belt.geometry) if low <= shapely.length(gap) <= high]
    if not gaps:
        return None
    known = {name.casefold() for name in species_names()}
    given = belt.species if str(belt.species).casefold() in known else design.species
    return _row(
        belt,
        restoration,
        geometry=shapely.MultiLineString(gaps),
        species=given,
        height_m=np.nan,
        porosity_low=belt.porosity,
        bare_stem_m=0.0,
        first_density=0.0,
        regrows=True,
    )


def _cut_back(belt: Any, restorations: dict[str, Restoration]) -> dict[str, Any] | None:
    """A hedge laid or, where too tall for laying, coppiced."""
    if belt.belt_type not in HEDGES or not belt.height_m >= LOWEST_CUT_M:
        return None
    fitting = [
        restorations[action]
        for action in ("lay", "coppice")
        if action in restorations and belt.height_m <= restorations[action].figures["tallest_m"]
    ]
    if not fitting:
        return None
    restoration, figures = fitting[0], fitting[0].figures
    # Evergreens keep their leaves.
    bare = figures["bare_porosity"] if belt.bare_porosity > belt.porosity else figures["porosity"]
    if min(belt.porosity_low - figures["porosity"], belt.bare_porosity - bare) < DENSER_BY:
        return None
    return _row(
        belt,
        restoration,
        height_m=figures["height_m"],
        porosity=figures["porosity"],
        bare_porosity=bare,
        porosity_low=figures["porosity"],
        bare_stem_m=0.0,
        first_density=1.0 if restoration.closing_years == 0 else 0.0,
        regrows=True,
    )


def _underplant(belt: Any, restoration: Restoration | None, season: str) -> dict[str, Any] | None:
    """Shade-tolerant evergreens planted under a belt that is open below in the season."""
    if restoration is None or belt.belt_type in HEDGES or not belt.height_m >= YOUNG_UP_TO_M:
        return None
    leafy_share = 1.0 - np.clip(2.0 * belt.bare_stem_m / belt.height_m, 0.0, 1.0)
    leaf = (1.0 - belt.porosity_low) * leafy_share
    # As in `belts.with_height_and_porosity`: both halves lose leaves in proportion.
    bare = leaf * (1.0 - belt.bare_porosity) / max(1.0 - belt.porosity, 1e-9)
    low_then = restoration.figures["porosity_low"]
    gains = [max(1.0 - density - low_then, 0.0) for density in (leaf, bare)]
    low_now = 1.0 - (bare if season == "bare" else leaf)
    if not (low_now > OPEN_BELOW and low_now - low_then >= DENSER_BY):
        return None
    # The whole belt gains half of what its lower half gains.
    mean = max(belt.porosity - gains[0] / 2.0, 0.0)
    mean_bare = max(belt.bare_porosity - gains[1] / 2.0, mean)
    now = (leaf, 1.0 - belt.porosity, 1.0 - belt.bare_porosity)
    then = (1.0 - low_then, 1.0 - mean, 1.0 - mean_bare)
    return _row(
        belt,
        restoration,
        porosity=mean,
        bare_porosity=mean_bare,
        porosity_low=min(low_then, 1.0 - leaf),
        bare_stem_m=0.0,
        first_density=float(min(a / b for a, b in zip(now, then, strict=True))),
    )


def _thin(
    belt: Any, restoration: Restoration | None, least_wanted: float, season: str
) -> dict[str, Any] | None:
    """A belt denser than wanted in the season, thinned to the lower limit."""
    now = belt.bare_porosity if season == "bare" else belt.porosity
    if restoration is None or least_wanted - now < DENSER_BY or not belt.height_m >= YOUNG_UP_TO_M:
        return None
    more = (1.0 - least_wanted) / (1.0 - now)
    opened = {
        column: 1.0 - (1.0 - getattr(belt, column)) * more
        for column in ("porosity", "bare_porosity", "porosity_low")
    }
    return _row(belt, restoration, **opened)
