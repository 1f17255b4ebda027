"""Colours of each quantity and layer, for pictures and for the styles of a GIS.

A darker colour means more of the quantity in the title. Lightness changes evenly along a ramp of
one hue, so that ramps read the same to colour-blind eyes and in grey print: shelter is violet, wind
amber. "Windier" ground has a second hue, rust, and a hatch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from shelterscape.terms import Term

Stops = tuple[tuple[float, str], ...]

ANGLES: Stops = (
    (-10.0, "#f6f2fb"),
    (-3.0, "#d9cff0"),
    (0.0, "#b6a3dd"),
    (5.0, "#8164ba"),
    (10.0, "#53318c"),
    (20.0, "#2b1055"),
)
WIND_SPEEDS: Stops = (
    (0.0, "#fdf6e6"),
    (2.0, "#f4dcae"),
    (3.5, "#e3b269"),
    (5.0, "#c47f2c"),
    (7.0, "#96500a"),
    (11.0, "#5c2a00"),
)
WIND_RATIOS: Stops = (
    (0.0, "#2b1055"),
    (0.5, "#53318c"),
    (0.75, "#8164ba"),
    (0.9, "#cfc3ea"),
    (1.0, "#faf9fc"),
    (1.1, "#f4dcae"),
    (1.25, "#c47f2c"),
    (1.5, "#96500a"),
    (2.0, "#5c2a00"),
)
"""Two hues that meet at 1, wind as over flat, open terrain."""

RAMPS: dict[str, Stops] = {
    "relative_wind": (
        (0.0, "#2b1055"),
        (0.25, "#53318c"),
        (0.5, "#8164ba"),
        (0.75, "#b6a3dd"),
        (0.95, "#eae4f6"),
        (1.0, "#faf9fc"),
        (1.25, "#b5561f"),
    ),
    "topex_deg": (
        (-45.0, "#f6f2fb"),
        (-15.0, "#d9cff0"),
        (0.0, "#b6a3dd"),
        (20.0, "#8164ba"),
        (45.0, "#53318c"),
        (90.0, "#2b1055"),
    ),
    "wind_reduction_added": (
        (-0.25, "#b5561f"),
        (-0.02, "#f3e3d8"),
        (0.0, "#faf9fc"),
        (0.05, "#e2d9f3"),
        (0.15, "#b6a3dd"),
        (0.3, "#8164ba"),
        (0.5, "#53318c"),
        (0.8, "#2b1055"),
    ),
    "relative_wind_difference": (
        (-0.6, "#2b1055"),
        (-0.3, "#53318c"),
        (-0.1, "#b6a3dd"),
        (0.0, "#faf9fc"),
        (0.1, "#e8b48c"),
        (0.3, "#b5561f"),
        (0.6, "#5c2a00"),
    ),
    "weighted_horizon_deg": ANGLES,
    "upwind_slope_deg": ANGLES,
    "terrain_wind_ms": WIND_SPEEDS,
    "site_wind_ms": WIND_SPEEDS,
    "terrain_wind_ratio": WIND_RATIOS,
    "site_wind_ratio": WIND_RATIOS,
    "complete_views_share": ((0.0, "#e4f0ea"), (0.5, "#7fb09b"), (1.0, "#1f5f4a")),
    "horizon_deg": ANGLES,
    "equivalent_sheltered_share": (
        (-0.1, "#b5561f"),
        (0.0, "#faf9fc"),
        (0.1, "#eae4f6"),
        (0.25, "#b6a3dd"),
        (0.5, "#8164ba"),
        (1.0, "#2b1055"),
    ),
    "slope_deg": (
        (0.0, "#f3f7f2"),
        (6.0, "#cfe0d6"),
        (11.0, "#93bda6"),
        (18.0, "#4f8a70"),
        (27.0, "#1f5f4a"),
    ),
    "runoff_share": (
        (0.0, "#f4f8fb"),
        (0.3, "#b3cddd"),
        (0.7, "#5f90b0"),
        (1.0, "#1f4e6e"),
    ),
    "exposed_share": ((0.0, "#fdf6e6"), (0.5, "#c47f2c"), (1.0, "#5c2a00")),
    "rank_share": ((0.0, "#1f5f4a"), (0.35, "#5d9a82"), (0.7, "#a9cbbd"), (1.0, "#f3f7f2")),
}
"""Colour at rising values, by term."""

MEASURED_BY = {"relative_wind": "shelter", "rank_share": "gain divided by cost"}
"""Quantity in the title of a map, where it is greatest at the lowest values of a term.

