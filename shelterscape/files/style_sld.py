"""Styles as OGC Styled Layer Descriptor 1.0.0, for map servers.

Each season, year and wind direction of a layer is a user style of its own; the first is the
default. Expressions and comparisons are those of OGC Filter Encoding 1.0.0.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

from shelterscape.files.layer_rules import Condition, LayerRules, Rule
from shelterscape.files.styles import OUTLINE_COLOUR, legend_title, ramp_of, stop_labels
from shelterscape.terms import Term

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld" '
    'xmlns:ogc="http://www.opengis.net/ogc">\n'
    "<NamedLayer><Name>{name}</Name>\n"
)
_FOOT = "</NamedLayer></StyledLayerDescriptor>\n"

_OPERATORS = {
    "=": "PropertyIsEqualTo",
    "<": "PropertyIsLessThan",
    "<=": "PropertyIsLessThanOrEqualTo",
    ">": "PropertyIsGreaterThan",
    ">=": "PropertyIsGreaterThanOrEqualTo",
}


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
    stops = [(value, colour) for value, colour in ramp_of(term)]
    return _colour_map(name, legend_title(term), "ramp", stops, stop_labels(term))


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
    stops = [(float(code), colour) for code, colour in enumerate(classes.values())]
    return _colour_map(name, term.label, "values", stops, list(classes))


def _colour_map(
    name: str, title: str, kind: str, stops: Sequence[tuple[float, str]], labels: Sequence[str]
) -> str:
    entries = "".join(
        f'<ColorMapEntry color="{colour}" quantity="{value:g}" label="{escape(label)}"/>\n'
        for (value, colour), label in zip(stops, labels, strict=True)
    )
    symbolizer = (
        f'<RasterSymbolizer><ColorMap type="{kind}">\n{entries}</ColorMap></RasterSymbolizer>'
    )
    return (
        _HEAD.format(name=escape(name)) + _user_style(title, f"<Rule>{symbolizer}</Rule>\n") + _FOOT
    )


def layer_sld(layer: LayerRules) -> str:
    """Style of a layer of features.

    Parameters
    ----------
    layer : LayerRules

    Returns
    -------
    str
        The style as XML.
    """
    styles: list[str] = []
    for case in layer.cases or (Rule(""),):
        rules = "".join(
            _rule(layer, rule, (*case.conditions, *rule.conditions)) for rule in layer.rules
        )
        if layer.style.label:
            rules += _label_rule(layer.style.label, case.conditions)
        title = f"{layer.title} {case.title}".strip()
        styles.append(_user_style(title, rules, default=not styles))
    return _HEAD.format(name=escape(layer.name)) + "".join(styles) + _FOOT


def _user_style(title: str, rules: str, *, default: bool = True) -> str:
    return (
        f"<UserStyle><Title>{escape(title)}</Title><IsDefault>{int(default)}</IsDefault>"
        f"<FeatureTypeStyle>\n{rules}</FeatureTypeStyle></UserStyle>\n"
    )


def _rule(layer: LayerRules, rule: Rule, conditions: Sequence[Condition]) -> str:
    title = f"<Title>{escape(rule.title)}</Title>" if rule.title else ""
    return f"<Rule>{title}{_filter(conditions)}{_symbolizer(layer, rule.colour)}</Rule>\n"


def _filter(conditions: Sequence[Condition]) -> str:
    if not conditions:
        return ""
    tests = "".join(_comparison(condition) for condition in conditions)
    if len(conditions) > 1:
        tests = f"<ogc:And>{tests}</ogc:And>"
    return f"<ogc:Filter>{tests}</ogc:Filter>"


def _comparison(condition: Condition) -> str:
    column = f"<ogc:PropertyName>{escape(condition.column)}</ogc:PropertyName>"
    if condition.operator == "empty":
        return f"<ogc:PropertyIsNull>{column}</ogc:PropertyIsNull>"
    name = _OPERATORS[condition.operator]
    other = f"<ogc:PropertyName>{escape(condition.other)}</ogc:PropertyName>"
    value = condition.value
    literal = escape(value) if isinstance(value, str) else f"{value:g}"
    right = other if condition.other else f"<ogc:Literal>{literal}</ogc:Literal>"
    return f"<ogc:{name}>{column}{right}</ogc:{name}>"


def _symbolizer(layer: LayerRules, colour: str) -> str:
    if layer.shape == "line":
        return f"<LineSymbolizer><Stroke>{_stroke(colour, 1.5)}</Stroke></LineSymbolizer>"
    fill = f"<Fill>{_parameter('fill', colour)}</Fill>"
    outline = f"<Stroke>{_stroke(OUTLINE_COLOUR, 0.5)}</Stroke>"
    if layer.shape == "point":
        mark = f"<Mark><WellKnownName>circle</WellKnownName>{fill}{outline}</Mark>"
        return f"<PointSymbolizer><Graphic>{mark}<Size>8</Size></Graphic></PointSymbolizer>"
    if layer.style.hatched:
        line = f"<Stroke>{_stroke(colour, 1.0)}</Stroke>"
        mark = f"<Mark><WellKnownName>x</WellKnownName>{line}</Mark>"
        fill = f"<Fill><GraphicFill><Graphic>{mark}<Size>8</Size></Graphic></GraphicFill></Fill>"
    return f"<PolygonSymbolizer>{fill}{outline if layer.style.outlined else ''}</PolygonSymbolizer>"


def _label_rule(column: str, conditions: Sequence[Condition]) -> str:
    text = f"<Label><ogc:PropertyName>{escape(column)}</ogc:PropertyName></Label>"
    halo = "<Halo><Radius>1.5</Radius><Fill>" + _parameter("fill", "#ffffff") + "</Fill></Halo>"
    return f"<Rule>{_filter(conditions)}<TextSymbolizer>{text}{halo}</TextSymbolizer></Rule>\n"


def _stroke(colour: str, width: float) -> str:
    return _parameter("stroke", colour) + _parameter("stroke-width", f"{width:g}")


def _parameter(name: str, value: str) -> str:
    return f'<CssParameter name="{name}">{value}</CssParameter>'
