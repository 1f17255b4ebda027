"""Layers of holdings: farms and estate units."""

from __future__ import annotations

import geopandas as gpd
import shapely

from shelterscape.errors import InputError
from shelterscape.science.columns import words

READ_COLUMNS = ("holding_id", "name")
"""All columns of a layer of holdings that are read."""


def complete(holdings: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Check a layer of holdings and fill in missing values.

    Parameters
    ----------
    holdings : GeoDataFrame
        Polygons with ``holding_id`` and, optionally, ``name``.
    where : str
        Name of the layer in errors.

    Returns
    -------
    GeoDataFrame
        Both columns as text, and the polygons.

    Raises
    ------
    InputError
        ``column-missing`` without ``holding_id``; ``column-bad`` for lines or points.
    """
    if "holding_id" not in holdings:
        raise InputError(
            "column-missing",
            "The layer of holdings has no column holding_id.",
            where=where,
            value=", ".join(map(str, holdings.columns.drop("geometry"))),
            hint="Add it, or name the column to use: --field holdings.holding_id=COLUMN.",
        )
    if (shapely.get_dimensions(holdings.geometry.to_numpy()) != 2).any():
        raise InputError(
            "column-bad",
            "Holdings must be areas; this layer has lines or points.",
            where=where,
            hint="Draw each holding as a polygon, or remove lines and points from the layer.",
        )
    columns = {column: words(holdings, column) for column in READ_COLUMNS}
    return gpd.GeoDataFrame(columns, geometry=holdings.geometry.to_numpy(), crs=holdings.crs)
