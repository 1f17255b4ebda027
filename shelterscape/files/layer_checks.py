"""Features of a layer checked, repaired and brought onto a grid."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid


def empty_layer(where: str) -> InputError:
    """The error for a layer without features."""
    return InputError(
        "layer-empty",
        "The layer holds no features with geometry.",
        where=where,
        mend="Name another layer, or fill this one.",
    )


def brought_into(
    frame: gpd.GeoDataFrame, crs: CRS, where: str
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Features with a geometry, in a coordinate system, valid.

    Parameters
    ----------
    frame : GeoDataFrame
    crs : CRS
    where : str
        What to call the layer in errors and notices.

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
    # The CRS of the grid has no vertical part, and heights of vertices play no role.
    there = there.set_geometry(shapely.force_2d(there.geometry.to_numpy()), crs=frame.crs)
    if there.crs != crs:
        there = there.to_crs(crs)
        notices.append(Notice("layer-reprojected", f"{where}: brought into {crs.name}"))
    # Places a projection cannot show come out infinite; they lie off any grid.
    mixed = there.geom_type == "GeometryCollection"
    broken = all_finite(there.geometry.to_numpy()) & (mixed | ~there.geometry.is_valid)
    if broken.any():
        there = there.set_geometry(repaired(there.geometry.to_numpy(), broken), crs=crs)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return there, notices


def lying_on(
    frame: gpd.GeoDataFrame, grid: Grid, where: str, ground: str, keep_outside: bool
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Features that lie on a grid, with a notice of how many do not.

    Parameters
    ----------
    frame : GeoDataFrame
        In the CRS of `grid`.
    grid : Grid
    where, ground : str
        What to call the layer and the grid in errors and notices.
    keep_outside : bool
        Keep those elsewhere too, as long as one lies on the grid.

    Raises
    ------
    InputError
        ``layer-outside``.
    """
    shown = all_finite(frame.geometry.to_numpy())
    inside = shown.copy()
    inside[shown] = frame.geometry[shown].intersects(shapely.box(*grid.bounds))
    if not inside.any():
        raise InputError(
            "layer-outside",
            f"No feature of the layer lies on the {ground}; often a wrong coordinate system.",
            where=where,
            value=f"layer {_extent(frame.total_bounds)}, {ground} {_extent(grid.bounds)}",
            mend=_why_outside(frame[shown].total_bounds, grid),
        )
    if keep_outside:
        return frame[shown], []
    notices = []
    if not inside.all():
        notices.append(outside_notice(where, ground, int((~inside).sum())))
    return frame[inside], notices


def outside_notice(where: str, ground: str, count: int) -> Notice:
    """The notice that some features lie elsewhere."""
    return Notice("features-outside", f"{where}: features off the {ground} left out", count)


def all_finite(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which geometries have real numbers for coordinates throughout.

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
"""Numbers of the zones that some countries write before an easting."""


def _why_outside(bounds: NDArray[np.float64], grid: Grid) -> str:
    """What a layer off the map most likely suffers from."""
    west, south, east, north = bounds
    terrain = shapely.box(*grid.bounds)
    if not np.isfinite(bounds).all():
        return "Its coordinates are no numbers; draw or export it again."
    if terrain.intersects(shapely.box(south, west, north, east)):
        return "Its eastings and northings look swapped; exchange them."
    for zone in _ZONES:
        if terrain.intersects(shapely.box(west - zone * 1e6, south, east - zone * 1e6, north)):
            return (
                f"Its eastings carry the zone number {zone} before them: set the coordinate "
                "system that counts so (for zone 32 on ETRS89 it is EPSG:4647)."
            )
    if abs(west) <= 180 and abs(east) <= 180 and abs(south) <= 90 and abs(north) <= 90:
        return "Its coordinates look like degrees: set the system they are in, such as EPSG:4326."
    return "Compare both in your GIS and set the right coordinate system."


def repaired(geometry: NDArray[np.object_], broken: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Broken geometries made valid, each of the kind it was.

    A spike on an area comes back as a line beside it; only parts of the area's own kind are kept.
    What has no extent of its kind, such as a line that ends where it began, stays as it is: what
    it means is for its user to say.

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
