"""Layers, rasters and tables of a run in the forms that the script and template of a page read."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import rasterio

from shelterscape.files.html_page import PageTable
from shelterscape.files.layer_rules import LayerRules, rules_of
from shelterscape.files.page_parts import cell_text, packed_features, plain_rows, raster_picture
from shelterscape.files.styles import end_words, legend_title, ramp_of
from shelterscape.process import Layer, Raster, Table
from shelterscape.terms import TERMS, Term


def map_of(
    layers: Sequence[tuple[Layer, gpd.GeoDataFrame]],
    rasters: Sequence[dict[str, Any]],
    leading: Collection[str],
    crs: str,
) -> dict[str, Any] | None:
    """What the script of a page draws; None without layers and rasters.

    Parameters
    ----------
    layers : sequence of (Layer, GeoDataFrame)
        The most important first.
    rasters : sequence of dict
        As `raster_content` returns them.
    leading : collection of str
        Names of the layers that are shown at first.
    crs : str
        Coordinate system of all of them.

    Returns
    -------
    dict or None
    """
    if not layers and not rasters:
        return None
    shown = [_map_layer(layer, frame, layer.name in leading) for layer, frame in layers]
    focus = next((f.total_bounds for layer, f in layers if layer.name in leading), None)
    extents = [raster["extent"] for raster in rasters] + [f.total_bounds for _, f in layers]
    extent = [min(e[0] for e in extents), min(e[1] for e in extents)]
    extent += [max(e[2] for e in extents), max(e[3] for e in extents)]
    return {
        "crs": crs,
        "extent": [float(v) for v in extent],
        "focus": [float(v) for v in (extent if focus is None else focus)],
        "cases": tuple(dict.fromkeys(case["title"] for one in shown for case in one["cases"])),
        # The browser draws the last layer on top.
        "layers": list(reversed(shown)),
        "rasters": list(rasters),
    }


def _map_layer(layer: Layer, frame: gpd.GeoDataFrame, visible: bool) -> dict[str, Any]:
    rules = rules_of(layer.name, layer.title, layer.style, frame)
    return {
        "name": layer.name,
        "title": layer.title,
        "heading": layer.name.replace("_", " "),
        "visible": visible,
        "shape": rules.shape,
        "hatched": layer.style.hatched,
        "outlined": layer.style.outlined,
        "label": layer.style.label,
        "columns": [{"name": c, "title": TERMS[c].label} for c in rules.columns],
        "rules": _plain_rules(rules),
        "cases": [{"title": c.title, "conditions": _conditions(c)} for c in rules.cases],
        "features": packed_features(frame),
    }


def _plain_rules(rules: LayerRules) -> list[dict[str, Any]]:
    return [
        {"title": rule.title, "colour": rule.colour, "conditions": _conditions(rule)}
        for rule in rules.rules
    ]


def _conditions(rule: Any) -> list[list[Any]]:
    return [[c.column, c.operator, c.value, c.other] for c in rule.conditions]


def raster_content(output: Raster, labels: Sequence[str], path: Path) -> dict[str, Any]:
    """A raster with a picture of each band.

    Parameters
    ----------
    output : Raster
    labels : sequence of str
        Of its bands.
    path : Path

    Returns
    -------
    dict
    """
    term, classes = output.quantity, _classes(path) if output.classed else None
    stops = ramp_of(term)
    low, high = stops[0][0], stops[-1][0]
    bands = []
    for number, label in enumerate(labels, start=1):
        picture, extent = raster_picture(path, number, low, high, classed=output.classed)
        bands.append({"label": label, "picture": picture})
    return {
        "name": output.name,
        "title": term.label if output.classed else legend_title(term),
        "heading": "" if output.name == term.name else output.name.replace("_", " "),
        "unit": term.symbol,
        "decimals": _decimals(term, (high - low) / 254),
        "extent": extent,
        "low": low,
        "high": high,
        "stops": stops,
        "ends": [
            f"{value:g} {word}" for value, word in zip((low, high), end_words(term), strict=True)
        ],
        "classes": classes,
        "bands": bands,
    }


def _decimals(term: Term, step: float) -> int:
    """Decimals of a value read from the page: no more than its steps support."""
    supported = max(0, math.ceil(-math.log10(step)))
    return supported if term.decimals is None else min(term.decimals, supported)


def _classes(path: Path) -> list[dict[str, str]]:
    """Title and colour of each class code, as the raster holds them."""
    with rasterio.open(path) as source:
        colours, tags = source.colormap(1), source.tags(1)
    names = {int(key[6:]): name for key, name in tags.items() if key.startswith("CLASS_")}
    return [
        {"title": names[code], "colour": "#" + bytes(colours[code][:3]).hex()}
        for code in sorted(names)
    ]


def page_table(
    output: Layer | Table, frame: pd.DataFrame, *, layer: str = "", is_open: bool = False
) -> PageTable:
    """The table of an output, without columns that are empty in every row.

    Parameters
    ----------
    output : Layer or Table
    frame : DataFrame
    layer : str
        Layer of the map whose features the rows are.
    is_open : bool

    Returns
    -------
    PageTable
    """
    rows = plain_rows(frame)
    used = [c for c in output.columns if any(row.get(c) not in (None, "") for row in rows)]
    return PageTable(
        name=output.name,
        title=output.title,
        columns=tuple((TERMS[c].label, TERMS[c].unit != "text") for c in used),
        rows=tuple(tuple(cell_text(row[c]) for c in used) for row in rows),
        layer=layer,
        is_open=is_open,
    )
