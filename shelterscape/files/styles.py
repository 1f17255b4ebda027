"""Colours of our own for each quantity, and the style files (OGC SLD) that carry them into a GIS.

Ramps run evenly from light to dark in one hue, so they read the same to colour-blind eyes and in
grey print: shelter in violet, exposure in amber, "windier" in rust with a hatch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from xml.sax.saxutils import escape

from shelterscape.terms import Term

Stops = tuple[tuple[float, str], ...]

ANGLES: Stops = (
    (-10.0, "#5c2a00"),
    (-3.0, "#96500a"),
    (0.0, "#c47f2c"),
    (5.0, "#e3b269"),
    (10.0, "#f4dcae"),
    (20.0, "#fdf6e6"),
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
    "topex": (
        (-45.0, "#5c2a00"),
        (-15.0, "#96500a"),
        (0.0, "#c47f2c"),
        (20.0, "#e3b269"),
        (45.0, "#f4dcae"),
        (90.0, "#fdf6e6"),
    ),
    "shelter_gain": (
        (-0.25, "#b5561f"),
        (-0.02, "#f3e3d8"),
        (0.0, "#faf9fc"),
        (0.05, "#e2d9f3"),
        (0.15, "#b6a3dd"),
        (0.3, "#8164ba"),
        (0.5, "#53318c"),
        (0.8, "#2b1055"),
    ),
    "weighted_horizon": ANGLES,
    "upwind_slope": ANGLES,
    "speed_up": (
        (-0.6, "#fdf6e6"),
        (-0.3, "#f4dcae"),
        (0.0, "#e3b269"),
        (0.25, "#c47f2c"),
        (0.5, "#96500a"),
        (1.0, "#5c2a00"),
    ),
    "open_wind": WIND_SPEEDS,
    "site_wind": WIND_SPEEDS,
    "open_wind_relative": WIND_RATIOS,
    "site_wind_relative": WIND_RATIOS,
    "views_complete": ((0.0, "#5c2a00"), (0.5, "#c47f2c"), (1.0, "#fdf6e6")),
    "horizon": ANGLES,
    "sheltered_share": (
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

ZONE_COLOURS = ("#3a1d6e", "#6b4aa6", "#9c85cc", "#cfc3ea", "#faf9fc", "#b5561f")
"""Shelter zones, most sheltered first; the last is windier and hatched."""

BELT_COLOUR = "#1f5f4a"
MARKED_COLOUR, OUTLINE_COLOUR = "#b5561f", "#222222"
"""Lines to be seen first, and outlines of areas."""

HATCHED_ABOVE = {"relative_wind": 1.05}
"""Values above which a quantity is hatched as well as coloured, by term."""

CHART_COLOURS = ("#53318c", "#b5561f", "#1f5f4a", "#8a8a8a", "#c47f2c")

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld" '
    'xmlns:ogc="http://www.opengis.net/ogc">\n'
    "<NamedLayer><Name>{name}</Name><UserStyle><Title>{title}</Title><FeatureTypeStyle>\n"
)
_FOOT = "</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"


def ramp_of(term: Term) -> Stops:
    """Colours of a quantity: its own ramp, or plain greys over its range where it has none."""
    low = term.low if math.isfinite(term.low) else 0.0
    high = term.high if math.isfinite(term.high) else low + 1.0
    return RAMPS.get(term.name, ((low, "#f4f4f4"), (high, "#3a3a3a")))


def raster_sld(name: str, term: Term) -> str:
    """Style of a raster: the ramp of its term as a colour map.

    Parameters
    ----------
    name : str
        Of the layer.
    term : Term
        What the raster holds.

    Returns
    -------
    str
        The style as XML.
    """
    entries = "".join(
        f'<ColorMapEntry color="{colour}" quantity="{value:g}" '
        f'label="{escape(f"{value:g} {term.symbol}".strip())}"/>\n'
        for value, colour in ramp_of(term)
    )
    rule = f'<Rule><RasterSymbolizer><ColorMap type="ramp">\n{entries}'
    return _head(name, term.label) + rule + "</ColorMap></RasterSymbolizer></Rule>\n" + _FOOT


def class_raster_sld(name: str, term: Term, classes: Mapping[str, str]) -> str:
    """Style of a raster of classes: a colour by class name, in the order of their codes from 0.

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
    """Red, green and blue by code, for a raster of classes."""
    parts = (bytes.fromhex(colour.removeprefix("#")) for colour in classes.values())
    return {code: (rgb[0], rgb[1], rgb[2]) for code, rgb in enumerate(parts)}


def shades(ramp: Stops, count: int) -> list[str]:
    """So many colours spread evenly over a ramp, first to last.

    Parameters
    ----------
    ramp : str
        Name in `RAMPS`.
    count : int
    """
    at = [round(i * (len(ramp) - 1) / max(count - 1, 1)) for i in range(count)]
    return [ramp[i][1] for i in at]


def classes_sld(name: str, title: str, column: str, classes: dict[str, str]) -> str:
    """Style of an area layer coloured by the words in one column.

    Parameters
    ----------
    name : str
        Of the layer.
    title : str
    column : str
        The column that holds the class.
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
        Of the layer.
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
