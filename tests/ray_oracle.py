"""An independent calculation of the shelter field, without tables, strips or code of the package.

Curve values are calculated at exact distances from the published equation and the rules of
docs/shelter_curves.md. One ray through the centre of each cell is intersected with each belt by
shapely. It is slow, and only for belts too far apart to act as one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import shapely
from scipy.interpolate import PchipInterpolator

SOLID_H = (-6.0, -3.0, -1.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
SOLID_WIND = (1.0, 0.95, 0.70, 0.25, 0.70, 0.90, 0.95, 1.0, 1.0, 1.0)
"""Brandle and Finch 1991, solid belt (not verified against the source), 1 at -6 and 40 H."""
BEFORE_H, BEFORE_WIND = (-6.0, -3.0, -1.0), (1.0, 0.95, 0.80)

WOOD_FROM_H, WOOD_FULL_H, WOOD_OVER_H = 2.0, 5.0, 40.0
FAR_M = 9e3

NOWHERE, BEHIND, BEHIND_WOOD, BEFORE, INSIDE = range(5)
"""Position of a cell relative to the belt that decides there."""


def published_equation(x, theta, width_h):
    """Vigiak and others 2003 for 0 <= x <= 50; checked against barrier_curve.csv."""
    wide = theta + 0.3 * (1 - theta) * (1 - np.exp(-width_h / 2))
    near = 1 - np.exp(-(0.008 + 0.17 * (wide**1.05 - wide)) * x * x)
    start = 10 - 5 * wide
    far = 1.35 * np.exp(-np.sqrt(wide**0.4) / 2) * np.exp(-0.003 * (x + start) ** (3 - wide))
    return np.minimum(near + far, 1)


def barrier(x, theta, width_h):
    """The equation with a corrected windward side and dense belts, from -6 to 50 H."""
    x = np.asarray(x, dtype=float)
    shut = min(theta, 0.8)
    lee = published_equation(np.maximum(x, 0), shut, width_h)
    dense = max(0.0, 1 - shut / 0.25)
    solid = PchipInterpolator(SOLID_H, SOLID_WIND)(np.clip(x, 0, 40))
    lee = lee + dense * np.interp(x, (3, 7), (0, 1)) * (solid - lee)
    face = published_equation(0.0, shut, width_h)
    before = PchipInterpolator((*BEFORE_H, 0.0), (*BEFORE_WIND, face))
    wind = np.where(x < 0, before(np.clip(x, -6, 0)), lee)
    return wind + (1 - wind) * max(0.0, (theta - 0.8) / 0.2)


def mean_lee(x, theta, width_h):
    """Mean of the barrier curve and the curve of measured tree belts, for x from 0 on."""

    def above_limit(theta):
        wind = published_equation(x, min(theta, 0.8), width_h)
        return wind + (1 - wind) * max(0.0, (theta - 0.8) / 0.2)

    measured = above_limit(0.30 + 0.95 * min(theta, 0.53))
    measured = measured + (1 - measured) * max(0.0, (theta - 0.53) / 0.47)
    return (above_limit(theta) + measured) / 2


@cache
def calmest_of(theta, width_h):
    """Distance and wind of the calmest point of that mean."""
    fine = np.arange(0, 9, 1e-4)
    wind = mean_lee(fine, theta, width_h)
    return fine[wind.argmin()], wind.min()


def exponential(x, theta, width_h):
    """The default curve: back to the open wind, by 63 % of the rest over 8 H, 40 H at most."""
    x = np.asarray(x, dtype=float)
    calm, least = calmest_of(theta, width_h)

    def rest(beyond):
        return np.exp(-beyond / 8) * np.exp((1 - np.exp(-2 * beyond)) / 16)

    end = rest(40 - calm)
    share = (rest(np.clip(x - calm, 0, 40 - calm)) - end) / (1 - end)
    lee = np.where(x > calm, 1 - (1 - least) * share, mean_lee(np.clip(x, 0, calm), theta, width_h))
    solid = PchipInterpolator(SOLID_H, SOLID_WIND)(np.clip(x, 0, 40))
    dense = max(0.0, 1 - theta / 0.25) * np.interp(x, (3, 7), (0, 1))
    return np.where(x < 0, windward_side(x, theta, width_h), lee + dense * (solid - lee))


def windward_side(x, theta, width_h):
    """Mean of the windward sides of the barrier curve and the curve of measured tree belts."""
    x = np.clip(x, -6, 0)
    measured = barrier(x, 0.30 + 0.95 * min(theta, 0.53), width_h)
    measured = measured + (1 - measured) * max(0.0, (theta - 0.53) / 0.47)
    return (barrier(x, theta, width_h) + measured) / 2


@dataclass(frozen=True)
class Belt:
    """One belt: outline, height (m), porosity of the whole and of the lower half, width (m)."""

    ground: shapely.Geometry
    height: float
    porosity: float
    low: float
    width: float

    def thin(self, x):
        """Relative wind at distances in H, for a belt other than a wood."""
        near, far = (
            exponential(x, theta, self.width / self.height) for theta in (self.low, self.porosity)
        )
        return near + np.interp(x, (8, 10), (0, 1)) * (far - near)

    def calmest(self):
        """Distance and value of the smallest relative wind leeward."""
        x = np.arange(0, 40, 1e-3)
        r = self.thin(x)
        return float(x[r.argmin()]), float(r.min())

    def wood_turn(self):
        """Distance, H, at which the shortened lee of a wood recovers to a relative wind of 0.7."""
        x = np.arange(self.calmest()[0], 40, 1e-4)
        return float(x[np.argmax(self.thin(x) >= 0.7)]) / 2

    def wood(self, x):
        """Relative wind for a wood; only for belts with a smallest relative wind below 0.7."""
        calm, least = self.calmest()
        turn = self.wood_turn()
        short = np.where(2 * x < calm, least, self.thin(np.minimum(2 * x, 50)))
        rest = np.clip((WOOD_OVER_H - x) / (WOOD_OVER_H - turn), 0, 1)
        return np.where(x < turn, short, 1 - 0.3 * rest**2)

    def inside(self, depth):
        """Relative wind inside the belt, at a depth along the wind."""
        face = float(self.thin(0.0))
        return face + np.minimum(depth / 5, 1) * (self.calmest()[1] - face)


def strip(line, width):
    """Outline of a belt given as a line."""
    return shapely.buffer(line, width / 2, cap_style="flat", join_style="mitre", mitre_limit=2.0)


def field_of(belts, grid, direction_deg):
    """Smallest relative wind by any belt at each cell, along a single ray.

    Returns
    -------
    field : (rows, cols) float64
    place : (rows, cols) int
        Position of each cell relative to the belt that decides, `NOWHERE` to `INSIDE`.
    """
    up = np.array([np.sin(np.radians(direction_deg)), np.cos(np.radians(direction_deg))])
    rows, cols = np.indices(grid.shape)
    centres = np.column_stack(grid.affine * (cols.ravel() + 0.5, rows.ravel() + 0.5))
    rays = shapely.linestrings(np.stack([centres - FAR_M * up, centres + FAR_M * up], axis=1))
    field, place = np.ones(len(rays)), np.zeros(len(rays), int)
    for belt in belts:
        pieces, cell = shapely.get_parts(shapely.intersection(rays, belt.ground), return_index=True)
        met = shapely.length(pieces) > 0
        pieces, cell = pieces[met], cell[met]
        # Distances upwind from the cell, H, at which the ray enters and leaves the belt.
        ends = [shapely.get_coordinates(shapely.get_point(pieces, i)) for i in (0, -1)]
        upwind = [(end - centres[cell]) @ up / belt.height for end in ends]
        wind, where = _beside(belt, np.minimum(*upwind), np.maximum(*upwind))
        # Of several pieces on one ray the one with the least wind is written last, and so remains.
        order = np.argsort(-wind, kind="stable")
        cell, wind, where = cell[order], wind[order], where[order]
        lower = wind < field[cell]
        field[cell[lower]], place[cell[lower]] = wind[lower], where[lower]
    return field.reshape(grid.shape), place.reshape(grid.shape)


def _beside(belt, leaves, enters):
    """Relative wind and position, from the distances at which the ray enters and leaves a belt."""
    lee = np.clip(leaves, 0, 50)
    deep = np.clip((enters - leaves - WOOD_FROM_H) / (WOOD_FULL_H - WOOD_FROM_H), 0, 1)
    place = np.where(deep > 0, BEHIND_WOOD, BEHIND)
    place[enters <= 0] = BEFORE
    place[(leaves < 0) & (enters > 0)] = INSIDE
    wind = belt.thin(lee)
    if (place == BEHIND_WOOD).any():
        wind = wind + deep * (belt.wood(lee) - wind)
    ahead = belt.thin(np.clip(enters, -6, 0))
    wind = np.select([place == BEFORE, place == INSIDE], [ahead, belt.inside(enters)], wind)
    return wind, place
