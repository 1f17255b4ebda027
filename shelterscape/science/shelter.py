"""Relative wind around belts: for one wind direction, and over wind sets."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from shelterscape.grid import Grid, grid_direction
from shelterscape.kernels.shelter_curves import DEFAULT_CURVE
from shelterscape.kernels.weighted_sums import add_reduction
from shelterscape.science.belts import belts_in_season
from shelterscape.science.prepared_belts import (
    SPREAD_DEG,
    PreparedBelts,
    ShelterOptions,
    prepare_belts,
)
from shelterscape.science.rays import accumulate_wind_reduction, rays_of
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.wind import WindSet, directions_of

Array = NDArray[np.float64]
Field = NDArray[np.float32]

RAYS = 15
"""Rays that represent one wind direction."""


def never_stop() -> None:
    """Default of `stop_if_requested`: never stops the work."""


def ray_offsets(sector_deg: float, spread_deg: float, rays: int = RAYS) -> Array:
    """Offsets of the rays that represent one wind direction, degrees.

    Parameters
    ----------
    sector_deg : float
        Width of the sector of the direction, degrees.
    spread_deg : float
        Standard deviation of wind direction, degrees.
    rays : int
        Number of rays.

    Returns
    -------
    (rays,) float64
        Medians of equal shares of a normal distribution with variance sector²/12 + spread²; a
        single 0 where both are 0.

    References
    ----------
    Spread near the ground: Panofsky and Dutton 1984 (status M), see `prepared_belts.SPREAD_DEG`.
    The variance of directions distributed evenly over a sector is sector²/12 (status D).
    """
    sigma = float(np.hypot(sector_deg / np.sqrt(12.0), spread_deg))
    if sigma == 0.0:
        return np.zeros(1)
    offsets: Array = norm.ppf((np.arange(rays) + 0.5) / rays) * sigma
    return offsets


def one_direction(
    prepared: PreparedBelts,
    grid: Grid,
    direction_deg: float,
    sector_deg: float = 0.0,
    stop_if_requested: Callable[[], None] = never_stop,
) -> Field:
    """Relative wind for one direction: the mean over its rays.

    Parameters
    ----------
    prepared : PreparedBelts
    grid : Grid
        Grid of the result.
    direction_deg : float
        Direction the wind comes from, degrees clockwise from grid north.
    sector_deg : float
        Width of the sector of the direction, degrees.
    stop_if_requested : callable
        Called about once a second; may raise to end the work.

    Returns
    -------
    (cases, rows, cols) float32
        Relative wind, 0 to 1.25; 1 where no belt has an effect.

    References
    ----------
    See `relative_wind`.
    """
    towards_deg = direction_deg + ray_offsets(sector_deg, prepared.options.spread_deg)
    return mean_over_rays(prepared, [grid], towards_deg, stop_if_requested)[0]


def mean_over_rays(
    prepared: PreparedBelts,
    windows: Sequence[Grid],
    towards_deg: Array,
    stop_if_requested: Callable[[], None] = never_stop,
) -> list[Field]:
    """Mean relative wind over rays, on windows of one grid.

    Parameters
    ----------
    prepared : PreparedBelts
    windows : sequence of Grid
    towards_deg : (rays,) float64
        Directions the wind comes from, degrees clockwise from grid north.
    stop_if_requested : callable
        As for `one_direction`.

    Returns
    -------
    list of (cases, rows, cols) float32
        As `one_direction`, for each window.
    """
    found = [np.zeros((len(prepared.density), *one.shape), np.float32) for one in windows]
    if len(prepared.outlines.kind) and found:
        rays, combine = rays_of(prepared, towards_deg), prepared.options.combine
        accumulate_wind_reduction(rays, windows, combine, found, stop_if_requested)
    return [np.subtract(np.float32(1), one, out=one) for one in found]


def relative_wind(
    belts: gpd.GeoDataFrame,
    grid: Grid,
    direction_deg: float,
    *,
    season: str = "in-leaf",
    sector_deg: float = 0.0,
    spread_deg: float = SPREAD_DEG,
    combine: str = "smallest",
    curve: str = DEFAULT_CURVE,
    ends: bool = True,
    at_height_m: float = 1.5,
    near_ground: str = "simple",
    roughness_m: float = 0.03,
) -> Field:
    """Relative wind for one direction: wind speed with belts divided by wind speed without.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.complete` returns them, in the CRS of `grid`.
    grid : Grid
        Grid of the result.
    direction_deg : float
        Direction the wind comes from, degrees clockwise from grid north.
    season : {"in-leaf", "bare"}
        Leaf state of the belts.
    sector_deg : float
        Width of the sector of the direction, degrees.
    spread_deg : float
        Standard deviation of wind direction, degrees; with 0 and a sector of 0 there is one ray.
    combine : {"smallest", "product"}
        Where several belts act: the smallest relative wind, or their product (optimistic).
    curve : str
        Shelter curve, a name in `CURVES`.
    ends : bool
        Whether wind speed increases beside the ends of belts.
    at_height_m : float
        Height above ground, m.
    near_ground : {"simple", "flow"}
        How height and bare stems act on tree belts and hedges, see `ShelterOptions`.
    roughness_m : float
        Roughness length of the ground, m, for "flow".

    Returns
    -------
    (rows, cols) float32
        Relative wind, 0 to 1.25; 1 where no belt has an effect.

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown season, curve, way to combine or rule near the ground.

    Notes
    -----
    Distance from a belt is measured along the wind from its leeward face, so the sheltered distance
    perpendicular to a belt decreases with the cosine of the angle, as published. With
    ``combine="smallest"`` the order of belts does not matter, and a belt in two pieces has the
    same effect as in one.

    References
    ----------
    Curve and smallest relative wind: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288
    (status S2). Cosine: Wang and Takle 1996, Agricultural and Forest Meteorology 81:95-117
    (status S).
    """
    options = ShelterOptions(
        curve,
        combine,
        ends,
        at_height_m,
        spread_deg,
        near_ground=near_ground,
        roughness_m=roughness_m,
    )
    prepared = prepare_belts([belts_in_season(belts, season)], grid, options)
    return one_direction(prepared, grid, direction_deg, sector_deg)[0]


class WindField(NamedTuple):
    """Relative wind for one wind direction.

    Parameters
    ----------
    direction_deg : float
        Direction the wind comes from, degrees clockwise from true north.
    grid_deg : float
        The same from grid north.
    weights : list of float
        Weight of the direction in each wind set; the weights of a wind set sum to 1.
    relative_wind : (cases, rows, cols) float32
    terrain : TerrainWind or None
        Terrain wind from this direction; None where it is not calculated.
    """

    direction_deg: float
    grid_deg: float
    weights: list[float]
    relative_wind: Field
    terrain: TerrainWind | None


def wind_fields(
    prepared: PreparedBelts,
    grid: Grid,
    winds: Sequence[WindSet],
    *,
    speed_exponent: float = 1.0,
    convergence_deg: float = 0.0,
    terrain_wind: Iterable[tuple[float, TerrainWind]] | None = None,
    stop_if_requested: Callable[[], None] = never_stop,
) -> Iterator[WindField]:
    """Relative wind for every direction of several wind sets.

    Parameters
    ----------
    prepared : PreparedBelts
    grid : Grid
    winds : sequence of WindSet
        One for each case; directions from true north.
    speed_exponent : float
        Wind-speed exponent: 1 wind run, 2 force, 3 erosion.
    convergence_deg : float
        From true to grid north, see `Grid.convergence_deg`.
    terrain_wind : iterable, optional
        Direction (degrees from grid north) and terrain wind, in the order of `directions_of`.
    stop_if_requested : callable
        Called every second or so; may raise to end the work.

    Yields
    ------
    WindField

    Raises
    ------
    ValueError
        When the directions of the terrain wind differ from those of the wind sets.
    """
    terrain_winds = None if terrain_wind is None else iter(terrain_wind)
    for true_deg, sector, weights in directions_of(winds, speed_exponent):
        stop_if_requested()
        direction = grid_direction(true_deg, convergence_deg)
        field = one_direction(prepared, grid, direction, sector, stop_if_requested)
        terrain = None
        if terrain_winds is not None:
            terrain_deg, terrain = next(terrain_winds)
            if terrain_deg != direction:
                raise ValueError(f"terrain wind is from {terrain_deg}°, not from {direction}°")
        yield WindField(true_deg, direction, weights, field, terrain)
        del field, terrain  # free their memory before the next direction


class RelativeWindMean:
    """Mean relative wind over wind sets, added up one direction at a time.

    Parameters
    ----------
    shape : tuple of int
        Cases, rows and columns.
    speed_exponent : float
        Wind-speed exponent.

    Notes
    -----
    The mean is R with R^p = Σ w r^p: w the weights of `WindSet.weights`, r the relative wind of a
    direction and p the wind-speed exponent.
    """

    def __init__(self, shape: tuple[int, ...], speed_exponent: float = 1.0) -> None:
        self._exponent = speed_exponent
        # Sums hold wind reduction, so that relative wind stays exactly 1 without shelter.
        self._reduction = np.zeros(shape, np.float32)

    def add(self, weights: Sequence[float], field: Field) -> None:
        """Add the relative wind of one direction.

        Parameters
        ----------
        weights : sequence of float
            Weight of the direction in each case.
        field : (cases, rows, cols) float32
            Its relative wind.
        """
        for case, weight in enumerate(weights):
            raised = field[case]
            if self._exponent != 1.0:
                raised = raised ** np.float32(self._exponent)
            add_reduction(raised, weight, self._reduction[case])

    def relative_wind(self) -> Field:
        """The mean, (cases, rows, cols) float32."""
        return reduction_to_relative(self._reduction, self._exponent)


def over_winds(
    prepared: PreparedBelts,
    grid: Grid,
    winds: Sequence[WindSet],
    *,
    speed_exponent: float = 1.0,
    convergence_deg: float = 0.0,
) -> Field:
    """Mean relative wind over wind sets.

    Parameters
    ----------
    prepared, grid, winds, speed_exponent, convergence_deg
        See `wind_fields`.

    Returns
    -------
    (cases, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    mean = RelativeWindMean((len(winds), *grid.shape), speed_exponent)
    for field in wind_fields(
        prepared, grid, winds, speed_exponent=speed_exponent, convergence_deg=convergence_deg
    ):
        mean.add(field.weights, field.relative_wind)
    return mean.relative_wind()


def reduction_to_relative(reduction: Field, speed_exponent: float) -> Field:
    """Relative wind from the weighted sum Σ w (1 − r^p).

    Parameters
    ----------
    reduction : float32 array
        That sum, at most 1.
    speed_exponent : float
        Wind-speed exponent p.

    Returns
    -------
    float32 array
        Relative wind, 0 to 1.25.
    """
    raised: Field = np.float32(1) - reduction
    return raised if speed_exponent == 1.0 else raised ** np.float32(1.0 / speed_exponent)
