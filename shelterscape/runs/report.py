"""The report of a run: one page with the answer, a map, tables and the record."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import rasterio
import shapely

from shelterscape.errors import InputError, Notice
from shelterscape.files.html_page import HoldingPage, Page, PageTable, write_page
from shelterscape.files.page_parts import (
    address_of,
    plain_rows,
)
from shelterscape.files.record import is_intact, read_record
from shelterscape.files.results import features_of
from shelterscape.files.tables import read_result_table
from shelterscape.process import Layer, Output, Picture, Process, Raster, Table
from shelterscape.process.stages import Summary
from shelterscape.runs.holding_pages import holding_pages
from shelterscape.runs.page_contents import map_of, page_table, raster_content
from shelterscape.runs.page_notes import page_notes
from shelterscape.runs.summary import (
    RunSummary,
    StepAnswer,
    capitalised,
    notices_of,
    summary_of,
)

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
) -> Page:
    """Write the report of a run, and return what it shows.

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

    Returns
    -------
    Page

    Raises
    ------
    SetupError
        ``report-scripts``.
    """
    parts, summary = _read(folder, record, processes)
    layers = list(_layers(parts, folder / package))
    page = _page(parts, summary, layers, record, folder)
    write_page(path, page)
    return page


def summary_of_run(
    folder: Path, record: dict[str, Any], processes: Sequence[Process]
) -> RunSummary:
    """The summary of a finished run, from its record.

    Parameters
    ----------
    folder, record, processes
        As for `write_report`.
    """
    return _read(folder, record, processes)[1]


def holding_pages_of_run(
    folder: Path, record: dict[str, Any], processes: Sequence[Process], package: str
) -> tuple[HoldingPage, ...]:
    """The pages of holdings in the report of a run.

    Parameters
    ----------
    folder, record, processes, package
        As for `write_report`.
    """
    parts, summary = _read(folder, record, processes)
    layers, tables = _layers(parts, folder / package), _result_tables(parts, folder)
    outputs: list[tuple[Layer | Table, pd.DataFrame]] = [*layers, *tables]
    return holding_pages(_rows_by_holding(outputs), summary.checks)[0]


def _read(
    folder: Path, record: dict[str, Any], processes: Sequence[Process]
) -> tuple[list[_Part], RunSummary]:
    """The steps of a run and its summary: the deciding step, then the others, the last first."""
    steps = zip(record["steps"], processes, strict=True)
    parts = [_part(step, process, folder) for step, process in steps]
    summary = summary_of([part.answer for part in parts], record["title"])
    title = summary.answer[0][0]
    return sorted(reversed(parts), key=lambda part: part.process.title != title), summary


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
    leading = _leading_layers(parts)
    rasters = [r for part in parts for r in _rasters(part, folder)]
    crs = str(layers[0][1].crs) if layers else _crs_of(parts, folder)
    drawn = map_of(layers, rasters, leading, crs)
    result_tables = list(_result_tables(parts, folder))
    tables = (*_layer_tables(layers, leading), *_tables(result_tables))
    holdings, without = holding_pages(_rows_by_holding([*layers, *result_tables]), summary.checks)
    shown = {layer.name for layer, _ in layers} | {table.name for table in tables}
    shown |= {raster["name"] for raster in drawn["rasters"]} if drawn else set()
    return Page(
        title=summary.question,
        answer=tuple(
            (title, tuple(map(capitalised, texts)))
            for title, texts in summary.answer[: summary.leading]
        ),
        certainty=tuple(map(capitalised, summary.certainty)),
        checks=summary.checks,
        preparing=tuple(
            capitalised(t) for _, texts in summary.answer[summary.leading :] for t in texts
        ),
        notes=page_notes(
            notices_of(part.answer for part in parts),
            [frame for _, frame in result_tables],
            [*_left_out(parts, shown), *_without_page(without)],
        ),
        cautions=_each_once(t for part in parts for t in part.process.all_cautions),
        sources=_each_once(t for part in parts for t in part.process.sources),
        map=drawn,
        tables=tables,
        charts=tuple(_charts(parts, folder)),
        inputs=tuple(sorted(set(inputs_of(record)))),
        versions=versions_of(record),
        holdings=holdings,
    )


def versions_of(record: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Name and version of each program that a run used."""
    return (
        ("shelterscape", record["version"]),
        *((step["process"], step["process_version"]) for step in record["steps"]),
        *sorted(record["libraries"].items()),
    )


def inputs_of(record: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Name and checksum of each file that the steps of a run read."""
    for step in record["steps"]:
        for entry in step["files_read"].values():
            for one in entry if isinstance(entry, list) else [entry]:
                yield from (one or {"sha256": {}})["sha256"].items()


def _each_once(items: Any) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(items))


def _layers(parts: Sequence[_Part], package: Path) -> Iterator[tuple[Layer, gpd.GeoDataFrame]]:
    """Layers of the deciding step first, each with its features."""
    for part in parts:
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
        "Holdings with chosen belts that have no page of their own here, see the tables "
        f"({len(holdings)}): {', '.join(holdings)}",
    )


def _crs_of(parts: Sequence[_Part], folder: Path) -> str:
    """Coordinate system of the first raster; empty where there is none."""
    first = next((o for p in parts for o in p.outputs if isinstance(o, Raster)), None)
    if first is None:
        return ""
    with rasterio.open(folder / first.files[0]) as source:
        return str(source.crs)


def _leading_layers(parts: Sequence[_Part]) -> set[str]:
    """Names of the layers, of the deciding step, that are shown at first."""
    return {o.name for o in parts[0].outputs if isinstance(o, Layer) and o.style.shown}


def _rasters(part: _Part, folder: Path) -> Iterator[dict[str, Any]]:
    for output in part.outputs:
        if isinstance(output, Raster) and len(part.bands[output.name]) <= MOST_BANDS:
            yield raster_content(output, part.bands[output.name], folder / output.files[0])


def _layer_tables(
    layers: Sequence[tuple[Layer, gpd.GeoDataFrame]], leading: Collection[str]
) -> Iterator[PageTable]:
    for layer, frame in layers:
        if len(frame) <= MOST_ROWS:
            yield page_table(layer, frame, layer=layer.name, is_open=layer.name in leading)


def _result_tables(parts: Sequence[_Part], folder: Path) -> Iterator[tuple[Table, pd.DataFrame]]:
    """All tables, those of the deciding step first."""
    for part in parts:
        for output in part.outputs:
            if isinstance(output, Table):
                yield output, read_result_table(folder / output.files[0])


def _tables(tables: Sequence[tuple[Table, pd.DataFrame]]) -> Iterator[PageTable]:
    """Tables that are small enough for a page."""
    for output, frame in tables:
        if len(frame) <= MOST_ROWS:
            yield page_table(output, frame)


def _charts(parts: Sequence[_Part], folder: Path) -> Iterator[tuple[str, str]]:
    for part in parts:
        for output in part.outputs:
            if isinstance(output, Picture) and output.chart:
                yield output.title, address_of((folder / output.files[0]).read_bytes())
