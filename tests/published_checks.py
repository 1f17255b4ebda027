"""Published values and ours: one set of tables for the tests and for docs/validation.md.

Each table in tests/published/ is a CSV file. index.toml states its source, status, units and
checksum.
"""

from __future__ import annotations

import csv
import hashlib
import math
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.kernels.shelter_curves import (
    CURVES,
    effective_porosity,
    relative_wind_barrier,
)
from shelterscape.kernels.spectral import inner_depth
from shelterscape.processes.wind_set.work import CLASS_BOUNDS_MS
from shelterscape.science.chill import human_wind_chill, sheep_chill
from shelterscape.science.growth import height_at
from shelterscape.science.terrain import Edges, speed_up, topex
from shelterscape.science.terrain.guidelines import crest_speed_up, log_profile
from shelterscape.science.weibull import weibull_fit, weibull_mean
from shelterscape.science.wind import WindSet
from shelterscape.science.wind_sectors import sector_overlap
from shelterscape.science.wind_subsets import STORM_MS
from shelterscape.science.wind_units import SPEED_UNITS
from shelterscape.terms import DAVENPORT_WIERINGA

FOLDER = Path(__file__).parent / "published"

STATUS = {
    "S": "seen in the source",
    "S2": "seen in a text that cites it",
    "M": "not verified against the source",
    "D": "arithmetic from a listed formula: tests the code, not nature",
}


@dataclass(frozen=True)
class Row:
    """One published value and ours."""

    label: str
    published: float
    ours: float
    tolerance: float

    @property
    def hit(self) -> bool:
        return abs(self.ours - self.published) <= self.tolerance


@dataclass(frozen=True)
class Table:
    """A published table and its rows.

    `not_evidence` is empty unless the comparison needs an assumption or holds by construction, as
    `reason` states.
    """

    file: str
    title: str
    source: str
    status: str
    units: str
    sha256: str
    rows: tuple[Row, ...]
    known_misses: dict[str, str]
    not_evidence: str = ""
    reason: str = ""

    @property
    def independent(self) -> bool:
        return self.status in ("S", "S2") and not self.not_evidence


@cache
def index() -> dict[str, dict[str, Any]]:
    """Entries of index.toml by file, without a calculation."""
    read = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    return {entry["file"]: entry for entry in [*read["table"], *read["figures"]]}


def index_entry(file: str) -> dict[str, Any]:
    """Entry of index.toml for one file."""
    return index()[file]


def files() -> list[str]:
    """Files for `table`, in the order of the index, without a calculation."""
    return [file for file in index() if file in _ROWS]


@cache
def table(file: str) -> Table:
    """One published table; its rows are calculated on the first call."""
    return Table(**{"known_misses": {}, **index_entry(file)}, rows=tuple(_ROWS[file]()))


def tables() -> list[Table]:
    """All published tables."""
    return [table(file) for file in files()]


def checksum(file: str) -> str:
    """Checksum of the bytes of a table."""
    return hashlib.sha256((FOLDER / file).read_bytes()).hexdigest()


def _read(file: str) -> Iterator[dict[str, str]]:
    with (FOLDER / file).open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def _barrier_curve() -> Iterator[Row]:
    for row in _read("barrier_curve.csv"):
        x, theta = float(row["distance_h"]), float(row["porosity"])
        ours = float(relative_wind_barrier(x, theta))
        yield Row(f"porosity {theta:g}, {x:g} H", float(row["relative_wind"]), ours, 1e-3)


def _default_wind(x: np.ndarray, theta: float) -> np.ndarray:
    """Relative wind of the default curve for a thin belt."""
    return next(iter(CURVES.values())).relative_wind(x, np.array(theta), np.array(0.0))


def _landmarks(theta: float, wind: Callable[..., np.ndarray]) -> dict[str, float]:
    x = np.arange(0.0, 50.0, 0.01)
    r = wind(x, theta)
    low = int(np.argmin(r))
    return {
        "smallest relative wind": float(r[low]),
        "distance of the smallest (H)": float(x[low]),
        "distance to 80 % (H)": float(x[low:][np.argmax(r[low:] >= 0.8)]),
        "distance to 90 % (H)": float(x[low:][np.argmax(r[low:] >= 0.9)]),
    }


def _barrier_landmarks() -> Iterator[Row]:
    for row in _read("barrier_landmarks.csv"):
        theta = float(row["porosity"])
        ours = _landmarks(theta, relative_wind_barrier)[row["landmark"]]
        label = f"porosity {theta:g}, {row['landmark']}"
        yield Row(label, float(row["value"]), ours, float(row["tolerance"]))


def _barrier_width() -> Iterator[Row]:
    for row in _read("barrier_width.csv"):
        theta, width = float(row["porosity"]), float(row["width_h"])
        ours = float(effective_porosity(theta, width))
        yield Row(
            f"porosity {theta:g}, {width:g} H wide", float(row["effective_porosity"]), ours, 1e-4
        )


