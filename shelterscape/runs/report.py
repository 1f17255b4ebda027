"""The report of a run: one page with the answer, a map, tables and the record."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import rasterio
import shapely

from shelterscape.errors import InputError, Notice
from shelterscape.files.html_page import Page, PageTable, write_page
from shelterscape.files.layer_rules import LayerRules, rules_of
from shelterscape.files.page_parts import (
    address_of,
    cell_text,
    packed_features,
    plain_rows,
    raster_picture,
)
from shelterscape.files.record import is_intact, read_record
from shelterscape.files.results import features_of
from shelterscape.files.styles import end_words, legend_title, ramp_of
from shelterscape.files.tables import read_result_table
from shelterscape.process import Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.stages import Summary
from shelterscape.runs.holding_pages import holding_pages
from shelterscape.runs.page_notes import page_notes
from shelterscape.runs.summary import (
    RunSummary,
    StepAnswer,
    capitalised,
    notices_of,
    summary_of,
)
from shelterscape.terms import TERMS, Term

MOST_BANDS, MOST_FEATURES, MOST_VERTICES, MOST_ROWS = 8, 20_000, 400_000, 500
"""Bands of a raster, features and vertices of a layer, and rows of a table, beyond which it is left
out: a page would be too large to open."""


@dataclass(frozen=True)
class _Part:
    """One step of a run, from its record."""

    process: Process
    outputs: tuple[Output, ...]
    bands: dict[str, list[str]]
    features: dict[str, int]
    answer: StepAnswer


def write_report(
    folder: Path, record: dict[str, Any], processes: Sequence[Process], package: str, path: Path
) -> None:
    """Write the report of a run.

    Parameters
    ----------
    folder : Path
        The run folder, with all outputs.
    record : dict
        Its record.
    processes : sequence of Process
        Of its steps.
    package : str
        Name of its GeoPackage.
    path : Path
        The page to write.

    Raises
    ------
    SetupError
        ``report-scripts``.
    """
    steps = zip(record["steps"], processes, strict=True)
    parts = [_part(step, process, folder) for step, process in steps]
    answers = [part.answer for part in parts]
    summary = summary_of(answers, record["title"])
    layers = list(_layers(parts, folder / package))
    write_page(path, _page(parts, summary, layers, record, folder))


def finished_record(folder: Path) -> dict[str, Any]:
    """The record of a finished run.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict

    Raises
    ------
    InputError
        ``run-unknown`` where the folder is not a run of shelterscape, or has changed since.
    """
    record = read_record(folder)
    if record is None or "steps" not in record or not is_intact(folder, record):
        raise InputError(
            "run-unknown",
            "This is not the folder of a finished run, or its files have changed since.",
            where=str(folder),
            hint="Name a folder that shelterscape has written, or run the plan again.",
        )
    return record


def _part(step: dict[str, Any], process: Process, folder: Path) -> _Part:
    written = tuple(o for o in process.outputs if all((folder / f).is_file() for f in o.files))
    summary = Summary(
        question=step["question"],
        answer=step["answer"],
        certainty=step["certainty"],
        figures=step["figures"],
    )
    notices = [Notice(**fields) for fields in step["notices"]]
    answer = StepAnswer(process, summary, notices, written)
    return _Part(process, written, step["bands"], step["features"], answer)


def _page(
    parts: Sequence[_Part],
    summary: RunSummary,
    layers: Sequence[tuple[Layer, gpd.GeoDataFrame]],
    record: dict[str, Any],
    folder: Path,
) -> Page:
    leading = summary.answer[: summary.leading]
    answers = [part.answer for part in parts]
    drawn = _map(parts, summary, layers, folder)
    result_tables = list(_result_tables(parts, folder))
    tables = (*_layer_tables(layers, summary, parts), *_tables(result_tables))
    holdings, without = holding_pages(_rows_by_holding([*layers, *result_tables]), summary.checks)
    shown = {layer.name for layer, _ in layers} | {table.name for table in tables}
    shown |= {raster["name"] for raster in drawn["rasters"]} if drawn else set()
    return Page(
        title=summary.question,
        answer=tuple((title, tuple(map(capitalised, texts))) for title, texts in leading),
        certainty=summary.certainty,
        checks=summary.checks,
        preparing=tuple(
            capitalised(t) for _, texts in summary.answer[summary.leading :] for t in texts
        ),
        notes=page_notes(
            notices_of(answers),
            [frame for _, frame in result_tables],
            [*_left_out(parts, shown), *_without_page(without)],
        ),
        cautions=_each_once(t for part in parts for t in part.process.all_cautions),
        sources=_each_once(t for part in parts for t in part.process.sources),
        map=drawn,
        tables=tables,
        charts=tuple(_charts(parts, folder)),
        inputs=tuple(sorted(set(_inputs(record["steps"])))),
        versions=(
            ("shelterscape", record["version"]),
            *((p.process.id, p.process.version) for p in parts),
            *sorted(record["libraries"].items()),
        ),
        holdings=holdings,
    )


def _inputs(steps: Sequence[dict[str, Any]]) -> Iterator[tuple[str, str]]:
    """Name and checksum of each file that the steps read."""
    for step in steps:
        for entry in step["files_read"].values():
            for one in entry if isinstance(entry, list) else [entry]:
                yield from (one or {"sha256": {}})["sha256"].items()


def _each_once(items: Any) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(items))


def _layers(parts: Sequence[_Part], package: Path) -> Iterator[tuple[Layer, gpd.GeoDataFrame]]:
    """Layers of the deciding step first, each with its features."""
    for part in reversed(parts):
        for output in part.outputs:
            if isinstance(output, Layer) and 0 < part.features[output.name] <= MOST_FEATURES:
                frame = features_of(package, output.name)
                if frame is not None and _vertices(frame) <= MOST_VERTICES:
                    yield output, frame


def _vertices(frame: gpd.GeoDataFrame) -> int:
    return int(shapely.get_num_coordinates(frame.geometry).sum())


def _left_out(parts: Sequence[_Part], shown: set[str]) -> tuple[str, ...]:
    """A sentence on what is not in the page, because it is too large for one."""
    kinds = (Layer, Raster, Table)
    names = [
        output.name
        for part in parts
        for output in part.outputs
        if isinstance(output, kinds)
        and output.name not in shown
        and part.features.get(output.name, 1)
    ]
    if not names:
        return ()
    return (f"Too large for this page, see the folder of the run: {', '.join(names)}",)


def _rows_by_holding(
    outputs: Sequence[tuple[Layer | Table, pd.DataFrame]],
) -> list[tuple[str, list[dict[str, Any]]]]:
    """Rows of every output that states holdings, also of tables too large for a page."""
    return [
        (output.name, plain_rows(frame))
        for output, frame in outputs
        if "holding_id" in output.columns
    ]


def _without_page(holdings: Sequence[str]) -> tuple[str, ...]:
    """A sentence on the holdings that have no page of their own."""
    if not holdings:
        return ()
    return (
        f"{len(holdings)} more holdings with chosen belts have no page of their own here, their "
        f"figures are in the tables: {', '.join(holdings)}",
    )


def _map(
    parts: Sequence[_Part],
    summary: RunSummary,
    layers: Sequence[tuple[Layer, gpd.GeoDataFrame]],
    folder: Path,
) -> dict[str, Any] | None:
    rasters = [r for part in reversed(parts) for r in _rasters(part, folder)]
    if not layers and not rasters:
        return None
    leading = _leading_layers(parts, summary)
    shown = [_map_layer(layer, frame, layer.name in leading) for layer, frame in layers]
    focus = next((f.total_bounds for layer, f in layers if layer.name in leading), None)
    extents = [raster["extent"] for raster in rasters] + [f.total_bounds for _, f in layers]
    extent = [min(e[0] for e in extents), min(e[1] for e in extents)]
    extent += [max(e[2] for e in extents), max(e[3] for e in extents)]
    cases = _each_once(case["title"] for layer in shown for case in layer["cases"])
    return {
        "crs": str(layers[0][1].crs) if layers else _crs_of(parts, folder),
        "extent": [float(v) for v in extent],
        "focus": [float(v) for v in (extent if focus is None else focus)],
        "cases": cases,
        # The browser draws the last layer on top.
        "layers": list(reversed(shown)),
        "rasters": rasters,
    }


def _crs_of(parts: Sequence[_Part], folder: Path) -> str:
    first = next(o for p in parts for o in p.outputs if isinstance(o, Raster))
    with rasterio.open(folder / first.files[0]) as source:
        return str(source.crs)


def _leading_layers(parts: Sequence[_Part], summary: RunSummary) -> set[str]:
    """Names of the layers, of steps that answer the question, that are shown at first."""
    titles = {title for title, _ in summary.answer[: summary.leading]}
    leading = [part for part in parts if part.process.title in titles]
    return {o.name for p in leading for o in p.outputs if isinstance(o, Layer) and o.style.shown}


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


def _rasters(part: _Part, folder: Path) -> Iterator[dict[str, Any]]:
    for output in part.outputs:
        if isinstance(output, Raster) and len(part.bands[output.name]) <= MOST_BANDS:
            yield _raster(output, part.bands[output.name], folder / output.files[0])


def _raster(output: Raster, labels: Sequence[str], path: Path) -> dict[str, Any]:
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


def _layer_tables(
    layers: Sequence[tuple[Layer, gpd.GeoDataFrame]], summary: RunSummary, parts: Sequence[_Part]
) -> Iterator[PageTable]:
    leading = _leading_layers(parts, summary)
    for layer, frame in layers:
        if len(frame) <= MOST_ROWS:
            yield _table(layer, frame, layer=layer.name, is_open=layer.name in leading)


def _result_tables(parts: Sequence[_Part], folder: Path) -> Iterator[tuple[Table, pd.DataFrame]]:
    """All tables, those of the deciding step first."""
    for part in reversed(parts):
        for output in part.outputs:
            if isinstance(output, Table):
                yield output, read_result_table(folder / output.files[0])


def _tables(tables: Sequence[tuple[Table, pd.DataFrame]]) -> Iterator[PageTable]:
    """Tables that are small enough for a page."""
    for output, frame in tables:
        if len(frame) <= MOST_ROWS:
            yield _table(output, frame)


def _table(
    output: Layer | Table, frame: pd.DataFrame, *, layer: str = "", is_open: bool = False
) -> PageTable:
    """The table of an output, without columns that are empty in every row."""
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


def _charts(parts: Sequence[_Part], folder: Path) -> Iterator[tuple[str, str]]:
    for part in reversed(parts):
        for output in part.outputs:
            if isinstance(output, Picture) and output.chart:
                yield output.title, address_of((folder / output.files[0]).read_bytes())
