"""Coordinate systems: identified from what a user writes, and required to be in metres."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid, steps_on_ground

Bounds = tuple[float, float, float, float]

NOTICED_SCALE, REFUSED_SCALE = 0.005, 0.02
"""Difference of linear or areal scale from 1 above which it is reported, or refused (assumed)."""

POLAR_NORTH, POLAR_SOUTH, UTM_TO_NORTH, UTM_TO_SOUTH = "EPSG:5041", "EPSG:5042", 84.0, -80.0
"""Systems in metres around the poles, and the latitudes between which UTM zones are used."""


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
        ``crs-geographic``, ``crs-local``, ``crs-mirrored``, ``crs-outside``, ``crs-scale``,
        ``crs-unit``, ``name-unknown``.
    """
    refuse_local(own, what, where)
    flat = ground_plan(known_crs(to_crs, "to_crs")) if to_crs else own
    refuse_local(flat, what, where)
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
    _check_ground(own, flat, bounds, what, where)
    return flat


def refuse_local(crs: CRS, what: str, where: str) -> None:
    """Refuse a coordinate system that is no map of the Earth's surface.

    Parameters
    ----------
    crs : CRS
    what, where : str
        As for `metric_crs`.

    Raises
    ------
    InputError
        ``crs-local``: coordinates from the centre of the Earth, of a building site, or heights.
    """
    if ground_plan(crs).is_projected or ground_plan(crs).is_geographic:
        return
    raise InputError(
        "crs-local",
        f"The coordinate system of the {what} is not that of a map.",
        where=where,
        value=f"{crs.name} ({crs.type_name})",
        hint="Set the coordinate system that its supplier states, such as EPSG:25832, in your GIS "
        "and save it again; for a terrain model, --crs does the same.",
    )


def _check_ground(own: CRS, flat: CRS, bounds: Bounds, what: str, where: str) -> None:
    """Refuse a system in which the centre of a data set has wrong lengths, areas or sides."""
    west, south, east, north = bounds
    centre = (west + east) / 2, (south + north) / 2
    if flat != own:
        centre = Transformer.from_crs(own, flat, always_xy=True).transform(*centre)
    steps = steps_on_ground(flat, centre) if np.isfinite(centre).all() else np.array(math.nan)
    if not np.isfinite(steps).all():
        raise InputError(
            "crs-outside",
            f"The {what} is outside the area of its coordinate system.",
            where=where,
            value=f"centre {centre[0]:g}, {centre[1]:g} in {flat.name}",
            hint="Compare its position with a map in your GIS; set the right coordinate system.",
        )
    if np.linalg.det(steps) < 0:
        raise InputError(
            "crs-mirrored",
            "The axes of the coordinate system are in an order that mirrors the map.",
            where=where,
            value=f"{flat.name}: {', '.join(axis.direction for axis in flat.axis_info[:2])}",
            hint=f"Add --to-crs {_suggested(own, bounds)} to work in metres.",
        )
    linear, areal = _scales(steps)
    if max(abs(linear - 1), abs(areal - 1)) > REFUSED_SCALE:
        raise InputError(
            "crs-scale",
            "Lengths or areas in this coordinate system differ too much from those on the ground.",
            where=where,
            value=f"{flat.name}: {_scale_text(linear, areal)}",
            hint=f"Add --to-crs {_suggested(own, bounds)} to work in metres.",
        )


def _scales(steps: np.ndarray) -> tuple[float, float]:
    """The linear scale that differs most from 1, and the areal scale."""
    largest, smallest = np.linalg.svd(steps, compute_uv=False)
    linear = largest if abs(largest - 1) >= abs(smallest - 1) else smallest
    return float(linear), float(abs(np.linalg.det(steps)))


def _scale_text(linear: float, areal: float) -> str:
    return f"1 m on the ground is up to {linear:.3f} m on the map, and 1 ha is {areal:.3f} ha"


def scale_notices(grid: Grid) -> list[Notice]:
    """A notice where the scale of a coordinate system is more than 0.5 % from 1.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of Notice
        With the linear and the areal scale at the centre of the whole raster.
    """
    if grid.crs is None:
        return []
    linear, areal = _scales(steps_on_ground(grid.crs, grid.whole.centre))
    if not max(abs(linear - 1), abs(areal - 1)) > NOTICED_SCALE:
        return []
    return [Notice("map-scale", f"{grid.crs.name}: {_scale_text(linear, areal)}")]


def _suggested(own: CRS, bounds: Bounds) -> str:
    """A system in metres at the centre of some bounds: a UTM zone, or a polar system."""
    west, south, east, north = bounds
    try:
        onto = Transformer.from_crs(own, "EPSG:4326", always_xy=True)
        lon, lat = onto.transform((west + east) / 2, (south + north) / 2)
    except ProjError:
        lon = lat = math.inf
    if not (abs(lon) <= 180 and abs(lat) <= 90):
        return "with a code in metres"
    if not UTM_TO_SOUTH < lat < UTM_TO_NORTH:
        return POLAR_NORTH if lat > 0 else POLAR_SOUTH
    found = query_utm_crs_info(
        datum_name="WGS 84", area_of_interest=AreaOfInterest(lon, lat, lon, lat)
    )
    return f"EPSG:{found[0].code}" if found else "with a code in metres"
