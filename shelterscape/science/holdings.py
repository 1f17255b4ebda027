"""Holdings: the farms and estate units that land is managed by."""

from __future__ import annotations

import geopandas as gpd
import shapely

from shelterscape.errors import InputError
from shelterscape.science.columns import words

READ_COLUMNS = ("holding_id", "name")
"""Every column of a layer of holdings that is used."""


def complete(holdings: gpd.GeoDataFrame, where: str) -> gpd.GeoDataFrame:
    """Check a layer of holdings and fill what was not given.

    Parameters
    ----------
    holdings : GeoDataFrame
        Polygons with ``holding_id`` and, where it has names, ``name``.
    where : str
        What to call the layer in errors.

    Returns
    -------
    GeoDataFrame
        Those columns as words, and the outlines.

    Raises
    ------
    InputError
        ``column-missing`` without ``holding_id``; ``column-bad`` for shapes that are no areas.
    """
    if "holding_id" not in holdings:
        raise InputError(
            "column-missing",
            "Holdings need a column holding_id.",
            where=where,
            value=", ".join(map(str, holdings.columns.drop("geometry"))),
            mend="Name it as --field holdings.holding_id=COLUMN.",
        )
    if (shapely.get_dimensions(holdings.geometry.to_numpy()) != 2).any():
        raise InputError(
            "column-bad", "Holdings are areas; this layer holds lines or points.", where=where
        )
    told = {column: words(holdings, column) for column in READ_COLUMNS}
    return gpd.GeoDataFrame(told, geometry=holdings.geometry.to_numpy(), crs=holdings.crs)
