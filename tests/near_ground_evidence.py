"""Published wind beside belts against the two rules for the wind close to the ground.

The rule, stated before any comparison: `flow` becomes the default only if it is not worse by more
than 0.02 in RMSE in any band of source and distance with at least 3 values, and better where
height, stems or roughness matter. Used by tests/test_near_ground.py and docs/validation.md.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from belt_evidence import AMBIGUOUS, Row, evidence
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE
from shelterscape.science.belt_profiles import share_at_height
from shelterscape.science.near_ground import (
    CURVE_H_OVER_Z0,
    CURVE_HEIGHT_H,
    NearGround,
    near_the_ground,
)

Array = NDArray[np.float64]

BANDS_H = (0.0, 3.0, 8.0, 15.0, 50.0)
WIDTH_H = 0.3
READ_AT_H = {"Southern Moravia": 2.0 / 16.5, "Tall cypress": 0.25, "Plastic mesh": 0.57}
"""Height of readings in H, of the sources that state it; the others are taken as read at the height
to which curves belong, where both rules agree."""

MOST_WORSE = 0.02
LEAST_VALUES = 3


def height_of(row: Row) -> float:
    """Height at which a row was read, H."""
    known = [z for name, z in READ_AT_H.items() if row.source.startswith(name)]
    return known[0] if known else CURVE_HEIGHT_H


def ours(row: Row, rule: str) -> float:
    """The value of a row by the default curve and one of both rules."""
    z = height_of(row)

    def curve(distance_h: Array, porosity: Array) -> Array:
        x = np.atleast_1d(np.asarray(distance_h, dtype=float))
        wind = CURVES[DEFAULT_CURVE].relative_wind(x, porosity, np.array(WIDTH_H))
        if rule == "simple":
            wind = 1.0 - share_at_height(np.array(1.0), z) * (1.0 - wind)
        else:
            near = NearGround(z, CURVE_H_OVER_Z0, 0.0)
            wind = near_the_ground(wind, float(porosity), WIDTH_H, near, x)
        return wind if np.ndim(distance_h) else wind[0]

    return row.ours(curve)


def errors(rows: list[Row], rule: str) -> Array:
    """Errors of rows by one of both rules."""
    return np.array([(v := ours(r, rule)) - float(np.clip(v, r.low, r.high)) for r in rows])


def evidence_rows() -> list[Row]:
    """Rows of tree belts, hedges and handbooks, nothing ambiguous."""
    kinds = ("tree belt", "hedge", "handbook")
    return [r for r in evidence() if r.kind in kinds and AMBIGUOUS not in r.doubt]


@dataclass(frozen=True)
class Band:
    """Errors of both rules in one band of source and distance."""

    source: str
    low_h: float
    high_h: float
    values: int
    simple: float
    flow: float


def bands() -> list[Band]:
    """Bands of source and distance with enough values."""
    found = []
    rows = evidence_rows()
    for source in dict.fromkeys(r.source for r in rows):
        for low, high in itertools.pairwise(BANDS_H):
            here = [r for r in rows if r.source == source and low <= r.middle_h < high]
            if len(here) >= LEAST_VALUES:
                both = (float(np.sqrt(np.mean(errors(here, x) ** 2))) for x in ("simple", "flow"))
                found.append(Band(source, low, high, len(here), *both))
    return found


def known_heights() -> list[Row]:
    """Rows whose height of reading is stated and differs from that to which curves belong."""
    return [r for r in evidence_rows() if abs(height_of(r) - CURVE_HEIGHT_H) > 0.02]


def better_where_height_is_known() -> bool:
    """Whether `flow` has the smaller RMSE over these rows."""
    rows = known_heights()
    simple, flow = (np.sqrt(np.mean(errors(rows, rule) ** 2)) for rule in ("simple", "flow"))
    return bool(flow < simple)
