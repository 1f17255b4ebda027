"""Coordinate systems: found by what a person writes, and held to metres."""

from __future__ import annotations

import math
from typing import Any

from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from shelterscape.errors import InputError

Bounds = tuple[float, float, float, float]


def known_crs(text: Any, where: str) -> CRS:
    """A coordinate system from anything that names one.

    Raises
    ------
    InputError
        ``name-unknown``.
    """
    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        raise InputError(
            "name-unknown",
            "No such coordinate system is known.",
            where=where,
            value=text,
            mend="Name it by its EPSG code, as in EPSG:25832.",
        ) from error


def ground_plan(crs: CRS) -> CRS:
    """The part of a coordinate system that places things on the map, without heights."""
    return crs.sub_crs_list[0] if crs.is_compound else crs


def metric_crs(own: CRS, to_crs: str | None, bounds: Bounds, what: str, where: str) -> CRS:
    """The coordinate system to work in: the one asked for or a data set's own, in metres.

    Parameters
    ----------
    own : CRS
        That of the data set.
    to_crs : str or None
        What was asked for instead.
    bounds : tuple of float
        West, south, east, north of the data set in its own system, to suggest another.
    what, where : str
        The data set, for errors.

    Raises
    ------
    InputError
        ``crs-geographic``, ``crs-unit``, ``name-unknown``.
    """
    flat = ground_plan(known_crs(to_crs, "to_crs")) if to_crs else own
    if flat.is_geographic:
        raise InputError(
            "crs-geographic",
            f"The {what} is in degrees; distances need metres.",
            where=where,
            value=flat.name,
            mend=f"Add --to-crs {_suggested(own, bounds)} to have it laid out in metres.",
        )
    units = {axis.unit_name for axis in flat.axis_info[:2]}
    if units != {"metre"}:
        raise InputError(
            "crs-unit",
            "The coordinate system does not count in metres.",
            where=where,
            value=", ".join(sorted(units)),
            mend=f"Add --to-crs {_suggested(own, bounds)} to have it laid out in metres.",
        )
    return flat


def _suggested(own: CRS, bounds: Bounds) -> str:
    """The EPSG code of the UTM zone that the middle of some bounds lies in."""
    try:
        onto = Transformer.from_crs(own, "EPSG:4326", always_xy=True)
        west, south, east, north = onto.transform_bounds(*bounds)
    except ProjError:
        west = south = east = north = math.inf
    lon, lat = (west + east) / 2, (south + north) / 2
    if not (abs(lon) <= 180 and abs(lat) <= 90):
        return "with a code in metres"
    found = query_utm_crs_info(
        datum_name="WGS 84", area_of_interest=AreaOfInterest(lon, lat, lon, lat)
    )
    return f"EPSG:{found[0].code}" if found else "with a code in metres"
