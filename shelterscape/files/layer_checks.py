"""Checks and repairs of the features of a layer, and their conversion to a grid."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid

NEAR_M = 50_000.0
"""Distance up to which a layer that need not be on the map is taken to be beside it, metres
(assumed); one farther away is taken to have a wrong coordinate system."""

FARTHEST = 1e9
"""Largest coordinate of a feature, in the unit of its coordinate system (assumed): the Earth is
4e7 m around, and a zone number before an easting adds 6e7 m at most."""


def empty_layer(where: str) -> InputError:
    """The error for a layer without features."""
    return InputError(
        "layer-empty",
        "The layer has no features with geometry.",
        where=where,
        hint="Name another layer, or fill this one.",
    )


def reproject_to(
    frame: gpd.GeoDataFrame, crs: CRS, where: str
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Features with valid geometry, in a given coordinate system.

    Parameters
    ----------
    frame : GeoDataFrame
    crs : CRS
    where : str
        Name of the layer in errors and notices.

    Raises
    ------
    InputError
        ``layer-empty``.
    """
    notices = []
    there = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    if not len(there):
        raise empty_layer(where)
    if len(there) < len(frame):
        count = len(frame) - len(there)
        notices.append(Notice("features-empty", f"{where}: features without geometry", count))
    # The CRS of the grid has no vertical part; heights of vertices are not used.
    there = there.set_geometry(shapely.force_2d(there.geometry.to_numpy()), crs=frame.crs)
    if there.crs != crs:
        there = there.to_crs(crs)
        notices.append(Notice("layer-reprojected", f"{where}: converted to {crs.name}"))
    # Points outside the domain of a projection become infinite; they are off any grid.
    mixed = there.geom_type == "GeometryCollection"
    broken = all_finite(there.geometry.to_numpy()) & (mixed | ~there.geometry.is_valid)
    if broken.any():
        there = there.set_geometry(repaired(there.geometry.to_numpy(), broken), crs=crs)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return there, notices


def refuse_absurd(frame: gpd.GeoDataFrame, where: str) -> None:
    """Refuse coordinates that no map has: arithmetic with them gives anything.

    Parameters
    ----------
    frame : GeoDataFrame
        Its index is the position of features in the file.
    where : str
        Name of the layer in errors.

    Raises
    ------
    InputError
        ``crs-outside``.
    """
    bounds = shapely.bounds(frame.geometry.to_numpy())
    absurd = (np.isfinite(bounds) & (np.abs(bounds) > FARTHEST)).any(axis=1)
    if absurd.any():
        first = int(np.argmax(absurd))
        raise InputError(
            "crs-outside",
            "A feature has coordinates that are on no map.",
            where=f"{where}, feature {frame.index[first] + 1}",
            value=f"{bounds[first][np.argmax(np.abs(np.nan_to_num(bounds[first])))]:g}",
            hint="Draw or export the feature again, or remove it from the layer.",
        )


