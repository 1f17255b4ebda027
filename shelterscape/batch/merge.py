"""Combine the results of all holdings: one GeoPackage, mosaics, a table and a map."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.batch.figures import (
    codes_noticed,
    figure_with_role,
    figures_in,
    figures_of,
    ranks,
)
from shelterscape.batch.holdings import Holding
from shelterscape.batch.picture import draw_holdings_map
from shelterscape.batch.state import COMBINED, DONE, BatchFolder, HoldingState
from shelterscape.errors import Notice
from shelterscape.files.geopackages import (
    DefaultStyle,
    describe_columns,
    style_in,
    verify_layers,
    write_layer,
    write_styles,
)
from shelterscape.files.layer_rules import rules_of
from shelterscape.files.record import (
    PROGRAM,
    RECORD,
    described,
    listed,
    read_record,
    write_json,
)
from shelterscape.files.results import disk_faults, features_of, mosaic_of, write_mosaic
from shelterscape.files.style_qml import layer_qml
from shelterscape.files.style_sld import layer_sld
from shelterscape.files.styles import LayerStyle
from shelterscape.files.tables import write_table
from shelterscape.grid import Grid
from shelterscape.process import SCREENING, Layer, Raster
from shelterscape.runs import GEOPACKAGE, Step
from shelterscape.runs.events import OnEvent
from shelterscape.runs.staging import Staging
from shelterscape.runs.writing import rounded
from shelterscape.terms import TERMS

MAP, PACKAGE = "preview-holdings.png", "combined.gpkg"
TABLE = "tables/holdings.csv"
MOST_HOLDINGS, MOST_VERTICES = 200, 200_000
"""Features are written once they come from this many holdings, or have this many vertices."""

COLUMNS = ("holding_id", "name", "folder", "status", "error", "notices", "area_ha")
"""Columns of the layer of holdings; figures and the rank follow."""

_OWNER = ("holding_id", "folder")


def merge(
    folder: BatchFolder,
    states: Sequence[HoldingState],
    steps: Sequence[Step],
    grid: Grid,
    on_event: OnEvent,
    check_stop: Callable[[], None],
    notices: Sequence[Notice] = (),
) -> gpd.GeoDataFrame:
    """Combine the results of all finished holdings.

    Parameters
    ----------
    folder : BatchFolder
    states : sequence of HoldingState
        All holdings, failed ones too.
    steps : sequence of Step
    grid : Grid
        Grid of the terrain model.
    on_event : callable
        Takes events.
    check_stop : callable
        Called between pieces of work; raises when a stop was requested.
    notices : sequence of Notice
        What the work over the whole map noticed.

    Returns
    -------
    GeoDataFrame
        The layer of holdings.
    """
    target = folder.root / COMBINED
    with Staging(target, overwrite=True) as stage, disk_faults(target):
        work = _Merge(folder, states, steps, grid, stage.folder, on_event, check_stop, notices)
        table = work.holdings()
        work.layers()
        work.mosaics()
        figures = figures_in(steps)
        draw_holdings_map(stage.folder / MAP, table, figures, grid)
        work.finish()
        stage.commit()
    return table


class _Merge:
    def __init__(
        self,
        folder: BatchFolder,
        states: Sequence[HoldingState],
        steps: Sequence[Step],
        grid: Grid,
        out: Path,
        on_event: OnEvent,
        check_stop: Callable[[], None],
        notices: Sequence[Notice],
    ) -> None:
        self._folder, self._states, self._steps, self._grid = folder, states, steps, grid
        self._out, self._on_event, self._check_stop = out, on_event, check_stop
        self._done = [state for state in states if state.status == DONE]
        self._figures = figures_in(steps)
        self._package = out / PACKAGE
        self._columns: dict[str, tuple[str, ...]] = {}
        self._counts: dict[str, int] = {}
        self._styles: dict[str, DefaultStyle] = {}
        self._notices = list(notices)

    def cautions(self) -> tuple[str, ...]:
        """The cautions of all processes of the plan, each once."""
        found = (text for step in self._steps for text in step.process.cautions)
        return (SCREENING, *dict.fromkeys(found))

    def holdings(self) -> gpd.GeoDataFrame:
        """Write the layer and the table of holdings."""
        rows = []
        for state in self._states:
            self._check_stop()
            rows.append(self._table_row(state))
        columns = (*COLUMNS, *self._figures)
        frame = pd.DataFrame(rows, columns=list(columns))
        for column in columns:
            if TERMS[column].unit == "text":
                frame[column] = frame[column].astype("string").fillna("").astype(object)
            else:
                frame[column] = frame[column].astype(float)
        frame["rank"] = self._ranks(frame)
        frame = rounded(frame)
        outlines = [state.holding.geometry for state in self._states]
        table = gpd.GeoDataFrame(frame, geometry=outlines, crs=self._grid.crs)
        self._write(
            "holdings", table, "polygon", (*columns, "rank"), "Holdings, with the results of each."
        )
        rules = rules_of("holdings", "Holdings", LayerStyle(label="name"), table)
        self._styles["holdings"] = DefaultStyle(layer_qml(rules), layer_sld(rules))
        (self._out / TABLE).parent.mkdir(parents=True, exist_ok=True)
        write_table(self._out / TABLE, frame)
        return table

    def _ranks(self, frame: pd.DataFrame) -> pd.Series:
        """Rank of each holding; empty where the plan declares no benefit or no cost."""
        roles = ("places", "benefit", "cost")
        places, benefit, cost = (figure_with_role(self._figures, role) for role in roles)
        if benefit is None or cost is None:
            return pd.Series(pd.NA, index=frame.index, dtype="Int64")
        reached = frame[places] if places else pd.Series(0.0, frame.index)
        return ranks(reached, frame[benefit], frame[cost])

    def _table_row(self, state: HoldingState) -> dict[str, Any]:
        holding, error = state.holding, state.error or {}
        words = " ".join(str(error.get(key) or "") for key in ("what", "value"))
        figures: dict[str, Any] = {}
        noticed: list[str] = []
        if state.status == DONE:
            run = self._folder.run_folder(holding)
            figures, noticed = figures_of(run), codes_noticed(read_record(run) or {})
        return {
            "holding_id": holding.holding_id,
            "name": holding.name,
            "folder": holding.folder,
            "status": state.status,
            "error": f"{error['code']}: {words}".strip() if error else "",
            "notices": "; ".join(noticed),
            "area_ha": float(shapely.area(holding.geometry)) / 1e4,
        } | figures

    def layers(self) -> None:
        """Combine every layer that the steps write, one holding after the other."""
        for step in self._steps:
            for layer in step.process.outputs:
                # A step may write a layer of one holding; the combined one has them all.
                if isinstance(layer, Layer) and layer.name != "holdings":
                    self._layer(layer)

    def _layer(self, layer: Layer) -> None:
        columns = layer.columns if "holding_id" in layer.columns else (*_OWNER, *layer.columns)
        seen: set[bytes] = set()
        pending: list[gpd.GeoDataFrame] = []
        vertices = 0
        for state in self._done:
            self._check_stop()
            frame = self._features(state.holding, layer, columns, seen)
            if frame is not None:
                pending.append(frame)
                vertices += int(shapely.get_num_coordinates(frame.geometry).sum())
            if len(pending) >= MOST_HOLDINGS or vertices >= MOST_VERTICES:
                self._append(layer, pending, columns)
                pending, vertices = [], 0
        self._append(layer, pending, columns)

    def _features(
        self, holding: Holding, layer: Layer, columns: tuple[str, ...], seen: set[bytes]
    ) -> gpd.GeoDataFrame | None:
        """Features of one holding that are not in `seen`; None where it has no such layer."""
        path = self._folder.run_folder(holding) / GEOPACKAGE
        frame = features_of(path, layer.name)
        if frame is None:
            return None
        if columns is not layer.columns:
            frame = frame.assign(holding_id=holding.holding_id, folder=holding.folder)
        if layer.name not in self._styles and (style := style_in(path, layer.name)):
            self._styles[layer.name] = style
        # An array: pandas would take an empty list for a list of columns.
        new = np.array([_is_new(one, seen) for one in _feature_checksums(frame)], dtype=bool)
        return frame[[*columns, "geometry"]][new]

    def _append(
        self, layer: Layer, frames: list[gpd.GeoDataFrame], columns: tuple[str, ...]
    ) -> None:
        if frames:
            joined = pd.concat(frames, ignore_index=True)
            features = gpd.GeoDataFrame(joined, crs=self._grid.crs)
            self._write(layer.name, features, layer.kind, columns, layer.title)

    def _write(
        self, name: str, frame: gpd.GeoDataFrame, kind: str, columns: tuple[str, ...], title: str
    ) -> None:
        write_layer(self._package, name, frame, kind, title)
        self._columns[name] = columns
        self._counts[name] = self._counts.get(name, 0) + len(frame)

    def mosaics(self) -> None:
        """Write a mosaic of every raster that the steps write."""
        for step in self._steps:
            for raster in step.process.outputs:
                if isinstance(raster, Raster):
                    self._check_stop()
                    self._mosaic(raster)

    def _mosaic(self, raster: Raster) -> None:
        folders = [self._folder.run_folder(state.holding) for state in self._done]
        folders = [folder for folder in folders if (folder / raster.files[0]).is_file()]
        paths = [folder / raster.files[0] for folder in folders]
        if not paths:
            return
        self._on_event({"event": "progress", "share": 1.0, "text": f"mosaic of {raster.name}"})
        mosaic, skipped = mosaic_of(paths, self._grid)
        if skipped:
            text = f"{raster.name}: rasters with other bands were left out of the mosaic"
            self._notice(Notice("not-merged", text, len(skipped)))
        target = self._out / raster.files[0]
        target.parent.mkdir(parents=True, exist_ok=True)
        write_mosaic(target, mosaic, raster.quantity, self._check_stop)
        for style in raster.files[1:]:
            shutil.copyfile(folders[0] / style, self._out / style)

    def _notice(self, notice: Notice) -> None:
        self._notices.append(notice)
        self._on_event({"event": "notice", **notice.fields()})

    def finish(self) -> None:
        """Describe the columns, write the styles, verify the GeoPackage, and write the record."""
        describe_columns(self._package, self._columns)
        write_styles(self._package, self._styles)
        for layer, style in self._styles.items():
            path = self._out / f"combined.{layer}.sld"
            path.write_text(style.sld, encoding="utf-8")
        verify_layers(self._package, self._counts)
        record = {
            "program": PROGRAM,
            "kind": "combined",
            "holdings": [[one.holding.folder, one.status, one.key] for one in self._states],
            "features": self._counts,
            "notices": [n.fields() for n in self._notices],
            "cautions": list(self.cautions()),
            "outputs": described(self._out, listed(self._out)),
        }
        write_json(self._out / RECORD, record)


def _feature_checksums(frame: gpd.GeoDataFrame) -> Iterator[bytes]:
    """A checksum of the geometry and columns of each feature."""
    shapes = shapely.to_wkb(frame.geometry.to_numpy())
    columns = frame.drop(columns=frame.geometry.name).itertuples(index=False)
    for shape, values in zip(shapes, columns, strict=True):
        yield hashlib.sha256(shape + repr(tuple(values)).encode("utf-8", "replace")).digest()


def _is_new(checksum: bytes, seen: set[bytes]) -> bool:
    """Whether a feature is not in `seen` yet: the margins of holdings share belts."""
    before = len(seen)
    seen.add(checksum)
    return len(seen) > before
