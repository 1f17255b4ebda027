"""Shelter zones: classes of relative wind as areas on the map."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.features import sieve

from shelterscape.grid import Grid
from shelterscape.kernels.classes import class_codes
from shelterscape.science.polygons import polygons_of
from shelterscape.terms import ALL_WINDS, Zone

NO_DATA = 255
SMALLEST_ZONE_M2 = 500.0
"""Smallest patch that is drawn; smaller ones join their surroundings (assumed)."""


def classify(
    relative_wind: NDArray[np.floating], zones: tuple[Zone, ...] = ALL_WINDS
) -> NDArray[np.uint8]:
    """Zone code of every cell, `NO_DATA` where relative wind is missing.

    Parameters
    ----------
    relative_wind : (rows, cols) float
        0 to 1.25, NaN where missing.
    zones : tuple of Zone

    Returns
    -------
    (rows, cols) uint8
    """
    return class_codes(relative_wind, [z.high for z in zones[:-1]], NO_DATA)


def areas_ha(
    codes: NDArray[np.uint8], grid: Grid, zones: tuple[Zone, ...] = ALL_WINDS
) -> dict[str, float]:
    """Area of each zone by label, counted in cells, ha.

    Parameters
    ----------
    codes : (rows, cols) uint8
        As `classify` returns them.
    grid : Grid
    zones : tuple of Zone

    Returns
    -------
    dict of float
    """
    counts = np.bincount(codes.ravel(), minlength=NO_DATA + 1)
    return {zone.label: float(counts[zone.code] * grid.cell_area_ha) for zone in zones}


def outlines(
    codes: NDArray[np.uint8],
    grid: Grid,
    zones: tuple[Zone, ...] = ALL_WINDS,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> gpd.GeoDataFrame:
    """Zones as areas: one multipolygon for each zone except open ground.

    Parameters
    ----------
    codes : (rows, cols) uint8
        As `classify` returns them.
    grid : Grid
    zones : tuple of Zone
    stop_if_requested : callable
        Called between parts of the work, which takes seconds on large maps; may raise.

    Returns
    -------
    GeoDataFrame
        ``zone`` (label) and ``area_ha``, after small patches have joined their surroundings.
    """
    # `sieve` accepts thresholds from two cells up.
    smallest = max(int(np.ceil(SMALLEST_ZONE_M2 / grid.cell_m**2)), 1)
    clean = sieve(codes, smallest) if smallest > 1 and codes.size > 1 else codes
    drawn = [z for z in zones if not z.is_open]
    wanted = np.isin(clean, [z.code for z in drawn])
    stop_if_requested()
    polygons, code = polygons_of(clean, grid, wanted=wanted, stop_if_requested=stop_if_requested)
    zones_found = [z for z in drawn if (code == z.code).any()]
    geometry = [shapely.MultiPolygon(list(polygons[code == z.code])) for z in zones_found]
    frame = gpd.GeoDataFrame(
        {"zone": [z.label for z in zones_found]}, geometry=geometry, crs=grid.crs
    )
    frame["area_ha"] = frame.geometry.area / 1e4
    return frame
