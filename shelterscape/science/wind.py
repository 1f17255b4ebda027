"""Wind sets: from where, how often and how fast it blows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.science.columns import numbers
from shelterscape.terms import TERMS

ASSUMED_WEIBULL_K = 2.0
"""Weibull shape where none is given (common practice: the Rayleigh spread of speeds)."""

WIDEST_SECTOR_DEG = 45.0
"""Sectors wider than those of eight points would smear what belts do past use (E)."""

ASSUMED_MEASURED_HEIGHT_M = 10.0
ASSUMED_MEASURED_ROUGHNESS_M = 0.03
"""Height and roughness of a measurement where the table does not say: the standard mast on open
grass (common practice)."""

_MEASURED = {
    "measured_height_m": ("measured_height_m", ASSUMED_MEASURED_HEIGHT_M, 0.5, 300.0),
    "roughness_m": ("measured_roughness_m", ASSUMED_MEASURED_ROUGHNESS_M, 0.00001, 5.0),
}
"""Lines of a table that say how it was measured: field, usual value, lowest and highest, m."""

BLENDING_HEIGHT_M = 60.0
"""Height at which the wind no longer feels one field or the next (common practice, no source)."""

COLUMNS = ("direction_deg", "frequency", "mean_speed_ms", "weibull_k")
POINTS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse",
          "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")  # fmt: skip
_TERM_OF = dict(zip(COLUMNS, ("direction", "frequency", "mean_speed", "weibull_k"), strict=True))


@dataclass(frozen=True)
class WindSet:
    """Winds of one part of the record (a season, a purpose, or all of it).

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
        Shape of the spread of speeds.
    calm : float
        Share of the time with no wind to speak of.
    listed : bool
        Whether these are bare directions somebody listed, not the sectors of a record.
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
        """Width of the sector each direction stands for, degrees.

        The gap to the nearest other direction, at most `WIDEST_SECTOR_DEG`; half of that for
        listed directions, and 0 for a single one.
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
            1 for wind, 2 for force, 3 for erosion.

        Returns
        -------
        (n,) float64

        Notes
        -----
        The mean of U^p is A^p Γ(1 + p/k) with A the Weibull scale, itself mean / Γ(1 + 1/k).
        Without speeds every wind counts the same. Calm carries no wind and so no weight.
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
        """Mean speed of each direction at a height over a plain of some roughness, m/s.

        Parameters
        ----------
        height_m, roughness_m : float
            Height above ground and roughness length of the plain, m.

        Returns
        -------
        (n,) float64
            NaN where no speed is given.

        Notes
        -----
        By the log law in neutral air, ``U(z) ~ ln(z / z0)``, up from where it was measured to
        `BLENDING_HEIGHT_M` and down again over the plain (common practice).
        """
        return np.asarray(self.mean_speed_ms * self._lift(height_m, roughness_m), float)

    def power_mean_ms(self, power: float, height_m: float, roughness_m: float) -> float:
        """The steady speed over a plain that would bring the same wind to a power, m/s.

        Over the time it blows, all directions together: ``[Σ f ⟨U^p⟩ / Σ f]^(1/p)``; the mean speed
        for a power of 1. NaN where speeds are not given. Parameters as for `plain_speed_ms`.
        """
        shares = self.frequency / self.frequency.sum()
        mean = float(shares @ self._moments(power))
        return mean ** (1.0 / power) * self._lift(height_m, roughness_m)

    def _lift(self, height_m: float, roughness_m: float) -> float:
        """Wind at a height over a plain per wind where it was measured."""
        up = math.log(BLENDING_HEIGHT_M / self.measured_roughness_m)
        up /= math.log(self.measured_height_m / self.measured_roughness_m)
        down = math.log(height_m / roughness_m) / math.log(BLENDING_HEIGHT_M / roughness_m)
        return up * down


SMALLEST_RUN_MS = 1e-3
"""Least mean speed over a wind set, m/s, that can still weigh its directions."""


def equal_winds(directions_deg: list[float], where: str) -> WindSet:
    """A wind set of bare directions, each counting the same.

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


