"""Belt profiles, and tables of relative wind against distance for each profile.

A belt profile holds everything the shelter curve of a belt depends on: porosity in each case,
porosity of the lower half, width, and the share of shelter at the height considered. Belts with
equal profiles share their tables.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.influence import INSIDE, ROWS_PER_PROFILE
from shelterscape.kernels.shelter_curves import (
    CURVES,
    DEFAULT_CURVE,
    REACH_WINDWARD_H,
    RECOVERY_H,
    TABLE_STEP_H,
    exponential,
    table_distances,
)
from shelterscape.science.near_ground import NearGround, near_the_ground

Array = NDArray[np.float64]

FULL_BELOW_H, NONE_ABOVE_H = 0.5, 1.2
"""Heights in H: up to the first a belt shelters fully, above the second not at all (assumed)."""

LOW_TO_H, MEAN_FROM_H = 8.0, 10.0
"""Distances in H: up to the first the porosity of the lower half applies, from the second that of
the whole belt (assumed)."""

WOOD_R, WOOD_RECOVERED_H = 0.7, 40.0
INSIDE_H = 5.0
"""Depth in H over which the wind falls inside a wood (assumed)."""

NEGLIGIBLE_REDUCTION = 0.002
"""Wind reduction below which the effect of a belt is neglected."""


class BeltProfile(NamedTuple):
    """Everything the shelter curve of a belt depends on.

    Values are rounded, so that nearly equal belts share their tables.

    Attributes
    ----------
    porosity, porosity_low : tuple of float
        Optical porosity of the whole and of the lower half in each case, 0 to 1.
    width_share : float
        1 - exp(-W/(2H)), W the width and H the height.
    height_share : float
        As `share_at_height` returns it, multiplied by the shelter ratio of the belt.
    curve : str
        A name in `CURVES`.
    recovery_h : float
        Recovery distance of `exponential`, H; it has no effect on other curves.
    near : NearGround or None
        Height above ground, roughness and bare stems for the table of `science.near_ground`; None
        where the height acts through `height_share` alone.
    """

    porosity: tuple[float, ...]
    porosity_low: tuple[float, ...]
    width_share: float
    height_share: float
    curve: str
    recovery_h: float = RECOVERY_H
    near: NearGround | None = None


def share_at_height(height_m: Array, at_height_m: float) -> Array:
    """Share of the full shelter of a belt at a height above ground.

    Parameters
    ----------
    height_m : ndarray
        Belt height, m, above 0.
    at_height_m : float
        Height above ground, m.

    Returns
    -------
    ndarray
        1 up to `FULL_BELOW_H`, 0 above `NONE_ABOVE_H`, linear between (assumed).
    """
    z = at_height_m / np.asarray(height_m, dtype=float)
    return np.clip((NONE_ABOVE_H - z) / (NONE_ABOVE_H - FULL_BELOW_H), 0.0, 1.0)


def belt_profile(
    porosity: Array,
    porosity_low: Array,
    width_h: float,
    height_share: float,
    curve: str,
    recovery_h: float = RECOVERY_H,
    near: NearGround | None = None,
) -> BeltProfile:
    """The profile of one belt.

    Parameters
    ----------
    porosity, porosity_low : (cases,) float64
        Optical porosity of the whole and of the lower half, 0 to 1.
    width_h : float
        Width, H.
    height_share : float
        As `share_at_height` returns it.
    curve : str
        A name in `CURVES`.
    recovery_h : float
        Recovery distance, H.
    near : NearGround, optional
        See `BeltProfile`.

    Returns
    -------
    BeltProfile
    """
    return BeltProfile(
        tuple(np.round(porosity, 2)),
        tuple(np.round(porosity_low, 2)),
        # Curves depend on width through this share alone, so the share is rounded.
        round(1.0 - float(np.exp(-0.5 * width_h)), 2),
        round(float(height_share), 2),
        curve,
        round(float(recovery_h), 1),
        near,
    )


class ProfileTables:
    """Tables of relative wind of all profiles registered so far.

    Parameters
    ----------
    cases : int
        Number of cases (season, year) that are calculated together.
    """

    def __init__(self, cases: int) -> None:
        self._cases = cases
        self._index: dict[BeltProfile, int] = {}
        self._new: list[BeltProfile] = []
        self._tables = np.empty((cases, 0, len(table_distances())), np.float32)
        self._reach_h = np.empty(0)

    def copy(self) -> ProfileTables:
        """The same profiles; those registered in the copy do not appear here.

        Returns
        -------
        ProfileTables
        """
        self._fill()
        found = ProfileTables(self._cases)
        found._index, found._tables = dict(self._index), self._tables
        found._reach_h = self._reach_h
        return found

    def index(self, profile: BeltProfile) -> int:
        """Index of a profile; a new profile is registered.

        Parameters
        ----------
        profile : BeltProfile

        Returns
        -------
        int
        """
        if profile not in self._index:
            self._index[profile] = len(self._index)
            self._new.append(profile)
        return self._index[profile]

    def tables(self) -> NDArray[np.float32]:
        """Relative wind, (cases, `ROWS_PER_PROFILE` * profiles, entries)."""
        self._fill()
        return self._tables

    def reach_h(self) -> Array:
        """Distance leeward of each profile beyond which its effect is negligible, H."""
        self._fill()
        return self._reach_h

    def _fill(self) -> None:
        if not self._new:
            return
        fresh = np.stack([_rows(self._new, case) for case in range(self._cases)])
        self._tables = np.concatenate([self._tables, fresh], axis=1)
        lowest = fresh.reshape(self._cases, len(self._new), ROWS_PER_PROFILE, -1)[:, :, :INSIDE]
        acts = lowest.min(axis=(0, 2)) < 1.0 - NEGLIGIBLE_REDUCTION
        last = acts.shape[1] - np.argmax(acts[:, ::-1], axis=1)
        reach = np.maximum(last * TABLE_STEP_H - REACH_WINDWARD_H, 0.0)
        reach[~acts.any(axis=1)] = 0.0
        self._reach_h = np.concatenate([self._reach_h, reach])
        self._new = []


def _rows(profiles: list[BeltProfile], case: int) -> NDArray[np.float32]:
    """Table rows of several profiles in one case: thin belt, wood and inside of each."""
    porosity = np.array([profile.porosity[case] for profile in profiles])
    low = np.array([profile.porosity_low[case] for profile in profiles])
    width = -2.0 * np.log(
        np.maximum(1.0 - np.array([profile.width_share for profile in profiles]), 1e-9)
    )
    height_share = np.array([profile.height_share for profile in profiles])
    recovery = np.array([profile.recovery_h for profile in profiles])
    out = np.empty((len(profiles), ROWS_PER_PROFILE, len(table_distances())), np.float32)
    for name in {profile.curve for profile in profiles}:
        chosen = np.array([profile.curve == name for profile in profiles])
        thin = thin_belt(name, porosity[chosen], low[chosen], width[chosen], recovery[chosen])
        for i, number in enumerate(np.flatnonzero(chosen)):
            if near := profiles[number].near:
                belt = (porosity[number], width[number], near)
                thin[i] = near_the_ground(thin[i], *belt, table_distances())
        rows = np.stack([thin, wood(thin), inside(thin)], axis=1)
        # A share above 1, of a belt drawn above its curve, must not reduce more than all wind.
        out[chosen] = np.maximum(1.0 - height_share[chosen, None, None] * (1.0 - rows), 0.0)
    return out.reshape(-1, out.shape[2])


def thin_belt(
    curve: str,
    porosity: Array,
    porosity_low: Array,
    width_h: Array,
    recovery_h: Array | None = None,
) -> Array:
    """Shelter curves of belts: near a belt its lower half decides, farther out the whole belt.

    Parameters
    ----------
    curve : str
        A name in `CURVES`.
    porosity, porosity_low, width_h : (n,) float64
        Optical porosity of the whole and of the lower half, 0 to 1; width, H.
    recovery_h : (n,) float64, optional
        Recovery distance of `exponential`, H; `RECOVERY_H` by default.

    Returns
    -------
    (n, entries) float64
        Relative wind at `table_distances`.

    References
    ----------
    Curves: `kernels.shelter_curves.CURVES`, each with its source and status. Lower half predicts
    the lowest wind: Loeffler, Gordon and Gillespie 1992, Agroforestry Systems 17:119-133 (status
    S). The distances between which the two are blended are assumed.
    """
    theta, low, width = (values[:, None] for values in (porosity, porosity_low, width_h))
    recovery = None if recovery_h is None else recovery_h[:, None]
    return wind_beside(table_distances()[None, :], curve, theta, low, width, recovery)


def wind_beside(
    distance_h: Array,
    curve: str,
    porosity: Array,
    porosity_low: Array,
    width_h: Array,
    recovery_h: Array | None = None,
) -> Array:
    """Relative wind beside belts at any distance, as in the tables of `thin_belt`.

    Parameters
    ----------
    distance_h : ndarray
        Distance, H, leeward positive.
    curve, porosity, porosity_low, width_h, recovery_h
        See `thin_belt`; arrays are broadcast with `distance_h`.

    Returns
    -------
    ndarray
        Relative wind.
    """
    model = CURVES[curve].relative_wind
    if curve == DEFAULT_CURVE and recovery_h is not None:
        model = partial(exponential, recovery_h=recovery_h)
    near = model(distance_h, porosity_low, width_h)
    far = model(distance_h, porosity, width_h)
    share = np.clip((distance_h - LOW_TO_H) / (MEAN_FROM_H - LOW_TO_H), 0.0, 1.0)
    blended: Array = near + share * (far - near)
    return blended


def wood(thin: Array) -> Array:
    """Shelter curves of woods, derived from those of thin belts.

    The part of the lee with a relative wind below 0.7 is half as long as behind a thin belt; then
    the wind recovers slowly, to 1 at 40 H.

    Parameters
    ----------
    thin : (n, entries) float64
        Relative wind at `table_distances`, as `thin_belt` returns it.

    Returns
    -------
    (n, entries) float64
        Relative wind; unchanged windward.

    Notes
    -----
    Both changes are assumed: air descends behind a wood, and its rough top slows the wind.
    """
    x = table_distances()
    zero = _zero_entry()
    out = thin.copy()
    lee_x = x[zero:]
    for i, curve in enumerate(thin[:, zero:]):
        calmest = int(np.argmin(curve))
        least = curve[calmest]
        halved = np.interp(2.0 * lee_x, lee_x, curve)
        halved[2.0 * lee_x < lee_x[calmest]] = least
        after = np.flatnonzero(curve[calmest:] >= WOOD_R)
        turn = lee_x[calmest + after[0]] / 2.0 if least < WOOD_R else 0.0
        level = WOOD_R if least < WOOD_R else least
        left = np.clip(1.0 - (lee_x - turn) / (WOOD_RECOVERED_H - turn), 0.0, 1.0)
        out[i, zero:] = np.where(lee_x < turn, halved, 1.0 - (1.0 - level) * left**2)
    return out


def inside(thin: Array) -> Array:
    """Relative wind inside belts against depth.

    It falls from that at the windward face to the lowest of the curve within 5 H (assumed).

    Parameters
    ----------
    thin : (n, entries) float64
        See `wood`.

    Returns
    -------
    (n, entries) float64
        Relative wind at depths of `table_distances`, H.
    """
    zero = _zero_entry()
    depth = np.clip(table_distances() / INSIDE_H, 0.0, 1.0)[None, :]
    face, least = thin[:, zero, None], thin[:, zero:].min(axis=1)[:, None]
    relative_wind: Array = face + depth * (least - face)
    return relative_wind


def _zero_entry() -> int:
    return round(REACH_WINDWARD_H / TABLE_STEP_H)