def _handbook(file: str) -> Iterator[Row]:
    for row in _read(file):
        x, theta = float(row["distance_h"]), float(row["porosity"])
        label = f"{row.get('belt', 'moderately dense')}, {x:g} H"
        ours = float(_default_wind(np.array(x), theta))
        yield Row(label, float(row["relative_wind"]), ours, float(row["tolerance"]))


def _measured_belts() -> Iterator[Row]:
    """Regressions over measured belts, applied to the smallest wind of our curve."""
    # Of 0.16, 0.35 and 0.53, the two porosities whose smallest wind is in the measured range.
    for theta in (0.35, 0.53):
        ours = _landmarks(theta, _default_wind)
        b = 100 * ours["smallest relative wind"]
        for row in _read("measured_belts.csv"):
            k = {name: float(row[name]) for name in ("constant", "log", "linear", "quadratic")}
            value = k["constant"] + k["log"] * math.log(b) + k["linear"] * b + k["quadratic"] * b**2
            label = f"porosity {theta:g}, {row['what']}"
            yield Row(label, value, ours[row["what"]], float(row["tolerance"]))


def _shape(name: str) -> tuple[np.ndarray, Grid, int, bool]:
    """Ground, grid, row and column of the point, and whether topex is signed."""
    n, middle = 101, 50
    row, col = np.mgrid[0:n, 0:n].astype(float)
    away = np.hypot(row - middle, col - middle) * 10
    degrees = next((float(w) for w in name.split() if w.isdigit()), 0.0)
    slope = math.tan(math.radians(degrees))
    grounds = {
        "plane": slope * row * 10,
        "pit": slope * away,
        "cone": -slope * away,
        "valley": slope * np.abs(col - middle) * 10,
        "flat": np.zeros((n, n)),
    }
    grid = Grid((n, n), Affine(10, 0, 0, 0, -10, n * 10))
    return grounds[name.split()[0]], grid, middle, "positive" not in name


def _topex_shapes() -> Iterator[Row]:
    for row in _read("topex_shapes.csv"):
        ground, grid, middle, signed = _shape(row["shape"])
        ours = topex(ground, grid, limit_m=400.0, signed=signed)[middle, middle]
        yield Row(row["shape"], float(row["value"]), float(ours), float(row["tolerance"]))


def _weibull_moments() -> Iterator[Row]:
    """Moments from weights of a wind set: a direction with mean 1 m/s and one with scale 7 m/s."""
    k = 2.0
    mean = 7.0 * math.gamma(1 + 1 / k)
    reference = WindSet(
        "", np.array([0.0, 90.0]), np.full(2, 0.5), np.array([1.0, mean]), np.array([k, k])
    )
    for row in _read("weibull_moments.csv"):
        speed_exponent = 1.0 if row["what"] == "mean" else 3.0
        one, seven = reference.weights(speed_exponent)
        unit = (1.0 / math.gamma(1 + 1 / k)) ** speed_exponent * math.gamma(1 + speed_exponent / k)
        ours = seven / one * unit * (0.5 * 1.225 if speed_exponent == 3.0 else 1.0)
        yield Row(row["what"], float(row["value"]), float(ours), float(row["tolerance"]))


def _growth_heights() -> Iterator[Row]:
    for row in _read("growth_heights.csv"):
        height, at_age, age = (float(row[name]) for name in ("site_height", "site_age", "age"))
        ours = float(height_at(row["species"], age, site_index=(height, at_age)))
        label = f"{row['species']}, {height:g} m at {at_age:g}, age {age:g}"
        yield Row(label, float(row["height"]), ours, float(row["tolerance"]))


def _inner_depth() -> Iterator[Row]:
    for row in _read("inner_depth.csv"):
        length, z0 = float(row["length_m"]), float(row["roughness_m"])
        label = f"L {length:g} m, roughness {z0:g} m"
        ours = float(inner_depth(length, z0))
        yield Row(label, float(row["depth_m"]), ours, float(row["tolerance"]))