def lying_on(
    frame: gpd.GeoDataFrame, grid: Grid, where: str, ground: str, keep_outside: bool
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Features on a grid, with a notice of how many are not.

    Parameters
    ----------
    frame : GeoDataFrame
        In the CRS of `grid`.
    grid : Grid
    where, ground : str
        Names of the layer and the grid in errors and notices.
    keep_outside : bool
        Keep features elsewhere too, if the layer is on the grid or within `NEAR_M` of it.

    Raises
    ------
    InputError
        ``layer-outside``.
    """
    shown = all_finite(frame.geometry.to_numpy())
    inside = shown.copy()
    inside[shown] = frame.geometry[shown].intersects(shapely.box(*grid.bounds))
    if not inside.any() and not (keep_outside and _is_near(frame[shown].total_bounds, grid)):
        raise InputError(
            "layer-outside",
            f"No feature of the layer is on the {ground}; often its coordinate system is wrong.",
            where=where,
            value=f"layer {_extent(frame.total_bounds)}, {ground} {_extent(grid.bounds)}",
            hint=_why_outside(frame[shown].total_bounds, grid),
        )
    if keep_outside:
        return frame[shown], []
    notices = []
    if not inside.all():
        notices.append(outside_notice(where, ground, int((~inside).sum())))
    return _ending_near(frame[inside], grid.whole), notices


def _ending_near(frame: gpd.GeoDataFrame, whole: Grid) -> gpd.GeoDataFrame:
    """Features without their parts more than `NEAR_M` beside the whole map.

    Otherwise the work would grow with the length of a line that leaves the map.
    """
    geometry = frame.geometry.to_numpy()
    box = shapely.box(*whole.bounds)
    limits = shapely.box(*shapely.bounds(shapely.buffer(box, NEAR_M)))
    west, south, east, north = shapely.bounds(limits)
    bounds = shapely.bounds(geometry)
    far = (bounds[:, :2] < [west, south]).any(axis=1) | (bounds[:, 2:] > [east, north]).any(axis=1)
    if not far.any():
        return frame
    near = geometry.copy()
    for i in np.flatnonzero(far):
        kind = shapely.get_dimensions(geometry[i])
        parts = shapely.get_parts(shapely.intersection(geometry[i], limits))
        parts = parts[shapely.get_dimensions(parts) == kind]
        # Drawn from several parts, it stays one feature.
        near[i] = shapely.union_all(parts) if len(parts) > 1 else parts[0]
    return frame.set_geometry(near, crs=frame.crs)


def _is_near(bounds: NDArray[np.float64], grid: Grid) -> bool:
    """Whether the bounds of a layer are within `NEAR_M` of a grid."""
    if not np.isfinite(bounds).all():
        return False
    return bool(shapely.box(*bounds).distance(shapely.box(*grid.bounds)) <= NEAR_M)


def outside_notice(where: str, ground: str, count: int) -> Notice:
    """The notice that some features are off the grid."""
    return Notice("features-outside", f"{where}: features off the {ground} ignored", count)


def all_finite(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which geometries have finite coordinates only.

    Parameters
    ----------
    geometry : (n,) array of shapely geometries

    Returns
    -------
    (n,) bool
    """
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    found = np.ones(len(geometry), bool)
    found[owner[~np.isfinite(xy).all(axis=1)]] = False
    return found


_ZONES = range(1, 61)
"""Zone numbers that some countries write before an easting."""


def _why_outside(bounds: NDArray[np.float64], grid: Grid) -> str:
    """Hint for a layer that is off the map: its most probable fault."""
    west, south, east, north = bounds
    terrain = shapely.box(*grid.bounds)
    if not np.isfinite(bounds).all():
        return "Its coordinates are not numbers: draw or export it again."
    if terrain.intersects(shapely.box(south, west, north, east)):
        return "Its eastings and northings appear to be swapped: exchange them."
    for zone in _ZONES:
        if terrain.intersects(shapely.box(west - zone * 1e6, south, east - zone * 1e6, north)):
            return (
                f"Its eastings have the zone number {zone} before them: set the coordinate "
                "system with that prefix (EPSG:4647 for zone 32 on ETRS89)."
            )
    if abs(west) <= 180 and abs(east) <= 180 and abs(south) <= 90 and abs(north) <= 90:
        return (
            "Its coordinates appear to be degrees: set their coordinate system, such as EPSG:4326."
        )
    return "Compare both in your GIS and set the right coordinate system."


def repaired(geometry: NDArray[np.object_], broken: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Invalid geometries made valid, without changing their type.

    Repair turns a spike on an area into a line; only parts of the type of the original are kept. A
    geometry without extent, such as a line between equal points, is not changed.

    Parameters
    ----------
    geometry : (n,) array of shapely geometries
    broken : (n,) bool
        Which to repair.

    Returns
    -------
    (n,) array of shapely geometries
    """
    out = geometry.copy()
    for i in np.flatnonzero(broken):
        kind = shapely.get_dimensions(geometry[i])
        parts = shapely.get_parts(shapely.make_valid(geometry[i]))
        parts = parts[shapely.get_dimensions(parts) == kind]
        if len(parts):
            out[i] = shapely.union_all(parts) if len(parts) > 1 else parts[0]
    return out


def _extent(bounds: tuple[float, ...]) -> str:
    west, south, east, north = (f"{b:.0f}" for b in bounds)
    return f"{west}…{east} E, {south}…{north} N"
