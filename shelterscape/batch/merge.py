"""All holdings put together: one GeoPackage, mosaics, a table and a map of the catchment."""

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

from shelterscape.batch.figures import figures_in, figures_of, ranks, with_role
from shelterscape.batch.picture import draw_catchment
from shelterscape.batch.state import CATCHMENT, DONE, BatchFolder, Row
from shelterscape.errors import Notice
from shelterscape.files import styles
from shelterscape.files.geopackages import describe_columns, verify_layers, write_layer
from shelterscape.files.record import PROGRAM, RECORD, described, listed, write_json
from shelterscape.files.results import disk_faults, features_of, mosaic_of, write_mosaic
from shelterscape.files.tables import write_table
from shelterscape.grid import Grid
from shelterscape.process import SCREENING, Layer, Raster
from shelterscape.runs import GEOPACKAGE, Step
from shelterscape.runs.events import Tell
from shelterscape.runs.staging import Staging
from shelterscape.terms import TERMS

PACKAGE = "catchment.gpkg"
TABLE = "tables/holdings.csv"
TOGETHER, VERTICES_TOGETHER = 200, 200_000
"""Holdings whose features are held in memory at once, and vertices of these, at most about."""

COLUMNS = {
    "holding_id": "holding_id",
    "name": "name",
    "folder": "holding_folder",
    "status": "holding_status",
    "error": "holding_error",
    "area_ha": "area",
}
"""Columns of the layer of holdings, and their terms; figures and the rank come after them."""

RANK = {"rank": "holding_rank"}
_OWNER = {"holding_id": "holding_id", "folder": "holding_folder"}


def merge(
    folder: BatchFolder,
    rows: Sequence[Row],
    steps: Sequence[Step],
    grid: Grid,
    tell: Tell,
    ask: Callable[[], None],
) -> gpd.GeoDataFrame:
    """Put the results of all finished holdings together.

    Parameters
    ----------
    folder : BatchFolder
    rows : sequence of Row
        All holdings, failed ones too.
    steps : sequence of Step
    grid : Grid
        Of the terrain model.
    tell : callable
        Takes events.
    ask : callable
        Called between pieces of work; raises to stop.

    Returns
    -------
    GeoDataFrame
        The layer of holdings.
    """
    target = folder.root / CATCHMENT
    with Staging(target, overwrite=True) as stage, disk_faults(target):
        work = _Merge(folder, rows, steps, grid, stage.folder, tell, ask)
        table = work.holdings()
        work.layers()
        work.mosaics()
        figures = figures_in(steps)
        draw_catchment(stage.folder / "preview-holdings.png", table, figures, grid, work.cautions())
        work.finish()
        stage.commit()
    return table


