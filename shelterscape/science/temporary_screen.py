"""Young belts behind a temporary screen: a net or fence on posts that is moved after some years."""

from __future__ import annotations

import geopandas as gpd
import numpy as np


def behind_screen(belts: gpd.GeoDataFrame, year: int | None) -> gpd.GeoDataFrame:
    """Belts in a year, with the properties of their temporary screen where it shelters more.

    Parameters
    ----------
    belts : GeoDataFrame
        With height and porosity in that year, ``planted_year``, and where any belt has a screen
        ``screen_years`` (from planting until the screen is moved), ``screen_height_m`` and
        ``screen_porosity``.
    year : int or None
        None as surveyed, before any planting.

    Returns
    -------
    GeoDataFrame
        A screen is as open in its lower half as above.

    Notes
    -----
    Screen and young belt shelter as the one of them with the larger product of height and density
    (assumed): together they shelter more.
    """
    if "screen_years" not in belts or year is None:
        return belts
    age = year - belts["planted_year"].to_numpy(dtype=float, na_value=np.nan)
    names = ("height_m", "porosity", "screen_years", "screen_height_m", "screen_porosity")
    height, porosity, years, tall, openness = (belts[name].to_numpy(dtype=float) for name in names)
    more = tall * (1.0 - openness) > height * (1.0 - porosity)
    there = (age >= 0) & (age < years) & more
    low = belts["porosity_low"].to_numpy(dtype=float)
    return belts.assign(
        height_m=np.where(there, tall, height),
        porosity=np.where(there, openness, porosity),
        porosity_low=np.where(there, openness, low),
    )
