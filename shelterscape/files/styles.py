"""Colours of each quantity, and the style files (OGC SLD) that carry them into a GIS.

A darker colour means more of the quantity in the title. Lightness changes evenly along a ramp of
one hue, so that ramps read the same to colour-blind eyes and in grey print: shelter is violet, wind
amber. "Windier" ground has a second hue, rust, and a hatch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from xml.sax.saxutils import escape

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
    (0.0, "#fdf6e6"),
    (0.75, "#f4dcae"),
    (1.0, "#e3b269"),
    (1.25, "#c47f2c"),
    (1.5, "#96500a"),
    (2.0, "#5c2a00"),
)

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
    "exposed_share": ((0.0, "#fdf6e6"), (0.5, "#c47f2c"), (1.0, "#5c2a00")),
    "rank_share": ((0.0, "#1f5f4a"), (0.35, "#5d9a82"), (0.7, "#a9cbbd"), (1.0, "#f3f7f2")),
}
"""Colour at rising values, by term."""

MEASURED_BY = {"relative_wind": "shelter", "rank_share": "benefit divided by cost"}
"""Quantity in the title of a map, where it is greatest at the lowest values of a term.

A low relative wind is much shelter, so low values are dark: the title and the legend name shelter.
The first holdings in rank have the largest benefit divided by cost.
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
    "complete_views_share": ("incomplete", "complete"),
    "equivalent_sheltered_share": ("windier", "sheltered"),
    "exposed_share": ("sheltered", "exposed"),
    "rank_share": ("first", "last"),
}
"""Words at the low and the high end of a legend, by term; others have "low" and "high"."""

ZONE_COLOURS = ("#3a1d6e", "#6b4aa6", "#9c85cc", "#cfc3ea", "#faf9fc", "#b5561f")
"""Shelter zones, most sheltered first. The last is windier; it is hatched."""

BELT_COLOUR = "#1f5f4a"
MARKED_COLOUR, OUTLINE_COLOUR = "#b5561f", "#222222"
"""Colours of emphasized lines and of outlines of areas."""

HATCHED_ABOVE = {"relative_wind": 1.05}
"""Value above which a quantity is hatched as well as coloured, by term."""

CHART_COLOURS = ("#53318c", "#b5561f", "#1f5f4a", "#8a8a8a", "#c47f2c")

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld" '
    'xmlns:ogc="http://www.opengis.net/ogc">\n'
    "<NamedLayer><Name>{name}</Name><UserStyle><Title>{title}</Title><FeatureTypeStyle>\n"
)
_FOOT = "</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"


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


def raster_sld(name: str, term: Term) -> str:
    """Style of a raster: the ramp of its term as a colour map.

    Parameters
    ----------
    name : str
        Name of the layer.
    term : Term
        What the raster holds.

    Returns
    -------
    str
        The style as XML.
    """
    stops = ramp_of(term)
    labels = [f"{value:g} {term.symbol}".strip() for value, _ in stops]
    low, high = end_words(term)
    labels[0], labels[-1] = f"{labels[0]}, {low}", f"{labels[-1]}, {high}"
    entries = "".join(
        f'<ColorMapEntry color="{colour}" quantity="{value:g}" label="{escape(label)}"/>\n'
        for (value, colour), label in zip(stops, labels, strict=True)
    )
    rule = f'<Rule><RasterSymbolizer><ColorMap type="ramp">\n{entries}'
    return (
        _head(name, legend_title(term)) + rule + "</ColorMap></RasterSymbolizer></Rule>\n" + _FOOT
    )


def class_raster_sld(name: str, term: Term, classes: Mapping[str, str]) -> str:
    """Style of a raster of classes: one colour for each code.

    Parameters
    ----------
    name : str
    term : Term
    classes : mapping
        Colour by class name, in the order of their codes from 0.

    Returns
    -------
    str
        The style as XML.
    """
    entries = "".join(
        f'<ColorMapEntry color="{colour}" quantity="{code}" label="{escape(word)}"/>\n'
        for code, (word, colour) in enumerate(classes.items())
    )
    rule = f'<Rule><RasterSymbolizer><ColorMap type="values">\n{entries}'
    return _head(name, term.label) + rule + "</ColorMap></RasterSymbolizer></Rule>\n" + _FOOT


def colour_table(classes: Mapping[str, str]) -> dict[int, tuple[int, int, int]]:
    """Red, green and blue of each code of a raster of classes."""
    parts = (bytes.fromhex(colour.removeprefix("#")) for colour in classes.values())
    return {code: (rgb[0], rgb[1], rgb[2]) for code, rgb in enumerate(parts)}


def shades(ramp: Stops, count: int) -> list[str]:
    """Colours spread evenly over a ramp, from its first to its last.

    Parameters
    ----------
    ramp : tuple of (float, str)
        One of `RAMPS`.
    count : int
        Number of colours.

    Returns
    -------
    list of str
    """
    at = [round(i * (len(ramp) - 1) / max(count - 1, 1)) for i in range(count)]
    return [ramp[i][1] for i in at]


def classes_sld(name: str, title: str, column: str, classes: dict[str, str]) -> str:
    """Style of a layer of areas, coloured by the class in one column.

    Parameters
    ----------
    name : str
        Name of the layer.
    title : str
    column : str
        Column that holds the class.
    classes : mapping
        Colour by class.

    Returns
    -------
    str
        The style as XML.
    """
    rules = "".join(
        f"<Rule><Title>{escape(word)}</Title><ogc:Filter><ogc:PropertyIsEqualTo>"
        f"<ogc:PropertyName>{column}</ogc:PropertyName><ogc:Literal>{escape(word)}</ogc:Literal>"
        f"</ogc:PropertyIsEqualTo></ogc:Filter><PolygonSymbolizer>"
        f"<Fill>{_colour('fill', colour)}</Fill></PolygonSymbolizer></Rule>\n"
        for word, colour in classes.items()
    )
    return _head(name, title) + rules + _FOOT


def line_sld(name: str, title: str, colour: str = BELT_COLOUR) -> str:
    """Style of a layer of lines in one colour.

    Parameters
    ----------
    name : str
        Name of the layer.
    title : str
    colour : str
        As ``#rrggbb``.

    Returns
    -------
    str
        The style as XML.
    """
    stroke = f'{_colour("stroke", colour)}<CssParameter name="stroke-width">1.5</CssParameter>'
    rule = f"<Rule><LineSymbolizer><Stroke>{stroke}</Stroke></LineSymbolizer></Rule>\n"
    return _head(name, title) + rule + _FOOT


def _head(name: str, title: str) -> str:
    return _HEAD.format(name=escape(name), title=escape(title))


def _colour(kind: str, colour: str) -> str:
    return f'<CssParameter name="{kind}">{colour}</CssParameter>'
