"""Charts of lines, steps and points."""

from __future__ import annotations

import shelterscape.files.draw_library  # noqa: F401 - before matplotlib

# isort: split

from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from shelterscape.files.draw_figure import (
    FONT,
    LINE_INCHES,
    new_figure,
    note_lines,
    save_figure,
)
from shelterscape.files.draw_sheets import ChartSheet
from shelterscape.files.styles import CHART_COLOURS

WIDTH_INCHES, PLOT_INCHES, BELOW_INCHES = 8.0, 3.4, 1.0


def draw_chart(path: Path, sheet: ChartSheet) -> None:
    """Draw a chart of lines with a common x axis as a PNG file.

    Parameters
    ----------
    path : Path
        File to write.
    sheet : ChartSheet
    """
    text = note_lines(sheet.notes, WIDTH_INCHES - 0.2)
    foot = LINE_INCHES * len(text) + 0.25
    bottom = foot + 0.5 + (BELOW_INCHES + 0.2 if sheet.below else 0.0)
    height = bottom + PLOT_INCHES + 0.55
    figure = new_figure(WIDTH_INCHES, height, sheet.title)
    axes = figure.add_axes((0.1, bottom / height, 0.86, PLOT_INCHES / height))
    axes.set_ylabel(sheet.y_label, family=FONT)
    if sheet.categories:
        _draw_columns(axes, sheet)
    else:
        _draw_lines(axes, sheet)
    tops = [y for _, y in sheet.lines.values()] + [high for _, high in sheet.ranges.values()]
    largest = max(max(values) for values in tops)
    smallest = min(0.0, *(min(y) for _, y in sheet.lines.values()))
    axes.set_ylim(1.15 * smallest, 1.15 * largest if largest > 0 else 1)
    axes.grid(alpha=0.3, axis="y" if sheet.categories else "both")
    axes.legend(frameon=False, loc="best", fontsize=8.5)
    lowest = axes
    if sheet.below:
        lowest = figure.add_axes((0.1, (foot + 0.5) / height, 0.86, BELOW_INCHES / height))
        _draw_below(lowest, axes, sheet)
    lowest.set_xlabel(sheet.x_label, family=FONT)
    save_figure(figure, path, text)


def _draw_below(axes: Axes, above: Axes, sheet: ChartSheet) -> None:
    """Draw steps of whole numbers over the same x axis."""
    x, y = sheet.below
    axes.plot(x, y, color=CHART_COLOURS[2], drawstyle="steps-post", marker="D", markersize=4)
    axes.set_ylabel(sheet.below_label, family=FONT)
    axes.set_xlim(above.get_xlim())
    axes.set_ylim(0, 1.15 * max(*y, 1))
    axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=4, min_n_ticks=1))
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8, min_n_ticks=1))
    axes.ticklabel_format(useOffset=False, style="plain", axis="x")
    axes.grid(alpha=0.3)
    above.tick_params(labelbottom=False)


def _draw_columns(axes: Axes, sheet: ChartSheet) -> None:
    """Draw columns side by side at each category, with their ranges."""
    width = 0.8 / len(sheet.lines)
    for i, (name, (x, y)) in enumerate(sheet.lines.items()):
        at = [value + (i - (len(sheet.lines) - 1) / 2) * width for value in x]
        bars = axes.bar(at, y, 0.9 * width, label=name, color=CHART_COLOURS[i], alpha=0.85)
        axes.bar_label(bars, fmt="{:,.0f}", label_type="center", color="white", fontsize=9)
        if name in sheet.ranges:
            low, high = sheet.ranges[name]
            ends = [[v - a for v, a in zip(y, low, strict=True)],
                    [b - v for v, b in zip(y, high, strict=True)]]  # fmt: skip
            axes.errorbar(at, y, ends, fmt="none", ecolor="#222222", capsize=4, linewidth=1)
    axes.set_xticks(range(len(sheet.categories)), sheet.categories, family=FONT)


def _draw_lines(axes: Axes, sheet: ChartSheet) -> None:
    """Draw all lines, and the gap between two of them."""
    for i, (name, (x, y)) in enumerate(sheet.lines.items()):
        _draw_line(axes, sheet, i, name, x, y)
    if sheet.between:
        (x, low), (_, high) = (sheet.lines[name] for name in sheet.between)
        how: Any = "post" if set(sheet.between) <= set(sheet.steps) else None
        axes.fill_between(x, low, high, color="#8a8a8a", alpha=0.15, linewidth=0, step=how)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8, min_n_ticks=1))
    axes.ticklabel_format(useOffset=False, style="plain")
    places = [x for values, _ in sheet.lines.values() for x in values]
    margin = max(0.05 * (max(places) - min(places)), 2.0)
    axes.set_xlim(min(places) - margin, max(places) + margin)


def _draw_line(
    axes: Axes, sheet: ChartSheet, i: int, name: str, x: list[float], y: list[float]
) -> None:
    """Draw one line, and the level to compare it with."""
    colour = CHART_COLOURS[i % len(CHART_COLOURS)]
    # Markers and strokes differ too, so that lines can be distinguished without colour.
    marker = "" if name in sheet.curves else "osD^v"[i % 5]
    stroke = ("-", "--", ":", "-.")[i % 4] if name in sheet.curves else "-"
    stroke = "" if name in sheet.points else stroke
    how = "steps-post" if name in sheet.steps else "default"
    axes.plot(x, y, label=name, color=colour, marker=marker, linestyle=stroke, drawstyle=how)
    if name in sheet.levels:
        label, level = sheet.levels[name]
        axes.axhline(level, color=colour, linestyle="--", linewidth=1, label=label)
