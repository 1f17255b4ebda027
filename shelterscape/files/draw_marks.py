"""Scale bar, north and wind arrow on a map."""

from __future__ import annotations

import math
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from shelterscape.files.draw_figure import FONT, HALO
from shelterscape.files.draw_views import Bounds
from shelterscape.grid import Grid, toward

WORDS: dict[str, Any] = {"family": FONT, "path_effects": HALO, "zorder": 9}
LEAST_CONVERGENCE_DEG = 0.05
"""Smaller angles between true and grid north are not drawn."""


def draw_scale_and_north(axes: Axes, bounds: Bounds, grid: Grid) -> Bounds:
    """Draw a scale bar, and true and grid north, in the lower left corner.

    Parameters
    ----------
    axes : Axes
    bounds : tuple of float
        Ground that is shown.
    grid : Grid

    Returns
    -------
    tuple of float
        Ground that they cover.
    """
    west, south, east, north = bounds
    width, height = east - west, north - south
    size = min(width, height)
    length = _round_length(width / 4)
    x, y = west + 0.04 * width, south + 0.035 * height
    label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.plot([x, x + length], [y, y], color="black", linewidth=2, solid_capstyle="butt", zorder=9,
              path_effects=[withStroke(linewidth=4, foreground="white")])  # fmt: skip
    axes.text(x + length / 2, y + 0.01 * height, label, ha="center", fontsize=7.5, **WORDS)
    # On the grid, true north is at minus the convergence.
    turned_deg = grid.convergence_deg()
    foot = (x + 0.02 * width, y + 0.06 * height)
    _arrow(axes, foot, -turned_deg, 0.085 * size)
    axes.text(foot[0], foot[1] + 0.095 * size, "N", ha="center", fontsize=7.5, **WORDS)
    if abs(turned_deg) >= LEAST_CONVERGENCE_DEG:
        axes.plot([foot[0]] * 2, [foot[1], foot[1] + 0.085 * size], color="black", linewidth=0.7,
                  linestyle=":", zorder=9)  # fmt: skip
        side = "E" if turned_deg > 0 else "W"
        axes.text(foot[0] + 0.025 * width, foot[1] + 0.03 * size,
                  f"grid north (dotted)\n{abs(turned_deg):.1f}° {side} of true", fontsize=5.5,
                  **WORDS)  # fmt: skip
    return west, south, west + 0.34 * width, foot[1] + 0.14 * size


def draw_wind_arrow(axes: Axes, bounds: Bounds, from_deg: float, grid: Grid) -> Bounds:
    """Draw the most frequent wind direction in the upper right corner.

    Parameters
    ----------
    axes : Axes
    bounds : tuple of float
        Ground that is shown.
    from_deg : float
        Where it comes from, degrees from true north.
    grid : Grid

    Returns
    -------
    tuple of float
        Ground that it covers.
    """
    west, south, east, north = bounds
    size = min(east - west, north - south)
    angle_deg = from_deg + 180.0 - grid.convergence_deg()
    east_part, down_part = toward(angle_deg)
    centre = east - 0.09 * size, north - 0.08 * size
    start = centre[0] - 0.05 * size * east_part, centre[1] + 0.05 * size * down_part
    _arrow(axes, start, angle_deg, 0.1 * size, width=2.2)
    at = east - 0.015 * size, centre[1] - 0.06 * size
    axes.text(*at, f"wind most often\nfrom {from_deg:.0f}°",
              ha="right", va="top", fontsize=6.5, **WORDS)  # fmt: skip
    return east - 0.2 * size, north - 0.2 * size, east, north


def _arrow(
    axes: Axes, foot: tuple[float, float], angle_deg: float, length: float, width: float = 1.2
) -> None:
    east_part, down_part = toward(angle_deg)
    tip = foot[0] + length * east_part, foot[1] - length * down_part
    arrow = {"arrowstyle": "-|>", "linewidth": width, "color": "black", "path_effects": HALO,
             "shrinkA": 0, "shrinkB": 0}  # fmt: skip
    axes.annotate("", xy=tip, xytext=foot, arrowprops=arrow, zorder=9)


def _round_length(metres: float) -> float:
    """The largest of 1, 2, 5 times a power of ten not above a length."""
    power = 10.0 ** math.floor(math.log10(metres))
    return next(power * step for step in (5, 2, 1) if power * step <= metres)
