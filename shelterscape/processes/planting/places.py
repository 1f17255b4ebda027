"""Places of `planting` and the existing belts that shelter them."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np

from shelterscape.errors import Notice
from shelterscape.process.reading import Reader
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.columns import numbers, words
from shelterscape.science.planting.place_targets import ShelteredPlaces
from shelterscape.science.species import species_table
from shelterscape.terms import TERMS

EXISTING = "existing belts"


def sheltered_places(
    places: gpd.GeoDataFrame | None,
    existing: gpd.GeoDataFrame | None,
    reader: Reader,
    **wind: Any,
) -> ShelteredPlaces | None:
    """Places and existing belts without missing values, and the wind; None without places."""
    if places is None:
        return None
    completed, notices = place_layers.complete(places, "places")
    reader.notices(notices)
    if existing is not None:
        existing = _with_heights(existing, reader)
    if existing is not None:
        existing, notices = belt_layers.complete(existing, EXISTING)
        reader.notices(notices)
    return ShelteredPlaces(completed, existing, **wind)


def _with_heights(existing: gpd.GeoDataFrame, reader: Reader) -> gpd.GeoDataFrame | None:
    """Belts whose height is given or calculated; lines alone lengthen belts, but shelter nothing.

    None without any.
    """
    height, year = (
        numbers(existing, name, TERMS[name], EXISTING) for name in ("height_m", "planted_year")
    )
    known = np.isin([name.casefold() for name in words(existing, "species")], list(species_table()))
    kept = np.isfinite(height) | (known & np.isfinite(year))
    if not kept.all():
        text = f"{EXISTING}: without height or growth, so they shelter no place here"
        reader.notice(Notice("value-assumed", text, int((~kept).sum())))
    return existing[kept] if kept.any() else None
