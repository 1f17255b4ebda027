"""What belts do to the wind over the ground around them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from shelterscape.grid import Grid, grid_direction
from shelterscape.kernels.weighted_sums import add_reduction
from shelterscape.science.belts import seasonal
from shelterscape.science.rays import lay, rays_of
from shelterscape.science.scene import SPREAD_DEG, How, Scene, scene_of
from shelterscape.science.terrain import OpenWind
from shelterscape.science.wind import WindSet, directions_of

Array = NDArray[np.float64]
Field = NDArray[np.float32]

RAYS = 15
"""Rays that represent one wind direction."""


def never_stop() -> None:
    """Default where the work cannot be stopped."""


def ray_offsets(sector_deg: float, spread_deg: float, rays: int = RAYS) -> Array:
    """Directions of the rays that represent one wind direction, degrees from its middle.

    Parameters
    ----------
    sector_deg : float
        Width of the sector of directions it represents, degrees.
    spread_deg : float
        Standard deviation of the wind's swing, degrees.
    rays : int

    Returns
    -------
    (rays,) float64
        Middles of equal shares of a normal distribution with the variance sector²/12 + spread²;
        a single 0 when there is no spread at all.

    References
    ----------
    Swing near the ground: Panofsky and Dutton 1984 (status M), see `scene.SPREAD_DEG`; the variance
    of directions spread evenly over a sector is sector²/12 (status D).
    """
    sigma = float(np.hypot(sector_deg / np.sqrt(12.0), spread_deg))
    if sigma == 0.0:
        return np.zeros(1)
    offsets: Array = norm.ppf((np.arange(rays) + 0.5) / rays) * sigma
    return offsets


def one_direction(
    scene: Scene,
    grid: Grid,
    direction_deg: float,
    sector_deg: float = 0.0,
    stop_if_asked: Callable[[], None] = never_stop,
) -> Field:
    """Relative wind for one direction, the mean over its rays.

    Parameters
    ----------
    scene : Scene
    grid : Grid
        Where results are wanted.
    direction_deg : float
        Where the wind comes from, degrees clockwise from grid north.
    sector_deg : float
        Width of the sector the direction represents, degrees.
    stop_if_asked : callable
        Called every second or so; may raise to end the work.

    Returns
    -------
    (cases, rows, cols) float32
        Relative wind, 0 to 1.25; 1 where no belt reaches.

    References
    ----------
    As for `relative_wind`.
    """
    rows, cols = grid.shape
    taken = np.zeros((len(scene.density), rows, cols), np.float32)
    if len(scene.outlines.kind):
        rays = rays_of(scene, direction_deg + ray_offsets(sector_deg, scene.how.spread_deg))
        lay(rays, grid, scene.how.combine, taken, stop_if_asked)
    return np.subtract(np.float32(1), taken, out=taken)


def relative_wind(
    belts: gpd.GeoDataFrame,
    grid: Grid,
    direction_deg: float,
    *,
    season: str = "in-leaf",
    sector_deg: float = 0.0,
    spread_deg: float = SPREAD_DEG,
    combine: str = "smallest",
    curve: str = "mid",
    ends: bool = True,
    at_height_m: float = 1.5,
) -> Field:
    """Wind with belts divided by wind without them, for one direction.

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
    sector_deg : float
        Width of the sector the direction represents, degrees.
    spread_deg : float
        Standard deviation of the wind's swing about it, degrees; 0 with a sector of 0 is one ray.
    combine : {"smallest", "product"}
        Where several belts act: the smallest relative wind, or, optimistically, their product.
    curve : str
        Shelter curve, a name in `CURVES`.
    ends : bool
        Whether the wind rises outside the ends of belts.
    at_height_m : float
        Height above ground, m.

    Returns
    -------
    (rows, cols) float32
        Relative wind, 0 to 1.25; 1 where no belt reaches.

    Raises
    ------
    InputError
        ``name-unknown`` for a curve or a way to combine that is not known.

    Notes
    -----
    Distance from a belt is taken along the wind from its lee face, so the sheltered distance
    perpendicular to a belt falls with the cosine of the angle, as published. Where several belts
    act the smallest relative wind applies: their order never matters and a belt cut in two is one
    belt.

    References
    ----------
    Curve and smallest relative wind: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288
    (status S2). Cosine: Wang and Takle 1996, Agricultural and Forest Meteorology 81:95-117
    (status S).
    """
    how = How(curve, combine, ends, at_height_m, spread_deg)
    scene = scene_of([seasonal(belts, season)], grid, how)
    return one_direction(scene, grid, direction_deg, sector_deg)[0]


class WindField(NamedTuple):
    """The shelter field of one wind direction.

    Parameters
    ----------
    direction_deg : float
        Where the wind comes from, degrees clockwise from true north.
    grid_deg : float
        The same from grid north.
    weights : list of float
        Weight of the direction in each wind set; they sum to 1 over its directions.
    relative_wind : (cases, rows, cols) float32
    terrain : OpenWind or None
        Terrain wind from this direction; None where it is not required.
    """

    direction_deg: float
    grid_deg: float
    weights: list[float]
    relative_wind: Field
    terrain: OpenWind | None


def wind_fields(
    scene: Scene,
    grid: Grid,
    winds: Sequence[WindSet],
    *,
    power: float = 1.0,
    convergence_deg: float = 0.0,
    terrain_wind: Iterable[tuple[float, OpenWind]] | None = None,
    stop_if_asked: Callable[[], None] = never_stop,
) -> Iterator[WindField]:
    """The shelter field of every direction of some wind sets.

    Parameters
    ----------
    scene : Scene
    grid : Grid
    winds : sequence of WindSet
        For each state of the scene; directions from true north.
    power : float
        Wind-speed exponent: 1 weighs by wind run, 2 by force, 3 by erosion.
    convergence_deg : float
        From true to grid north, see `Grid.convergence_deg`.
    terrain_wind : iterable, optional
        Direction (degrees from grid north) and terrain wind, in the order of `directions_of`.
    stop_if_asked : callable
        Called every second or so; may raise to end the work.

    Yields
    ------
    WindField

    Raises
    ------
    ValueError
        When the terrain wind is of other directions than the wind sets.
    """
    hills = None if terrain_wind is None else iter(terrain_wind)
    for true_deg, sector, weights in directions_of(winds, power):
        stop_if_asked()
        direction = grid_direction(true_deg, convergence_deg)
        field = one_direction(scene, grid, direction, sector, stop_if_asked)
        terrain = None
        if hills is not None:
            terrain_deg, terrain = next(hills)
            if terrain_deg != direction:
                raise ValueError(f"terrain wind from {terrain_deg}°, belts from {direction}°")
        yield WindField(true_deg, direction, weights, field, terrain)
        del field, terrain  # not held beside those of the next direction


class RelativeWindMean:
    """Mean relative wind over wind sets, gathered one direction at a time.

    Parameters
    ----------
    shape : tuple of int
        Cases, rows and columns.
    power : float
        Wind-speed exponent.

    Notes
    -----
    R with R^p = Σ w r^p, w the weights of `WindSet.weights`.
    """

    def __init__(self, shape: tuple[int, ...], power: float = 1.0) -> None:
        self._power = power
        # Summed as wind reduction, so that ground no belt shelters stays exactly 1.
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
            there = field[case] if self._power == 1.0 else field[case] ** np.float32(self._power)
            add_reduction(there, weight, self._reduction[case])

    def relative_wind(self) -> Field:
        """The mean, (cases, rows, cols) float32."""
        return taken_to_relative(self._reduction, self._power)


def over_winds(
    scene: Scene,
    grid: Grid,
    winds: Sequence[WindSet],
    *,
    power: float = 1.0,
    convergence_deg: float = 0.0,
) -> Field:
    """Mean relative wind over wind sets.

    Parameters
    ----------
    scene, grid, winds, power, convergence_deg
        As for `wind_fields`.

    Returns
    -------
    (cases, rows, cols) float32
        Relative wind, 0 to 1.25.
    """
    mean = RelativeWindMean((len(winds), *grid.shape), power)
    for field in wind_fields(scene, grid, winds, power=power, convergence_deg=convergence_deg):
        mean.add(field.weights, field.relative_wind)
    return mean.relative_wind()


def taken_to_relative(taken: Field, power: float) -> Field:
    """Relative wind from its weighted reduction Σ w (1 − r^p).

    Parameters
    ----------
    taken : float32 array
        Reduction, at most 1.
    power : float
        Wind-speed exponent p.

    Returns
    -------
    float32 array
        Relative wind, 0 to 1.25.
    """
    left: Field = np.float32(1) - taken
    return left if power == 1.0 else left ** np.float32(1.0 / power)
