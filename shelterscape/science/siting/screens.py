"""Temporary screens: nets or fences on posts that shelter until the belt behind them is tall."""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.science.siting.candidates import SCREENED
from shelterscape.science.siting.designs import cost_minor

SCREEN_HEIGHT_M = 1.8
"""Height of a screen, metres (assumed; usual are 1.5 to 2 m)."""

SCREEN_POROSITY = 0.5
"""Optical porosity of a screen in all seasons, 0 to 1 (assumed)."""

SCREEN_YEARS = 10
"""Years until a screen is moved (assumed; 8 to 12 are usual)."""


class Screen(NamedTuple):
    """A temporary screen along a new belt.

    Parameters
    ----------
    height_m : float
        m.
    porosity : float
        Optical porosity, 0 to 1.
    years : int
        Years from planting until it is moved.
    cost_per_m : Decimal or None
        Currency units per metre; None where it has no price.
    """

    height_m: float = SCREEN_HEIGHT_M
    porosity: float = SCREEN_POROSITY
    years: int = SCREEN_YEARS
    cost_per_m: Decimal | None = None

    def note(self) -> str:
        """What a candidate with this screen assumes, as a flag.

        Returns
        -------
        str
        """
        priced = "" if self.cost_per_m is not None else ", not priced"
        return (
            f"temporary screen {self.height_m:g} m high of porosity {self.porosity:g} (assumed"
            f"{priced}): its benefit counts in the first {self.years} years, then that of the belt "
            "alone"
        )


def screened_lines(kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Lines of new belts again, with a temporary screen.

    Parameters
    ----------
    kept : GeoDataFrame
        As `exclusion.exclude` returns lines.

    Returns
    -------
    GeoDataFrame
        With T before the name of each; none of them is required.
    """
    names = "T" + kept["candidate"].astype(str)
    return kept.assign(candidate=names, part=names, candidate_type=SCREENED, must_have=False)


def with_screens(belts: gpd.GeoDataFrame, screen: Screen) -> gpd.GeoDataFrame:
    """Belts of which those with a temporary screen have its properties and its cost.

    Parameters
    ----------
    belts : GeoDataFrame
        As `candidates.with_design` returns them.
    screen : Screen

    Returns
    -------
    GeoDataFrame
        With ``screen_years``, ``screen_height_m`` and ``screen_porosity``, which
        `temporary_screen.behind_screen` reads; 0 years for belts without a screen.
    """
    screened = (belts["candidate_type"] == SCREENED).to_numpy()
    rate = screen.cost_per_m or Decimal(0)
    more = np.array([cost_minor(length, rate) for length in belts["length_m"]], dtype=np.int64)
    return belts.assign(
        cost_minor=belts["cost_minor"] + np.where(screened, more, 0),
        screen_years=np.where(screened, screen.years, 0),
        screen_height_m=screen.height_m,
        screen_porosity=screen.porosity,
    )


def same_line_pairs(candidates: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Rows of belts with a screen and of the same belts without it, the smaller one first.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``candidate`` and ``candidate_type``.

    Returns
    -------
    (p, 2) int64
    """
    row_of = pd.Series(np.arange(len(candidates)), index=candidates["candidate"].astype(str))
    screened = np.flatnonzero((candidates["candidate_type"] == SCREENED).to_numpy())
    names = candidates["candidate"].astype(str).iloc[screened].str.removeprefix("T")
    plain = row_of.reindex(names).to_numpy(dtype=float, na_value=-1.0).astype(np.int64)
    pairs: NDArray[np.int64] = np.column_stack([screened, plain])[plain >= 0].astype(np.int64)
    return np.sort(pairs, axis=1)