def wind_sets(
    frame: pd.DataFrame, where: str, header: Mapping[str, str] | None = None
) -> tuple[dict[str, WindSet], list[Notice]]:
    """Check a table of winds and cut it into its subsets.

    Parameters
    ----------
    frame : DataFrame
        Columns as in ``winds.csv``: ``subset`` (optional), ``direction_deg`` (degrees, or the word
        calm), ``frequency``, ``mean_speed_ms`` and ``weibull_k`` (optional).
    where : str
        What to call the table in errors.
    header : mapping of str, optional
        What the table says of itself: ``measured_height_m`` and ``roughness_m`` are used, and
        ``north`` must be ``true`` where it is said.

    Returns
    -------
    sets : dict
        `WindSet` by subset name, the empty name being the whole record.
    notices : list of Notice

    Raises
    ------
    InputError
        ``column-missing`` or ``winds-bad``.
    """
    _check_north(header or {}, where)
    _check_columns(list(map(str, frame.columns)), where)
    names = frame["subset"].fillna("").astype(str).str.strip() if "subset" in frame else ""
    notices: list[Notice] = []
    if unread := [str(c) for c in frame.columns if c not in (*COLUMNS, "subset")]:
        text = f"{where}: columns not made use of: {', '.join(unread)}"
        notices.append(Notice("columns-ignored", text, len(unread)))
    sets = {}
    for key, part in frame.assign(subset=names).groupby("subset", sort=False):
        name = str(key)
        here = f"{where}, subset “{name}”" if name else where
        sets[name] = _one_set(name, part, here, notices)
    if not sets:
        raise InputError(
            "winds-bad",
            "The wind set holds no rows.",
            where=where,
            mend="Add a row for each direction.",
        )
    measured, more = _measured(header or {}, where)
    if header is not None and any(one.speeds_known for one in sets.values()):
        notices += more
    return {name: replace(one, **measured) for name, one in sets.items()}, notices


def _check_north(header: Mapping[str, str], where: str) -> None:
    north = header.get("north", "true")
    if north.casefold() != "true":
        raise InputError(
            "winds-bad",
            "Directions must count from true north.",
            where=f"{where}, line north",
            value=north,
            mend="Turn them by the angle between the two, then write north: true.",
        )


def _check_columns(columns: list[str], where: str) -> None:
    missing = [c for c in ("direction_deg", "frequency") if c not in columns]
    if missing:
        one = len(columns) == 1 and any(mark in columns[0] for mark in ";\t|")
        raise InputError(
            "column-missing",
            f"The wind set lacks {' and '.join(missing)}.",
            where=where,
            value=", ".join(columns),
            mend="Save it with a comma between columns."
            if one
            else "Name the columns direction_deg, frequency, mean_speed_ms and weibull_k.",
        )
    speeds = [c for c in columns if "speed" in c.casefold()]
    if speeds and "mean_speed_ms" not in columns:
        raise InputError(
            "column-missing",
            "The wind set has speeds, but none in metres per second.",
            where=where,
            value=", ".join(speeds),
            mend="Name the column mean_speed_ms and give m/s: a knot is 0.514 m/s, a mile per hour "
            "0.447, a kilometre per hour 0.278.",
        )


def _measured(header: Mapping[str, str], where: str) -> tuple[dict[str, Any], list[Notice]]:
    """Height and roughness a table says it was measured at, or what is usual."""
    found: dict[str, Any] = {}
    notices = []
    for key, (field, assumed, low, high) in _MEASURED.items():
        if key not in header:
            notices.append(Notice("value-assumed", f"{where}: {key} taken as {assumed:g}"))
        try:
            value = float(header.get(key, assumed))
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise InputError(
                "winds-bad",
                f"The line “# {key}:” must hold a number from {low:g} to {high:g} m.",
                where=where,
                value=header[key],
                mend="Write how the wind was measured, or leave the line out.",
            )
        found[field] = value
    if found["measured_height_m"] <= 2 * found["measured_roughness_m"]:
        raise InputError(
            "winds-bad",
            "The height the wind was measured at is too low for the roughness named with it.",
            where=where,
            value=f"{found['measured_height_m']:g} m over {found['measured_roughness_m']:g} m",
            mend="Correct the lines measured_height_m and roughness_m.",
        )
    return found, notices


