"""Wind close to the ground beside belts: what reading height, bare stems and roughness change.

A shelter curve has no height above ground. This module corrects it by a packaged table of
`science.cross_section`: the relative wind of the case, compared with that of an even belt of the
same drag and width at the height and roughness for which the curve was found.
`docs/near_ground_table.py` makes the table; no run solves a flow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.data import arrays

Array = NDArray[np.float64]

TABLE = "near_ground.npz"
SCALE = 20_000.0

CURVE_HEIGHT_H, CURVE_H_OVER_Z0 = 0.12, 450.0
"""Height of readings in H, and H/z0, to which shelter curves belong: medians of the published
readings that state a height (2 m beside belts of 16.5 m) and of the heights of their belts (13.5 m)
over a roughness length of 0.03 m, which none of them states (assumed)."""

STEM_DRAG = 0.1
"""Drag of bare stems in the table: porosity of about 0.9 (assumed)."""

AERODYNAMIC = 0.4
"""Exponent of optical porosity that gives the share of wind passing a belt (Guan, Zhang and Zhu
2003, Agricultural and Forest Meteorology 118:75-84, abstract, status S)."""

LEAST_REDUCTION = 1e-3
"""Smallest wind reduction of the flow model by which another is divided, at a drag of 1 or more."""

LOWEST_WIND, HIGHEST_WIND = 0.0, 1.25
"""Bounds of relative wind."""


class NearGround(NamedTuple):
    """What the wind close to the ground depends on, besides the shelter curve.

    Attributes
    ----------
    height_h : float
        Height above ground, H.
    h_over_z0 : float
        Height of the belt divided by the roughness length.
    stem_h : float
        Height of bare stems, H.
    """

    height_h: float
    h_over_z0: float
    stem_h: float


@dataclass(frozen=True)
class FlowTable:
    """The packaged table.

    Parameters
    ----------
    version : int
    sha256 : str
        Checksum of its file.
    axes : tuple of ndarray
        ln drag, ln width in H, height of bare stems in H, ln H/z0.
    distance_h : (d,) float64
        H; leeward from the leeward face.
    ln_height_h : (z,) float64
    wind : ndarray of uint16
        Relative wind times `SCALE`, by the axes, distance and height.
    through : (k,) float64
        Share of the wind that passes a belt, by drag.
    """

    version: int
    sha256: str
    axes: tuple[Array, ...]
    distance_h: Array
    ln_height_h: Array
    wind: NDArray[np.uint16]
    through: Array


@cache
def flow_table() -> FlowTable:
    """The packaged table, read once.

    Returns
    -------
    FlowTable
    """
    found, digest = arrays(TABLE)
    axes = (
        np.log(found["drag"]),
        np.log(found["width_h"]),
        found["stem_h"],
        np.log(found["h_over_z0"]),
    )
    return FlowTable(
        int(found["version"]),
        digest,
        axes,
        found["distance_h"],
        np.log(found["height_h"]),
        found["wind"],
        found["through"],
    )


def drag_of(porosity: float) -> float:
    """Drag of a belt with an optical porosity.

    Parameters
    ----------
    porosity : float
        0 to 1.

    Returns
    -------
    float
        Loss of pressure over air density times speed squared, at most that of the densest belt of
        the table; 0 at porosity 1.

    Notes
    -----
    A share of porosity^0.4 of the wind passes a belt. The table has this share by drag; below its
    lowest drag, 1 − share is proportional to drag.
    """
    table, share = flow_table(), porosity**AERODYNAMIC
    if share > table.through[0]:
        lowest = float(np.exp(table.axes[0][0]))
        return lowest * (1.0 - share) / (1.0 - float(table.through[0]))
    return float(np.exp(np.interp(-share, -table.through, table.axes[0])))


def flow_wind(
    drag: float, width_h: float, near: NearGround, distance_h: ArrayLike, heights_h: ArrayLike
) -> Array:
    """Relative wind of the flow model, interpolated linearly in the table.

    Parameters
    ----------
    drag : float
        See `drag_of`; of the crowns, where stems are bare.
    width_h : float
        Width, H.
    near : NearGround
        Its height is not used.
    distance_h : (d,) array_like
        H, leeward from the leeward face.
    heights_h : (z,) array_like
        Heights above ground, H.

    Returns
    -------
    (d, z) float64
        Ratio; values outside the table are those at its edge, except that 1 − wind is proportional
        to drag below its lowest drag, and decreases to 0 at twice its greatest height (assumed).
    """
    table = flow_table()
    given = (
        np.log(max(drag, 1e-9)),
        np.log(max(width_h, 1e-9)),
        near.stem_h,
        np.log(near.h_over_z0),
    )
    block: Any = table.wind
    for axis, value in zip(table.axes, given, strict=True):
        low, share = _place(axis, value)
        block = (1.0 - share) * block[low] + share * block[low + 1]
    heights = np.log(np.maximum(np.asarray(heights_h, dtype=float), 1e-9))
    by_height = np.stack([_at_height(block, table.ln_height_h, z) for z in heights.ravel()])
    x = np.asarray(distance_h, dtype=float)
    wind = np.stack([np.interp(x, table.distance_h, row) for row in by_height], axis=-1) / SCALE
    weak = min(drag / float(np.exp(table.axes[0][0])), 1.0)
    above = np.log2(np.exp(heights - table.ln_height_h[-1]))
    result: Array = 1.0 - weak * np.clip(1.0 - above, 0.0, 1.0) * (1.0 - wind)
    return result


def _place(axis: Array, value: float) -> tuple[int, float]:
    """Entry of an axis below a value, and the share of the one above."""
    low = int(np.clip(np.searchsorted(axis, value) - 1, 0, len(axis) - 2))
    return low, float(np.clip((value - axis[low]) / (axis[low + 1] - axis[low]), 0.0, 1.0))


def _at_height(block: Array, ln_height_h: Array, value: float) -> Array:
    low, share = _place(ln_height_h, value)
    wind: Array = (1.0 - share) * block[:, low] + share * block[:, low + 1]
    return wind


def near_the_ground(
    wind: Array, porosity: float, width_h: float, near: NearGround, distance_h: Array
) -> Array:
    """Relative wind of a shelter curve, corrected for height, bare stems and roughness.

    Parameters
    ----------
    wind : (d,) float64
        Relative wind of the curve.
    porosity : float
        Optical porosity of the belt, 0 to 1.
    width_h : float
        Width, H.
    near : NearGround
    distance_h : (d,) float64
        H, leeward from the leeward face.

    Returns
    -------
    (d,) float64
        0 to 1.25; 1 where that of the curve is 1, as at porosity 1.

    Notes
    -----
    The wind reduction of the curve is multiplied by that of the flow model, divided by the wind
    reduction behind an even belt of the same drag at `CURVE_HEIGHT_H` and `CURVE_H_OVER_Z0`.
    """
    return section_relative_wind(wind, porosity, width_h, near, distance_h, [near.height_h])[:, 0]


def section_relative_wind(
    wind: Array,
    porosity: float,
    width_h: float,
    near: NearGround,
    distance_h: Array,
    heights_h: ArrayLike,
) -> Array:
    """`near_the_ground` at several heights.

    Parameters
    ----------
    wind, porosity, width_h, near, distance_h
        See `near_the_ground`; the height of `near` is not used.
    heights_h : (z,) array_like
        Heights above ground, H.

    Returns
    -------
    (d, z) float64
        Relative wind, from 0.
    """
    crown = drag_of(porosity)
    if crown == 0.0:
        return np.repeat(np.asarray(wind)[:, None], np.size(heights_h), axis=1)
    even = crown + near.stem_h * (min(crown, STEM_DRAG) - crown)
    reference = near._replace(h_over_z0=CURVE_H_OVER_Z0, stem_h=0.0)
    here = 1.0 - flow_wind(crown, width_h, near, distance_h, heights_h)
    there = 1.0 - flow_wind(even, width_h, reference, distance_h, [CURVE_HEIGHT_H])
    share = here / np.maximum(there, LEAST_REDUCTION * min(even, 1.0))
    limited: Array = np.clip(1.0 - (1.0 - wind[:, None]) * share, LOWEST_WIND, HIGHEST_WIND)
    return limited


def near_ground_of(
    height_m: float, stem_m: float, at_height_m: float, roughness_m: float
) -> NearGround:
    """What the wind close to the ground depends on, beside one belt.

    Parameters
    ----------
    height_m : float
        Height of the belt, m, above 0.
    stem_m : float
        Height of bare stems, m.
    at_height_m : float
        Height above ground, m.
    roughness_m : float
        Roughness length of the ground, m, above 0.

    Returns
    -------
    NearGround
        Ratios rounded to 5 % and stems to 0.05 H, so that nearly equal belts share their tables.
    """
    stem_h = float(np.clip(stem_m / height_m, 0.0, flow_table().axes[2][-1]))
    return NearGround(
        _rounded(at_height_m / height_m),
        _rounded(height_m / roughness_m),
        round(round(stem_h / 0.05) * 0.05, 2),
    )


def _rounded(ratio: float) -> float:
    return float(np.exp(round(float(np.log(ratio)) / 0.05) * 0.05))


def joined_near_ground(members: Sequence[NearGround | None]) -> NearGround | None:
    """That of close belts that act as one: as of the highest, with the lowest stems (assumed).

    Parameters
    ----------
    members : sequence of NearGround or None
        Of each belt; None for one without.

    Returns
    -------
    NearGround or None
        None where no belt has one.
    """
    known = [near for near in members if near is not None]
    if not known:
        return None
    highest = min(known, key=lambda near: near.height_h)
    return highest._replace(stem_h=min(near.stem_h for near in known))


def without_stems(porosity_low: Array, porosity: Array, stem_h: ArrayLike) -> Array:
    """Porosity of the lower half where bare stems are not counted in it.

    Parameters
    ----------
    porosity_low, porosity : (n,) float64
        Of the lower half, stems counted as `science.belts` does, and of the whole, 0 to 1.
    stem_h : array_like
        Height of bare stems, H.

    Returns
    -------
    (n,) float64
        0 to 1; that of the whole where the lower half has stems only.
    """
    crowned = 1.0 - np.clip(2.0 * np.asarray(stem_h, dtype=float), 0.0, 1.0)
    density = (1.0 - porosity_low) / np.maximum(crowned, 1e-9)
    found: Array = np.where(crowned > 1e-9, np.clip(1.0 - density, 0.0, 1.0), porosity)
    return found
