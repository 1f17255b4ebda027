"""Open rasters, and write cloud-optimised GeoTIFFs."""

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
from numpy.typing import NDArray
from rasterio._err import CPLE_BaseError
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from shelterscape.errors import InputError, WriteError
from shelterscape.files import finishing
from shelterscape.files.gdal_options import RASTER_OPTIONS
from shelterscape.files.guards import refuse_pointers, refuse_swollen, sources_of
from shelterscape.files.local import fault_of
from shelterscape.grid import Grid
from shelterscape.terms import Term

Cut = Callable[[NDArray[Any], int, int], tuple[NDArray[Any], int, int] | None]

NO_DATA = -9999.0
CLASS_NO_DATA = 255
BLOCK = 512
THREADS = 2

READ_DRIVERS = ["GTiff", "COG", "AAIGrid", "VRT", "SRTMHGT", "ENVI"]
"""Raster formats that are read. HFA and netCDF are excluded because they can refer to any other
file, and databases because they can hold queries that run when they are read."""

CACHE_BYTES = 128 * 2**20

FAULTS = (RasterioError, CPLE_BaseError)
"""Errors of rasterio. It does not convert all of GDAL's errors, such as those of a full disk."""

ENVIRONMENT = {
    **RASTER_OPTIONS,
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "GDAL_CACHEMAX": CACHE_BYTES,
}
"""GDAL settings. GDAL writes nothing beside an input and runs nothing from one. The limit on its
cache, by default a twentieth of the memory, makes the memory of a run predictable."""


