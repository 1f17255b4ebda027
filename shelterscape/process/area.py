"""A part of the map on which results are wanted, such as a holding or a tile.

Results are inside it. What they depend on extends further: inputs are read with a margin, and
what follows from the whole map is calculated once for all parts and cropped.
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
        What people call it, for errors.
    outline : bytes
        Its outline as WKB, in the coordinate system that the terrain model is worked in.
    margin_m : float
        Width of the ground around it that results inside depend on, m; may be infinite.
    shared : str
        Folder of what was calculated over the whole map (`process.shared.Shared`).
    holding_id : str
        Of the holding it is, where it is one.
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
        """Bounds of the outline and the margin, as readers of terrain models take them."""
        return shapely.bounds(self.geometry).tolist(), self.margin_m

    def holds(self, shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
        """Which features have some of themselves in it, not only a touch of its edge."""
        outline = self.geometry
        touched = shapely.intersects(shapes, outline)
        found: NDArray[np.bool_] = touched & ~shapely.touches(shapes, outline)
        return found

    def fields(self) -> dict[str, Any]:
        """What results follow from, for the record; no path."""
        margin = self.margin_m if math.isfinite(self.margin_m) else None
        outline = hashlib.sha256(self.outline).hexdigest()
        return {"name": self.name, "outline_sha256": outline, "margin_m": margin}

    def checked(self) -> Area:
        """The area itself, once it is known to have ground.

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
                mend="Draw its outline as an area, or leave it out.",
            )
        return self


class Inside:
    """Which cells of a grid are inside an area, and the smallest grid that holds them.

    Parameters
    ----------
    area : Area
    grid : Grid
        As read with the margin.

    Attributes
    ----------
    cells : (rows, cols) bool
        Cells whose centres are inside.
    grid : Grid
        Of the rows and columns in which there are such cells.

    Raises
    ------
    InputError
        ``holding-bad`` where there are none.
    """

    def __init__(self, area: Area, grid: Grid) -> None:
        self.cells: NDArray[np.bool_] = geometry_mask(
            [area.geometry], grid.shape, grid.affine, invert=True
        )
        rows, cols = (np.flatnonzero(self.cells.any(axis=axis)) for axis in (1, 0))
        if not len(rows):
            raise InputError(
                "holding-bad",
                "No cell of the terrain model has its middle inside this holding.",
                where=area.name,
                value=f"cells of {grid.cell_m:g} m",
                mend="Check that it lies on the terrain model, or use finer cells.",
            )
        self._first = int(rows[0]), int(cols[0])
        shape = int(rows[-1] - rows[0] + 1), int(cols[-1] - cols[0] + 1)
        self.grid = grid.window(*self._first, shape)

    def cut(self, values: NDArray[Any], row: int, col: int) -> tuple[NDArray[Any], int, int] | None:
        """A block of the wider grid as one of the smaller, without what is outside the area.

        Returns
        -------
        values, row, col
            Missing is NaN, or 255 where the values are codes; None when nothing is left.
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
