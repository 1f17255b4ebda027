"""Colours of rasters on maps, fitted to the data, and their legends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import (
    BoundaryNorm,
    Colormap,
    LinearSegmentedColormap,
    ListedColormap,
    Normalize,
    to_rgba,
)
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from numpy.typing import NDArray

from shelterscape.files.draw_figure import FONT
from shelterscape.files.styles import (
    CENTRES,
    ZONE_COLOURS,
    Stops,
    end_words,
    legend_title,
    ramp_of,
)
from shelterscape.terms import ALL_WINDS, TERMS, Term

MISSING_COLOUR = "#d9d9d9"
FITTED_PERCENT = 1.0
"""Share of values beyond each end of a fitted scale, percent."""

STEPPED = "relative_wind"
"""The quantity that is drawn in zones."""


@dataclass(frozen=True)
class Scale:
    """Colours of one quantity.

    Parameters
    ----------
    term : Term
    colours : Colormap
    norm : Normalize
    """

    term: Term
    colours: Colormap
    norm: Normalize


def scale_of(term: Term, values: list[NDArray[np.floating]], *, relief: bool) -> Scale:
    """Zones for relative wind; for others their ramp, fitted to the values.

    Parameters
    ----------
    term : Term
    values : list of array
        All that is drawn; NaN where missing.
    relief : bool
        Whether relief is visible through the colours.
    """
    alpha = 0.82 if relief else 1.0
    if term.name == STEPPED:
        # Open ground has no colour of its own, so that relief is not read as shelter.
        colours = [
            to_rgba(c, 0.0 if z.is_open and relief else alpha)
            for z, c in zip(ALL_WINDS, ZONE_COLOURS, strict=True)
        ]
        bounds = [*(z.low for z in ALL_WINDS), 2.0]
        return Scale(
            term,
            ListedColormap(colours).with_extremes(bad=MISSING_COLOUR),
            BoundaryNorm(bounds, len(colours)),
        )
    stops = fitted_stops(term, values)
    low, high = stops[0][0], stops[-1][0]
    places = [((v - low) / (high - low), to_rgba(c, alpha)) for v, c in stops]
    ramp = LinearSegmentedColormap.from_list(term.name, places).with_extremes(bad=MISSING_COLOUR)
    return Scale(term, ramp, Normalize(low, high, clip=True))


def fitted_stops(term: Term, values: list[NDArray[np.floating]]) -> Stops:
    """The ramp of a quantity over the range of values; a centre keeps its colour.

    Parameters
    ----------
    term : Term
    values : list of array

    Returns
    -------
    tuple of (value, colour)
        Rising values; the ramp as it is where no values are known.
    """
    stops = ramp_of(term)
    known = np.concatenate([v[np.isfinite(v)] for v in values] or [np.empty(0)])
    if not known.size:
        return stops
    centre = CENTRES.get(term.name)
    if centre is not None and (known != centre).any():
        # Ground without any effect says nothing on its size.
        known = known[known != centre]
    low, high = (float(v) for v in np.percentile(known, [FITTED_PERCENT, 100 - FITTED_PERCENT]))
    first, last = stops[0][0], stops[-1][0]
    if centre is not None:
        # Both sides have the same reach, as far as the ramp extends.
        reach = max(high - centre, centre - low)
        reach = _rounded_up(reach, reach) if reach > 0 else last - centre
        sides = min(reach / (centre - first), 1.0), min(reach / (last - centre), 1.0)
        return tuple((centre + (v - centre) * sides[v > centre], c) for v, c in stops)
    span = high - low
    if span <= 0:
        return stops
    low, high = -_rounded_up(-low, span), _rounded_up(high, span)
    low, high = max(low, first), min(high, last)
    if high <= low:
        return stops
    return tuple((low + (v - first) * (high - low) / (last - first), c) for v, c in stops)


def _rounded_up(value: float, span: float) -> float:
    """The next multiple of a round number that is about a tenth of a span."""
    step = 10.0 ** math.floor(math.log10(span)) / 2
    return round(step * math.ceil(value / step - 1e-9), 10)


def draw_legend(figure: Figure, scale: Scale, left: float, top: float, *, hatched: bool) -> float:
    """Draw the legend of a scale; return the height it takes, inches.

    Parameters
    ----------
    figure : Figure
    scale : Scale
    left, top : float
        Its upper left corner, inches from the left and the bottom of the figure.
    hatched : bool
        Whether windier ground occurs.
    """
    width, height = figure.get_size_inches()
    title = legend_title(scale.term)
    if scale.term.name == STEPPED:
        handles = [
            Patch(
                facecolor=scale.colours(zone.code - 1),
                # A hatch has the colour of the edge.
                edgecolor="#222222" if zone is ALL_WINDS[-1] else "#8a8a8a",
                label=zone.label,
                hatch="////" if zone is ALL_WINDS[-1] else "",
            )
            for zone in (ALL_WINDS if hatched else ALL_WINDS[:-1])
        ]
        low, _ = end_words(scale.term)
        handles[0].set_label(f"{handles[0].get_label()}\n({low})")
        figure.legend(handles=handles, loc="upper left", frameon=False, title=title,
                               bbox_to_anchor=(left / width, top / height), fontsize=7.5,
                               alignment="left", title_fontsize=8.5)  # fmt: skip
        return 0.5 + 0.19 * len(handles)
    tall = 1.5
    words: dict[str, Any] = {"fontsize": 8, "family": FONT}
    figure.text(left / width + 0.05 / width, top / height, title, va="top", **words)
    place = ((left + 0.08) / width, (top - 0.42 - tall) / height, 0.16 / width, tall / height)
    axes = figure.add_axes(place)
    bar = figure.colorbar(ScalarMappable(scale.norm, scale.colours), cax=axes)
    bar.ax.tick_params(labelsize=7.5)
    ends: dict[str, Any] = {"transform": bar.ax.transAxes, "fontsize": 7.5, "family": FONT}
    low, high = end_words(scale.term)
    bar.ax.text(0, -0.03, low, va="top", **ends)
    bar.ax.text(0, 1.03, high, va="bottom", **ends)
    return tall + 0.8


def scales_of(panels: list[tuple[str, NDArray[np.floating]]], *, relief: bool) -> dict[str, Scale]:
    """One scale for each quantity of a sheet, fitted to all its panels.

    Parameters
    ----------
    panels : list of (str, array)
        Name of the quantity, and what is drawn of it.
    relief : bool
    """
    names = dict.fromkeys(name for name, _ in panels)
    return {
        name: scale_of(TERMS[name], [v for n, v in panels if n == name], relief=relief)
        for name in names
    }
