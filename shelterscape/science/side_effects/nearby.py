"""Roads, buildings, lines, paths and drains within reach of a belt."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.grants.belts import mix
from shelterscape.science.side_effects.new_belts import mature_heights, seeks_water

Array = NDArray[np.float64]

ASK_OPERATOR = "ask the operator of the line before planting: no distance is presented as safe"
FALL_ADVICE = {
    "road": "ask the highway authority; have the trees inspected regularly",
    "building": "ask a qualified arboriculturist; check the local code and foundations",
    "power line": ASK_OPERATOR,
    "path": "have the trees inspected regularly; ask the authority for the path",
}
"""What to do about an object in reach of falling trees, by kind of object."""

DRAIN_ADVICE = "choose other species or another line, or have a sealed pipe laid"
CLEARANCE_ADVICE = "move the belt or agree the distance with the owner or authority"

POWER_LINE_M = 100.0
"""Distance within which power lines are listed, m, whatever the height of the trees (assumed)."""

DRAIN_M = {True: 30.0, False: 15.0}
"""Distance from drains of willow, poplar and elm, and of other species, m: an extension note (seen;
its title is not recorded)."""

NEARBY_COLUMNS = (
    "belt",
    "object_kind",
    "object_name",
    "distance_found_m",
    "required_distance_m",
    "length_within_m",
    "species_at_fault",
    "advice",
)


def fall_strips(belts: gpd.GeoDataFrame, factor: float) -> gpd.GeoDataFrame:
    """Ground that falling trees of each belt reach when mature.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_new_belts` returns them.
    factor : float
        Reach divided by mature height, 1 or more.

    Returns
    -------
    GeoDataFrame
        The belts with ``fall_distance_m``, from the outer stems, and the strip as geometry.
    """
    reach = factor * belts["mature_height_m"].to_numpy(dtype=float)
    strips = shapely.buffer(belts.geometry.to_numpy(), half_widths(belts) + reach)
    return belts.assign(fall_distance_m=reach).set_geometry(strips, crs=belts.crs)


def half_widths(belts: gpd.GeoDataFrame) -> Array:
    """Distance from the geometry of a belt to its outer stems, m: half the width of a line.

    Parameters
    ----------
    belts : GeoDataFrame
        With ``width_m``.

    Returns
    -------
    (n,) float64
        m.
    """
    is_line = shapely.get_dimensions(belts.geometry.to_numpy()) < 2
    return np.where(is_line, belts["width_m"].to_numpy(dtype=float) / 2, 0.0)


def in_fall(
    belts: gpd.GeoDataFrame, objects: gpd.GeoDataFrame, kind: str, factor: float
) -> pd.DataFrame:
    """Objects that falling trees reach; power lines are listed up to `POWER_LINE_M` too.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_new_belts` returns them.
    objects : GeoDataFrame
        With ``name``.
    kind : str
        A key of `FALL_ADVICE`.
    factor : float
        Reach divided by mature height, 1 or more.

    Returns
    -------
    DataFrame
        `NEARBY_COLUMNS`; the species at fault are those that reach the object. The required
        distance of power lines is not stated.
    """
    reach = factor * belts["mature_height_m"].to_numpy(dtype=float)
    power = kind == "power line"
    found = _pairs(belts, objects, kind, np.maximum(reach, POWER_LINE_M) if power else reach)
    at = found.pop("index").to_numpy(dtype=int)
    found["required_distance_m"] = np.nan if power else reach[at]
    found["species_at_fault"] = [
        _reaching(belts["species"].iloc[i], factor, distance, reach[i])
        for i, distance in zip(at, found["distance_found_m"], strict=True)
    ]
    return found.assign(advice=FALL_ADVICE[kind])[list(NEARBY_COLUMNS)]


def _reaching(species: str, factor: float, distance: float, reach: float) -> str:
    """Species that reach a distance when they fall, and those whose height is unknown."""
    heights = mature_heights(species)
    names = [
        name if name in heights else f"{name} (height unknown)"
        for name in mix(species)
        if factor * heights.get(name, np.inf) >= distance
    ]
    return ", ".join(names) or ("species not named" if distance <= reach else "")


def near_drains(belts: gpd.GeoDataFrame, drains: gpd.GeoDataFrame) -> pd.DataFrame:
    """Drains and pipes closer than the usual distance, with the species at fault.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_new_belts` returns them.
    drains : GeoDataFrame
        With ``name``.

    Returns
    -------
    DataFrame
        `NEARBY_COLUMNS`.
    """
    seeking = [any(map(seeks_water, mix(text))) for text in belts["species"]]
    # A belt without species may contain any of them.
    unknown = belts["species"].to_numpy(object) == ""
    required = np.where(np.array(seeking, bool) | unknown, DRAIN_M[True], DRAIN_M[False])
    found = _pairs(belts, drains, "drain", required)
    at = found.pop("index").to_numpy(dtype=int)
    found["required_distance_m"] = required[at]
    found["species_at_fault"] = [
        ", ".join(n for n in mix(belts["species"].iloc[i]) if distance < DRAIN_M[seeks_water(n)])
        or "species not named"
        for i, distance in zip(at, found["distance_found_m"], strict=True)
    ]
    return found.assign(advice=DRAIN_ADVICE)[list(NEARBY_COLUMNS)]


def within_clearances(belts: gpd.GeoDataFrame, areas: gpd.GeoDataFrame) -> pd.DataFrame:
    """Belts within the clearance that a planner set around an object.

    Parameters
    ----------
    belts : GeoDataFrame
        As `complete_new_belts` returns them.
    areas : GeoDataFrame
        With ``reason`` and ``clear_m``.

    Returns
    -------
    DataFrame
        `NEARBY_COLUMNS`.
    """
    parts = []
    for clear, group in areas.groupby("clear_m"):
        named = group.assign(name=group["reason"])
        found = _pairs(belts, named, "clearance", np.full(len(belts), float(clear)))
        parts.append(found.assign(required_distance_m=float(clear)))
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["index"])
    found = found.assign(species_at_fault="", advice=CLEARANCE_ADVICE)
    return found.reindex(columns=list(NEARBY_COLUMNS)).sort_values(["belt", "object_name"])


def _pairs(
    belts: gpd.GeoDataFrame, objects: gpd.GeoDataFrame, kind: str, reach: Array
) -> pd.DataFrame:
    """Objects within reach of the outer stems of each belt, nearest first."""
    shapes, others = belts.geometry.to_numpy(), objects.geometry.to_numpy()
    half = half_widths(belts)
    near = shapely.STRtree(others).query(shapes, "dwithin", distance=half + reach)
    belt, other = near[:, np.lexsort(near[::-1])]
    distance = np.maximum(shapely.distance(shapes[belt], others[other]) - half[belt], 0.0)
    around = shapely.buffer(others[other], (half + reach)[belt])
    inner = shapely.length(shapely.intersection(shapes[belt], around))
    found = pd.DataFrame(
        {
            "index": belt,
            "belt": belts["name"].to_numpy(object)[belt],
            "object_kind": kind,
            "object_name": objects["name"].to_numpy(object)[other],
            "distance_found_m": distance,
            "length_within_m": inner,
        }
    )
    return found.sort_values(["index", "distance_found_m"], kind="stable", ignore_index=True)
