"""Inputs of the evaluation of candidates: winds, existing belts, terrain, priority and owners."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize

from shelterscape.errors import InputError
from shelterscape.grid import Grid, grid_direction
from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.places import Coverage, coverage
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.wind import WindSet

Array = NDArray[np.float64]
Field = NDArray[np.float32]

PUBLIC, NO_HOLDING = -1, -2
"""Numbers of public land and of land without a known holding (benefit there: neighbours)."""


@dataclass(frozen=True)
class EvaluationContext:
    """Everything needed to evaluate candidates in one season and year.

    Parameters
    ----------
    grid : Grid
    case : Case
    belts : GeoDataFrame
        Existing belts, as `belt_growth.belts_at` returns them in this case.
    options : ShelterOptions
    directions_deg, sector_deg : (d,) float64
        Wind directions from grid north, degrees, and the width of the sector of each.
    weights : (d,) float64
        Weight of each direction: f⟨U^p⟩ divided by its sum over all directions.
    time_share : (d,) float64
        Share of the time with wind in which it blows from each direction.
    speed_exponent : float
        Exponent p of the wind speed.
    priority : (purposes, rows, cols) float32
        Priority of each cell by purpose: 0 where nothing needs shelter; 1 counts the whole cell.
    purposes : tuple of str
    terrain_wind : (0 or d, rows, cols) float32
        (Terrain wind ratio)^p; no layers on flat terrain.
    owner : (rows, cols) int32
        Index in `holdings` of the holding of each cell, or `PUBLIC` or `NO_HOLDING`.
    holdings : tuple of str
    places : GeoDataFrame or None
        As `science.places.complete` returns them.
    covered : Coverage or None
        Cells of the places.
    """

    grid: Grid
    case: Case
    belts: gpd.GeoDataFrame
    options: ShelterOptions
    directions_deg: Array
    sector_deg: Array
    weights: Array
    time_share: Array
    speed_exponent: float
    priority: Field
    purposes: tuple[str, ...]
    terrain_wind: Field
    owner: NDArray[np.int32]
    holdings: tuple[str, ...]
    places: gpd.GeoDataFrame | None = None
    covered: Coverage | None = None

    def priority_ha(self) -> Field:
        """Priority × area of each cell, summed over purposes, ha."""
        total: Field = self.priority.sum(axis=0) * np.float32(self.grid.cell_area_ha)
        return total

    def wind_weight(self, direction: int) -> Field | float:
        """Weight of a wind reduction on each cell due to terrain, for one direction.

        Parameters
        ----------
        direction : int
            Index of the direction in the wind set.

        Returns
        -------
        (rows, cols) float32 or float
            (Terrain wind ratio)^p; 1 on flat terrain.
        """
        return self.terrain_wind[direction] if len(self.terrain_wind) else 1.0


def evaluation_context(
    grid: Grid,
    case: Case,
    winds: WindSet,
    belts: gpd.GeoDataFrame,
    priority: Mapping[str, Field],
    *,
    options: ShelterOptions | None = None,
    speed_exponent: float = 1.0,
    convergence_deg: float = 0.0,
    terrain_wind: Field | None = None,
    owner: NDArray[np.int32] | None = None,
    holdings: tuple[str, ...] = (),
    places: gpd.GeoDataFrame | None = None,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> EvaluationContext:
    """Prepare the inputs of an evaluation.

    Parameters
    ----------
    grid : Grid
    case : Case
    winds : WindSet
        Directions from true north, degrees.
    belts : GeoDataFrame
        Existing belts, as `science.belts.complete` returns them; may be empty.
    priority : mapping of str to (rows, cols) float32
        Priority of each cell by purpose (see `priority_by_purpose`); NaN counts as 0.
    options : ShelterOptions, optional
    speed_exponent : float
        Wind-speed exponent: 1 wind run, 2 force, 3 erosion.
    convergence_deg : float
        Angle from true to grid north, see `Grid.convergence_deg`.
    terrain_wind : (d, rows, cols) float32, optional
        Terrain wind ratio, in the order of the wind set. Cells with NaN do not count.
    owner : (rows, cols) int32, optional
        Index of the holding of each cell, as `holding_numbers` returns it.
    holdings : tuple of str
        Identifiers of the holdings.
    places : GeoDataFrame, optional
        As `science.places.complete` returns them, for benefit by place.
    local_heights : mapping, optional
        As for `belt_growth.belts_at`.

    Returns
    -------
    EvaluationContext

    Raises
    ------
    InputError
        ``input-refused`` for a priority below 0, or where it is 0 everywhere.
    """
    layers = np.stack([np.nan_to_num(priority[name]).astype(np.float32) for name in priority])
    if layers.min() < 0 or not layers.any():
        raise InputError(
            "input-refused",
            "Nothing on the map needs shelter." if not layers.any() else "A priority is below 0.",
            where="priority",
            hint="Give places on the terrain model with a priority above 0.",
        )
    if terrain_wind is None:
        wind_weight = np.empty((0, *grid.shape), np.float32)
    else:
        # In place: with many directions this is one of the largest arrays.
        wind_weight = np.array(terrain_wind, dtype=np.float32)
        np.nan_to_num(wind_weight, copy=False)
        np.power(wind_weight, np.float32(speed_exponent), out=wind_weight)
    directions = [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]
    return EvaluationContext(
        grid=grid,
        case=case,
        belts=belts_at(belts, case, local_heights=local_heights) if len(belts) else belts,
        options=options or ShelterOptions(),
        directions_deg=np.array(directions),
        sector_deg=winds.sector_deg(),
        weights=winds.weights(speed_exponent),
        time_share=winds.frequency / winds.frequency.sum(),
        speed_exponent=speed_exponent,
        priority=layers,
        purposes=tuple(priority),
        terrain_wind=wind_weight,
        owner=np.full(grid.shape, NO_HOLDING, np.int32) if owner is None else owner,
        holdings=holdings,
        places=places,
        covered=None if places is None else coverage(places, grid),
    )


def work_bytes(cells: int, directions: int, *, terrain: bool, purposes: int = 2) -> float:
    """Memory that an `EvaluationContext` keeps, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.
    terrain : bool
        Whether terrain wind weights the wind directions.
    purposes : int
        Number of purposes.

    Returns
    -------
    float
        Bytes.
    """
    # Priorities are held twice, as given and stacked; owners and covered cells come on top.
    return 4.0 * cells * (directions * terrain + 2 * purposes + 5)


def priority_by_purpose(
    places: gpd.GeoDataFrame, covered: Coverage, grid: Grid
) -> dict[str, Field]:
    """Priority of each cell by purpose: priority of each place × share of the cell inside it.

    Parameters
    ----------
    places : GeoDataFrame
        As `science.places.complete` returns them.
    covered : Coverage
    grid : Grid

    Returns
    -------
    dict of str to (rows, cols) float32
        By purpose in alphabetical order; the name is empty for places without a purpose. A place
        that is a point counts as one cell.
    """
    owner = np.repeat(np.arange(len(places)), np.diff(covered.first))
    share = covered.share * places["priority"].to_numpy(dtype=float)[owner]
    found: dict[str, Field] = {}
    purposes = places["purpose"].to_numpy(dtype=object)
    for name in sorted(set(purposes)):
        here = purposes[owner] == name
        cells = np.bincount(covered.cell[here], share[here], grid.shape[0] * grid.shape[1])
        found[str(name)] = cells.reshape(grid.shape).astype(np.float32)
    return found


def holding_numbers(
    holdings: gpd.GeoDataFrame, grid: Grid
) -> tuple[NDArray[np.int32], tuple[str, ...]]:
    """Index of the holding of each cell, by its centre.

    Parameters
    ----------
    holdings : GeoDataFrame
        Areas with ``holding_id`` and optionally ``public`` (true or false).
    grid : Grid

    Returns
    -------
    owner : (rows, cols) int32
        Index in `holding_ids`, or `PUBLIC` or `NO_HOLDING`.
    holding_ids : tuple of str
        In alphabetical order.
    """
    ids = tuple(sorted(set(holdings["holding_id"].astype(str))))
    number = {name: i for i, name in enumerate(ids)}
    public = (
        holdings["public"].fillna(False).astype(bool)
        if "public" in holdings
        else np.zeros(len(holdings), bool)
    )
    shapes = [
        (shape, PUBLIC if is_public else number[str(name)])
        for shape, name, is_public in zip(
            holdings.geometry, holdings["holding_id"], public, strict=True
        )
    ]
    owner = (
        rasterize(shapes, grid.shape, NO_HOLDING, transform=grid.affine, dtype="int32")
        if shapes
        else np.full(grid.shape, NO_HOLDING, np.int32)
    )
    return owner, ids
