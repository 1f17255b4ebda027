"""Classes of relative wind as areas on the map."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes, sieve

from shelterscape.grid import Grid

NO_DATA = 255
SMALLEST_ZONE_M2 = 500.0
"""Patches smaller than this join their surroundings (engineering choice)."""


@dataclass(frozen=True)
class Zone:
    """One class of relative wind: `low` <= r < `high`, with the cut in wind said in words."""

    code: int
    label: str
    low: float
    high: float
    is_open: bool = False


def zones_between(bounds: tuple[float, ...]) -> tuple[Zone, ...]:
    """Zones between rising bounds of relative wind, most sheltered first, and one for windier.

    Parameters
    ----------
    bounds : tuple of float
        Rising bounds below 1; ground above the last is open, above 1.05 windier.

    Examples
    --------
    >>> [zone.label for zone in zones_between((0.6, 0.95))]
    ['wind cut 40 % or more', 'wind cut 5–40 %', 'open, wind cut less than 5 %', 'windier']
    """
    cuts = [round(100 * (1 - b)) for b in bounds]
    zones = [Zone(1, f"wind cut {cuts[0]} % or more", 0.0, bounds[0])]
    for i, (low, high) in enumerate(itertools.pairwise(bounds)):
        zones.append(Zone(i + 2, f"wind cut {cuts[i + 1]}–{cuts[i]} %", low, high))
    open_label = f"open, wind cut less than {cuts[-1]} %"
    zones.append(Zone(len(zones) + 1, open_label, bounds[-1], 1.05, is_open=True))
    zones.append(Zone(len(zones) + 1, "windier", 1.05, np.inf))
    return tuple(zones)


ALL_WINDS = zones_between((0.6, 0.75, 0.85, 0.95))
"""Zones of a whole wind set (engineering choice: winds from all round share the shelter out)."""

ONE_WIND = zones_between((0.4, 0.6, 0.8, 0.95))
"""Zones of a single wind direction (engineering choice)."""


def classify(
    relative_wind: NDArray[np.floating], zones: tuple[Zone, ...] = ALL_WINDS
) -> NDArray[np.uint8]:
    """Zone code of every cell, `NO_DATA` where relative wind is missing."""
    codes = np.digitize(relative_wind, [z.high for z in zones[:-1]]).astype(np.uint8) + np.uint8(1)
    codes[np.isnan(relative_wind)] = NO_DATA
    return codes


def areas_ha(
    codes: NDArray[np.uint8], grid: Grid, zones: tuple[Zone, ...] = ALL_WINDS
) -> dict[str, float]:
    """Hectares in each zone, counted in cells, by label."""
    counts = np.bincount(codes.ravel(), minlength=NO_DATA + 1)
    return {zone.label: float(counts[zone.code] * grid.cell_area_ha) for zone in zones}


def outlines(
    codes: NDArray[np.uint8],
    grid: Grid,
    zones: tuple[Zone, ...] = ALL_WINDS,
    stop_if_asked: Callable[[], None] = lambda: None,
) -> gpd.GeoDataFrame:
    """Zones as areas: one multipolygon for each, open ground left out.

    Parameters
    ----------
    codes : (rows, cols) uint8
        As `classify` gives them.
    grid : Grid
    zones : tuple of Zone
    stop_if_asked : callable
        Called between pieces of the work, which takes seconds on large ground; may raise.

    Returns
    -------
    GeoDataFrame
        ``zone`` (label), ``area_ha`` after small patches have joined their surroundings.
    """
    # sieve wants patches of at least two cells to have anything to do.
    smallest = max(int(np.ceil(SMALLEST_ZONE_M2 / grid.cell_m**2)), 1)
    clean = sieve(codes, smallest) if smallest > 1 and codes.size > 1 else codes
    by_code: dict[int, list[shapely.Geometry]] = {}
    drawn = [z for z in zones if not z.is_open]
    wanted = np.isin(clean, [z.code for z in drawn])
    stop_if_asked()
    for outline, code in shapes(clean, mask=wanted, transform=grid.affine):
        stop_if_asked()
        by_code.setdefault(int(code), []).append(shapely.geometry.shape(outline))
    zones_found = [z for z in drawn if z.code in by_code]
    geometry = [shapely.MultiPolygon(by_code[z.code]) for z in zones_found]
    frame = gpd.GeoDataFrame(
        {"zone": [z.label for z in zones_found]}, geometry=geometry, crs=grid.crs
    )
    frame["area_ha"] = frame.geometry.area / 1e4
    return frame