A low relative wind is much shelter, so low values are dark: the title and the legend name shelter.
The first holdings in rank gain most for their cost.
"""

_EXPOSED = ("exposed", "sheltered")
_WINDY = ("calm", "windy")
END_WORDS = {
    "relative_wind": ("sheltered", "windier"),
    "topex_deg": _EXPOSED,
    "horizon_deg": _EXPOSED,
    "weighted_horizon_deg": _EXPOSED,
    "upwind_slope_deg": _EXPOSED,
    "terrain_wind_ms": _WINDY,
    "site_wind_ms": _WINDY,
    "terrain_wind_ratio": _WINDY,
    "site_wind_ratio": _WINDY,
    "wind_reduction_added": ("windier", "sheltered"),
    "relative_wind_difference": ("this plan shelters more", "other plan shelters more"),
    "complete_views_share": ("incomplete", "complete"),
    "equivalent_sheltered_share": ("windier", "sheltered"),
    "exposed_share": ("sheltered", "exposed"),
    "slope_deg": ("level", "steep"),
    "runoff_share": ("passes the belts", "meets a belt"),
    "rank_share": ("first", "last"),
}
"""Words at the low and the high end of a legend, by term; others have "low" and "high"."""

ZONE_COLOURS = ("#3a1d6e", "#6b4aa6", "#9c85cc", "#cfc3ea", "#faf9fc", "#b5561f")
"""Shelter zones, most sheltered first. The last is windier; it is hatched."""

BELT_COLOUR = "#1f5f4a"
MARKED_COLOUR, OUTLINE_COLOUR = "#b5561f", "#222222"
"""Colours of emphasized lines and of outlines of areas."""

CENTRES = {
    "terrain_wind_ratio": 1.0,
    "site_wind_ratio": 1.0,
    "wind_reduction_added": 0.0,
    "relative_wind_difference": 0.0,
    "equivalent_sheltered_share": 0.0,
}
"""Value at which the two hues of a ramp meet, by term."""

HATCHED_ABOVE = {"relative_wind": 1.05}
"""Value above which a quantity is hatched as well as coloured, by term."""

CHART_COLOURS = ("#53318c", "#b5561f", "#1f5f4a", "#8a8a8a", "#c47f2c")

HEIGHT_SHADES = ("#dfeee7", "#a9cbbd", "#5d9a82", "#1f5f4a", "#0d3326")
SHELTER_SHADES = ("#eae4f6", "#b6a3dd", "#8164ba", "#53318c", "#2b1055")
"""Colours at rising numbers of a layer."""

TARGET_COLOURS = {"target reached": "#53318c", "target not reached": "#e3b269"}
"""Colours of places by their target; a darker one is more sheltered."""

NO_VALUE_COLOUR = "#8a8a8a"


@dataclass(frozen=True)
class LayerStyle:
    """How features of a layer are drawn in a GIS.

    Parameters
    ----------
    colour_by : str
        Column that sets the colour; empty for one colour.
    colours : mapping
        Colour of each word, for a column of words.
    shades : tuple of str
        Colours at rising numbers, for a column of numbers; those of its ramp if there are none.
    target : str
        Column that `colour_by` must not exceed: features that reach it and that do not have
        `TARGET_COLOURS`.
    reached : str
        Column of yes or no that decides instead, where reaching a target is more than that.
    colour : str
        The one colour, where no column sets it.
    hatched, outlined : bool
        Whether areas are hatched instead of filled, and whether they have an outline.
    label : str
        Column written beside each feature; empty for none.
    reduction_of : str
        Column of relative wind that the label reports as a wind reduction; empty for none.
    shown : bool
        Whether the report shows the layer of a step that answers the question at first.
    """

    colour_by: str = ""
    colours: Mapping[str, str] = field(default_factory=dict)
    shades: tuple[str, ...] = ()
    target: str = ""
    reached: str = ""
    colour: str = BELT_COLOUR
    hatched: bool = False
    outlined: bool = True
    label: str = ""
    reduction_of: str = ""
    shown: bool = True


ONE_COLOUR = LayerStyle()

PLACE_STYLE = LayerStyle(
    "relative_wind",
    target="target_relative_wind",
    label="name",
    reduction_of="relative_wind",
)
SITED_PLACE_STYLE = replace(PLACE_STYLE, reached="reaches_target")
"""Places whose target may be a sheltered corner."""
"""Places by whether they reach their target, with name and wind reduction."""


def end_words(term: Term) -> tuple[str, str]:
    """Words at the low and the high end of a legend."""
    return END_WORDS.get(term.name, ("low", "high"))


def legend_title(term: Term) -> str:
    """Title of a legend: the quantity that is greatest where colours are darkest, and its unit."""
    measured = MEASURED_BY.get(term.name)
    return f"{measured}: {term.label}" if measured else term.label


def ramp_of(term: Term) -> Stops:
    """Colours of a quantity: its own ramp, or greys over its range if it has none."""
    low = term.low if math.isfinite(term.low) else 0.0
    high = term.high if math.isfinite(term.high) else low + 1.0
    return RAMPS.get(term.name, ((low, "#f4f4f4"), (high, "#3a3a3a")))


def stop_labels(term: Term) -> list[str]:
    """Text at each colour of the ramp of a quantity, with words at both ends."""
    labels = [f"{value:g} {term.symbol}".strip() for value, _ in ramp_of(term)]
    low, high = end_words(term)
    labels[0], labels[-1] = f"{labels[0]}, {low}", f"{labels[-1]}, {high}"
    return labels


def colour_table(classes: Mapping[str, str]) -> dict[int, tuple[int, int, int]]:
    """Red, green and blue of each code of a raster of classes."""
    parts = (bytes.fromhex(colour.removeprefix("#")) for colour in classes.values())
    return {code: (rgb[0], rgb[1], rgb[2]) for code, rgb in enumerate(parts)}


def spread(colours: Sequence[str], count: int) -> list[str]:
    """Colours spread evenly over a sequence, from its first to its last.

    Parameters
    ----------
    colours : sequence of str
    count : int
        Number of colours.

    Returns
    -------
    list of str
    """
    return [colours[round(i * (len(colours) - 1) / max(count - 1, 1))] for i in range(count)]
