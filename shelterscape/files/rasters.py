"""Terrain models in, cloud-optimised GeoTIFFs out."""

from __future__ import annotations

import contextlib
import warnings
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from rasterio._err import CPLE_BaseError
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from shelterscape.errors import InputError, WriteError
from shelterscape.files.guards import refuse_pointers, refuse_swollen, sources_of
from shelterscape.grid import Grid
from shelterscape.terms import Term

Cut = Callable[[NDArray[Any], int, int], tuple[NDArray[Any], int, int] | None]

NO_DATA = -9999.0
CLASS_NO_DATA = 255
BLOCK = 512
THREADS = 2

READ_DRIVERS = ["GTiff", "COG", "AAIGrid", "VRT", "SRTMHGT", "ENVI"]
"""Kinds of raster that are read. HFA and netCDF are not, because they can refer to any other file;
nor are databases, which can hold queries that run when they are read."""

CACHE_BYTES = 128 * 2**20

FAULTS = (RasterioError, CPLE_BaseError)
"""What rasterio raises: not all of GDAL's errors become its own, those of a full disk do not."""

ENVIRONMENT = {
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "GDAL_CACHEMAX": CACHE_BYTES,
}
"""GDAL settings: nothing is written beside an input nor run from one, and its cache of blocks is
bounded, not a twentieth of whatever memory a machine has, so that what a run needs can be told."""


def open_raster(path: Path) -> DatasetReader:
    """Open a local raster of a kind on the list; call it inside ``rasterio.Env(**ENVIRONMENT)``.

    Parameters
    ----------
    path : Path

    Returns
    -------
    DatasetReader

    Raises
    ------
    InputError
        ``file-unreadable``, ``not-local``.
    """
    refuse_pointers(path)
    try:
        # rasterio.open takes one driver only; its reader takes the list its documentation promises.
        with warnings.catch_warnings():
            # Whoever needs to know where the cells lie asks for it.
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            data = DatasetReader(path.absolute(), driver=READ_DRIVERS, sharing=False)
        size = data.width * data.height * np.dtype(data.dtypes[0]).itemsize
        refuse_swollen(size, [path, *sources_of(path)], str(path))
        return data
    except RasterioError as error:
        raise InputError(
            "file-unreadable",
            "This file could not be read as a raster.",
            where=str(path),
            value=error,
            mend="GeoTIFF is the safest kind; export it as one.",
        ) from error


def _checksum(values: NDArray[Any]) -> int:
    return zlib.crc32(np.ascontiguousarray(values).data)


