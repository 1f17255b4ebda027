"""Whole layers, read wherever their features lie."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from shelterscape.errors import Notice
from shelterscape.files import vectors
from shelterscape.files.layer_checks import all_finite, repaired

_COLLECTION = 7
"""How the geometry library numbers collections of several kinds."""


def read_features(
    source: str, crs: CRS, what: str, columns: dict[str, str]
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Read all features of a layer, wherever they lie; without geometry they come as no area.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    crs : CRS
        Coordinate system they are wanted in.
    what : str
        What the layer is, for errors and notices.
    columns : dict
        Names in the file by the names wanted, where they differ.

    Raises
    ------
    InputError
        As `read_layer`, but for ``layer-outside``.
    """
    frame, where, notices = vectors.as_in_file(source, what, columns)
    shapes = shapely.force_2d(frame.geometry.to_numpy())
    shapes = np.where(shapely.is_missing(shapes), shapely.Polygon(), shapes)
    frame = frame.set_geometry(shapes, crs=frame.crs)
    if frame.crs != crs:
        frame = frame.to_crs(crs)
        notices.append(Notice("layer-reprojected", f"{where}: brought into {crs.name}"))
    shown = all_finite(frame.geometry.to_numpy())
    shapes = np.where(shown, frame.geometry.to_numpy(), shapely.Polygon())
    broken = ~shapely.is_valid(shapes) | (shapely.get_type_id(shapes) == _COLLECTION)
    if broken.any():
        shapes = repaired(shapes, broken)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return frame.set_geometry(shapes, crs=crs), notices
