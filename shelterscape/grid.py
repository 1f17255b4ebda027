"""Grids of square cells, and directions.

A direction is where the wind comes *from*: degrees clockwise from north, 0 <= d < 360. Only kernels
use radians and steps in rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Transformer

COMPASS_POINTS = tuple(float(d) for d in range(0, 360, 45))
"""The eight compass points, degrees."""


def wrapped(direction_deg: float) -> float:
    """A direction within 0 <= d < 360."""
    return float(direction_deg) % 360.0 % 360.0


def degrees_text(angle_deg: float) -> str:
    """An angle in whole degrees, as people write it.

    Examples
    --------
    >>> degrees_text(-12.6), degrees_text(-0.4)
    ('-13°', '0°')
    """
    return f"{angle_deg:z.0f}°"


def grid_direction(true_deg: float, convergence_deg: float) -> float:
    """Direction from grid north, from a direction from true north (see `Grid.convergence_deg`)."""
    return wrapped(true_deg - convergence_deg)


def toward(direction_deg: float) -> tuple[float, float]:
    """Unit step (columns, rows) TOWARDS a bearing; rows count downwards.

    It is exact for the four cardinal directions, so that rounding misses no cell there.

    Examples
    --------
    >>> toward(90.0)
    (1.0, 0.0)
    >>> toward(180.0)
    (0.0, 1.0)
    """
    quarter, rest = divmod(wrapped(direction_deg), 90.0)
    sine, cosine = math.sin(math.radians(rest)), math.cos(math.radians(rest))
    east, north = [(sine, cosine), (cosine, -sine), (-sine, -cosine), (-cosine, sine)][int(quarter)]
    return east + 0.0, -north + 0.0


def downwind(direction_deg: float) -> tuple[float, float]:
    """Unit step (columns, rows) in which a wind from `direction_deg` blows."""
    return toward(direction_deg + 180.0)


@dataclass(frozen=True)
class Grid:
    """Shape and position of a north-up raster of square cells in metres.

    Parameters
    ----------
    shape : tuple of int
        Rows, columns.
    affine : affine.Affine
        From (column, row) to (x, y), for the cells of this grid.
    crs : object
        Anything `pyproj.CRS` accepts, or None for arrays without a coordinate system.
    row0, col0 : int
        Row and column of the first cell in the whole raster, if this grid is a window of one.
        Kernels start their lines at these numbers, so that a tile has the same values as the whole.
    whole_affine : affine.Affine, optional
        Affine of the whole raster; by default that of this grid.
    whole_shape : tuple of int, optional
        Rows and columns of the whole raster; by default those of this grid.
    """

    shape: tuple[int, int]
    affine: Affine
    crs: Any = None
    row0: int = 0
    col0: int = 0
    whole_affine: Affine | None = None
    whole_shape: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        a = self.affine
        if a.b or a.d or a.a <= 0 or not math.isclose(a.a, -a.e, rel_tol=1e-9):
            raise ValueError(f"A grid must be north-up with square cells; affine found: {a!r}")
        if self.crs is not None:
            object.__setattr__(self, "crs", CRS.from_user_input(self.crs))

    @property
    def cell_m(self) -> float:
        """Side of a cell, m."""
        return float(self.affine.a)

    @property
    def cell_area_ha(self) -> float:
        """Area of a cell, ha."""
        return self.cell_m**2 / 1e4

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        rows, cols = self.shape
        west, north = self.affine * (0, 0)
        east, south = self.affine * (cols, rows)
        return west, south, east, north

    @property
    def centre(self) -> tuple[float, float]:
        """The x and y of the centre of the grid."""
        west, south, east, north = self.bounds
        return (west + east) / 2, (south + north) / 2

    def window(self, row: int, col: int, shape: tuple[int, int]) -> Grid:
        """A window of this grid, with its first cell at (`row`, `col`)."""
        return Grid(
            shape,
            self.affine * Affine.translation(col, row),
            self.crs,
            self.row0 + row,
            self.col0 + col,
            self.whole_affine or self.affine,
            self.whole_shape or self.shape,
        )

    @property
    def whole(self) -> Grid:
        """The whole grid that this one is a window of; this grid if it is none."""
        return Grid(self.whole_shape or self.shape, self.whole_affine or self.affine, self.crs)

    def around(self, bounds: tuple[float, float, float, float], margin_m: float) -> Grid | None:
        """The window that contains bounds and a margin; None if it contains no cell.

        Parameters
        ----------
        bounds : tuple of float
            West, south, east, north, in the coordinates of this grid.
        margin_m : float
            Width added on every side, m; may be infinite.
        """
        (left, top), (right, bottom) = ~self.affine * bounds[::3], ~self.affine * bounds[2:0:-1]
        cells = margin_m / self.cell_m
        rows, cols = self.shape
        first = [math.floor(max(n - cells, 0.0)) for n in (top, left)]
        last = [
            math.ceil(min(n + cells, most))
            for n, most in zip((bottom, right), (rows, cols), strict=True)
        ]
        shape = last[0] - first[0], last[1] - first[1]
        return self.window(first[0], first[1], shape) if min(shape) > 0 else None

    def to_cells(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Column and row in the whole raster of points (n, 2) in metres."""
        a = self.whole_affine or self.affine
        return np.column_stack([(xy[:, 0] - a.c) / a.a, (xy[:, 1] - a.f) / a.e])

    def lon_lat(self) -> tuple[float, float]:
        """Longitude and latitude of the centre of the whole raster, degrees; it has a system."""
        onto = Transformer.from_crs(self.crs, "EPSG:4326", always_xy=True)
        longitude, latitude = onto.transform(*self.whole.centre)
        return float(longitude), float(latitude)

    def convergence_deg(self) -> float:
        """Angle from true to grid north at the centre of the whole raster, degrees clockwise.

        It is 0 without a coordinate system. `grid_direction` applies it.
        """
        if self.crs is None:
            return 0.0
        # At the centre of the whole raster, so that all tiles have the same wind directions.
        east, north = steps_on_ground(self.crs, self.whole.centre)[:, 1]
        return -math.degrees(math.atan2(east, north))


