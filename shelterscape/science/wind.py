"""Wind sets: from where, how often and how fast it blows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.terms import TERMS

ASSUMED_WEIBULL_K = 2.0
"""Weibull shape where none is given (common practice: the Rayleigh spread of speeds)."""

WIDEST_SECTOR_DEG = 45.0
"""Sectors wider than those of eight points would smear what belts do past use (E)."""

COLUMNS = ("direction_deg", "frequency", "mean_speed_ms", "weibull_k")
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
    """

    subset: str
    direction_deg: NDArray[np.float64]
    frequency: NDArray[np.float64]
    mean_speed_ms: NDArray[np.float64]
    weibull_k: NDArray[np.float64]
    calm: float = 0.0
    listed: bool = False

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
        k = self.weibull_k
        gamma = np.vectorize(math.gamma, otypes=[float])
        scale = self.mean_speed_ms / gamma(1.0 + 1.0 / k)
        moment = scale**power * gamma(1.0 + power / k)
        raw = self.frequency * (np.ones_like(moment) if np.isnan(moment).any() else moment)
        return raw / raw.sum()


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
        )
    return WindSet(
        subset="",
        direction_deg=np.asarray(directions_deg, dtype=float) % 360.0,
        frequency=np.full(n, 1.0 / n),
        mean_speed_ms=np.full(n, np.nan),
        weibull_k=np.full(n, ASSUMED_WEIBULL_K),
        listed=True,
    )


def wind_sets(frame: pd.DataFrame, where: str) -> tuple[dict[str, WindSet], list[Notice]]:
    """Check a table of winds and cut it into its subsets.

    Parameters
    ----------
    frame : DataFrame
        Columns as in ``winds.csv``: ``subset`` (optional), ``direction_deg`` (degrees, or the word
        calm), ``frequency``, ``mean_speed_ms`` and ``weibull_k`` (optional).
    where : str
        What to call the table in errors.

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
    missing = [c for c in ("direction_deg", "frequency") if c not in frame.columns]
    if missing:
        raise InputError(
            "column-missing",
            f"The wind set lacks {' and '.join(missing)}.",
            where=where,
            value=", ".join(map(str, frame.columns)),
            mend="Name the columns direction_deg, frequency, mean_speed_ms and weibull_k.",
        )
    names = frame["subset"].fillna("").astype(str).str.strip() if "subset" in frame else ""
    notices: list[Notice] = []
    sets = {}
    for name, part in frame.assign(subset=names).groupby("subset", sort=False):
        sets[str(name)] = _one_set(str(name), part, f"{where}, subset “{name}”", notices)
    if not sets:
        raise InputError("winds-bad", "The wind set holds no rows.", where=where)
    return sets, notices


def _one_set(name: str, part: pd.DataFrame, where: str, notices: list[Notice]) -> WindSet:
    is_calm = part["direction_deg"].astype(str).str.strip().str.lower() == "calm"
    columns = {c: _numbers(part[~is_calm], c, where) for c in COLUMNS}
    calm = float(_numbers(part[is_calm], "frequency", where).sum())
    directions = columns["direction_deg"] % 360.0
    if not len(directions) or len(set(directions)) < len(directions):
        raise InputError(
            "winds-bad",
            "A wind set needs at least one direction, and each only once.",
            where=where,
            mend="Add up the rows of a repeated direction (0 and 360 are the same).",
        )
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
    # Without speeds all count the same; with speeds that are all nought none would count at all.
    run = float((columns["frequency"] * columns["mean_speed_ms"]).sum())
    if run < SMALLEST_RUN_MS:
        raise InputError(
            "winds-bad",
            "No direction of the wind set brings any wind.",
            where=where,
            value=run,
            mend="Give the mean speeds in m/s, or leave the column mean_speed_ms out.",
        )
    k = columns["weibull_k"]
    if np.isnan(k).any():
        text = f"{where}: Weibull shape taken as {ASSUMED_WEIBULL_K:g}"
        notices.append(Notice("value-assumed", text, int(np.isnan(k).sum())))
    return WindSet(
        name,
        directions,
        columns["frequency"] / total,
        columns["mean_speed_ms"],
        np.where(np.isnan(k), ASSUMED_WEIBULL_K, k),
        calm / total,
    )


def _numbers(part: pd.DataFrame, column: str, where: str) -> NDArray[np.float64]:
    """A column as numbers within the range of its term; NaN where it is not given."""
    if column not in part:
        return np.full(len(part), np.nan)
    try:
        values = pd.to_numeric(part[column]).to_numpy(dtype=float)
    except (ValueError, TypeError) as error:
        raise InputError(
            "winds-bad", f"{column} holds something other than numbers.", where=where, value=error
        ) from error
    term = TERMS[_TERM_OF[column]]
    required = column in ("direction_deg", "frequency")
    # A percent is caught later by its sum, with a better message than a range can give.
    high = 100.0 if column == "frequency" else term.high
    bad = (values < term.low) | (values > high) | (np.isnan(values) if required else False)
    if np.any(bad):
        raise InputError(
            "winds-bad",
            f"{column} must lie between {term.low:g} and {term.high:g} {term.symbol}".strip() + ".",
            where=where,
            value=float(values[np.argmax(bad)]),
        )
    return values


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
