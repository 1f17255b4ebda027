"""Which purposes a design suits, and from when a belt is tall enough."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belt_profiles import share_at_height
from shelterscape.science.belts import Case
from shelterscape.science.growth import SITE_FACTOR, height_at
from shelterscape.science.purposes import Purpose, purposes

REFERENCE_YEARS = 20
"""Years after planting at which the height of a design counts."""

LEAST_SHARE = 0.5
"""Least share of the full shelter of a belt at the height of a purpose (assumed)."""

LONGEST_YEARS = 60
"""Years after planting up to which a belt is examined."""


def suited_purposes(species: str, porosity: float, bare_porosity: float) -> tuple[str, ...]:
    """Purposes that a design suits.

    Parameters
    ----------
    species : str
    porosity, bare_porosity : float
        Optical porosity in leaf and without leaves, 0 to 1.

    Returns
    -------
    tuple of str
        Purposes whose recommended porosity, in their season, contains that of the design, and at
        whose height a belt of 20 years gives at least `LEAST_SHARE` of its full shelter.

    Examples
    --------
    Common alder is 7.7 m high after 20 years in a stand, and less in a belt: too low for crowns at
    8 m.

    >>> "old trees" in suited_purposes("common alder", 0.45, 0.60)
    False
    """
    height = SITE_FACTOR * np.asarray(height_at(species, REFERENCE_YEARS), dtype=float)

    def _suits(purpose: Purpose) -> bool:
        found = porosity if purpose.season == "in-leaf" else bare_porosity
        share = share_at_height(height, purpose.at_height_m)
        return purpose.porosity[0] <= found <= purpose.porosity[1] and float(share) >= LEAST_SHARE

    return tuple(name for name, purpose in purposes().items() if _suits(purpose))


def tall_enough_from(
    planted: gpd.GeoDataFrame,
    at_height_m: float,
    first_year: int,
    *,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> NDArray[np.float64]:
    """First year in which each belt is tall enough to have any effect at a height above ground.

    Parameters
    ----------
    planted : GeoDataFrame
        Belts with the columns of completed belts and the year of their planting.
    at_height_m : float
        Height above ground, m.
    first_year : int
        Year from which belts are examined, for `LONGEST_YEARS`.
    local_heights : mapping, optional
        As for `growth.belts_at`.

    Returns
    -------
    (n,) float64
        Calendar years; NaN where a belt is not tall enough in these years.
    """
    found = np.full(len(planted), np.nan)
    for year in range(first_year, first_year + LONGEST_YEARS + 1):
        missing = np.isnan(found)
        if not missing.any():
            break
        grown = belts_at(planted, Case("in-leaf", year), local_heights=local_heights)
        height = np.maximum(grown["height_m"].to_numpy(dtype=float), 1e-9)
        found[missing & (share_at_height(height, at_height_m) > 0)] = year
    return found