class _Merge:
    def __init__(
        self,
        folder: BatchFolder,
        rows: Sequence[Row],
        steps: Sequence[Step],
        grid: Grid,
        out: Path,
        tell: Tell,
        ask: Callable[[], None],
    ) -> None:
        self._folder, self._rows, self._steps, self._grid = folder, rows, steps, grid
        self._out, self._tell, self._ask = out, tell, ask
        self._done = [row for row in rows if row.status == DONE]
        self._figures = figures_in(steps)
        self._package = out / PACKAGE
        self._columns: dict[str, dict[str, str]] = {}
        self._counts: dict[str, int] = {}
        self._notices: list[Notice] = []

    def cautions(self) -> tuple[str, ...]:
        """What every process of the plan warns of, each once."""
        found = (text for step in self._steps for text in step.process.cautions)
        return (SCREENING, *dict.fromkeys(found))

    def holdings(self) -> gpd.GeoDataFrame:
        """Write the layer and the table of holdings."""
        told = []
        for row in self._rows:
            self._ask()
            told.append(self._told(row))
        columns = COLUMNS | {f.name: f.term for f in self._figures.values()}
        frame = pd.DataFrame(told, columns=list(columns))
        for column, term in columns.items():
            if TERMS[term].unit == "text":
                frame[column] = frame[column].astype("string").fillna("").astype(object)
            else:
                frame[column] = frame[column].astype(float)
        frame["rank"] = self._ranks(frame)
        outlines = [row.holding.geometry for row in self._rows]
        table = gpd.GeoDataFrame(frame, geometry=outlines, crs=self._grid.crs)
        self._write(
            "holdings", table, "polygon", columns | RANK, "Holdings, and what was found on each."
        )
        style = styles.line_sld("holdings", "Holdings")
        self._style("holdings").write_text(style, encoding="utf-8")
        (self._out / TABLE).parent.mkdir(parents=True, exist_ok=True)
        write_table(self._out / TABLE, frame)
        return table

    def _ranks(self, frame: pd.DataFrame) -> pd.Series:
        """Rank of each holding; empty where the plan declares no benefit or no cost."""
        benefit, cost = (with_role(self._figures, role) for role in ("benefit", "cost"))
        if benefit is None or cost is None:
            return pd.Series(pd.NA, index=frame.index, dtype="Int64")
        return ranks(frame[benefit], frame[cost])

    def _told(self, row: Row) -> dict[str, Any]:
        error = row.error or {}
        words = " ".join(str(error.get(key) or "") for key in ("what", "value"))
        figures: dict[str, Any] = {}
        if row.status == DONE:
            figures = figures_of(self._folder.of(row.holding))
        return {
            "holding_id": row.holding.holding_id,
            "name": row.holding.name,
            "folder": row.holding.folder,
            "status": row.status,
            "error": f"{error['code']}: {words}".strip() if error else "",
            "area_ha": float(shapely.area(row.holding.geometry)) / 1e4,
        } | figures

    def layers(self) -> None:
        """Write every layer the plan's steps write, holding after holding."""
        for step in self._steps:
            for layer in step.process.outputs:
                # A layer of holdings among them is for one holding; ours is for all.
                if isinstance(layer, Layer) and layer.name != "holdings":
                    self._layer(layer)

    def _layer(self, layer: Layer) -> None:
        columns = layer.columns if "holding_id" in layer.columns else _OWNER | layer.columns
        seen: set[bytes] = set()
        held: list[gpd.GeoDataFrame] = []
        vertices = 0
        for row in self._done:
            self._ask()
            frame = self._features(row, layer, columns, seen)
            if frame is not None:
                held.append(frame)
                vertices += int(shapely.get_num_coordinates(frame.geometry).sum())
            if len(held) >= TOGETHER or vertices >= VERTICES_TOGETHER:
                self._write_together(layer, held, columns)
                held, vertices = [], 0
        self._write_together(layer, held, columns)

    def _features(
        self, row: Row, layer: Layer, columns: dict[str, str], seen: set[bytes]
    ) -> gpd.GeoDataFrame | None:
        """Features of one holding that no other had before; None where it has no such layer."""
        path = self._folder.of(row.holding) / GEOPACKAGE
        frame = features_of(path, layer.name)
        if frame is None:
            return None
        if columns is not layer.columns:
            frame = frame.assign(holding_id=row.holding.holding_id, folder=row.holding.folder)
        style = path.parent / f"layers.{layer.name}.sld"
        if style.is_file() and not self._style(layer.name).exists():
            shutil.copyfile(style, self._style(layer.name))
        # An array, for an empty list would be taken for a list of no columns.
        new = np.array([_is_new(mark, seen) for mark in _marks(frame)], dtype=bool)
        return frame[[*columns, "geometry"]][new]

    def _write_together(
        self, layer: Layer, frames: list[gpd.GeoDataFrame], columns: dict[str, str]
    ) -> None:
        if frames:
            joined = pd.concat(frames, ignore_index=True)
            together = gpd.GeoDataFrame(joined, crs=self._grid.crs)
            self._write(layer.name, together, layer.kind, columns, layer.title)

    def _write(
        self, name: str, frame: gpd.GeoDataFrame, kind: str, columns: dict[str, str], title: str
    ) -> None:
        write_layer(self._package, name, frame, kind, title)
        self._columns[name] = columns
        self._counts[name] = self._counts.get(name, 0) + len(frame)

    def _style(self, layer: str) -> Path:
        return self._out / f"catchment.{layer}.sld"

    def mosaics(self) -> None:
        """Write a mosaic of every raster the plan's steps write."""
        for step in self._steps:
            for raster in step.process.outputs:
                if isinstance(raster, Raster):
                    self._ask()
                    self._mosaic(raster)

    def _mosaic(self, raster: Raster) -> None:
        target, style = (self._out / file for file in raster.files)
        paths = [self._folder.of(row.holding) / raster.files[0] for row in self._done]
        paths = [path for path in paths if path.is_file()]
        if not paths:
            return
        self._tell({"event": "progress", "share": 1.0, "text": f"mosaic of {raster.name}"})
        mosaic, strangers = mosaic_of(paths, self._grid)
        if strangers:
            text = f"{raster.name}: rasters left out of the mosaic, their bands differ"
            self._notice(Notice("not-merged", text, len(strangers)))
        target.parent.mkdir(parents=True, exist_ok=True)
        other = bool(raster.relative_term) and mosaic.quantity != raster.quantity.title
        write_mosaic(target, mosaic, raster.relative_quantity if other else raster.quantity)
        shutil.copyfile(self._folder.of(self._done[0].holding) / raster.files[1], style)

    def _notice(self, notice: Notice) -> None:
        self._notices.append(notice)
        self._tell({"event": "notice", **notice.fields()})

    def finish(self) -> None:
        """Describe columns, read the GeoPackage back, and write the record."""
        describe_columns(self._package, self._columns)
        verify_layers(self._package, self._counts)
        record = {
            "program": PROGRAM,
            "kind": "catchment",
            "holdings": [[r.holding.folder, r.status, r.key] for r in self._rows],
            "features": self._counts,
            "notices": [n.fields() for n in self._notices],
            "cautions": list(self.cautions()),
            "outputs": described(self._out, listed(self._out)),
        }
        write_json(self._out / RECORD, record)


def _marks(frame: gpd.GeoDataFrame) -> Iterator[bytes]:
    """A checksum for each feature, outline and columns."""
    shapes = shapely.to_wkb(frame.geometry.to_numpy())
    columns = frame.drop(columns=frame.geometry.name).itertuples(index=False)
    for shape, values in zip(shapes, columns, strict=True):
        yield hashlib.sha256(shape + repr(tuple(values)).encode("utf-8", "replace")).digest()


def _is_new(mark: bytes, seen: set[bytes]) -> bool:
    """Whether a feature was not met before: margins of holdings hold the same belts."""
    before = len(seen)
    seen.add(mark)
    return len(seen) > before