def _one_set(name: str, part: pd.DataFrame, where: str, notices: list[Notice]) -> WindSet:
    is_calm = part["direction_deg"].astype(str).str.strip().str.lower() == "calm"
    columns = {c: _numbers(part[~is_calm], c, where) for c in COLUMNS}
    calm = float(_numbers(part[is_calm], "frequency", where).sum())
    _check_directions(columns["direction_deg"], where)
    total = float(columns["frequency"].sum()) + calm
    if abs(total - 1.0) > 0.01 or not columns["frequency"].sum() > 0:
        percent = " They look like percent: divide by 100." if 99 <= total <= 101 else ""
        raise InputError(
            "winds-bad",
            "Frequencies, calm included, must sum to 1 within a subset.",
            where=where,
            value=round(total, 4),
            mend=f"Give each as a share of the time.{percent}",
        )
    if abs(total - 1.0) > 1e-6:
        notices.append(
            Notice("frequencies-scaled", f"{where}: frequencies summed to {total:.4f}; scaled to 1")
        )
    speeds = _speeds(columns, part[~is_calm].index.to_numpy(), where, notices)
    # Without speeds all count the same; with speeds that are all nought none would count at all.
    run = float((columns["frequency"] * speeds).sum())
    if run < SMALLEST_RUN_MS:
        raise InputError(
            "winds-bad",
            "No direction of the wind set brings any wind.",
            where=where,
            value=run,
            mend="Give the mean speeds in m/s, or leave the column mean_speed_ms out.",
        )
    k = columns["weibull_k"]
    assumed = np.isnan(k) & np.isfinite(speeds)
    if assumed.any():
        text = f"{where}: Weibull shape taken as {ASSUMED_WEIBULL_K:g}"
        notices.append(Notice("value-assumed", text, int(assumed.sum())))
    return WindSet(
        name,
        columns["direction_deg"] % 360.0,
        columns["frequency"] / total,
        speeds,
        np.where(np.isnan(k), ASSUMED_WEIBULL_K, k),
        calm / total,
    )


def _check_directions(given: NDArray[np.float64], where: str) -> None:
    again = pd.Series(given % 360.0).duplicated().to_numpy()
    if len(given) and not again.any():
        return
    raise InputError(
        "winds-bad",
        "A wind set needs at least one direction, and each only once.",
        where=where,
        value=float(given[np.argmax(again)]) if len(given) else "no direction",
        mend="Add up the rows of a repeated direction (0 and 360 are the same)."
        if len(given)
        else "Add a row for each direction.",
    )


def _speeds(
    columns: dict[str, NDArray[np.float64]],
    rows: NDArray[np.int64],
    where: str,
    notices: list[Notice],
) -> NDArray[np.float64]:
    """Mean speeds of all directions or of none: some without would make all of them useless."""
    # From where it never blows there is no mean speed to give.
    speeds = np.where(columns["frequency"] == 0, 0.0, columns["mean_speed_ms"])
    lacking = np.isnan(speeds)
    if not lacking.any():
        return speeds
    if not np.isfinite(columns["mean_speed_ms"]).any():
        text = f"{where}: no mean speeds; winds from all directions count as equally fast"
        notices.append(Notice("value-assumed", text, len(speeds)))
        return columns["mean_speed_ms"]
    raise InputError(
        "winds-bad",
        "mean_speed_ms is given for some directions and not for others.",
        where=f"{where}, row {rows[int(np.argmax(lacking))] + 1}",
        value="nothing",
        mend="Fill in the missing mean speed, or leave all of them out.",
    )


def _numbers(part: pd.DataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A column as numbers within the range of its term; NaN where it is not given."""
    return numbers(
        part,
        column,
        TERMS[_TERM_OF[column]],
        where,
        code="winds-bad",
        row="row",
        needed=column in ("direction_deg", "frequency"),
        # A percent is caught later by its sum, with a better message than a range can give.
        high=100.0 if column == "frequency" else None,
        spelled={w: 22.5 * i for i, w in enumerate(POINTS)} if column == "direction_deg" else None,
    )


def choose(sets: dict[str, WindSet], wanted: str, fitting: Sequence[str], where: str) -> WindSet:
    """The subset to use: the one asked for, else the first that fits, else the whole record.

    Parameters
    ----------
    sets : dict
        `WindSet` by subset name.
    wanted : str
        Name of the subset asked for; empty for none.
    fitting : sequence of str
        Names that fit the purpose or the season, best first.
    where : str
        What to call the wind set in errors.

    Raises
    ------
    InputError
        ``name-unknown`` when the subset asked for is not there, or when every subset has a name
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
