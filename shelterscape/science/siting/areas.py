"""Areas, such as holdings and parcels, in which lines are."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.columns import words

BESIDE_M = 4.0
"""Distance beside a line within which its holding is identified, metres (assumed)."""


def areas_beside(lines: NDArray[np.object_], areas: gpd.GeoDataFrame, column: str) -> pd.DataFrame:
    """Names of the areas on and beside lines, with the share of each.

    Parameters
    ----------
    lines : (n,) array of lines
    areas : GeoDataFrame
    column : str
        Column with the name of each area; areas without a name do not count.

    Returns
    -------
    DataFrame
        ``at`` (row of the line), ``name``, ``share`` (of the strip `BESIDE_M` to either side of the
        line); for each line the largest share first.
    """
    strips = shapely.buffer(lines, BESIDE_M, cap_style="flat")
    shapes, names = areas.geometry.to_numpy(), words(areas, column)
    at, of = shapely.STRtree(shapes).query(strips, predicate="intersects")
    shared = shapely.area(shapely.intersection(strips[at], shapes[of]))
    table = pd.DataFrame({"at": at, "name": names[of], "share": shared})
    table = table[table["name"] != ""].groupby(["at", "name"])["share"].sum().reset_index()
    table["share"] /= shapely.area(strips)[table["at"].to_numpy()]
    return table.sort_values(["at", "share", "name"], ascending=[True, False, True])


def with_areas(
    lines: gpd.GeoDataFrame, areas: gpd.GeoDataFrame | None, columns: Sequence[str]
) -> gpd.GeoDataFrame:
    """Lines with the names of the areas beside most of each.

    Parameters
    ----------
    lines : GeoDataFrame
        Where one of the columns states a name, it is kept.
    areas : GeoDataFrame or None
        None: the lines remain as they are.
    columns : sequence of str
        Such as ``parcel_id``.

    Returns
    -------
    GeoDataFrame
        The columns are text, empty where no area is known.
    """
    found = lines.reset_index(drop=True)
    for column in columns:
        named = pd.Series(words(found, column), dtype=object)
        if areas is not None and len(found):
            beside = areas_beside(found.geometry.to_numpy(), areas, column).drop_duplicates("at")
            most = beside.set_index("at")["name"].reindex(found.index).fillna("")
            named = named.where(named != "", most)
        found[column] = named
    return found
