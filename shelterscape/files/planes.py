"""Internal rasters: exact numbers, written as a whole, read in windows."""

from __future__ import annotations

import os
import zlib
from pathlib import Path
from types import TracebackType

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.windows import Window

from shelterscape.errors import WriteError
from shelterscape.files.rasters import ENVIRONMENT, FAULTS
from shelterscape.files.record import flush
from shelterscape.grid import Grid

BLOCK = 256
"""Side of the blocks of such a file; strips of whole blocks are written efficiently."""


class PlanesWriter:
    """Writes a raster strip by strip. The file exists complete or not at all.

    Use it in a ``with`` block.

    Parameters
    ----------
    path : Path
    grid : Grid
    count : int
        Bands.

    Raises
    ------
    WriteError
        ``output-unwritable``.
    """

    def __init__(self, path: Path, grid: Grid, count: int) -> None:
        self._path, self._grid, self._count = path, grid, count
        # Two processes may write at once, even on two machines: each writes its own file first.
        self._part = path.with_name(f".{path.stem}.{os.getpid()}.part.tif")
        self._sums: list[tuple[int, int, int]] = []
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with rasterio.Env(**ENVIRONMENT):
                self._data = rasterio.open(self._part, "w", **self._profile())
        except FAULTS as error:
            raise _damaged(path) from error

    def _profile(self) -> dict[str, object]:
        return {
            "driver": "GTiff",
            "height": self._grid.shape[0],
            "width": self._grid.shape[1],
            "count": self._count,
            "dtype": "float32",
            "nodata": np.nan,
            "crs": self._grid.crs.to_wkt() if self._grid.crs is not None else None,
            "transform": self._grid.affine,
            "tiled": True,
            "blockxsize": BLOCK,
            "blockysize": BLOCK,
            "interleave": "band",
            "compress": "deflate",
            "predictor": 3,
            "zlevel": 1,
            "num_threads": 2,
            "bigtiff": "if_safer",
        }

    def write(self, row: int, planes: list[NDArray[np.float32]]) -> None:
        """Write all bands of complete rows from `row` on; NaN where missing."""
        window = Window(0, row, self._grid.shape[1], planes[0].shape[0])
        try:
            with rasterio.Env(**ENVIRONMENT):
                for number, plane in enumerate(planes, start=1):
                    self._data.write(plane, number, window=window)
        except FAULTS as error:
            raise _damaged(self._path) from error
        self._sums.append((row, planes[0].shape[0], _checksum(planes)))

    def __enter__(self) -> PlanesWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            with rasterio.Env(**ENVIRONMENT):
                self._data.close()
            if kind is None:
                self._verify()
                flush(self._part)
                os.replace(self._part, self._path)
                flush(self._path.parent)
        except FAULTS as fault:
            raise _damaged(self._path) from fault
        finally:
            self._part.unlink(missing_ok=True)

    def _verify(self) -> None:
        """Verify the file: a full disk can lose data without an error."""
        cols = self._grid.shape[1]
        for row, rows, expected in self._sums:
            if _checksum(_read(self._part, Window(0, row, cols, rows))) != expected:
                raise _damaged(self._path)


def write_planes(path: Path, grid: Grid, planes: list[NDArray[np.float32]]) -> None:
    """Write one band for each plane, as `PlanesWriter` does."""
    with PlanesWriter(path, grid, len(planes)) as writer:
        writer.write(0, planes)


def read_planes(path: Path, grid: Grid) -> list[NDArray[np.float32]]:
    """The bands of a file on a window of the grid it was written for."""
    return _read(path, Window(grid.col0, grid.row0, grid.shape[1], grid.shape[0]))


def _read(path: Path, window: Window) -> list[NDArray[np.float32]]:
    with rasterio.Env(**ENVIRONMENT), rasterio.open(path) as data:
        return list(data.read(window=window))


def _checksum(planes: list[NDArray[np.float32]]) -> int:
    total = 0
    for plane in planes:
        # A missing value may be read as another kind of NaN.
        total = zlib.crc32(np.where(np.isnan(plane), np.float32(np.nan), plane).data, total)
    return total


def _damaged(path: Path) -> WriteError:
    return WriteError(
        "output-unwritable",
        "A raster for all holdings differs from what was written to it.",
        where=path.name,
        hint="Check the disk for space and faults, then run again.",
    )
