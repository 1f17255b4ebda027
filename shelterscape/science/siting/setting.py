"""What candidates are judged by: ground, winds, existing belts, and the need for shelter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize

from shelterscape.errors import InputError
from shelterscape.grid import Grid, grid_direction
from shelterscape.science.belts import Case
from shelterscape.science.growth import SiteIndex, belts_at
from shelterscape.science.places import Coverage, coverage
from shelterscape.science.scene import How
from shelterscape.science.wind import WindSet

Array = NDArray[np.float64]
Field = NDArray[np.float32]

PUBLIC, NOBODY = -1, -2
"""Owner of public ground, and of ground no holding is known for (counted with neighbours')."""


@dataclass(frozen=True)
class Setting:
    """All that candidates are judged by in one case.

    Parameters
    ----------
    grid : Grid
    case : Case
    belts : GeoDataFrame
        Existing belts, as `growth.belts_at` returns them in this case.
    how : How
    directions_deg, sector_deg : (d,) float64
        Directions of the wind set, from grid north, and the sector each represents.
    weights : (d,) float64
        Weight of each, f⟨U^p⟩ over their sum.
    time_share : (d,) float64
        Share of the time it blows in which it blows from there.
    power : float
    need : (purposes, rows, cols) float32
        Need of each cell by purpose, 0 where none is; 1 counts its whole area.
    purposes : tuple of str
    open_wind : (0 or d, rows, cols) float32
        (Terrain wind ratio)^p; no layers for level ground.
    owner : (rows, cols) int32
        Number of the holding of each cell in `holdings`, `PUBLIC` or `NOBODY`.
    holdings : tuple of str
    places : GeoDataFrame or None
        As `science.places.complete` returns them.
    covered : Coverage or None
        Their cells.
    """

    grid: Grid
    case: Case
    belts: gpd.GeoDataFrame
    how: How
    directions_deg: Array
    sector_deg: Array
    weights: Array
    time_share: Array
    power: float
    need: Field
    purposes: tuple[str, ...]
    open_wind: Field
    owner: NDArray[np.int32]
    holdings: tuple[str, ...]
    places: gpd.GeoDataFrame | None = None
    covered: Coverage | None = None

    def need_ha(self) -> Field:
        """Need of each cell over all purposes, in hectares."""
        total: Field = self.need.sum(axis=0) * np.float32(self.grid.cell_area_ha)
        return total

    def windy(self, direction: int) -> Field | float:
        """Weight of a loss of wind from a direction on each cell, by terrain alone.

        Parameters
        ----------
        direction : int
            Its number in the wind set.

        Returns
        -------
        (rows, cols) float32 or float
            (Terrain wind ratio)^p; 1 on level ground.
        """
        return self.open_wind[direction] if len(self.open_wind) else 1.0


def setting_of(
    grid: Grid,
    case: Case,
    winds: WindSet,
    belts: gpd.GeoDataFrame,
    need: Mapping[str, Field],
    *,
    how: How | None = None,
    power: float = 1.0,
    convergence_deg: float = 0.0,
    open_wind: Field | None = None,
    owner: NDArray[np.int32] | None = None,
    holdings: tuple[str, ...] = (),
    places: gpd.GeoDataFrame | None = None,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> Setting:
    """Put together what candidates are judged by.

    Parameters
    ----------
    grid : Grid
    case : Case
    winds : WindSet
        Directions from true north.
    belts : GeoDataFrame
        Existing belts, as `science.belts.complete` returns them; may be empty.
    need : mapping of str to (rows, cols) float32
        Need of each cell by purpose (see `need_of`); NaN counts as none.
    how : How, optional
    power : float
        Wind-speed exponent: 1 wind run, 2 force, 3 erosion.
    convergence_deg : float
        From true to grid north, see `Grid.convergence_deg`.
    open_wind : (d, rows, cols) float32, optional
        Terrain wind ratio, in the order of the wind set; NaN where not modelled: such cells do not
        count.
    owner : (rows, cols) int32, optional
        Number of the holding of each cell, as `owners_of` returns it.
    holdings : tuple of str
        Holdings by that number.
    places : GeoDataFrame, optional
        As `science.places.complete` returns them, for benefit by place.
    local_heights : mapping, optional
        As for `growth.belts_at`.

    Returns
    -------
    Setting

    Raises
    ------
    InputError
        ``input-refused`` for a need below 0 or no need anywhere.
    """
    layers = np.stack([np.nan_to_num(need[name]).astype(np.float32) for name in need])
    if layers.min() < 0 or not layers.any():
        raise InputError(
            "input-refused",
            "Nothing on this ground needs shelter." if not layers.any() else "A need is below 0.",
            where="need",
            mend="Give places, or an area, with a need above 0 within the map.",
        )
    if open_wind is None:
        windy = np.empty((0, *grid.shape), np.float32)
    else:
        # In place: with many directions this is among the largest arrays of all.
        windy = np.array(open_wind, dtype=np.float32)
        np.nan_to_num(windy, copy=False)
        np.power(windy, np.float32(power), out=windy)
    directions = [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]
    return Setting(
        grid=grid,
        case=case,
        belts=belts_at(belts, case, local_heights=local_heights) if len(belts) else belts,
        how=how or How(),
        directions_deg=np.array(directions),
        sector_deg=winds.sector_deg(),
        weights=winds.weights(power),
        time_share=winds.frequency / winds.frequency.sum(),
        power=power,
        need=layers,
        purposes=tuple(need),
        open_wind=windy,
        owner=np.full(grid.shape, NOBODY, np.int32) if owner is None else owner,
        holdings=holdings,
        places=places,
        covered=None if places is None else coverage(places, grid),
    )


def work_bytes(cells: int, directions: int, *, terrain: bool, purposes: int = 2) -> float:
    """Memory that a `Setting` keeps, bytes.

    Parameters
    ----------
    cells : int
        Cells of the grid.
    directions : int
        Directions of the wind set.
    terrain : bool
        Whether winds are weighed by the terrain wind.
    purposes : int
        Purposes with a need of their own.

    Returns
    -------
    float
        Bytes.
    """
    # Needs are there once as they were given; owners and covered cells beside them.
    return 4.0 * cells * (directions * terrain + 2 * purposes + 5)


def need_of(places: gpd.GeoDataFrame, covered: Coverage, grid: Grid) -> dict[str, Field]:
    """Need of each cell by purpose: the need of each place times the share of the cell inside.

    Parameters
    ----------
    places : GeoDataFrame
        As `science.places.complete` returns them.
    covered : Coverage
    grid : Grid

    Returns
    -------
    dict of str to (rows, cols) float32
        By purpose in order of its name, the empty name for places without one. A place that is a
        point counts as one cell.
    """
    owner = np.repeat(np.arange(len(places)), np.diff(covered.first))
    share = covered.share * places["need"].to_numpy(dtype=float)[owner]
    found: dict[str, Field] = {}
    purposes = places["purpose"].to_numpy(dtype=object)
    for name in sorted(set(purposes)):
        here = purposes[owner] == name
        cells = np.bincount(covered.cell[here], share[here], grid.shape[0] * grid.shape[1])
        found[str(name)] = cells.reshape(grid.shape).astype(np.float32)
    return found


def owners_of(holdings: gpd.GeoDataFrame, grid: Grid) -> tuple[NDArray[np.int32], tuple[str, ...]]:
    """Whose each cell is, by its centre.

    Parameters
    ----------
    holdings : GeoDataFrame
        Areas with ``holding_id`` and, where any is, ``public`` (true or false).
    grid : Grid

    Returns
    -------
    owner : (rows, cols) int32
        Number of the holding, `PUBLIC` or `NOBODY`.
    holding_ids : tuple of str
        In order of their names.
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
        rasterize(shapes, grid.shape, NOBODY, transform=grid.affine, dtype="int32")
        if shapes
        else np.full(grid.shape, NOBODY, np.int32)
    )
    return owner, ids