STEP_M = 100.0
"""Length of the steps of `steps_on_ground`, m: short beside the Earth, long beside rounding."""


def steps_on_ground(crs: CRS, at: tuple[float, float]) -> NDArray[np.float64]:
    """Change of coordinates for each metre walked on the ground, to the east and to the north.

    Parameters
    ----------
    crs : CRS
        Projected, in metres. Axes may have any direction: some systems count to the south and west.
    at : tuple of float
        The x and y of a point.

    Returns
    -------
    (2, 2) float64
        First column: change of x and of y for a metre to true east; second column: to true north.
        The determinant is the areal scale, negative where the axes are mirrored; the singular
        values are the largest and smallest linear scale. Not finite outside the domain of `crs`.

    Notes
    -----
    From geodesic steps of `STEP_M` to both sides. The factors that PROJ gives describe the
    projection without its axes, so they have the wrong sign for axes to the south and west.
    """
    degrees, geod = crs.geodetic_crs, crs.get_geod()
    if degrees is None or geod is None:
        return np.full((2, 2), math.nan)
    onto = Transformer.from_crs(degrees, crs, always_xy=True)
    # Some geographic systems are in grads, but geodesics are in degrees.
    unit = math.degrees(degrees.axis_info[0].unit_conversion_factor)
    lon, lat = (unit * n for n in onto.transform(*at, direction="INVERSE"))
    if not (math.isfinite(lon) and abs(lat) <= 90):
        return np.full((2, 2), math.nan)
    azimuths = [90.0, 0.0, -90.0, 180.0]
    ends = geod.fwd([lon] * 4, [lat] * 4, azimuths, [STEP_M] * 4)[:2]
    lons, lats = (np.array(n) / unit for n in ends)
    x, y = onto.transform(lons, lats)
    return np.array([x[:2] - x[2:], y[:2] - y[2:]]) / (2 * STEP_M)