def _crest(hill: str, half_length_m: float, height_m: float, theory: str) -> float:
    """Our speed-up over the crest of a hill 1 m high, divided by its slope h/L.

    The map is periodic, and so large that its repetitions have no effect.
    """
    ridge = "ridge" in hill
    rows, cols, cell = (4096, 8, half_length_m / 20) if ridge else (1024, 1024, half_length_m / 12)
    down, across = ((np.arange(n) - n // 2) * cell for n in (rows, cols))
    away = np.hypot(down[:, None], 0 * across if ridge else across) / half_length_m
    ground = 1 / (1 + away**2) if "bell" in hill else 0.5 ** (away**2)
    grid = Grid((rows, cols), Affine(cell, 0, 0, 0, -cell, 0))
    wind = speed_up(ground, grid, 0.0, height_m=height_m, theory=theory, edges=Edges(pad_m=0.0))
    return float(wind.speed_up[rows // 2, cols // 2]) * half_length_m


def _hill_crests() -> Iterator[Row]:
    for row in _read("hill_crests.csv"):
        length, height = float(row["half_length_m"]), float(row["height_m"])
        ours = _crest(row["hill"], length, height, row["theory"])
        label = f"{row['theory']}, {row['hill']}, L {length:g} m, {height:g} m above ground"
        yield Row(label, float(row["coefficient"]), ours, float(row["tolerance"]))


def _crest_guideline() -> Iterator[Row]:
    for row in _read("crest_guideline.csv"):
        hill, length, height = (float(row[k]) for k in ("hill_m", "half_length_m", "height_m"))
        ours = crest_speed_up(row["shape"], hill, length, height_m=height)
        yield Row(row["shape"], float(row["speed_up"]), ours, float(row["tolerance"]))


def _crest_theory() -> Iterator[Row]:
    for row in _read("crest_theory.csv"):
        length, factor, fading = (float(row[k]) for k in ("half_length_m", "factor", "fading"))
        published = factor * math.exp(-fading * 10.0 / length)
        ours = _crest(f"Gaussian {row['shape']}", length, 10.0, "full")
        label = f"{row['shape']}, L {length:g} m"
        yield Row(label, published, ours, float(row["tolerance"]) * published)


def _log_profile() -> Iterator[Row]:
    for row in _read("log_profile.csv"):
        at, reference, z0 = (float(row[k]) for k in ("height_m", "reference_m", "roughness_m"))
        label = f"{at:g} m over {reference:g} m, roughness {z0:g} m"
        ours = log_profile(at, reference, z0)
        yield Row(label, float(row["ratio"]), ours, float(row["tolerance"]))


def _sheep_chill() -> Iterator[Row]:
    for row in _read("sheep_chill.csv"):
        celsius, ms, mm = (float(row[k]) for k in ("temperature_c", "speed_ms", "rain_mm"))
        ours = float(sheep_chill(celsius, ms, mm))
        label = f"{celsius:g} °C, {ms:g} m/s, {mm:g} mm a day"
        yield Row(label, float(row["index"]), ours, float(row["tolerance"]))


def _wind_chill() -> Iterator[Row]:
    for row in _read("wind_chill.csv"):
        celsius, kmh = float(row["temperature_c"]), float(row["speed_kmh"])
        ours = float(human_wind_chill(celsius, kmh))
        label = f"{celsius:g} °C, {kmh:g} km/h"
        yield Row(label, float(row["wind_chill_c"]), ours, float(row["tolerance"]))


def _constants(file: str, key: str, value: str, ours: dict[str, float]) -> Iterator[Row]:
    """Published constants that the code uses."""
    for row in _read(file):
        yield Row(row[key], float(row[value]), ours[row[key]], float(row["tolerance"]))


def _sector_shares() -> Iterator[Row]:
    """One report from each of 36 directions, shared over 16 sectors."""
    shares = 100 * sector_overlap(np.arange(36) * 10.0, 10.0, 16).sum(axis=0) / 36
    ours = {"smallest": float(shares.min()), "largest": float(shares.max())}
    for row in _read("sector_shares.csv"):
        which = row["what"].split()[0]
        yield Row(row["what"], float(row["percent"]), ours[which], float(row["tolerance"]))


def _weibull_fit() -> Iterator[Row]:
    draws = 7.0 * np.random.default_rng(20).weibull(2.0, 20_000)
    scale, shape = weibull_fit(draws)
    ours = {"mean": float(weibull_mean(7.0, 2.0)), "scale": scale, "shape": shape}
    for row in _read("weibull_fit.csv"):
        which = row["what"].split()[0]
        yield Row(row["what"], float(row["value"]), ours[which], float(row["tolerance"]))


BEAUFORT = {**dict(zip("3456", CLASS_BOUNDS_MS[1:], strict=True)), "7": STORM_MS}

_ROWS: dict[str, Callable[[], Iterator[Row]]] = {
    "barrier_curve.csv": _barrier_curve,
    "barrier_landmarks.csv": _barrier_landmarks,
    "barrier_width.csv": _barrier_width,
    "handbook_iowa.csv": lambda: _handbook("handbook_iowa.csv"),
    "handbook_brandle.csv": lambda: _handbook("handbook_brandle.csv"),
    "measured_belts.csv": _measured_belts,
    "growth_heights.csv": _growth_heights,
    "inner_depth.csv": _inner_depth,
    "hill_crests.csv": _hill_crests,
    "crest_guideline.csv": _crest_guideline,
    "crest_theory.csv": _crest_theory,
    "log_profile.csv": _log_profile,
    "topex_shapes.csv": _topex_shapes,
    "weibull_moments.csv": _weibull_moments,
    "weibull_fit.csv": _weibull_fit,
    "sector_shares.csv": _sector_shares,
    "sheep_chill.csv": _sheep_chill,
    "wind_chill.csv": _wind_chill,
    "beaufort_bounds.csv": lambda: _constants(
        "beaufort_bounds.csv", "force", "lower_bound_ms", BEAUFORT
    ),
    "speed_units.csv": lambda: _constants(
        "speed_units.csv", "unit", "metres_per_second", SPEED_UNITS
    ),
    "roughness_classes.csv": lambda: _constants(
        "roughness_classes.csv", "class", "roughness_m", DAVENPORT_WIERINGA
    ),
}
