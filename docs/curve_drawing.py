"""The drawing of all shelter curves, as SVG text so that it can be compared like a page."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from belt_evidence import belt_rows

from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE

PUBLISHED = Path(__file__).resolve().parents[1] / "tests" / "published"

PANELS = (0.0, 0.2, 0.4, 0.6, 0.8)
STROKES = {
    "exponential": ("#53318c", "2.6", ""),
    "mid": ("#53318c", "1.2", "6 2"),
    "barrier": ("#1f5f4a", "1.4", ""),
    "field": ("#b5561f", "1.4", ""),
    "handbook": ("#777777", "1.4", "5 3"),
}
WIDTH, HEIGHT, LEFT, TOP = 250, 190, 40, 40


@dataclass(frozen=True)
class Point:
    """A published wind beside a belt of some porosity."""

    source: str
    status: str
    theta: float
    x: float
    r: float


def panel_points() -> list[Point]:
    """Handbook rows, and published winds at a distance behind tree belts and hedges."""
    points = []
    for file, source, status in (
        ("handbook_iowa.csv", "Iowa State University Extension", "S"),
        ("handbook_brandle.csv", "Brandle and Finch 1991", "M"),
    ):
        with (PUBLISHED / file).open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                values = (float(row[k]) for k in ("porosity", "distance_h", "relative_wind"))
                points.append(Point(source, status, *values))
    return points + [
        Point(
            f"{row.source}{' (' + ', '.join(row.doubt) + ')' if row.doubt else ''}",
            row.status,
            row.porosity,
            row.distance_h,
            (row.low + row.high) / 2,
        )
        for row in belt_rows()
    ]


def drawing() -> str:
    """All curves for five porosities, with the published points nearest to each."""
    width, height = LEFT + 3 * (WIDTH + 30), TOP + 2 * (HEIGHT + 60)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        'font-family="sans-serif" font-size="11">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
    ]
    for i, theta in enumerate(PANELS):
        at = (LEFT + (i % 3) * (WIDTH + 30), TOP + (i // 3) * (HEIGHT + 60))
        parts.append(_panel(theta, *at))
    parts.append(_legend(LEFT + 2 * (WIDTH + 30) + 20, TOP + HEIGHT + 80))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _panel(theta: float, left: int, top: int) -> str:
    def place(x: float, r: float) -> str:
        return f"{left + (x + 6) / 41 * WIDTH:.1f},{top + (1.05 - r) / 1.05 * HEIGHT:.1f}"

    parts = [
        f'<g><text x="{left}" y="{top - 8}" font-weight="bold">porosity {theta:g}</text>',
        f'<rect x="{left}" y="{top}" width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="#999"/>',
    ]
    for x in (-5, 0, 5, 10, 15, 20, 25, 30, 35):
        across = place(x, 0).split(",")[0]
        parts.append(
            f'<text x="{across}" y="{top + HEIGHT + 14}" text-anchor="middle">{x} H</text>'
        )
        dash = "" if x == 0 else ' stroke-dasharray="1 3"'
        parts.append(
            f'<line x1="{across}" y1="{top}" x2="{across}" y2="{top + HEIGHT}" '
            f'stroke="#bbb"{dash}/>'
        )
    for r in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        down = float(place(0, r).split(",")[1])
        parts.append(
            f'<text x="{left - 4}" y="{down + 4:.1f}" text-anchor="end">{r:g}</text>'
            f'<line x1="{left}" y1="{down}" x2="{left + WIDTH}" y2="{down}" stroke="#ddd"/>'
        )
    x = np.arange(-6.0, 35.01, 0.25)
    parts.append(_band(x, theta, place))
    for name, (colour, stroke, dash) in STROKES.items():
        r = CURVES[name].relative_wind(x, np.array(theta), np.array(0.0))
        line = " ".join(place(*pair) for pair in zip(x, r, strict=True))
        parts.append(
            f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="{stroke}" '
            f'stroke-dasharray="{dash}"/>'
        )
    for point in panel_points():
        if min(PANELS, key=lambda p: (abs(p - point.theta), p)) == theta:
            across, down = place(point.x, point.r).split(",")
            fill = "black" if point.status == "S" else "white"
            parts.append(f'<circle cx="{across}" cy="{down}" r="3" fill="{fill}" stroke="black"/>')
    return "\n".join([*parts, "</g>"])


def _band(x: np.ndarray, theta: float, place: Callable[[float, float], str]) -> str:
    """The default curve with more and with less shelter, as beside published belts."""
    curve = CURVES[DEFAULT_CURVE]
    shelter = 1.0 - curve.relative_wind(x, np.array(theta), np.array(0.0))
    lower = np.maximum(1.0 - shelter * curve.shelter_factor, 0.0)
    upper = 1.0 - shelter / curve.shelter_factor
    there = [place(*pair) for pair in zip(x, lower, strict=True)]
    back = [place(*pair) for pair in zip(x[::-1], upper[::-1], strict=True)]
    return f'<polygon points="{" ".join(there + back)}" fill="#53318c" fill-opacity="0.14"/>'


def _legend(left: int, top: int) -> str:
    parts = ["<g>"]
    for i, (name, (colour, stroke, dash)) in enumerate(STROKES.items()):
        y = top + 18 * i
        parts.append(
            f'<line x1="{left}" y1="{y}" x2="{left + 30}" y2="{y}" stroke="{colour}" '
            f'stroke-width="{stroke}" stroke-dasharray="{dash}"/>'
            f'<text x="{left + 38}" y="{y + 4}">{name}</text>'
        )
    notes = (
        "black: seen in the source",
        "white: not verified against the source",
        "shaded: band of the default curve",
        "points: panel of the nearest porosity",
        "across: distance in belt heights, + leeward",
        "up: relative wind, near the ground",
    )
    for i, note in enumerate(notes):
        parts.append(f'<text x="{left}" y="{top + 100 + 15 * i}">{note}</text>')
    return "\n".join([*parts, "</g>"])
