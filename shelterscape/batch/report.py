"""The report of a batch: all holdings together in one page, with a page for each of the first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from shelterscape import registry
from shelterscape.batch.figures import codes_noticed, figures_by_name
from shelterscape.batch.merge import MAP, PACKAGE
from shelterscape.batch.state import COMBINED, DONE, FAILED, HOLDINGS
from shelterscape.batch.summary import MOST_NAMED, amount, ranking
from shelterscape.errors import NOTICES, InputError
from shelterscape.files.html_page import HoldingPage, Page, write_page
from shelterscape.files.page_parts import address_of
from shelterscape.files.record import is_intact, read_record
from shelterscape.files.results import features_of
from shelterscape.files.styles import OUTLINE_COLOUR, LayerStyle
from shelterscape.files.tables import read_result_table
from shelterscape.process import Layer, Process, Raster, Table
from shelterscape.runs import GEOPACKAGE
from shelterscape.runs.holding_pages import MOST_PAGES
from shelterscape.runs.page_contents import map_of, page_table, raster_content
from shelterscape.runs.page_notes import page_notes
from shelterscape.runs.report import (
    MOST_BANDS,
    MOST_FEATURES,
    MOST_ROWS,
    finished_record,
    holding_pages_of_run,
    inputs_of,
    summary_of_run,
    versions_of,
)
from shelterscape.runs.summary import capitalised
from shelterscape.terms import TERMS

CHECKED_IN = {"examination", "constraint_effect", "not_checked"}
"""Columns of tables that state what was not checked."""


OUTLINES = "holdings"
"""Layer of the outlines of holdings."""


@dataclass(frozen=True)
class _Batch:
    """A finished batch.

    Parameters
    ----------
    folder : Path
        With the combined results.
    holdings : GeoDataFrame
        The combined layer of holdings, by rank.
    runs : list of (Path, dict)
        Folder and record of each finished holding, in the same order.
    processes : list of Process
    """

    folder: Path
    holdings: gpd.GeoDataFrame
    runs: list[tuple[Path, dict[str, Any]]]
    processes: list[Process]


def write_batch_report(root: Path, path: Path) -> None:
    """Write the report of a batch.

    Parameters
    ----------
    root : Path
        Folder of the batch.
    path : Path
        The page to write.

    Raises
    ------
    InputError
        ``run-unknown`` where no holding is finished, or combined results have changed since.
    SetupError
        ``report-scripts``.
    """
    write_page(path, _page(_batch(root)))


def _batch(root: Path) -> _Batch:
    folder = root / COMBINED
    record = read_record(folder)
    holdings = features_of(folder / PACKAGE, OUTLINES)
    if record is None or holdings is None or not is_intact(folder, record):
        raise _unknown(folder, "The combined results of this batch are missing or have changed.")
    holdings = holdings.sort_values(["rank", "folder"], ignore_index=True)
    done = holdings["folder"][holdings["status"] == DONE]
    found = [
        (root / HOLDINGS / str(name), read_record(root / HOLDINGS / str(name))) for name in done
    ]
    runs = [(one, record) for one, record in found if record is not None]
    if not runs:
        raise _unknown(root, "No holding of this batch is finished.")
    processes = [registry.find(step["process"]) for step in runs[0][1]["steps"]]
    return _Batch(folder, holdings, runs, processes)


def _unknown(where: Path, what: str) -> InputError:
    hint = "Run the batch again: it continues, and combines the results."
    return InputError("run-unknown", what, where=str(where), hint=hint)


def _page(batch: _Batch) -> Page:
    first = batch.runs[0]
    summary = summary_of_run(*first, batch.processes)
    layers = [*_layers(batch)]
    rasters = [*_rasters(batch)]
    leading = {OUTLINES, *(o.name for o, _ in layers if o.name in _deciding_layers(batch))}
    drawn = map_of(layers, rasters, leading, str(batch.holdings.crs))
    pages, without = _holding_pages(batch)
    picture = batch.folder / MAP
    return Page(
        title=summary.question,
        answer=tuple(_answer(batch)),
        certainty=(
            "Each holding has measures of its own: holdings/NAME/summary.txt, or the report of "
            "its folder",
        ),
        checks=summary.checks[:1],
        preparing=(),
        notes=page_notes([], _checked(batch), [*_noticed(batch), *without]),
        cautions=tuple(dict.fromkeys(t for p in batch.processes for t in p.all_cautions)),
        sources=tuple(dict.fromkeys(t for p in batch.processes for t in p.sources)),
        map=drawn,
        tables=tuple(
            page_table(layer, frame, layer=layer.name, is_open=layer.name == OUTLINES)
            for layer, frame in (layers[-1], *layers[:-1])
            if len(frame) <= MOST_ROWS
        ),
        charts=(("Map of the holdings", address_of(picture.read_bytes())),)
        if picture.is_file()
        else (),
        inputs=tuple(sorted({one for _, record in batch.runs for one in inputs_of(record)})),
        versions=versions_of(first[1]),
        holdings=pages,
    )


def _deciding_layers(batch: _Batch) -> set[str]:
    """Layers, shown at first, of the process that ranks holdings."""
    outputs = _deciding_first(batch)[0][1].outputs
    return {one.name for one in outputs if isinstance(one, Layer) and one.style.shown}


def _deciding_first(batch: _Batch) -> list[tuple[int, Process]]:
    """Number of each step with its process: the one that ranks holdings, then the last first."""
    every = reversed([*enumerate(batch.processes)])
    return sorted(every, key=lambda step: all(f.role != "benefit" for f in step[1].figures))


def _answer(batch: _Batch) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Sums over all holdings, the best ones, and the failures."""
    frame, figures = batch.holdings, figures_by_name(batch.processes)
    counts = Counter(frame["status"])
    states = "; ".join(f"{n:,} {word}" for word, n in counts.items())
    currencies = [c for c in frame.get("currency", pd.Series()).dropna().unique() if c]
    sums = []
    for name in (n for n, figure in figures.items() if figure.role and n in frame):
        known = pd.to_numeric(frame[name]).dropna()
        total = amount(name, known.sum(), currencies[0] if len(currencies) == 1 else "")
        sums.append(
            f"{capitalised(TERMS[name].title)}: {total} ({len(known):,} of {len(frame):,} holdings)"
        )
    yield "All holdings", (f"{len(frame):,} holdings: {states}", *sums)
    if best := ranking(frame, figures):
        yield "Best holdings: most for their cost", best
    failed = frame[frame["status"] == FAILED]
    if len(failed):
        named = [
            f"{row.name or row.holding_id}: {row.error}" for row in failed.itertuples(index=False)
        ]
        more = [f"{len(named) - MOST_NAMED:,} more in the table of holdings"]
        yield "Failed", tuple(named[:MOST_NAMED] + more * (len(named) > MOST_NAMED))


