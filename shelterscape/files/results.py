"""Results of earlier runs, read to be combined."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from rasterio.windows import Window

from shelterscape.errors import WriteError
from shelterscape.files.gdal_options import LAYER_OPTIONS
from shelterscape.files.rasters import CLASS_NO_DATA, ENVIRONMENT, FAULTS, NO_DATA, RasterWriter
from shelterscape.grid import Grid
from shelterscape.terms import Term

_VECTOR_FAULTS = (DataSourceError, DataLayerError, FeatureError)

FILLED_SHARE = 0.5
"""Share of a mosaic covered by its parts below which it counts as mostly missing."""

MOSAIC_ROWS, MOSAIC_COLS = 512, 2048
"""Size of the blocks in which a mosaic is written: whole tiles of the file, little memory."""


@contextlib.contextmanager
def disk_faults(where: Path) -> Iterator[None]:
    """Convert errors of libraries, such as those of a full disk, to `WriteError`.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """
    try:
        yield
    except (OSError, *FAULTS, sqlite3.Error, *_VECTOR_FAULTS) as error:
        raise WriteError(
            "output-unwritable",
            "The results of all holdings could not be combined.",
            where=str(where),
            value=getattr(error, "strerror", None) or str(error),
            hint="Free some disk space if the disk is full, and start the batch again: finished "
            "holdings are kept, and damaged ones are run again.",
        ) from error


def features_of(path: Path, layer: str) -> gpd.GeoDataFrame | None:
    """A layer of results, with the column types it was written with; None if there is none."""
    if not path.is_file() or layer not in {name for name, _ in pyogrio.list_layers(path)}:
        return None
    pyogrio.set_gdal_config_options(LAYER_OPTIONS)
    kinds = pyogrio.read_info(path, layer=layer)
    frame = pyogrio.read_dataframe(path, layer=layer)
    for column, kind in zip(kinds["fields"], kinds["dtypes"], strict=True):
        # Columns of whole numbers with missing values are read as decimal numbers.
        if str(kind).startswith("int"):
            frame[column] = frame[column].astype("Int64")
    return frame


@dataclass(frozen=True)
class Part:
    """One raster of a mosaic, and its position in the mosaic."""

    path: Path
    row: int
    col: int
    shape: tuple[int, int]


@dataclass(frozen=True)
class Mosaic:
    """Rasters of one quantity, in one grid.

    Parameters
    ----------
    grid : Grid
        The smallest grid that contains all parts.
    parts : tuple of Part
    bands : list of str
    classes : dict or None
        Class names by code.
    colours : dict or None
        Colours by code.
    quantity : str
        Title of the quantity of its cells.
    """

    grid: Grid
    parts: tuple[Part, ...]
    bands: list[str]
    classes: dict[int, str] | None
    colours: dict[int, tuple[int, int, int]] | None
    quantity: str


def mosaic_of(paths: Sequence[Path], whole: Grid) -> tuple[Mosaic, list[Path]]:
    """The mosaic of rasters cut from one grid, and the rasters that do not match the first."""
    first: dict[str, Any] = {}
    parts, unmatched = [], []
    with rasterio.Env(**ENVIRONMENT):
        for path in paths:
            with rasterio.open(path) as data:
                properties = {"bands": data.descriptions, "types": data.dtypes, "tags": data.tags()}
                if not first:
                    first = properties | _classes(data)
                if any(properties[key] != first[key] for key in properties):
                    unmatched.append(path)
                    continue
                col, row = (round(n) for n in ~whole.affine * (data.transform.c, data.transform.f))
                parts.append(Part(path, row, col, data.shape))
    top, left = min(p.row for p in parts), min(p.col for p in parts)
    bottom = max(p.row + p.shape[0] for p in parts)
    right = max(p.col + p.shape[1] for p in parts)
    mosaic = Mosaic(
        whole.window(top, left, (bottom - top, right - left)),
        tuple(Part(p.path, p.row - top, p.col - left, p.shape) for p in parts),
        [str(name) for name in first["bands"]],
        first["classes"],
        first["colours"],
        first["tags"].get("QUANTITY", ""),
    )
    return mosaic, unmatched


def _classes(data: rasterio.DatasetReader) -> dict[str, Any]:
    tags = data.tags(1)
    codes = {int(k.removeprefix("CLASS_")): v for k, v in tags.items() if k.startswith("CLASS_")}
    if not codes:
        return {"classes": None, "colours": None}
    classes = dict(sorted(codes.items()))
    colours = None
    if data.count == 1 and data.dtypes[0] == "uint8":
        colours = {code: data.colormap(1)[code][:3] for code in classes}
    return {"classes": classes, "colours": colours}


def write_mosaic(
    path: Path,
    mosaic: Mosaic,
    term: Term,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> None:
    """Write a mosaic as one cloud-optimised GeoTIFF, block by block.

    Where parts overlap, the first with a value is used; parts cut from one raster agree.
    `stop_if_requested` is called between blocks and may raise.
    """
    held = sum(part.shape[0] * part.shape[1] for part in mosaic.parts)
    with RasterWriter(
        path,
        mosaic.grid,
        mosaic.bands,
        term,
        classes=mosaic.classes,
        colours=mosaic.colours,
        packed=held < FILLED_SHARE * mosaic.grid.shape[0] * mosaic.grid.shape[1],
        stop_if_requested=stop_if_requested,
    ) as writer:
        for row, col, values in _blocks(mosaic):
            for band, plane in enumerate(values, start=1):
                writer.write(band, plane, row, col)


def _blocks(mosaic: Mosaic) -> Iterator[tuple[int, int, NDArray[Any]]]:
    """Blocks of the mosaic that contain parts: first row and column, and all bands."""
    rows, cols = mosaic.grid.shape
    missing = NO_DATA if mosaic.classes is None else CLASS_NO_DATA
    kind = np.float32 if mosaic.classes is None else np.uint8
    for row in range(0, rows, MOSAIC_ROWS):
        in_rows = [
            p for p in mosaic.parts if p.row < row + MOSAIC_ROWS and p.row + p.shape[0] > row
        ]
        for col in range(0, cols, MOSAIC_COLS):
            here = [p for p in in_rows if p.col < col + MOSAIC_COLS and p.col + p.shape[1] > col]
            if not here:
                continue
            shape = min(MOSAIC_ROWS, rows - row), min(MOSAIC_COLS, cols - col)
            block = np.full((len(mosaic.bands), *shape), missing, kind)
            for part in here:
                _copy_into(part, block, row, col, missing)
            if kind is np.float32:
                block[block == missing] = np.nan
            yield row, col, block


def _copy_into(part: Part, block: NDArray[Any], row: int, col: int, missing: float) -> None:
    top, left = max(part.row, row), max(part.col, col)
    bottom = min(part.row + part.shape[0], row + block.shape[1])
    right = min(part.col + part.shape[1], col + block.shape[2])
    if top >= bottom or left >= right:
        return
    window = Window(left - part.col, top - part.row, right - left, bottom - top)
    with rasterio.Env(**ENVIRONMENT), rasterio.open(part.path) as data:
        found = data.read(window=window)
    place = block[:, top - row : bottom - row, left - col : right - col]
    np.copyto(place, found, where=(place == missing) & (found != missing))
