"""Invented ground of the Ostrel valley: relief, river, roads and one power line.

All of it is generated from a seed and the numbers in this script; no surveyed
elevation is used. Coordinates are in metres, EPSG:25832.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.spatial import cKDTree
from shapely import set_precision
from shapely.geometry import LineString, Polygon, box

WEST, NORTH = 384_000.0, 6_128_000.0
CELL, SIDE = 10.0, 800
EXTENT = CELL * SIDE
SOUTH, EAST = NORTH - EXTENT, WEST + EXTENT
EPSG = 25832

# A power of two: rounded elevations are exact in float32 and compress well.
HEIGHT_STEP_M = 1.0 / 16.0

# The river flows from the east edge to the west edge along this straight axis.
RIVER_HEAD = np.array([WEST + 8000.0, SOUTH + 900.0])
RIVER_MOUTH = np.array([WEST, SOUTH + 5700.0])
FLOOR_HEAD_M, FLOOR_MOUTH_M = 62.0, 24.0
RIDGE_OFFSET_M = 2350.0
SADDLE_ALONG_M = 4050.0


@dataclass(frozen=True)
class Ground:
    """Elevation on the 10 m grid (row 0 in the north), river, roads and power line."""

    height: np.ndarray
    river: LineString
    roads: list[LineString]
    power_line: LineString

    def z(self, x: np.ndarray | float, y: np.ndarray | float) -> np.ndarray:
        """Elevation at points, m, linear between cell centres."""
        return _sample(self.height, x, y)

    def slope_deg(self, x: np.ndarray | float, y: np.ndarray | float) -> np.ndarray:
        """Slope at points, degrees."""
        return _sample(slope_grid(self.height), x, y)


def _sample(grid: np.ndarray, x: np.ndarray | float, y: np.ndarray | float) -> np.ndarray:
    """Value of a grid at points, linear between cell centres, constant beyond the edge."""
    col = (np.atleast_1d(x) - WEST) / CELL - 0.5
    row = (NORTH - np.atleast_1d(y)) / CELL - 0.5
    return map_coordinates(grid.astype(float), [row, col], order=1, mode="nearest")


def slope_grid(height: np.ndarray) -> np.ndarray:
    """Slope by central differences, degrees."""
    down, across = np.gradient(height.astype(float), CELL)
    return np.degrees(np.arctan(np.hypot(down, across)))


def map_frame(inset: float) -> Polygon:
    """The rectangle of the map, reduced by an inset, m, on all sides."""
    return box(WEST + inset, SOUTH + inset, EAST - inset, NORTH - inset)


def _axes() -> tuple[np.ndarray, np.ndarray, float]:
    """Unit vector down the valley, unit vector to its north-east side, and length."""
    run = RIVER_MOUTH - RIVER_HEAD
    length = float(np.hypot(*run))
    along = run / length
    return along, np.array([along[1], -along[0]]), length


def _meander(t: np.ndarray) -> np.ndarray:
    """Offset of the river from the axis, m, at distances along the axis."""
    return (
        190 * np.sin(2 * np.pi * t / 3300 + 0.7)
        + 75 * np.sin(2 * np.pi * t / 1270 + 2.1)
        + 24 * np.sin(2 * np.pi * t / 610)
    )


def _beside(t: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Points at distances along the axis and offsets to the north-east of it."""
    along, side, _ = _axes()
    return RIVER_HEAD + t[:, None] * along + offset[:, None] * side


def river_points() -> np.ndarray:
    """The river as points 5 m apart, extended beyond both edges of the map."""
    t = np.arange(-1500.0, _axes()[2] + 1500.0, 5.0)
    return _beside(t, _meander(t))


def _clip(line: LineString) -> LineString:
    """The part of a line inside the map, with vertices rounded to centimetres."""
    return set_precision(line.intersection(map_frame(6.0)), 0.01)


def river_line() -> LineString:
    """The river inside the map."""
    return _clip(LineString(river_points()[::6]))


def valley_road() -> LineString:
    """A road along the foot of the ridge, on the north-east side of the river."""
    t = np.arange(-900.0, _axes()[2] + 900.0, 40.0)
    sweep = 150 * np.sin(2 * np.pi * t / 3300 + 0.7) + 90 * np.sin(2 * np.pi * t / 5100)
    return _clip(LineString(_beside(t, 700 + sweep)))


def hill_road() -> LineString:
    """A road from the south edge, over the river and the saddle, to the north edge."""
    _, side, _ = _axes()
    saddle = _beside(np.array([SADDLE_ALONG_M]), np.array([RIDGE_OFFSET_M]))[0]
    stops = np.array(
        [
            [WEST + 1500, SOUTH - 100],
            [WEST + 2300, SOUTH + 1250],
            [WEST + 3300, SOUTH + 2500],
            saddle - 1150 * side + [-140, 60],
            saddle - 450 * side + [90, -30],
            saddle,
            saddle + 1100 * side + [160, 0],
            [WEST + 6250, NORTH + 100],
        ]
    )
    knots = np.r_[0, np.cumsum(np.hypot(*np.diff(stops, axis=0).T))]
    steps = np.arange(0.0, knots[-1], 35.0)
    return _clip(LineString(CubicSpline(knots, stops)(steps)))


