"""Wind sets: direction, frequency and speed of the wind."""

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
"""Largest width of a sector: a wider one would blur the effect of belts too much (assumed)."""

ASSUMED_MEASURED_HEIGHT_M = 10.0
ASSUMED_MEASURED_ROUGHNESS_M = 0.03
"""Height and roughness length of a measurement where the table does not state them: the standard
mast on open grass (common practice)."""

BLENDING_HEIGHT_M = 60.0
"""Height above which single fields do not affect the wind (common practice, no source)."""


@dataclass(frozen=True)
class WindSet:
    """Wind directions of one subset of a wind record: a season, a purpose, or the whole record.

    Parameters
    ----------
    subset : str
        Name of the subset; empty for the whole record.
    direction_deg : (n,) float64
        Direction the wind comes from, degrees clockwise from true north.
    frequency : (n,) float64
        Share of the time, 0 to 1; with `calm` the shares sum to 1.
    mean_speed_ms : (n,) float64
        Mean speed, m/s; NaN where not given.
    weibull_k : (n,) float64
        Weibull shape of the distribution of speeds.
    calm : float
        Share of the time that is calm.
    listed : bool
        Whether these are single directions from a list, not the sectors of a record.
    measured_height_m, measured_roughness_m : float
        Height above ground and roughness length of the ground at which speeds were measured, m.
    frequency_uncertainty : float
        Mean relative standard deviation of the frequencies; NaN where unknown.
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
    frequency_uncertainty: float = math.nan

    @property
    def label(self) -> str:
        """Label for headings and notices."""
        return f"wind subset “{self.subset}”" if self.subset else "all wind directions"

    @property
    def most_frequent_deg(self) -> float | None:
        """The most frequent direction, degrees from true north; None for several of a list."""
        if self.listed and len(self.direction_deg) > 1:
            return None
        return float(self.direction_deg[int(np.argmax(self.frequency))])

    def sector_deg(self) -> NDArray[np.float64]:
        """Width of the sector of each direction, degrees.

        It is the angle to the nearest other direction, at most `WIDEST_SECTOR_DEG`; half of that
        for listed directions, and 0 for a single one.

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

    def weights(self, speed_exponent: float = 1.0) -> NDArray[np.float64]:
        """Weight of each direction: frequency times mean of speed^exponent; they sum to 1.

        Parameters
        ----------
        speed_exponent : float
            Wind-speed exponent: 1 wind run, 2 force, 3 erosion.

        Returns
        -------
        (n,) float64

        Notes
        -----
        The mean of U^p is A^p Γ(1 + p/k), where the Weibull scale A is mean speed / Γ(1 + 1/k).
        Without speeds the weights are the frequencies alone. Calm has no weight.

        References
        ----------
        Moments of the Weibull distribution (status D; mean 6.2036 m/s for A = 7 m/s, k = 2).
        """
        moment = self._moments(speed_exponent)
        raw = self.frequency * (np.ones_like(moment) if np.isnan(moment).any() else moment)
        return raw / raw.sum()

    def _moments(self, speed_exponent: float) -> NDArray[np.float64]:
        """Mean of speed^exponent of each direction; NaN where its speed is not given."""
        k = self.weibull_k
        gamma = np.vectorize(math.gamma, otypes=[float])
        scale = self.mean_speed_ms / gamma(1.0 + 1.0 / k)
        return np.asarray(scale**speed_exponent * gamma(1.0 + speed_exponent / k), float)

    @property
    def speeds_known(self) -> bool:
        """Whether every direction has a speed."""
        return not np.isnan(self.mean_speed_ms).any()

    def flat_terrain_speed_ms(self, height_m: float, roughness_m: float) -> NDArray[np.float64]:
        """Mean speed of each direction at a height above flat, open terrain, m/s.

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
        The logarithmic profile of neutral air, ``U(z) ~ ln(z / z0)``, is applied twice: from the
        height of measurement up to `BLENDING_HEIGHT_M`, and from there down over the terrain.

        References
        ----------
        Logarithmic wind profile and blending height: common practice, no single source; values of
        the formula (status D).
        """
        return np.asarray(self.mean_speed_ms * self.height_factor(height_m, roughness_m), float)

    def power_mean_ms(self, speed_exponent: float, height_m: float, roughness_m: float) -> float:
        """Power mean of wind speed over flat, open terrain, m/s.

        Over all directions, while the wind blows: ``[Σ f ⟨U^p⟩ / Σ f]^(1/p)``. With an exponent of
        1 it is the mean speed.

        Parameters
        ----------
        speed_exponent : float
            Wind-speed exponent.
        height_m, roughness_m : float
            See `flat_terrain_speed_ms`.

        Returns
        -------
        float
            NaN where speeds are not given.

        References
        ----------
        See `weights` and `flat_terrain_speed_ms`.
        """
        shares = self.frequency / self.frequency.sum()
        mean = float(shares @ self._moments(speed_exponent))
        return mean ** (1.0 / speed_exponent) * self.height_factor(height_m, roughness_m)

    def height_factor(self, height_m: float, roughness_m: float) -> float:
        """Wind speed at a height above flat terrain divided by the measured wind speed.

        Parameters
        ----------
        height_m, roughness_m : float
            See `flat_terrain_speed_ms`.

        Returns
        -------
        float

        References
        ----------
        Logarithmic wind profile and blending height, as `flat_terrain_speed_ms` (status D).
        """
        up = math.log(BLENDING_HEIGHT_M / self.measured_roughness_m)
        up /= math.log(self.measured_height_m / self.measured_roughness_m)
        down = math.log(height_m / roughness_m) / math.log(BLENDING_HEIGHT_M / roughness_m)
        return up * down


