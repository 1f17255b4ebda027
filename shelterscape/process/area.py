"""A part of the map, such as a holding or a tile, that results are calculated for.

Results end at its outline, but depend on ground outside: inputs are read with a margin, and terrain
wind is calculated once for the whole map and cropped.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import geometry_mask

from shelterscape.errors import InputError
from shelterscape.grid import Grid


@dataclass(frozen=True)
class Area:
    """One part of the map.

    Parameters
    ----------
    name : str
        Name in errors.
    outline : bytes
        Outline as WKB, in the coordinate system of the calculation.
    margin_m : float
        Width of the ground around it that results depend on, m; may be infinite.
    shared : str
        Folder of results for the whole map (`process.shared.Shared`).
    holding_id : str
        Identifier of the holding; empty where it is none.
    """

    name: str
    outline: bytes
    margin_m: float
    shared: str
    holding_id: str = ""

    @property
    def geometry(self) -> shapely.Geometry:
        """The outline as a geometry."""
        return shapely.from_wkb(self.outline)

    @property
    def around(self) -> tuple[tuple[float, float, float, float], float]:
        """Bounds of the outline, and the margin, m, for readers of terrain models."""
        return shapely.bounds(self.geometry).tolist(), self.margin_m

    def holds(self, shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
        """Which features are at least partly inside; a feature that only touches is not."""
        outline = self.geometry
        touched = shapely.intersects(shapes, outline)
        found: NDArray[np.bool_] = touched & ~shapely.touches(shapes, outline)
        return found

    def fields(self) -> dict[str, Any]:
        """Values for the record, without paths."""
        margin = self.margin_m if math.isfinite(self.margin_m) else None
        outline = hashlib.sha256(self.outline).hexdigest()
        return {"name": self.name, "outline_sha256": outline, "margin_m": margin}

    def checked(self) -> Area:
        """The same area, after a check that it is a polygon.

        Raises
        ------
        InputError
            ``holding-bad``.
        """
        shape = self.geometry
        if shapely.get_dimensions(shape) != 2 or not shapely.area(shape) > 0:
            raise InputError(
                "holding-bad",
                "A holding has no area.",
                where=self.name,
                hint="Draw its outline as a polygon, or remove it from the layer.",
            )
        return self


class AreaMask:
    """Cells of a grid inside an area, and the smallest grid that contains them.

    Parameters
    ----------
    area : Area
    grid : Grid
        Grid with the margin.

    Attributes
    ----------
    cells : (rows, cols) bool
        Cells whose centres are inside.
    grid : Grid
        Smallest grid with all of these cells.

    Raises
    ------
    InputError
        ``holding-bad`` without such cells.
    """

    def __init__(self, area: Area, grid: Grid) -> None:
        self.cells: NDArray[np.bool_] = geometry_mask(
            [area.geometry], grid.shape, grid.affine, invert=True
        )
        rows, cols = (np.flatnonzero(self.cells.any(axis=axis)) for axis in (1, 0))
        if not len(rows):
            raise InputError(
                "holding-bad",
                "No cell of the terrain model has its centre inside this holding.",
                where=area.name,
                value=f"cells of {grid.cell_m:g} m",
                hint="Check that the holding is on the terrain model, or use a finer one.",
            )
        self._first = int(rows[0]), int(cols[0])
        shape = int(rows[-1] - rows[0] + 1), int(cols[-1] - cols[0] + 1)
        self.grid = grid.window(*self._first, shape)

    def crop(
        self, values: NDArray[Any], row: int, col: int
    ) -> tuple[NDArray[Any], int, int] | None:
        """A block of the wider grid as a block of the smaller one; missing outside the area.

        Returns
        -------
        values, row, col
            Missing cells are NaN, or 255 in codes. None if no cell of the block is in the smaller
            grid.
        """
        block = np.s_[row : row + values.shape[0], col : col + values.shape[1]]
        missing = 255 if values.dtype == np.uint8 else np.nan
        kept = np.where(self.cells[block], values, values.dtype.type(missing))
        top, left = self._first[0] - row, self._first[1] - col
        kept = kept[
            max(top, 0) : max(top + self.grid.shape[0], 0),
            max(left, 0) : max(left + self.grid.shape[1], 0),
        ]
        return (kept, max(-top, 0), max(-left, 0)) if kept.size else None
