"""What belts do to the wind over the ground around them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid, downwind, grid_direction
from shelterscape.kernels.downwind import smallest_relative_wind
from shelterscape.kernels.shelter_curves import CURVES, TABLE_STEP_H, curve_table
from shelterscape.science.belts import Case, seasonal_porosity, straight_pieces
from shelterscape.science.wind import WindSet


@dataclass(frozen=True)
class Pieces:
    """Straight pieces of belts, ready for the kernel: all that does not change with the wind.

    Parameters
    ----------
    ends : (n, 4) float64
        Columns and rows of both ends, in cells of the whole raster.
    height : (n,) float64
        Belt height, in cells.
    curve : (n,) int64
        Row of `table` of each piece.
    table : (m, k) float32
        Relative wind from `start_h` on in steps of `TABLE_STEP_H` belt heights.
    start_h : float
        First distance of the table.
    """

    ends: NDArray[np.float64]
    height: NDArray[np.float64]
    curve: NDArray[np.int64]
    table: NDArray[np.float32]
    start_h: float


def cut(belts: gpd.GeoDataFrame, grid: Grid, case: Case, curve: str = "barrier") -> Pieces:
    """Cut completed belts into pieces as they stand in one case.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them, in the CRS of `grid`.
    grid : Grid
    case : Case
    curve : str
        A name in `CURVES`.

    Returns
    -------
    Pieces
    """
    model = CURVES[curve]
    ends, owner = straight_pieces(belts.geometry.to_numpy())
    height = belts["height_m"].to_numpy(dtype=float)
    width_h = belts["width_m"].to_numpy(dtype=float) / height
    # Belts that look alike share a row of the table, which so stays small enough to be quick.
    looks = np.round(np.column_stack([seasonal_porosity(belts, case), width_h]), 3)
    kinds, kind_of_belt = np.unique(looks, axis=0, return_inverse=True)
    cells = np.hstack([grid.to_cells(ends[:, :2]), grid.to_cells(ends[:, 2:])])
    return Pieces(
        ends=np.ascontiguousarray(cells),
        height=height[owner] / grid.cell_m,
        curve=kind_of_belt.reshape(-1)[owner].astype(np.int64),
        table=curve_table(model, kinds[:, 0], kinds[:, 1]),
        start_h=model.distance_h[0],
    )


def relative_wind_of(pieces: Pieces, grid: Grid, direction_deg: float) -> NDArray[np.float32]:
    """Relative wind for one direction (from grid north), from belts already cut into pieces."""
    field = np.ones(grid.shape, np.float32)
    if len(pieces.ends):
        smallest_relative_wind(
            pieces.ends,
            pieces.height,
            pieces.curve,
            pieces.table,
            pieces.start_h,
            TABLE_STEP_H,
            np.array(downwind(direction_deg)),
            np.array([grid.row0, grid.col0], dtype=np.int64),
            field,
        )
    return field


def relative_wind(
    belts: gpd.GeoDataFrame,
    grid: Grid,
    direction_deg: float,
    *,
    season: str = "in-leaf",
    curve: str = "barrier",
) -> NDArray[np.float32]:
    """Wind with belts over wind without them, for one direction.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them, in the CRS of `grid`.
    grid : Grid
        Where results are wanted.
    direction_deg : float
        Where the wind comes from, degrees clockwise from grid north.
    season : {"in-leaf", "bare"}
        State of the belts.
    curve : str
        Shelter curve, a name in `CURVES`.

    Returns
    -------
    (rows, cols) float32
        Relative wind, 0 to 1; 1 where no belt reaches.

    Notes
    -----
    Distance from a belt is taken along the wind, so the reach square to a belt met obliquely falls
    with the cosine of the angle, as published. Where several belts act the smallest relative wind
    rules (Vigiak and others 2003, from a text citing it): their order never matters and a belt cut
    in two is one belt.
    """
    return relative_wind_of(cut(belts, grid, Case(season), curve), grid, direction_deg)


def over_winds(
    pieces: Pieces,
    grid: Grid,
    winds: WindSet,
    *,
    power: float = 1.0,
    convergence_deg: float = 0.0,
    after_each: Callable[[], None] = lambda: None,
) -> NDArray[np.float32]:
    """Mean relative wind over a wind set, each direction counting by the wind it brings.

    Parameters
    ----------
    pieces : Pieces
    grid : Grid
    winds : WindSet
        Directions from true north.
    power : float
        1 weighs by wind run, 2 by force, 3 by erosion.
    convergence_deg : float
        From true to grid north, see `Grid.convergence_deg`.
    after_each : callable
        Called after every direction, to show progress or to stop.

    Returns
    -------
    (rows, cols) float32
        R with R^p = Σ w r^p, w the weights of `WindSet.weights`.
    """
    # Summed as what is taken off, so that ground no belt reaches stays exactly 1.
    taken = np.zeros(grid.shape, np.float32)
    for true_deg, weight in zip(winds.direction_deg, winds.weights(power), strict=True):
        field = relative_wind_of(pieces, grid, grid_direction(float(true_deg), convergence_deg))
        taken += np.float32(weight) * (1 - field ** np.float32(power))
        after_each()
    return (1 - taken) ** np.float32(1.0 / power)
