"""Coordinate systems: identified from what a user writes, and required to be in metres."""

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
    """The coordinate system that a name or code identifies.

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
            "This coordinate system is unknown.",
            where=where,
            value=text,
            hint="Write its EPSG code, such as EPSG:25832.",
        ) from error


def ground_plan(crs: CRS) -> CRS:
    """The horizontal part of a coordinate system."""
    return crs.sub_crs_list[0] if crs.is_compound else crs


def metric_crs(own: CRS, to_crs: str | None, bounds: Bounds, what: str, where: str) -> CRS:
    """The coordinate system to work in, in metres: the requested one or that of the data set.

    Parameters
    ----------
    own : CRS
        Coordinate system of the data set.
    to_crs : str or None
        The requested coordinate system, if any.
    bounds : tuple of float
        West, south, east, north of the data set in its own system, used to suggest another.
    what, where : str
        Kind of the data set, and its name, for errors.

    Raises
    ------
    InputError
        ``crs-geographic``, ``crs-unit``, ``name-unknown``.
    """
    flat = ground_plan(known_crs(to_crs, "to_crs")) if to_crs else own
    if flat.is_geographic:
        raise InputError(
            "crs-geographic",
            f"The {what} is in degrees; distances require metres.",
            where=where,
            value=flat.name,
            hint=f"Add --to-crs {_suggested(own, bounds)} to work in metres.",
        )
    units = {axis.unit_name for axis in flat.axis_info[:2]}
    if units != {"metre"}:
        raise InputError(
            "crs-unit",
            "The unit of the coordinate system is not the metre.",
            where=where,
            value=", ".join(sorted(units)),
            hint=f"Add --to-crs {_suggested(own, bounds)} to work in metres.",
        )
    return flat


def _suggested(own: CRS, bounds: Bounds) -> str:
    """EPSG code of the UTM zone at the centre of some bounds."""
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
