"""Where the cells of a raster lie, and the one compass.

Directions are degrees clockwise from north, where the wind comes *from*, 0 <= d < 360. Radians and
row signs stay inside kernels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.exceptions import ProjError

COMPASS_POINTS = tuple(float(d) for d in range(0, 360, 45))
"""The eight compass points, degrees."""


def wrapped(direction_deg: float) -> float:
    """A direction brought into 0 <= d < 360."""
    return float(direction_deg) % 360.0 % 360.0


def grid_direction(true_deg: float, convergence_deg: float) -> float:
    """A direction from true north as one from grid north (see `Grid.convergence_deg`)."""
    return wrapped(true_deg - convergence_deg)


def toward(direction_deg: float) -> tuple[float, float]:
    """Unit step (columns, rows) that leads TOWARDS a bearing; rows count downwards.

    Exact on the four main points, so that no cell is missed by rounding there.

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
    """Shape and place of a north-up raster of square cells in metres.

    Parameters
    ----------
    shape : tuple of int
        Rows, columns.
    affine : affine.Affine
        From (column, row) to (x, y) of this grid's own cells.
    crs : object
        Anything `pyproj.CRS` takes, or None for bare arrays.
    row0, col0 : int
        Row and column of the first cell within the raster this grid was cut from. Kernels anchor
        their lines to these global numbers, so that a tile gives the very values of the whole.
    whole_affine : affine.Affine, optional
        Affine of that whole raster; this grid's own when it is not a cut-out.
    whole_shape : tuple of int, optional
        Its rows and columns, likewise.
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
            raise ValueError(f"a Grid is north-up with square cells; this affine is not: {a!r}")
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
        """The x and y of the middle of the grid."""
        west, south, east, north = self.bounds
        return (west + east) / 2, (south + north) / 2

    def window(self, row: int, col: int, shape: tuple[int, int]) -> Grid:
        """The grid of a cut-out whose first cell is (`row`, `col`) of this one."""
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
        """The grid this one was cut from; itself when it is not a cut-out."""
        return Grid(self.whole_shape or self.shape, self.whole_affine or self.affine, self.crs)

    def around(self, bounds: tuple[float, float, float, float], margin_m: float) -> Grid | None:
        """The cut-out that holds some bounds and a margin; None where it would hold no cell.

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
        """Points (n, 2) in metres to (column, row) counted in cells of the whole raster."""
        a = self.whole_affine or self.affine
        return np.column_stack([(xy[:, 0] - a.c) / a.a, (xy[:, 1] - a.f) / a.e])

    def convergence_deg(self) -> float:
        """Angle from true to grid north at the whole's centre, clockwise, degrees; 0 without a CRS.

        `grid_direction` applies it.
        """
        if self.crs is None:
            return 0.0
        to_degrees = Transformer.from_crs(self.crs, self.crs.geodetic_crs, always_xy=True)
        # Of the whole raster, so that winds come from the same side over every part of it.
        lon, lat = to_degrees.transform(*self.whole.centre)
        try:
            return float(Proj(self.crs).get_factors(lon, lat).meridian_convergence)
        except ProjError:
            # Some projections give no factors; one short geodesic step north shows the angle too.
            return self._convergence_by_step(lon, lat)

    def _convergence_by_step(self, lon: float, lat: float) -> float:
        geod: Geod = self.crs.get_geod()
        lon2, lat2, _ = geod.fwd(lon, lat, 0.0, 100.0)
        onto = Transformer.from_crs(self.crs.geodetic_crs, self.crs, always_xy=True)
        (x1, y1), (x2, y2) = onto.transform(lon, lat), onto.transform(lon2, lat2)
        return -math.degrees(math.atan2(x2 - x1, y2 - y1))