def open_raster(path: Path) -> DatasetReader:
    """Open a local raster in one of `READ_DRIVERS`; call inside ``rasterio.Env(**ENVIRONMENT)``.

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
        # rasterio.open accepts one driver only, its reader a list.
        with warnings.catch_warnings():
            # Callers that need georeferencing check for it.
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
            value=fault_of(error),
            hint="Export it as GeoTIFF.",
        ) from error


def _checksum(values: NDArray[Any]) -> int:
    return zlib.crc32(np.ascontiguousarray(values).data)


def _block(cells: int) -> int:
    """Side of the tiles along one side, all about equal: cells past the edge are stored too."""
    count = -(-cells // BLOCK)
    return 16 * -(-cells // (16 * count))


class RasterWriter:
    """Writes one raster in windows, then converts it to a cloud-optimised GeoTIFF.

    GDAL's driver for such files holds all bands in memory. Copying a tiled file with its overviews
    gives the same result with little memory.

    Parameters
    ----------
    path : Path
        Finished file.
    grid : Grid
    bands : list of str
        Description of each band.
    term : Term
        Quantity of the cells.
    classes : dict, optional
        Class names by code, for a raster of classes (bytes).
    colours : dict, optional
        Colour (r, g, b) by code of a raster of classes; written if it has one band.
    cut : callable, optional
        Cuts blocks of a wider grid to this grid: takes values and their first row and column, and
        returns the same for this grid, or None if the block is outside it.
    packed : bool
        Whether the intermediate file is compressed too, which takes twice the time. Use it for
        rasters with mostly missing cells, which would be much larger without.
    stop_if_requested : callable
        Called between long steps; may raise to end the work.
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
        stop_if_requested: Callable[[], None] = lambda: None,
    ) -> None:
        self._stop_if_requested = stop_if_requested
        self.path, self.bands, self._classed = path, bands, classes is not None
        self._cut, self._packed, self._shape = cut, packed, grid.shape
        self._part = path.with_suffix(".part.tif")
        self._sums: list[list[tuple[Window, int]]] = [[] for _ in bands]
        self._env = rasterio.Env(**ENVIRONMENT, **self._overviews(packed))
        self._env.__enter__()
        self._data = rasterio.open(self._part, "w", **self._profile(grid, len(bands)))
        self._data.update_tags(QUANTITY=term.title, UNIT=term.unit, MEANING=term.meaning)
        for number, name in enumerate(bands, start=1):
            self._data.set_band_description(number, name)
            self._data.set_band_unit(number, term.unit)
            if classes is not None:
                self._data.update_tags(number, **{f"CLASS_{c}": n for c, n in classes.items()})
            # A TIFF can hold colours for a single band only; the style file always has them.
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
            # Blocks that are never written use no space and read as missing.
            "sparse_ok": True,
            **self._layout(grid.shape),
            **(self._packing() if self._packed else {}),
        }

    @staticmethod
    def _layout(shape: tuple[int, int]) -> dict[str, Any]:
        """Layout of the finished file and of the intermediate one."""
        rows, cols = (_block(n) for n in shape)
        options = {"tiled": True, "blockxsize": cols, "blockysize": rows}
        return options | {"interleave": "band", "bigtiff": "if_safer"}

    def _overviews(self, packed: bool) -> dict[str, str]:
        """Packing of overviews, which the environment could change."""
        packing = {key: str(value) for key, value in self._packing().items()}
        return {
            "COMPRESS_OVERVIEW": packing["compress"].upper() if packed else "NONE",
            "PREDICTOR_OVERVIEW": packing["predictor"] if packed else "1",
            "ZLEVEL_OVERVIEW": packing["zlevel"],
        }

    def _packing(self) -> dict[str, Any]:
        # Level 2 makes files 1 % smaller in a tenth more time, level 6 makes them 3 % smaller in
        # twice the time.
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
            Row and column of its first cell in the raster.
        """
        self._stop_if_requested()
        if self._cut is not None:
            wanted = self._cut(values, row, col)
            if wanted is None:
                return
            values, row, col = wanted
        if not self._classed:
            known = np.where(np.isfinite(values), values, np.float32(NO_DATA))
            values = known.astype(np.float32, copy=False)
        window = Window(col, row, values.shape[1], values.shape[0])
        with self._disk_errors():
            self._data.write(values, band, window=window)
        self._sums[band - 1].append((window, _checksum(values)))

    def close(self) -> None:
        """Create the finished file and verify it."""
        try:
            self._stop_if_requested()
            with self._disk_errors():
                self._data.close()
                work = self._finish()
                if self._bytes > finishing.APART_BYTES:
                    finishing.finish_apart(work, self._stop_if_requested)
                else:
                    finishing.finish(work, self._stop_if_requested)
        except BaseException:
            if self.path.is_file():  # half of it is no raster
                self.path.unlink()
            raise
        finally:
            self.drop()
        self.verify()

    def _finish(self) -> finishing.Finish:
        side = max(self._shape)
        return finishing.Finish(
            part=str(self._part.absolute()),
            path=str(self.path.absolute()),
            factors=[2**i for i in range(1, 12) if side > BLOCK * 2 ** (i - 1)],
            resampling="nearest" if self._classed else "average",
            options=self._layout(self._shape) | self._packing(),
            settings=ENVIRONMENT | self._overviews(packed=True),
            overview_settings=self._overviews(self._packed),
        )

    @property
    def _bytes(self) -> int:
        rows, cols = self._shape
        return rows * cols * len(self.bands) * (1 if self._classed else 4)

    @contextlib.contextmanager
    def _disk_errors(self) -> Iterator[None]:
        """Convert errors of GDAL, such as those of a full disk, to `WriteError`."""
        try:
            yield
        except (*FAULTS, finishing.ChildError) as error:
            raise self._damaged(self.path.name, error) from error

    def verify(self) -> None:
        """Read the finished file and compare it with what was written.

        Raises
        ------
        WriteError
            ``output-unwritable``: a full disk can lose data without an error.
        """
        try:
            with self._reopened() as data:
                for band, parts in enumerate(self._sums, start=1):
                    for window, expected in parts:
                        self._stop_if_requested()
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
            "A raster differs from what was written to it.",
            where=where,
            value=found,
            hint="Check the disk for space and faults, then run again.",
        )

    def drop(self) -> None:
        """Close and remove the intermediate file; does nothing if that is done."""
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
