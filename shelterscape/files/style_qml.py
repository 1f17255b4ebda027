"""Styles that a desktop GIS loads by itself: QML, in the GeoPackage and beside each raster.

Each season, year and wind direction of a layer is a branch of its legend; the first is switched on.
Columns carry their titles and units as aliases.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import quoteattr

from shelterscape.files.layer_rules import Condition, LayerRules, Rule
from shelterscape.files.styles import OUTLINE_COLOUR, ramp_of, stop_labels
from shelterscape.terms import TERMS, Term

_OPEN = '<!DOCTYPE qgis><qgis version="3.16" styleCategories="AllStyleCategories">'
_CLOSE = "</qgis>\n"


def raster_qml(term: Term) -> str:
    """Style of a raster: its first band by the ramp of its term.

    Parameters
    ----------
    term : Term
        What the raster holds.

    Returns
    -------
    str
        The style as XML.
    """
    stops = ramp_of(term)
    items = "".join(
        f'<item value="{value:g}" color="{colour}" alpha="255" label={quoteattr(label)}/>'
        for (value, colour), label in zip(stops, stop_labels(term), strict=True)
    )
    low, high = stops[0][0], stops[-1][0]
    return (
        f'{_OPEN}<pipe><rasterrenderer type="singlebandpseudocolor" band="1" opacity="1" '
        f'classificationMin="{low:g}" classificationMax="{high:g}"><rastershader>'
        f'<colorrampshader colorRampType="INTERPOLATED" classificationMode="1" clip="0" '
        f'minimumValue="{low:g}" maximumValue="{high:g}" '
        f'labelPrecision="4">{items}</colorrampshader></rastershader></rasterrenderer></pipe>{_CLOSE}'
    )


def class_raster_qml(classes: Mapping[str, str]) -> str:
    """Style of a raster of classes: one colour for each code.

    Parameters
    ----------
    classes : mapping
        Colour by class name, in the order of their codes from 0.

    Returns
    -------
    str
        The style as XML.
    """
    items = "".join(
        f'<paletteEntry value="{code}" color="{colour}" alpha="255" label={quoteattr(word)}/>'
        for code, (word, colour) in enumerate(classes.items())
    )
    return (
        f'{_OPEN}<pipe><rasterrenderer type="paletted" band="1" opacity="1">'
        f"<colorPalette>{items}</colorPalette></rasterrenderer></pipe>{_CLOSE}"
    )


def layer_qml(layer: LayerRules) -> str:
    """Style of a layer of features.

    Parameters
    ----------
    layer : LayerRules

    Returns
    -------
    str
        The style as XML.
    """
    drawn = "".join(_rule(rule, i, f"class {i}") for i, rule in enumerate(layer.rules))
    if layer.cases:
        drawn = "".join(
            f'<rule {_filter(case)} key="case {i}" label={quoteattr(case.title)}{_switched(i)}>'
            + "".join(_rule(r, j, f"case {i} class {j}") for j, r in enumerate(layer.rules))
            + "</rule>"
            for i, case in enumerate(layer.cases)
        )
    symbols = "".join(_symbol(layer, rule.colour, i) for i, rule in enumerate(layer.rules))
    return (
        f'{_OPEN}<renderer-v2 type="RuleRenderer" symbollevels="0" enableorderby="0">'
        f'<rules key="root">{drawn}</rules><symbols>{symbols}</symbols></renderer-v2>'
        f"{_labels(layer)}<aliases>{''.join(map(_alias, layer.columns))}</aliases>{_CLOSE}"
    )


def _switched(case: int) -> str:
    return "" if case == 0 else ' checkstate="0"'


def _rule(rule: Rule, symbol: int, key: str) -> str:
    return f'<rule {_filter(rule)} key="{key}" symbol="{symbol}" label={quoteattr(rule.title)}/>'


def _filter(rule: Rule) -> str:
    return f"filter={quoteattr(' AND '.join(map(_expression, rule.conditions)))}"


def _expression(condition: Condition) -> str:
    column = _column(condition.column)
    if condition.operator == "empty":
        return f"{column} IS NULL"
    value = condition.value
    literal = "'" + value.replace("'", "''") + "'" if isinstance(value, str) else f"{value:g}"
    return (
        f"{column} {condition.operator} {_column(condition.other) if condition.other else literal}"
    )


def _column(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _symbol(layer: LayerRules, colour: str, number: int) -> str:
    kind, drawn = {
        "line": ("line", _properties("SimpleLine", line_color=_rgba(colour), line_width="0.7")),
        "point": (
            "marker",
            _properties(
                "SimpleMarker", color=_rgba(colour), outline_color=_rgba(OUTLINE_COLOUR), size="2.4"
            ),
        ),
        "polygon": ("fill", _area(layer, colour)),
    }[layer.shape]
    return f'<symbol type="{kind}" name="{number}" alpha="1">{drawn}</symbol>'


def _area(layer: LayerRules, colour: str) -> str:
    outline = {"outline_color": _rgba(OUTLINE_COLOUR), "outline_width": "0.1"}
    if not layer.style.outlined:
        outline = {"outline_style": "no"}
    if not layer.style.hatched:
        return _properties("SimpleFill", color=_rgba(colour, 200), **outline)
    lines = _properties("SimpleLine", line_color=_rgba(colour), line_width="0.25")
    hatch = _properties("LinePatternFill", angle="45", distance="2", distance_unit="MM")
    sub = f'<symbol type="line" name="@0@0" alpha="1">{lines}</symbol>'
    return hatch.removesuffix("</layer>") + sub + "</layer>"


def _properties(kind: str, **values: str) -> str:
    inner = "".join(f'<prop k="{name}" v="{value}"/>' for name, value in values.items())
    return f'<layer class="{kind}" enabled="1" pass="0" locked="0">{inner}</layer>'


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return f"{red},{green},{blue},{alpha}"


def _labels(layer: LayerRules) -> str:
    """Labels of each case; only those of the first are switched on."""
    if not layer.style.label:
        return '<labeling type="none"/>'
    rules = "".join(
        f'<rule {_filter(case)} key="label {i}" active="{int(i == 0)}">{_text(layer)}</rule>'
        for i, case in enumerate(layer.cases or (Rule(""),))
    )
    return f'<labeling type="rule-based"><rules key="labels">{rules}</rules></labeling>'


def _text(layer: LayerRules) -> str:
    text = _column(layer.style.label)
    if layer.style.reduction_of:
        reduction = f"round(100 * (1 - {_column(layer.style.reduction_of)}))"
        text = f"{text} || '\n' || {reduction} || ' % less wind'"
    placement = "2" if layer.shape == "line" else "0"
    return (
        f'<settings><text-style fieldName={quoteattr(text)} isExpression="1" fontSize="8" '
        f'textColor="{_rgba(OUTLINE_COLOUR)}"><text-buffer bufferDraw="1" bufferSize="0.8" '
        f'bufferColor="255,255,255,255"/></text-style><placement placement="{placement}"/>'
        "</settings>"
    )


def _alias(column: str) -> str:
    return f'<alias field="{column}" name={quoteattr(TERMS[column].label)}/>'
