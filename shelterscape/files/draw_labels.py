"""Labels on maps that do not collide."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
import shapely
from matplotlib.axes import Axes
from numpy.typing import NDArray

from shelterscape.files.draw_figure import FONT, HALO

FONT_POINTS = 7.0
LETTER_EM, LINE_EM = 0.62, 1.3
"""Mean width of a letter and height of a line, in font sizes."""

Box = tuple[float, float, float, float]


class Labels:
    """Places the labels of one map, each where no earlier one is.

    Parameters
    ----------
    axes : Axes
        With its final limits.
    points_per_m : float
        Scale of the map, points (1/72 inch) for each metre.
    """

    def __init__(self, axes: Axes, points_per_m: float) -> None:
        self._axes, self._scale = axes, points_per_m
        self._west, east = axes.get_xlim()
        self._south, north = axes.get_ylim()
        self._size = (east - self._west) * points_per_m, (north - self._south) * points_per_m
        self._taken: list[Box] = []
        self._kept_clear = shapely.STRtree([])

    def reserve(self, west: float, south: float, east: float, north: float) -> None:
        """Keep labels off a part of the map, in its coordinates."""
        self._taken.append((*self._points(west, south), *self._points(east, north)))

    def keep_clear(self, shapes: NDArray[np.object_]) -> None:
        """Write labels beside features, in map coordinates, where there is a free place."""
        origin = np.array([self._west, self._south])
        self._kept_clear = shapely.STRtree(
            shapely.transform(shapes, lambda xy: (xy - origin) * self._scale)
        )

    def place(self, labels: Iterable[tuple[float, float, str]], size: float = FONT_POINTS) -> int:
        """Write labels beside their points; return how many found no free place.

        Parameters
        ----------
        labels : iterable of (x, y, text)
            Most important first.
        size : float
            Points.
        """
        left_out = 0
        for x, y, text in labels:
            px, py = self._points(x, y)
            if not (0 <= px <= self._size[0] and 0 <= py <= self._size[1]):
                continue
            lines = text.split("\n")
            half = LETTER_EM * size * max(map(len, lines)) / 2, LINE_EM * size * len(lines) / 2
            place = self._free_place(px, py, half)
            if place is None:
                left_out += 1
                continue
            at = self._west + place[0] / self._scale, self._south + place[1] / self._scale
            self._axes.text(*at, text, fontsize=size, family=FONT, ha="center", va="center",
                            path_effects=HALO, zorder=9)  # fmt: skip
        return left_out

    def _free_place(
        self, x: float, y: float, half: tuple[float, float]
    ) -> tuple[float, float] | None:
        found: list[Box] = []
        for far, (dx, dy) in itertools.product(
            (1.0, 1.8, 2.8, 4.0),
            ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0)),
        ):
            cx, cy = x + dx * (half[0] + 3 * far), y + dy * (half[1] + 3 * far)
            box = cx - half[0], cy - half[1], cx + half[0], cy + half[1]
            inside = min(box[:2]) >= 0 and box[2] <= self._size[0] and box[3] <= self._size[1]
            if inside and not any(_overlap(box, other) for other in self._taken):
                found.append(box)
        if not found:
            return None
        # A label over a feature is better than none.
        clear = (box for box in found if not self._kept_clear.query(
            shapely.box(*box), "intersects").size)  # fmt: skip
        box = next(clear, found[0])
        self._taken.append(box)
        return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2

    def _points(self, x: float, y: float) -> tuple[float, float]:
        return (x - self._west) * self._scale, (y - self._south) * self._scale


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
