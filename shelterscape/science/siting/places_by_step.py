"""Wind and sheltered corners on places with each of several sets, by the smallest-wind rule."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.left_out import corner_time, wind_on_places

Array = NDArray[np.float64]


class OnPlaces(NamedTuple):
    """What a set of lines does on places.

    Parameters
    ----------
    wind : (places,) float64
        Mean relative wind of each place; empty without places.
    corner_time : (places,) float64
        Share of the time with wind in which stock has a sheltered corner; NaN without stock.
    """

    wind: Array
    corner_time: Array


def places_by_step(ground: Ground, sets: Sequence[Iterable[int]]) -> list[OnPlaces]:
    """Evaluate sets of lines on places, most often each a larger one than the set before.

    Parameters
    ----------
    ground : Ground
        Of the candidates, with nothing planted; it is returned to that state.
    sets : sequence of iterable of int
        Rows of candidates.

    Returns
    -------
    list of OnPlaces
        One for each set; equal sets are evaluated once.
    """
    first_seen: dict[int, int] = {}
    found: dict[frozenset[int], OnPlaces] = {}
    try:
        for one in sets:
            rows = frozenset(one)
            for row in sorted(rows):
                first_seen.setdefault(row, len(first_seen))
            if rows not in found:
                _plant(ground, sorted(rows, key=first_seen.__getitem__))
                found[rows] = OnPlaces(wind_on_places(ground), corner_time(ground))
    finally:
        _plant(ground, [])
    return [found[frozenset(one)] for one in sets]


def _plant(ground: Ground, rows: Sequence[int]) -> None:
    """Plant these lines and no others; those planted first stay where they are the same."""
    same = 0
    while same < min(len(rows), len(ground.planted)) and ground.planted[same] == rows[same]:
        same += 1
    while len(ground.planted) > same:
        ground.remove_last()
    for row in rows[same:]:
        ground.plant(row)
