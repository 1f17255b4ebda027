"""Contents of a form for the survey of belts: a comparison chart, and places to measure."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import wrapped
from shelterscape.science.belt_pictures import leafy_belt, twiggy_belt
from shelterscape.science.survey_table import READ_COLUMNS
from shelterscape.science.wind_tables import POINTS

PERCENTAGES = tuple(range(10, 100, 10))
"""Porosities of the patches of the comparison chart, %."""

PATCH_PIXELS = 220
"""Pixels along each side of a patch."""

_LONGEST_TWIG = 100
"""Pixels below a patch in which twigs begin that reach it."""

_NEAR, _MOST_TRIES = 0.01, 5
"""Difference of a patch from the wanted share at which edges of twigs make up for it."""

MOST_PLACES = 14
"""Most places of one belt: lines of the form."""


def porosity_patch(percent: int, *, leaves: bool) -> NDArray[np.bool_]:
    """A patch in black and white with a known share of white.

    Parameters
    ----------
    percent : int
        Share of white, %.
    leaves : bool
        Drawn as leaves, otherwise as bare twigs.

    Returns
    -------
    (PATCH_PIXELS, PATCH_PIXELS) bool
        True is white, to the pixel as often as wanted; every call returns the same patch.
    """
    share = _leafy(percent) if leaves else _twiggy(percent)
    # Black and white prints alike everywhere; of grey, printers make more ink than its share. The
    # pixels with most sky are white; among equal ones at edges, chance decides.
    chance = np.random.default_rng(percent).random(share.size)
    order = np.lexsort((chance, -share.ravel()))
    white = np.zeros(share.size, dtype=bool)
    white[order[: round(share.size * percent / 100)]] = True
    return white.reshape(share.shape)


def _leafy(percent: int) -> NDArray[np.float32]:
    return leafy_belt((PATCH_PIXELS, PATCH_PIXELS), percent / 100, percent)


def _twiggy(percent: int) -> NDArray[np.float32]:
    """Share of sky of a patch of twigs: the part of a picture below which twigs begin too."""
    shape, wanted = (PATCH_PIXELS + _LONGEST_TWIG, PATCH_PIXELS), percent / 100
    drawn = wanted
    for _ in range(_MOST_TRIES):
        share = twiggy_belt(shape, drawn, percent, twig_pixels=2.0)[:PATCH_PIXELS]
        missing = wanted - float(share.mean())
        if abs(missing) < _NEAR:
            break
        drawn += missing
    return share


def start_point(outline: shapely.Geometry, convergence_deg: float) -> str:
    """Compass point of the start of a line, seen from its end.

    Parameters
    ----------
    outline : Geometry
    convergence_deg : float
        Of grid north, degrees.

    Returns
    -------
    str
        One of 16 points in capitals; empty for areas, closed lines and several lines.
    """
    merged = shapely.line_merge(outline)
    if merged.geom_type != "LineString" or merged.is_closed:
        return ""
    east, north = np.subtract(merged.coords[0][:2], merged.coords[-1][:2])
    bearing = wrapped(math.degrees(math.atan2(east, north)) + convergence_deg)
    return str(POINTS[round(bearing / 22.5) % 16]).upper()


def places_along(length_m: float, spacing_m: float) -> NDArray[np.float64]:
    """Distances along a belt at which to measure, each in the middle of an equal part.

    Parameters
    ----------
    length_m : float
    spacing_m : float
        Wanted distance between places, m; larger where there would be more than `MOST_PLACES`.

    Returns
    -------
    (n,) float64
        Whole metres where the parts are longer than 2 m.

    Examples
    --------
    >>> places_along(100.0, 25.0).tolist()
    [12.0, 38.0, 62.0, 88.0]
    """
    count = int(np.clip(round(length_m / spacing_m), 1, MOST_PLACES))
    middles: NDArray[np.float64] = (np.arange(count) + 0.5) * length_m / count
    return np.round(middles) if length_m > 2 * count else middles


def empty_table(
    names: list[str], ends: list[str], places: list[NDArray[np.float64]]
) -> pd.DataFrame:
    """Table of a survey with the places to measure filled in.

    Parameters
    ----------
    names, ends : list of str
        Belts, and the ends from which distances are measured.
    places : list of (n,) float64
        Distances along each belt, m.

    Returns
    -------
    DataFrame
        Columns `survey_table.READ_COLUMNS`.
    """
    counts = [len(each) for each in places]
    rows = sum(counts)
    filled = {
        "name": np.repeat(np.array(names, dtype=object), counts),
        "from_end": np.repeat(np.array(ends, dtype=object), counts),
        "along_m": np.concatenate([*places, np.zeros(0)]),
    }
    blank = {name: np.full(rows, "", dtype=object) for name in READ_COLUMNS}
    return pd.DataFrame(blank | filled)[list(READ_COLUMNS)]