def equal_winds(directions_deg: list[float], where: str) -> WindSet:
    """A wind set of single directions of equal weight.

    Parameters
    ----------
    directions_deg : list of float
        Directions the wind comes from, degrees clockwise from true north, 0 to 360, without
        duplicates.
    where : str
        Name of the list in errors.

    Returns
    -------
    WindSet

    Raises
    ------
    InputError
        ``winds-bad`` for a direction outside 0 to 360 and for duplicates.
    """
    n = len(directions_deg)
    bad = [d for d in directions_deg if not 0 <= d <= 360]
    if bad or len({d % 360 for d in directions_deg}) < n:
        raise InputError(
            "winds-bad",
            "Wind directions must be between 0 and 360°, without duplicates.",
            where=where,
            value=bad[0] if bad else ",".join(f"{d:g}" for d in directions_deg),
            hint="Give the directions the wind comes from, in degrees clockwise from true north, "
            "such as 210,240,270.",
        )
    return WindSet(
        subset="",
        direction_deg=np.asarray(directions_deg, dtype=float) % 360.0,
        frequency=np.full(n, 1.0 / n),
        mean_speed_ms=np.full(n, np.nan),
        weibull_k=np.full(n, ASSUMED_WEIBULL_K),
        listed=True,
    )


def choose_subset(
    sets: dict[str, WindSet], wanted: str, fitting: Sequence[str], where: str
) -> WindSet:
    """The subset to use: the one stated, else the first that fits, else the whole record.

    Parameters
    ----------
    sets : dict
        `WindSet` by subset name.
    wanted : str
        Name of the stated subset; empty for none.
    fitting : sequence of str
        Names that fit the purpose or the season, best first.
    where : str
        Name of the wind set in errors.

    Returns
    -------
    WindSet

    Raises
    ------
    InputError
        ``name-unknown`` when the stated subset does not exist; and when no subset is stated, none
        fits, and there is no whole record.
    """
    for name in (wanted,) if wanted else (*fitting, ""):
        if name in sets:
            return sets[name]
    named = ", ".join(sorted(name for name in sets if name))
    raise InputError(
        "name-unknown",
        "The wind set has no such subset."
        if wanted
        else "The wind set has only named subsets, and none is chosen.",
        where=where,
        value=wanted or None,
        hint=f"Use one of: {named}." if named else "Leave the subset out: the table has none.",
    )


def directions_of(
    winds: Sequence[WindSet], speed_exponent: float
) -> list[tuple[float, float, list[float]]]:
    """All directions of several wind sets, each once, in rising order.

    Parameters
    ----------
    winds : sequence of WindSet
    speed_exponent : float
        Wind-speed exponent.

    Returns
    -------
    list of (float, float, list of float)
        Direction, degrees; width of its sector, degrees; weight in each wind set, 0 where a set
        does not have it.
    """
    found: dict[tuple[float, float], list[float]] = {}
    for i, one in enumerate(winds):
        columns = (one.direction_deg, one.sector_deg(), one.weights(speed_exponent))
        for direction, sector, weight in zip(*columns, strict=True):
            key = (float(direction), float(sector))
            found.setdefault(key, [0.0] * len(winds))[i] = float(weight)
    return [(d, s, w) for (d, s), w in sorted(found.items())]
