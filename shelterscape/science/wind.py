"""Wind sets: the direction, frequency and speed of the wind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError

ASSUMED_WEIBULL_K = 2.0
"""Weibull shape where none is given (common practice: the Rayleigh distribution of speeds)."""

WIDEST_SECTOR_DEG = 45.0
"""Wider sectors would blur the effect of belts too much to be of use (assumed value)."""

ASSUMED_MEASURED_HEIGHT_M = 10.0
ASSUMED_MEASURED_ROUGHNESS_M = 0.03
"""Height and roughness of a measurement where the table does not say: the standard mast on open
grass (common practice)."""

BLENDING_HEIGHT_M = 60.0
"""Height at which the wind no longer feels one field or the next (common practice, no source)."""


@dataclass(frozen=True)
class WindSet:
    """Wind directions of one part of a wind record (a season, a purpose, or all of it).

    Parameters
    ----------
    subset : str
        Name of that part; empty for the whole record.
    direction_deg : (n,) float64
        Where the wind comes from, degrees clockwise from true north.
    frequency : (n,) float64
        Share of the time, 0 to 1; with `calm` they sum to 1.
    mean_speed_ms : (n,) float64
        Mean speed, m/s; NaN where not given.
    weibull_k : (n,) float64
        Weibull shape of the distribution of speeds.
    calm : float
        Share of the time that is calm.
    listed : bool
        Whether these are single directions that were listed, not the sectors of a record.
    measured_height_m, measured_roughness_m : float
        Height above ground and roughness length of the ground at which speeds were measured, m.
    """

    subset: str
    direction_deg: NDArray[np.float64]
    frequency: NDArray[np.float64]
    mean_speed_ms: NDArray[np.float64]
    weibull_k: NDArray[np.float64]
    calm: float = 0.0
    listed: bool = False
    measured_height_m: float = ASSUMED_MEASURED_HEIGHT_M
    measured_roughness_m: float = ASSUMED_MEASURED_ROUGHNESS_M

    @property
    def label(self) -> str:
        """The subset in words."""
        return f"winds of “{self.subset}”" if self.subset else "all winds"

    def sector_deg(self) -> NDArray[np.float64]:
        """Width of the sector each direction represents, degrees.

        The gap to the nearest other direction, at most `WIDEST_SECTOR_DEG`; half of that for
        listed directions, and 0 for a single one.

        Returns
        -------
        (n,) float64
        """
        n = len(self.direction_deg)
        if n == 1:
            return np.zeros(1)
        apart = np.abs(self.direction_deg[:, None] - self.direction_deg[None, :]) % 360.0
        apart = np.minimum(apart, 360.0 - apart)
        apart[np.diag_indices(n)] = np.inf
        gap = np.minimum(apart.min(axis=1), WIDEST_SECTOR_DEG)
        return gap / 2 if self.listed else gap

    def weights(self, power: float = 1.0) -> NDArray[np.float64]:
        """Weight of each direction, frequency times the mean of speed to a power; they sum to 1.

        Parameters
        ----------
        power : float
            Wind-speed exponent: 1 wind run, 2 force, 3 erosion.

        Returns
        -------
        (n,) float64

        Notes
        -----
        The mean of U^p is A^p Γ(1 + p/k) with A the Weibull scale, itself mean / Γ(1 + 1/k).
        Without speeds every direction counts the same. Calm has no weight.

        References
        ----------
        Moments of the Weibull distribution (status D; mean 6.2036 m/s for A = 7 m/s, k = 2).
        """
        moment = self._moments(power)
        raw = self.frequency * (np.ones_like(moment) if np.isnan(moment).any() else moment)
        return raw / raw.sum()

    def _moments(self, power: float) -> NDArray[np.float64]:
        """Mean of speed to a power for each direction; NaN where its speed is not given."""
        k = self.weibull_k
        gamma = np.vectorize(math.gamma, otypes=[float])
        scale = self.mean_speed_ms / gamma(1.0 + 1.0 / k)
        return np.asarray(scale**power * gamma(1.0 + power / k), float)

    @property
    def speeds_known(self) -> bool:
        """Whether every direction has a speed."""
        return not np.isnan(self.mean_speed_ms).any()

    def plain_speed_ms(self, height_m: float, roughness_m: float) -> NDArray[np.float64]:
        """Mean speed of each direction at a height over flat, open terrain, m/s.

        Parameters
        ----------
        height_m, roughness_m : float
            Height above ground and roughness length of the terrain, m.

        Returns
        -------
        (n,) float64
            NaN where no speed is given.

        Notes
        -----
        By the log law in neutral air, ``U(z) ~ ln(z / z0)``, up from where it was measured to
        `BLENDING_HEIGHT_M` and down again over the terrain.

        References
        ----------
        Logarithmic wind profile and blending height: common practice, no single source; values of
        the formula (status D).
        """
        return np.asarray(self.mean_speed_ms * self._lift(height_m, roughness_m), float)

    def power_mean_ms(self, power: float, height_m: float, roughness_m: float) -> float:
        """The steady speed over flat, open terrain with the same mean of U^p, m/s.

        Over the time it blows, all directions together: ``[Σ f ⟨U^p⟩ / Σ f]^(1/p)``; the mean speed
        for a power of 1.

        Parameters
        ----------
        power : float
            Wind-speed exponent.
        height_m, roughness_m : float
            As for `plain_speed_ms`.

        Returns
        -------
        float
            NaN where speeds are not given.

        References
        ----------
        As for `weights` and `plain_speed_ms`.
        """
        shares = self.frequency / self.frequency.sum()
        mean = float(shares @ self._moments(power))
        return mean ** (1.0 / power) * self._lift(height_m, roughness_m)

    def _lift(self, height_m: float, roughness_m: float) -> float:
        """Wind at a height over flat terrain divided by the wind where it was measured."""
        up = math.log(BLENDING_HEIGHT_M / self.measured_roughness_m)
        up /= math.log(self.measured_height_m / self.measured_roughness_m)
        down = math.log(height_m / roughness_m) / math.log(BLENDING_HEIGHT_M / roughness_m)
        return up * down


def equal_winds(directions_deg: list[float], where: str) -> WindSet:
    """A wind set of single directions of equal weight.

    Parameters
    ----------
    directions_deg : list of float
        Where winds come from, degrees clockwise from true north, 0 to 360; each once.
    where : str
        What to call them in errors.

    Returns
    -------
    WindSet

    Raises
    ------
    InputError
        ``winds-bad`` for a direction outside 0 to 360 or named twice.
    """
    n = len(directions_deg)
    bad = [d for d in directions_deg if not 0 <= d <= 360]
    if bad or len({d % 360 for d in directions_deg}) < n:
        raise InputError(
            "winds-bad",
            "Directions must lie between 0 and 360 ° and each be named once.",
            where=where,
            value=bad[0] if bad else ",".join(f"{d:g}" for d in directions_deg),
            mend="Give degrees clockwise from north, from where the wind comes, as in 210,240,270.",
        )
    return WindSet(
        subset="",
        direction_deg=np.asarray(directions_deg, dtype=float) % 360.0,
        frequency=np.full(n, 1.0 / n),
        mean_speed_ms=np.full(n, np.nan),
        weibull_k=np.full(n, ASSUMED_WEIBULL_K),
        listed=True,
    )


def choose(sets: dict[str, WindSet], wanted: str, fitting: Sequence[str], where: str) -> WindSet:
    """The subset to use: the one required, else the first that fits, else the whole record.

    Parameters
    ----------
    sets : dict
        `WindSet` by subset name.
    wanted : str
        Name of the subset required; empty for none.
    fitting : sequence of str
        Names that fit the purpose or the season, best first.
    where : str
        What to call the wind set in errors.

    Returns
    -------
    WindSet

    Raises
    ------
    InputError
        ``name-unknown`` when the subset required does not exist, or when every subset has a name
        and none fits.
    """
    for name in (wanted,) if wanted else (*fitting, ""):
        if name in sets:
            return sets[name]
    raise InputError(
        "name-unknown",
        "The wind set has no such subset." if wanted else "Every subset has a name; choose one.",
        where=where,
        value=wanted or None,
        mend=f"Use one of: {', '.join(sorted(sets))}.",
    )


def directions_of(winds: Sequence[WindSet], power: float) -> list[tuple[float, float, list[float]]]:
    """Every direction of some wind sets once.

    Parameters
    ----------
    winds : sequence of WindSet
    power : float
        Wind-speed exponent.

    Returns
    -------
    list of (float, float, list of float)
        Direction and width of its sector, degrees, and its weight in each set (0 where it is not
        in it); in rising order.
    """
    found: dict[tuple[float, float], list[float]] = {}
    for i, one in enumerate(winds):
        columns = (one.direction_deg, one.sector_deg(), one.weights(power))
        for direction, sector, weight in zip(*columns, strict=True):
            key = (float(direction), float(sector))
            found.setdefault(key, [0.0] * len(winds))[i] = float(weight)
    return [(d, s, w) for (d, s), w in sorted(found.items())]