def power_line() -> LineString:
    """Straight spans between four turning points, south edge to north edge."""
    turns = [(6750, -50), (6350, 2750), (6700, 5200), (7500, 8050)]
    return _clip(LineString([(WEST + x, SOUTH + y) for x, y in turns]))


def fractal(rng: np.random.Generator, spectral_exponent: float, longest_m: float) -> np.ndarray:
    """A random surface with a power-law spectrum, mean 0 and standard deviation 1.

    Waves longer than `longest_m` are damped, because they would tilt the whole map and
    hide the valley.
    """
    pad = 2 * SIDE  # the transform is periodic; on a larger surface opposite edges differ
    freq = np.hypot(np.fft.fftfreq(pad, CELL)[:, None], np.fft.rfftfreq(pad, CELL)[None, :])
    floor = np.hypot(freq, 1.0 / longest_m)
    noise = np.fft.rfft2(rng.standard_normal((pad, pad)))
    surface = np.fft.irfft2(noise * floor ** (-spectral_exponent / 2), s=(pad, pad))[:SIDE, :SIDE]
    return (surface - surface.mean()) / surface.std()


def _valley_frame() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each cell: signed distance from the river, floor elevation, distance along the axis."""
    x = WEST + (np.arange(SIDE) + 0.5) * CELL
    y = NORTH - (np.arange(SIDE) + 0.5) * CELL
    cells = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    points = river_points()
    distance, near = cKDTree(points).query(cells)
    along, side, length = _axes()
    t = (cells - RIVER_HEAD) @ along
    sign = np.where((cells - points[near]) @ side >= 0, 1.0, -1.0)
    # The floor depends on the position of the cell along the axis: the nearest river point
    # jumps from bend to bend, which would leave a scarp across the hillside.
    floor = FLOOR_HEAD_M + (FLOOR_MOUTH_M - FLOOR_HEAD_M) * t / length
    shape = (SIDE, SIDE)
    return (distance * sign).reshape(shape), floor.reshape(shape), t.reshape(shape)


def _ridge(t: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Elevation added by the ridge: steep towards the river, gentler behind, with a saddle."""
    crest = RIDGE_OFFSET_M + 140 * np.sin(t / 900.0) + 60 * np.sin(t / 370.0)
    across = off - crest
    width = np.where(across < 0, 350.0, 900.0)
    saddle = 1 - 0.42 * np.exp(-(((t - SADDLE_ALONG_M) / 520) ** 2))
    fade = 1 / (1 + np.exp((t - 7300) / 330))  # the ridge ends in the north-west
    return 114 * saddle * fade * np.exp(-(np.abs(across / width) ** 1.9))


def _roughness(rng: np.random.Generator) -> np.ndarray:
    """Random relief, m: broad undulation with a little small-scale texture."""
    return 12 * fractal(rng, 4.6, 2800) + 2.2 * fractal(rng, 3.4, 500)


def _side_valleys(rng: np.random.Generator, t: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Small valleys that run down to the river on both sides, with random bends."""
    bend = 330 * fractal(rng, 5.0, 2600)
    # The two sides are shifted, so that side valleys do not face each other.
    phase = (t + bend + np.where(off > 0, 0, 430)) / np.where(off > 0, 980, 1180)
    notch = np.exp(-((np.sin(np.pi * phase) / 0.42) ** 2))
    deep = np.clip(0.75 + 0.3 * fractal(rng, 4.5, 2600), 0.1, 1.4)
    return -19 * deep * notch


def _keep_above(rise: np.ndarray, ease_m: float = 9.0) -> np.ndarray:
    """Relief limited smoothly, so that random relief stays above the valley floor."""
    return ease_m * (np.logaddexp(0, rise / ease_m) - np.log(2))


def build_height(rng: np.random.Generator) -> np.ndarray:
    """Elevation grid, float32, m, without missing cells."""
    from_river, floor, t = _valley_frame()
    _, side, _ = _axes()
    x = WEST + (np.arange(SIDE) + 0.5) * CELL - RIVER_HEAD[0]
    y = NORTH - (np.arange(SIDE) + 0.5) * CELL - RIVER_HEAD[1]
    off = x[None, :] * side[0] + y[:, None] * side[1]
    beyond = np.maximum(np.abs(from_river) - 130, 0)
    rise = np.where(
        from_river > 0,
        64 * (1 - np.exp(-((beyond / 1050) ** 2))),
        92 * (1 - np.exp(-((beyond / 1750) ** 2))),
    )
    bed = 1.6 * np.minimum(np.abs(from_river) / 130, 1) ** 2
    spread = 1 - np.exp(-((beyond / 420) ** 2))  # no random relief on the valley floor
    chance = spread * (_roughness(rng) + _side_valleys(rng, t, off))
    height = floor + bed + _keep_above(rise + _ridge(t, off) + chance)
    smooth = gaussian_filter(height, 3.0, mode="nearest")
    return (np.round(smooth / HEIGHT_STEP_M) * HEIGHT_STEP_M).astype(np.float32)


def build_ground(rng: np.random.Generator) -> Ground:
    """Elevation, river, roads and power line."""
    return Ground(build_height(rng), river_line(), [valley_road(), hill_road()], power_line())
