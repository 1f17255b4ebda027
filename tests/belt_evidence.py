"""The evidence for the shelter curves, and how far candidates and curves are from it.

Rows are those of tests/published/belt_winds.csv; sets, candidates, loss and band are those declared
in docs/curve_evidence.md before anything was fitted. Used by tests/test_belt_evidence.py and the
pages of docs/.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from itertools import product

import numpy as np
from numpy.typing import NDArray
from published_checks import FOLDER
from scipy.interpolate import PchipInterpolator

from shelterscape.kernels import shelter_curves as kernel

Array = NDArray[np.float64]
Curve = Callable[[Array, Array], Array]
"""Relative wind of thin belts: distances in H, porosities -> ratio."""

ASSUMED, PAIRED, AMBIGUOUS = "assumed porosity", "paired ends", "ambiguous wording"
AT = ("at", "calmest")
"""Measures that are a wind at one distance; the second is the calmest wind of a belt."""
MORAVIA, BIRD, LOEFFLER, THUYET, CYPRESS, FU, PERI = (
    "Southern Moravia",
    "Bird",
    "Loeffler",
    "Thuyet",
    "Tall cypress",
    "Fu ",
    "Peri",
)
FIVE = (MORAVIA, BIRD, CYPRESS, FU, PERI)


@dataclass(frozen=True)
class Row:
    """One published value beside a belt: relative wind, or a ratio of two, in an interval."""

    source: str
    status: str
    kind: str
    belt: str
    season: str
    porosity: float
    measure: str
    distance_h: float
    to_h: float
    low: float
    high: float
    doubt: tuple[str, ...]
    reason: str

    @property
    def headline(self) -> bool:
        """Whether nothing about the row is in doubt."""
        return not self.doubt

    @property
    def middle_h(self) -> float:
        """Distance, or the middle of a range of distances."""
        return self.distance_h if self.measure in AT else (self.distance_h + self.to_h) / 2

    @property
    def what(self) -> str:
        """The row in words."""
        span = f"{self.distance_h:g} to {self.to_h:g} H"
        where = {
            "at": f"{self.distance_h:g} H",
            "calmest": f"calmest wind, at {self.distance_h:g} H",
            "mean": f"mean of {span}",
            "ratio": f"wind at {self.distance_h:g} H divided by that at {self.to_h:g} H",
            "back by": f"80 % is back from {span}",
        }[self.measure]
        season = f", {self.season}" if self.season else ""
        return f"{self.belt}{season}, porosity {self.porosity:g}, {where}"

    def ours(self, curve: Curve) -> float:
        """The value that a curve gives."""
        theta = np.array(self.porosity)
        if self.measure in AT:
            return float(curve(np.array(self.distance_h), theta))
        if self.measure == "mean":
            x = np.linspace(self.distance_h, self.to_h, 401)
            return float(np.trapezoid(curve(x, theta), x) / (self.to_h - self.distance_h))
        near, far = curve(np.array([self.distance_h, self.to_h]), theta)
        if self.measure == "ratio":
            return float(near / far)
        # Back somewhere between: not above it at the near end, not below it at the far end.
        return float(max(near, self.low) + min(far, self.high) - self.low)

    def error(self, curve: Curve) -> float:
        """Ours less the published value, or less the nearer end of its interval."""
        ours = self.ours(curve)
        return ours - float(np.clip(ours, self.low, self.high))


@cache
def evidence() -> tuple[Row, ...]:
    """All rows of the evidence."""
    with (FOLDER / "belt_winds.csv").open(encoding="utf-8", newline="") as stream:
        return tuple(_row(read) for read in csv.DictReader(stream))


def _row(read: dict[str, str]) -> Row:
    numbers = {
        name: float(read[name] or "nan")
        for name in ("porosity", "distance_h", "to_h", "low", "high")
    }
    words = {name: read[name] for name in ("source", "status", "kind", "belt", "season")}
    doubt = tuple(mark for mark in read["doubt"].split("; ") if mark)
    return Row(**words, **numbers, measure=read["measure"], doubt=doubt, reason=read["reason"])


def facts(topic: str) -> list[dict[str, str]]:
    """Rows of belt_facts.csv on one topic."""
    with (FOLDER / "belt_facts.csv").open(encoding="utf-8", newline="") as stream:
        return [row for row in csv.DictReader(stream) if row["topic"] == topic]


def belt_rows(
    sources: Sequence[str] = (), *, kinds: Sequence[str] = ("tree belt", "hedge")
) -> list[Row]:
    """Rows with a value at a distance to leeward, of some sources or all."""
    return [
        row
        for row in evidence()
        if row.kind in kinds
        and row.measure in AT
        and row.distance_h >= 0
        and AMBIGUOUS not in row.doubt
        and (not sources or row.source.startswith(tuple(sources)))
    ]


def sets() -> dict[str, list[Row]]:
    """The sets of rows for tree belts and hedges that docs/curve_evidence.md declares."""
    headline = [r for r in evidence() if r.headline and r.kind in ("tree belt", "hedge")]
    return {
        "headline": headline,
        "stated porosity": [r for r in belt_rows() if ASSUMED not in r.doubt],
        "five sources": belt_rows(FIVE),
        "all seven": belt_rows(),
    }


def handbook_rows(*, headline: bool = False) -> list[Row]:
    """Rows of handbook texts."""
    rows = [row for row in evidence() if row.kind == "handbook"]
    return [row for row in rows if row.headline] if headline else rows


def sources(rows: Iterable[Row]) -> list[str]:
    """Sources of some rows, each once."""
    return list(dict.fromkeys(row.source for row in rows))


# Candidates, leeward; the published equation and the handbook row are the kernel's, the rest is
# written out here.


def known(name: str) -> Curve:
    """One of `CURVES` for a thin belt."""
    return lambda x, theta: kernel.CURVES[name].relative_wind(x, theta, np.zeros(()))


def equation(x: Array, porosity: float) -> Array:
    """The published equation, led to 1 from a porosity of 0.8 on."""
    return _opened(kernel.relative_wind_barrier(x, min(porosity, 0.8)), porosity, 0.8)


def fed(x: Array, porosity: float) -> Array:
    """The equation as `field` feeds it."""
    return _opened(equation(x, 0.30 + 0.95 * min(porosity, 0.53)), porosity, 0.53)


def mean_lee(x: Array, theta: Array) -> Array:
    """Mean of `barrier` and `field` before dense belts are turned to the handbook row."""
    mean: Array = (equation(x, float(theta)) + fed(x, float(theta))) / 2.0
    return mean


def _opened(r: Array, porosity: float, top: float) -> Array:
    return 1.0 - (1.0 - r) * (1.0 - max(0.0, (porosity - top) / (1.0 - top)))


SOLID = PchipInterpolator(kernel.HANDBOOK_H, kernel.HANDBOOK_ROWS[0])


def turned(lee: Array, x: Array, theta: Array) -> Array:
    """A lee led to the handbook row of a solid belt, from porosity 0.25 down."""
    dense = max(0.0, 1.0 - 4.0 * float(theta)) * np.interp(x, (3.0, 7.0), (0.0, 1.0))
    result: Array = lee + dense * (SOLID(np.clip(x, 0.0, 40.0)) - lee)
    return result


def mid(x: Array, theta: Array) -> Array:
    """`mid` leeward."""
    half: Array = turned(equation(x, float(theta)), x, theta) + fed(x, float(theta))
    return half / 2.0


def raised(x: Array, theta: Array, *, least: float) -> Array:
    """`mid`, its reduction scaled so that the calmest wind is at least on a line."""
    _, m = calmest(mid, float(theta))
    wanted = max(m, least + (1.0 - least) * float(theta))
    return 1.0 - (1.0 - mid(x, theta)) * (1.0 - wanted) / max(1.0 - m, 1e-9)


@cache
def calmest(base: Curve, theta: float, **params: float) -> tuple[float, float]:
    """Distance and value of the smallest wind of a curve."""
    fine = np.arange(0.0, 12.0, 0.01)
    r = base(fine, np.array(theta), **params)
    return float(fine[r.argmin()]), float(r.min())


def tail(x: Array, theta: Array, *, recovery_h: float, **params: float) -> Array:
    """`mid`, or the raised minimum, up to the calmest point; an exponential recovery beyond it."""
    base: Curve = raised if params else mid
    x_m, m = calmest(base, float(theta), **params)
    lee = 1.0 - (1.0 - m) * np.exp(-(x - x_m) / recovery_h)
    return np.where(x > x_m, lee, base(x, theta, **params))


def smooth_tail(x: Array, theta: Array, *, recovery_h: float) -> Array:
    """`exponential` with another recovery distance."""
    x_m, m = calmest(mean_lee, float(theta))

    def left(d: Array) -> Array:
        return np.exp(-(d - 0.5 * (1.0 - np.exp(-2.0 * d))) / recovery_h)

    end = left(40.0 - x_m)
    lee = 1.0 - (1.0 - m) * np.maximum(left(np.maximum(x - x_m, 0.0)) - end, 0.0) / (1.0 - end)
    lee = np.where(x > x_m, lee, mean_lee(np.clip(x, 0.0, 12.0), theta))
    return turned(lee, x, theta)


@dataclass(frozen=True)
class Candidate:
    """A form of curve and the values its parameters may take."""

    form: Callable[..., Array]
    params: dict[str, Array]

    def curves(self) -> dict[tuple[float, ...], Curve]:
        """Every curve of the form by its parameters."""
        names = list(self.params)
        return {
            values: partial(self.form, **dict(zip(names, values, strict=True)))
            for values in product(*(tuple(map(float, v)) for v in self.params.values()))
        }


RECOVERY = np.arange(4.0, 16.01, 0.25)
LEAST = np.arange(0.0, 0.501, 0.02)

CANDIDATES = {
    "neither (`mid`)": Candidate(mid, {}),
    "tail": Candidate(tail, {"recovery_h": RECOVERY}),
    "smooth tail": Candidate(smooth_tail, {"recovery_h": RECOVERY}),
    "raised minimum": Candidate(raised, {"least": LEAST}),
    "both": Candidate(tail, {"least": LEAST[::2], "recovery_h": RECOVERY[::2]}),
}


# Loss


@dataclass(frozen=True)
class Score:
    """Errors of a curve over some rows, each source weighted equally."""

    bias: float
    rmse: float
    rows: int
    sources: int


def score(errors: Array, rows: Sequence[Row]) -> Score:
    """Bias and RMSE with equal weight by source."""
    weights = source_weights(rows)
    return Score(
        float(weights @ errors),
        float(np.sqrt(weights @ errors**2)),
        len(rows),
        len(sources(rows)),
    )


def source_weights(rows: Sequence[Row]) -> Array:
    """Weights of rows: equal for each source, and within it for each row."""
    names = [row.source for row in rows]
    each = np.array([1.0 / names.count(name) for name in names])
    return each / each.sum()


def errors(curve: Curve, rows: Sequence[Row]) -> Array:
    """Errors of a curve, row by row."""
    return np.array([row.error(curve) for row in rows])


def scored(curve: Curve, rows: Sequence[Row]) -> Score:
    """Errors of a curve over rows, as a score."""
    return score(errors(curve, rows), rows)


class Fits:
    """Errors of every curve of a candidate over some rows, for fits with sources left out."""

    def __init__(self, name: str, rows: Sequence[Row]) -> None:
        self.rows = list(rows)
        self.curves = CANDIDATES[name].curves()
        self.params = list(self.curves)
        self.errors = np.array([errors(curve, rows) for curve in self.curves.values()])

    def best(self, without: str | None = None) -> int:
        """Number of the parameters that fit best, a source left out."""
        kept = np.array([row.source != without for row in self.rows])
        weights = source_weights([row for row in self.rows if row.source != without])
        return int(np.argmin(self.errors[:, kept] ** 2 @ weights))

    def left_out(self) -> Array:
        """Errors row by row, each with its own source left out of the fit."""
        chosen = {name: self.best(name) for name in sources(self.rows)}
        return np.array([self.errors[chosen[r.source], i] for i, r in enumerate(self.rows)])


@cache
def fits(name: str, which: str) -> Fits:
    """Fits of a candidate to one of the sets."""
    return Fits(name, sets()[which])


# Band: what measured shelter is of ours, a source left out at a time


@cache
def left_out_curves(which: str = "all seven") -> dict[str, Curve]:
    """For each source, the smooth tail fitted to the others."""
    found = fits("smooth tail", which)
    curves = list(found.curves.values())
    return {name: curves[found.best(name)] for name in sources(found.rows)}


def shelter_ratio(curve: Curve, rows: Sequence[Row]) -> float:
    """Published wind reduction of one source divided by ours, summed over its distances."""
    ours = np.array([row.ours(curve) for row in rows])
    published = ours - errors(curve, rows)
    return float((1.0 - published).sum() / (1.0 - ours).sum())


def distance_ratios(curve: Curve, rows: Sequence[Row]) -> list[float]:
    """Published distance divided by that at which ours reaches the wind, beyond the calmest."""
    found = []
    for row in rows:
        x = np.arange(0.0, 40.0, 0.01)
        r = curve(x, np.array(row.porosity))
        calmest_h = x[r.argmin()]
        wind = float(np.clip(row.ours(curve), row.low, row.high))
        if row.measure == "at" and row.distance_h > calmest_h and r.min() < wind < 1.0:
            back = x[(x > calmest_h) & (r >= wind)][0]
            found.append(row.distance_h / back)
    return found


def left_out_ratios(kinds: Sequence[str] = ("tree belt", "hedge")) -> dict[str, float]:
    """Shelter ratio of every source, itself left out of the fit."""
    return {
        name: shelter_ratio(curve, rows)
        for name, curve in left_out_curves().items()
        if (rows := [r for r in belt_rows() if r.source == name and r.kind in kinds])
    }


def left_out_distances() -> dict[str, float]:
    """Root mean square logarithm of the distance ratios of every source that has any."""
    found = {
        name: distance_ratios(curve, [r for r in belt_rows() if r.source == name])
        for name, curve in left_out_curves().items()
    }
    return {name: rms(np.log(ratios)) for name, ratios in found.items() if ratios}


def rms(values: Array | Sequence[float]) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def coverage(spreads: dict[str, float]) -> tuple[int, int]:
    """How many sources are within the band of the others, of how many.

    `spreads` are logarithms, or their root mean squares, by source.
    """
    inside = [
        abs(own) <= rms([s for other, s in spreads.items() if other != name])
        for name, own in spreads.items()
    ]
    return sum(inside), len(inside)


# What is stated of each curve

KINDS = {"tree belts": ("tree belt",), "hedges": ("hedge",), "handbook texts": ("handbook",)}


def left_out_errors(name: str, rows: Sequence[Row]) -> Array:
    """Errors of a curve, `exponential` with each source left out of the fit of its recovery."""
    if name != "exponential":
        return errors(known(name), rows)
    fitted = left_out_curves()
    return np.array([row.error(fitted.get(row.source, known(name))) for row in rows])


@cache
def rmse_by_kind(name: str) -> dict[str, float]:
    """RMSE of a curve by kind, each source weighted equally.

    The larger of the curve as it is and of one whose recovery is fitted with the source left out.
    """
    rows = {
        kind: handbook_rows() if kind == "handbook texts" else belt_rows(kinds=kinds)
        for kind, kinds in KINDS.items()
    }
    return {
        kind: max(score(e, r).rmse for e in (errors(known(name), r), left_out_errors(name, r)))
        for kind, r in rows.items()
    }


@cache
def band_factors(name: str) -> tuple[float, float]:
    """Factors, 1 or more, of the band of wind reduction and of that of distance."""
    if name == "exponential":
        curves = left_out_curves()
    else:
        curves = dict.fromkeys(left_out_curves(), known(name))
    parts = {source: [r for r in belt_rows() if r.source == source] for source in curves}
    ratios = [shelter_ratio(curves[source], rows) for source, rows in parts.items()]
    distances = [distance_ratios(curves[source], rows) for source, rows in parts.items()]
    each = [rms(np.log(found)) for found in distances if found]
    return float(np.exp(rms(np.log(ratios)))), float(np.exp(rms(each)))
