"""Read and check terrain models, and resample them to square north-up cells in metres."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS
from rasterio._err import CPLE_BaseError
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.warp import calculate_default_transform, reproject
from rasterio.windows import Window

from shelterscape.errors import InputError, Notice
from shelterscape.files.crs import ground_plan, known_crs, metric_crs
from shelterscape.files.local import existing_file, fault_of
from shelterscape.files.rasters import ENVIRONMENT, open_raster
from shelterscape.grid import Grid

METRES_PER = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0, "cm": 0.01}
"""Metres in one unit of height."""

LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""Range of land elevations (shore of the Dead Sea -430 m, Everest 8849 m; not verified against a
source). A value outside it is an undeclared missing value or has another unit."""

LEAST_CELLS = 3
"""Fewest rows and columns in which any cell has ground on all sides."""

SMALLEST_SIDE, LARGEST_SIDE = 1e-9, 1e9
"""Bounds on the side of a cell, in the unit of its file; outside them a file is damaged."""

METRE_NAMES = frozenset(("", "m", "metre", "metres", "meter", "meters"))
"""Units of height that need no --z-unit; without a unit, heights are taken as metres."""

_UNIT_NAMES = {
    "ft": ("ft", "foot", "feet", "international foot", "ift"),
    "us-ft": ("us-ft", "us survey foot", "us survey feet", "foot us", "feet us", "ftus", "sfoot",
              "us foot", "us feet", "survey foot", "survey feet"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
}  # fmt: skip
"""Names of units by the value of --z-unit."""


def read_terrain(
    source: str,
    *,
    crs: str | None = None,
    to_crs: str | None = None,
    z_unit: str | None = None,
    around: tuple[tuple[float, float, float, float], float] | None = None,
) -> tuple[NDArray[np.float32], Grid, list[Notice]]:
    """Read a terrain model.

    Parameters
    ----------
    source : str
        Path of a raster; its first band is the elevation.
    crs : str, optional
        Coordinate system, for a file that does not state it.
    to_crs : str, optional
        Coordinate system in metres to resample to.
    z_unit : {"m", "ft", "us-ft", "cm"}, optional
        Unit of the heights, when it is not metres.
    around : tuple, optional
        West, south, east and north, and a margin (m): only the cells there are read. It requires
        a model that `can_be_cut`.

    Returns
    -------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    notices : list of Notice

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-…``,
        ``elevation-unit``, ``elevation-range``, ``not-local``, ``place-missing``,
        ``raster-empty``, ``raster-small``; ``holding-bad`` if there are no cells to be read.
    """
    path = existing_file(source, "terrain model")
    notices: list[Notice] = []
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        affine, own, target = _placed(data, crs, to_crs, path)
        if data.count > 1:
            notices.append(Notice("bands-ignored", f"{path.name}: band 1 used", data.count - 1))
        if around and own == target and _fits(affine):
            window = _window(Grid(data.shape, _squared(affine), target), around, path)
            elevation = _heights(data, z_unit, path, window)
            _check_size(elevation, path)
            return elevation, window, notices
        elevation = _heights(data, z_unit, path)
    _check_size(elevation, path)
    if missing := int(np.isnan(elevation).sum()):
        share = f"{path.name}: {100 * missing / elevation.size:.1f} % of the cells are missing"
        text = f"{share}; results are missing there"
        notices.append(Notice("cells-missing", text, missing))
    affine = _squared(affine)
    if not _fits(affine) or own != target:
        elevation, affine = _resampled(elevation, affine, own, target, path)
        notices.append(
            Notice(
                "dem-resampled",
                f"{path.name}: resampled to square cells of {affine.a:g} m in {target.name}",
            )
        )
    return elevation, Grid(elevation.shape, affine, target), notices


def read_piece(source: str, part: Grid, *, z_unit: str | None = None) -> NDArray[np.float32]:
    """Elevation on a window of the grid of a terrain model that `can_be_cut`.

    Parameters
    ----------
    source, z_unit
        As for `read_terrain`.
    part : Grid
        Window of the grid that `grid_of` returns.

    Returns
    -------
    (rows, cols) float32
        m; NaN where missing, possibly everywhere.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``not-local``, ``elevation-unit``,
        ``elevation-range``.
    """
    path = existing_file(source, "terrain model")
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        return _heights(data, z_unit, path, part)


def can_be_cut(source: str, *, crs: str | None = None, to_crs: str | None = None) -> bool:
    """Whether parts of a terrain model can be read without resampling it."""
    path = existing_file(source, "terrain model")
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        affine, own, target = _placed(data, crs, to_crs, path)
    return own == target and _fits(affine)


def _window(
    whole: Grid, around: tuple[tuple[float, float, float, float], float], path: Path
) -> Grid:
    found = whole.around(*around)
    if found is None:
        raise InputError(
            "holding-bad",
            "The terrain model does not cover this area.",
            where=str(path),
            hint="Use a terrain model that covers it, or remove it from the input.",
        )
    return found


def _placed(
    data: DatasetReader, crs: str | None, to_crs: str | None, path: Path
) -> tuple[Affine, CRS, CRS]:
    """Affine of a file, its coordinate system, and the one to work in."""
    affine, own = _own_affine(data, path), _own_crs(data, crs, path)
    bounds = tuple(data.bounds)
    return affine, own, metric_crs(own, to_crs, bounds, "terrain model", str(path))


def _own_affine(data: DatasetReader, path: Path) -> Affine:
    """Affine of the cells; a raster without georeferencing is refused."""
    a = data.transform
    sides = float(np.hypot(a.a, a.d)), float(np.hypot(a.b, a.e))
    sized = all(SMALLEST_SIDE < side < LARGEST_SIDE for side in sides)
    if (
        a == Affine.identity()
        or not sized
        or abs(a.determinant) < 1e-6 * sides[0] * sides[1]
        or not np.isfinite([a.c, a.f]).all()
    ):
        raise _no_place(path, a)
    return a


def _no_place(path: Path, affine: Affine) -> InputError:
    return InputError(
        "place-missing",
        "The terrain model does not state the position or size of its cells.",
        where=str(path),
        value=", ".join(f"{number:g}" for number in affine[:6]),
        hint="Georeference it in your GIS and export it as GeoTIFF.",
    )


def _own_crs(data: DatasetReader, given: str | None, path: Path) -> CRS:
    if given:
        return ground_plan(known_crs(given, "crs"))
    if data.crs is None:
        raise InputError(
            "crs-missing",
            "The terrain model does not state its coordinate system.",
            where=str(path),
            hint="Add --crs EPSG:… with the code stated by its supplier.",
        )
    return ground_plan(CRS.from_wkt(data.crs.to_wkt()))


def _heights(
    data: DatasetReader, z_unit: str | None, path: Path, part: Grid | None = None
) -> NDArray[np.float32]:
    check_unit(data, z_unit, path)
    try:
        window = Window(part.col0, part.row0, part.shape[1], part.shape[0]) if part else None
        band = data.read(1, masked=True, window=window)
    except RasterioError as error:
        raise InputError(
            "file-unreadable",
            "The terrain model is incomplete or damaged.",
            where=str(path),
            value=fault_of(error),
            hint="Copy it again from its source.",
        ) from error
    values = band.astype(np.float64).filled(np.nan)
    values = (values * data.scales[0] + data.offsets[0]) * METRES_PER[z_unit or "m"]
    values[~np.isfinite(values)] = np.nan
    elevation: NDArray[np.float32] = values.astype(np.float32)
    _check_range(elevation, path, (part.row0, part.col0) if part else (0, 0))
    return elevation


def check_unit(data: DatasetReader, z_unit: str | None, path: Path) -> None:
    """Refuse heights whose stated unit is not the metre, unless their unit is given."""
    stated = (data.units[0] or "").strip()
    if z_unit or (not stated and (stated := _vertical_unit(data)) is None):
        return
    plain = " ".join(stated.casefold().replace("_", " ").replace(".", "").split())
    if plain in METRE_NAMES:
        return
    found = [unit for unit, names in _UNIT_NAMES.items() if plain in names]
    raise InputError(
        "elevation-unit",
        "The terrain model has heights in another unit than metres.",
        where=str(path),
        value=stated,
        hint=f"Add --z-unit {found[0]} (or --z-unit m if the unit stated in the file is wrong)."
        if found
        else "Convert the heights to metres in your GIS, or add --z-unit "
        f"{', '.join(METRES_PER)} if one of these is their unit.",
    )


def _vertical_unit(data: DatasetReader) -> str | None:
    """Unit of the heights that the coordinate system states; None where it states none."""
    crs = CRS.from_wkt(data.crs.to_wkt()) if data.crs is not None else None
    parts = crs.sub_crs_list if crs is not None and crs.is_compound else []
    units = [axis.unit_name for part in parts[1:] for axis in part.axis_info]
    return units[0] if units else None


def _check_size(elevation: NDArray[np.float32], path: Path) -> None:
    """Refuse terrain models that are too small or empty."""
    rows, cols = elevation.shape
    if min(rows, cols) < LEAST_CELLS:
        raise InputError(
            "raster-small",
            f"The terrain model needs at least {LEAST_CELLS} rows and columns of cells.",
            where=str(path),
            value=f"{rows} x {cols} cells",
            hint="Use a larger part of the terrain model: the surrounding land matters.",
        )
    if not np.isfinite(elevation).any():
        raise InputError(
            "raster-empty",
            "All cells of the terrain model are missing.",
            where=str(path),
            value=f"{elevation.size} cells, all missing",
            hint="Open it in your GIS: it may be the wrong part of the map, or incomplete.",
        )


def _check_range(elevation: NDArray[np.float32], path: Path, first: tuple[int, int]) -> None:
    """Refuse values that are not land elevations; `first` is the first cell within the file."""
    odd = (elevation < LOWEST_M) | (elevation > HIGHEST_M)
    if odd.any():
        row, col = np.unravel_index(int(np.argmax(odd)), odd.shape)
        raise InputError(
            "elevation-range",
            f"{int(odd.sum())} cells are outside the range of land elevations, {LOWEST_M:g} to "
            f"{HIGHEST_M:g} m.",
            where=f"{path}, row {first[0] + row + 1}, column {first[1] + col + 1}",
            value=f"{elevation[row, col]:g} m",
            hint="If the value marks missing cells, set it as the nodata value of the "
            "file; if heights are not in metres, add --z-unit cm, ft or us-ft.",
        )


def _squared(affine: Affine) -> Affine:
    """Cells that are square within rounding as exactly square; others unchanged."""
    if not _fits(affine):
        return affine
    return Affine(affine.a, 0, affine.c, 0, -affine.a, affine.f)


def _fits(affine: Affine) -> bool:
    return (
        affine.b == 0
        and affine.d == 0
        and affine.a > 0
        and bool(np.isclose(affine.a, -affine.e, rtol=1e-6))
    )


def _resampled(
    elevation: NDArray[np.float32], affine: Affine, own: CRS, target: CRS, path: Path
) -> tuple[NDArray[np.float32], Affine]:
    """Resample to square north-up cells; bilinear, so that no steps appear."""
    square, shape = _square_cells(elevation.shape, affine, own, target, path)
    out = np.full(shape, np.nan, np.float32)
    with rasterio.Env(**ENVIRONMENT):
        reproject(
            elevation,
            out,
            src_transform=affine,
            src_crs=own.to_wkt(),
            src_nodata=np.nan,
            dst_transform=square,
            dst_crs=target.to_wkt(),
            dst_nodata=np.nan,
            resampling=Resampling.bilinear,
            # For rotated rasters GDAL assumes a lower resolution and smooths; planes then shift by
            # 0.1 cell.
            XSCALE=1,
            YSCALE=1,
        )
    return out, square


def _square_cells(
    shape: tuple[int, int], affine: Affine, own: CRS, target: CRS, path: Path
) -> tuple[Affine, tuple[int, int]]:
    """Affine and shape of the square north-up cells that a raster is resampled to."""
    rows, cols = shape
    corners = [affine * corner for corner in ((0, 0), (cols, 0), (0, rows), (cols, rows))]
    xs, ys = zip(*corners, strict=True)
    bounds = (min(xs), min(ys), max(xs), max(ys))
    try:
        to, width, height = calculate_default_transform(
            own.to_wkt(), target.to_wkt(), cols, rows, *bounds
        )
    except (RasterioError, CPLE_BaseError) as error:
        raise _no_place(path, affine) from error
    # Cells have the shorter of their two sides, so that resampling loses no detail.
    side = (
        min(to.a, -to.e)
        if own != target
        else min(np.hypot(affine.a, affine.d), np.hypot(affine.b, affine.e))
    )
    across, down = width * to.a / side, height * -to.e / side
    if not (0 < across < np.inf and 0 < down < np.inf):
        raise _no_place(path, to)
    width, height = int(np.ceil(across)), int(np.ceil(down))
    return Affine(float(side), 0, to.c, 0, -float(side), to.f), (height, width)


def grid_of(source: str, *, crs: str | None = None, to_crs: str | None = None) -> tuple[Grid, int]:
    """The grid of a terrain model as `read_terrain` returns it, from the header of its file.

    Parameters
    ----------
    source, crs, to_crs
        As for `read_terrain`.

    Returns
    -------
    grid : Grid
    cells : int
        Number of cells of the file.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``crs-missing``, ``crs-geographic``, ``crs-unit``,
        ``not-local``, ``place-missing``.
    """
    path = existing_file(source, "terrain model")
    with rasterio.Env(**ENVIRONMENT), open_raster(path) as data:
        affine, own, target = _placed(data, crs, to_crs, path)
        shape = data.shape
    cells = shape[0] * shape[1]
    affine = _squared(affine)
    if not _fits(affine) or own != target:
        affine, shape = _square_cells(shape, affine, own, target, path)
    return Grid(shape, affine, target), cells