def _block(cells: int) -> int:
    """Side of the tiles a side is cut into: even pieces, for what lies past the edge is stored."""
    count = -(-cells // BLOCK)
    return 16 * -(-cells // (16 * count))


class RasterWriter:
    """Writes one raster in windows, then makes it a cloud-optimised GeoTIFF.

    GDAL's own driver for such files holds all bands in memory; a tiled file beside it, given
    overviews and copied with them, is the same in the end at a small, flat cost.

    Parameters
    ----------
    path : Path
        Where the finished file goes.
    grid : Grid
    bands : list of str
        Description of each band.
    term : Term
        What the cells hold.
    classes : dict, optional
        Class names by code; makes a raster of bytes with that table of names.
    colours : dict, optional
        Colour (r, g, b) by code for a class raster; kept in the file where it has one band.
    cut : callable, optional
        Cuts blocks laid out for a wider grid down to this one: from values and their first row
        and column to the same, or to None where nothing of them is wanted.
    packed : bool
        Whether the file it is made from is compressed too, which takes twice the time: for rasters
        of mostly nothing, that would be much larger without.
    stop_if_asked : callable
        Called between long pieces of the work; may raise to end it.
    """

    def __init__(
        self,
        path: Path,
        grid: Grid,
        bands: list[str],
        term: Term,
        *,
        classes: dict[int, str] | None = None,
        colours: dict[int, tuple[int, int, int]] | None = None,
        cut: Cut | None = None,
        packed: bool = False,
        stop_if_asked: Callable[[], None] = lambda: None,
    ) -> None:
        self._stop_if_asked = stop_if_asked
        self.path, self.bands, self._classed = path, bands, classes is not None
        self._cut, self._packed, self._shape = cut, packed, grid.shape
        self._part = path.with_suffix(".part.tif")
        self._sums: list[list[tuple[Window, int]]] = [[] for _ in bands]
        self._env = rasterio.Env(**ENVIRONMENT)
        self._env.__enter__()
        self._data = rasterio.open(self._part, "w", **self._profile(grid, len(bands)))
        self._data.update_tags(QUANTITY=term.title, UNIT=term.unit, MEANING=term.meaning)
        for number, name in enumerate(bands, start=1):
            self._data.set_band_description(number, name)
            self._data.set_band_unit(number, term.unit)
            if classes is not None:
                self._data.update_tags(number, **{f"CLASS_{c}": n for c, n in classes.items()})
            # A TIFF has room for colours in a single band only; the style file has them always.
            if colours is not None and len(bands) == 1:
                self._data.write_colormap(number, colours)

    def _profile(self, grid: Grid, count: int) -> dict[str, Any]:
        return {
            "driver": "GTiff",
            "height": grid.shape[0],
            "width": grid.shape[1],
            "count": count,
            "dtype": "uint8" if self._classed else "float32",
            "nodata": CLASS_NO_DATA if self._classed else NO_DATA,
            "crs": grid.crs.to_wkt() if grid.crs is not None else None,
            "transform": grid.affine,
            # What is never written takes no room and reads as missing.
            "sparse_ok": True,
            **self._layout(grid.shape),
            **(self._packing() if self._packed else {}),
        }

    @staticmethod
    def _layout(shape: tuple[int, int]) -> dict[str, Any]:
        """Of the finished file and of the one it is made from."""
        rows, cols = (_block(n) for n in shape)
        how = {"tiled": True, "blockxsize": cols, "blockysize": rows}
        return how | {"interleave": "band", "bigtiff": "if_safer"}

    def _packing(self) -> dict[str, Any]:
        # Level 2 makes files 1 % smaller and level 6 3 %, for a tenth and twice the time.
        predictor = 2 if self._classed else 3
        return {"compress": "deflate", "predictor": predictor, "zlevel": 1, "num_threads": THREADS}

    def write(self, band: int, values: NDArray[Any], row: int = 0, col: int = 0) -> None:
        """Write a block of a band (counted from 1) with its first cell at (`row`, `col`).

        Parameters
        ----------
        band : int
            From 1.
        values : (rows, cols) array
            Floats with NaN where missing, or uint8 with 255 in a raster of classes.
        row, col : int
            Where its first cell lies in the raster.
        """
        self._stop_if_asked()
        if self._cut is not None:
            wanted = self._cut(values, row, col)
            if wanted is None:
                return
            values, row, col = wanted
        if not self._classed:
            known = np.where(np.isfinite(values), values, np.float32(NO_DATA))
            values = known.astype(np.float32, copy=False)
        window = Window(col, row, values.shape[1], values.shape[0])
        with self._told_as_ours():
            self._data.write(values, band, window=window)
        self._sums[band - 1].append((window, _checksum(values)))

    def close(self) -> None:
        """Make the finished file of what was written and check it by reading it again."""
        try:
            with self._told_as_ours():
                self._add_overviews()
                self._stop_if_asked()
                rasterio.shutil.copy(
                    self._part,
                    self.path,
                    driver="GTiff",
                    copy_src_overviews=True,
                    **self._layout(self._shape),
                    **self._packing(),
                )
        finally:
            self.drop()
        self.verify()

    @contextlib.contextmanager
    def _told_as_ours(self) -> Iterator[None]:
        """Turn what GDAL says of a disk that takes no more into a `WriteError`."""
        try:
            yield
        except FAULTS as error:
            raise self._damaged(self.path.name, error) from error

    def _add_overviews(self) -> None:
        self._stop_if_asked()
        side = max(self._data.shape)
        factors = [2**i for i in range(1, 12) if side > BLOCK * 2 ** (i - 1)]
        self._data.close()
        if factors:
            with rasterio.open(self._part, "r+") as data:
                data.build_overviews(
                    factors, Resampling.nearest if self._classed else Resampling.average
                )

    def verify(self) -> None:
        """Read the finished file and compare it with what was written.

        Raises
        ------
        WriteError
            ``output-unwritable``: a full disk can lose data without a word.
        """
        try:
            with self._reopened() as data:
                for band, parts in enumerate(self._sums, start=1):
                    for window, expected in parts:
                        self._stop_if_asked()
                        if _checksum(data.read(band, window=window)) != expected:
                            raise self._damaged(f"{self.path.name}, band {band}")
        except FAULTS as error:
            raise self._damaged(self.path.name, error) from error

    @contextlib.contextmanager
    def _reopened(self) -> Iterator[DatasetReader]:
        with (
            rasterio.Env(**ENVIRONMENT),
            rasterio.open(self.path, num_threads=THREADS) as data,
        ):
            yield data

    def _damaged(self, where: str, found: Exception | None = None) -> WriteError:
        return WriteError(
            "output-unwritable",
            "A raster did not read back as it was written.",
            where=where,
            value=found,
            mend="Look for a full or failing disk, then run again.",
        )

    def drop(self) -> None:
        """Close and remove the part file; harmless when done already."""
        self._data.close()
        self._part.unlink(missing_ok=True)
        if self._env is not None:
            self._env.__exit__(None, None, None)
            self._env = None

    def __enter__(self) -> RasterWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.drop()