def _layers(batch: _Batch) -> Iterator[tuple[Layer, gpd.GeoDataFrame]]:
    """Combined layers of the deciding process first, without empty ones; holdings below all."""
    for _, process in _deciding_first(batch):
        for output in process.outputs:
            if isinstance(output, Layer) and output.name != OUTLINES:
                frame = features_of(batch.folder / PACKAGE, output.name)
                if frame is not None and 0 < len(frame) <= MOST_FEATURES:
                    names = tuple(str(c) for c in frame.columns if c != "geometry")
                    yield replace(output, columns=names), frame
    columns = tuple(str(c) for c in batch.holdings.columns if c != "geometry")
    label = "name" if (batch.holdings["name"] != "").any() else "holding_id"
    style = LayerStyle(colour=OUTLINE_COLOUR, hatched=True, label=label)
    title = "Holdings, with the results of each."
    yield Layer(OUTLINES, "polygon", columns, title, style), batch.holdings


def _rasters(batch: _Batch) -> Iterator[dict[str, Any]]:
    """Mosaics, with the bands of the first holding that has the raster."""
    for number, process in _deciding_first(batch):
        for output in process.outputs:
            path = batch.folder / output.files[0]
            if not isinstance(output, Raster) or not path.is_file():
                continue
            every = (record["steps"][number]["bands"] for _, record in batch.runs)
            bands: list[str] = next((one[output.name] for one in every if one.get(output.name)), [])
            if 0 < len(bands) <= MOST_BANDS:
                yield raster_content(output, bands, path)


def _holding_pages(batch: _Batch) -> tuple[tuple[HoldingPage, ...], tuple[str, ...]]:
    """Pages of the first holdings, each from its own run, and a sentence on the others."""
    pages: list[HoldingPage] = []
    for folder, _ in batch.runs[:MOST_PAGES]:
        record = finished_record(folder)
        pages += holding_pages_of_run(folder, record, batch.processes, GEOPACKAGE)
    more = len(batch.runs) - MOST_PAGES
    text = f"Finished holdings of a lower rank without a page of their own here: {more:,}"
    return tuple(pages), (text,) if more > 0 else ()


def _noticed(batch: _Batch) -> Iterator[str]:
    """What the runs noticed, most serious first, with the number of holdings."""
    counts: Counter[str] = Counter()
    for _, record in batch.runs:
        counts.update(codes_noticed(record))
    for code, meaning in NOTICES.items():
        if counts[code]:
            yield f"{capitalised(meaning)}: {counts[code]:,} of {len(batch.runs):,} holdings"


def _checked(batch: _Batch) -> list[pd.DataFrame]:
    """Tables that state what was not checked, of all holdings together."""
    found = []
    for process in batch.processes:
        for output in process.outputs:
            if isinstance(output, Table) and CHECKED_IN & {*output.columns}:
                paths = [folder / output.files[0] for folder, _ in batch.runs]
                frames = [read_result_table(path) for path in paths if path.is_file()]
                found += [pd.concat(frames, ignore_index=True)] if frames else []
    return found
