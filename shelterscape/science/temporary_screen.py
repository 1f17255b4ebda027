"""Young belts behind a temporary screen: a net or fence on posts that is moved after some years."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def behind_screen(
    belts: gpd.GeoDataFrame, age: Array, height: Array, porosity: Array
) -> tuple[Array, Array]:
    """Height and porosity of belts, or of the temporary screen where it shelters more.

    Parameters
    ----------
    belts : GeoDataFrame
        With ``screen_years`` (from planting until the screen is moved), ``screen_height_m`` and
        ``screen_porosity`` where any belt has a screen.
    age : (n,) float64
        Years from planting; NaN where unknown.
    height, porosity : (n,) float64
        Of the belts alone: m; 0 to 1.

    Returns
    -------
    height, porosity : (n,) float64

    Notes
    -----
    Screen and young belt shelter as the one of them with the larger product of height and density
    (assumed): together they shelter more.
    """
    if "screen_years" not in belts:
        return height, porosity
    names = ("screen_years", "screen_height_m", "screen_porosity")
    years, tall, open_share = (belts[name].to_numpy(dtype=float) for name in names)
    more = tall * (1.0 - open_share) > height * (1.0 - porosity)
    there = (age < years) & more
    return np.where(there, tall, height), np.where(there, open_share, porosity)
