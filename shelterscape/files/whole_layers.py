"""Read whole layers, wherever their features are."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS

from shelterscape.errors import InputError, Notice
from shelterscape.files import vectors
from shelterscape.files.layer_checks import all_finite, empty_layer, repaired

_COLLECTION = 7
"""Type number of geometry collections in shapely."""


def read_features(
    source: str,
    crs: CRS,
    what: str,
    columns: dict[str, str],
    used: Sequence[str] | None = None,
) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Read all features of a layer, wherever they are; missing geometry becomes an empty area.

    Parameters
    ----------
    source : str
        ``PATH`` or ``PATH:LAYER``.
    crs : CRS
        Coordinate system of the result.
    what : str
        Kind of the layer, for errors and notices.
    columns : dict
        Column names in the file by standard name, where they differ.
    used : sequence of str, optional
        Names of the columns that are read where the file has them; all by default.

    Raises
    ------
    InputError
        As `read_layer`, except ``layer-outside``.
    """
    in_file = None if used is None else [columns.get(name, name) for name in used]
    try:
        frame, where, notices = vectors.as_in_file(source, what, columns, used=in_file)
    except InputError as error:
        if in_file is None or error.code != "column-missing":
            raise
        # The error of this second attempt lists every column of the file.
        frame, where, notices = vectors.as_in_file(source, what, columns)
    if not len(frame):
        raise empty_layer(where)
    shapes = shapely.force_2d(frame.geometry.to_numpy())
    shapes = np.where(shapely.is_missing(shapes), shapely.Polygon(), shapes)
    frame = frame.set_geometry(shapes, crs=frame.crs)
    if frame.crs != crs:
        frame = frame.to_crs(crs)
        notices.append(Notice("layer-reprojected", f"{where}: converted to {crs.name}"))
    shown = all_finite(frame.geometry.to_numpy())
    shapes = np.where(shown, frame.geometry.to_numpy(), shapely.Polygon())
    broken = ~shapely.is_valid(shapes) | (shapely.get_type_id(shapes) == _COLLECTION)
    if broken.any():
        shapes = repaired(shapes, broken)
        notices.append(Notice("features-repaired", f"{where}: repaired", int(broken.sum())))
    return frame.set_geometry(shapes, crs=crs), notices
