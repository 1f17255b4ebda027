"""GDAL options at fixed values, so that the environment changes neither what is read nor written.

GDAL takes any option from an environment variable of its name, or from a file in the home folder.
"""

from __future__ import annotations

import os
import re

RASTER_OPTIONS = {
    # Reading: a damaged block is an error, and cells are where the file places them.
    "GTIFF_IGNORE_READ_ERRORS": "NO",
    "GTIFF_HONOUR_NEGATIVE_SCALEY": "NO",
    "GTIFF_POINT_GEO_IGNORE": "NO",
    "GTIFF_REPORT_COMPD_CS": "YES",
    "GTIFF_SRS_SOURCE": "",
    "GTIFF_DIRECT_IO": "NO",
    "GTIFF_VIRTUAL_MEM_IO": "NO",
    "GDAL_GEOREF_SOURCES": "PAM,INTERNAL,TABFILE,WORLDFILE",
    "GDAL_IGNORE_BAG_XML_METADATA": "NO",
    "AAIGRID_DATATYPE": "",
    "GDAL_MAX_DATASET_POOL_SIZE": "100",
    "VRT_SHARED_SOURCE": "0",
    "USE_RRD": "NO",
    "ESRI_XML_PAM": "NO",
    # Coordinate systems: axes in the order of GIS, no search for another system.
    "OSR_DEFAULT_AXIS_MAPPING_STRATEGY": "TRADITIONAL_GIS_ORDER",
    "OSR_USE_ETMERC": "YES",
    "OSR_ADD_TOWGS84_ON_EXPORT_TO_WKT1": "NO",
    "OSR_ADD_TOWGS84_ON_IMPORT_FROM_EPSG": "NO",
    "OSR_STRIP_TOWGS84": "YES",
    "OSR_WKT_FORMAT": "DEFAULT",
    "CENTER_LONG": "",
    "CHECK_WITH_INVERT_PROJ": "NO",
    "THRESHOLD": "0.125",
    "OGR_ENABLE_PARTIAL_REPROJECTION": "NO",
    # Writing: bytes of files.
    "GDAL_TIFF_ENDIANNESS": "LITTLE",
    "GDAL_TIFF_INTERNAL_MASK": "YES",
    "GDAL_TIFF_DEFLATE_SUBCODEC": "LIBDEFLATE",
    "GDAL_TIFF_OVR_BLOCKSIZE": "",
    "GTIFF_WRITE_TOWGS84": "AUTO",
    "GTIFF_FORCE_RGBA": "NO",
    "BIGTIFF_OVERVIEW": "IF_SAFER",
    "INTERLEAVE_OVERVIEW": "BAND",
    "SPARSE_OK_OVERVIEW": "",
    "GDAL_OVR_PROPAGATE_NODATA": "NO",
    "PHOTOMETRIC_OVERVIEW": "",
    "GTIFF_DONT_WRITE_BLOCKS": "NO",
    "GDAL_DEFAULT_CREATE_COPY": "NO",
    "GDAL_MAX_BAND_COUNT": "65536",
    "GDAL_NUM_THREADS": "1",
    "GDAL_RB_LOCK_TYPE": "ADAPTIVE",
}
"""Options for rasters, by name."""

_KML_FIELDS = {
    "NAME": "Name", "DESCRIPTION": "description", "TIMESTAMP": "timestamp", "BEGIN": "begin",
    "END": "end", "ALTITUDEMODE": "altitudeMode", "TESSELLATE": "tessellate",
    "EXTRUDE": "extrude", "VISIBILITY": "visibility", "DRAWORDER": "drawOrder", "ICON": "icon",
    "ID": "id",
}  # fmt: skip
"""Names of the columns into which the parts of a KML feature are read."""

LAYER_OPTIONS = {
    "OGR_ORGANIZE_POLYGONS": "DEFAULT",
    "OGR_APPLY_GEOM_SET_PRECISION": "NO",
    "OGR_GEOJSON_ARRAY_AS_STRING": "NO",
    "OGR_GEOMETRY_ACCEPT_UNCLOSED_RING": "YES",
    "OGR_ARC_STEPSIZE": "4",
    "OGR_STROKE_CURVE": "NO",
    "OGR_SQLITE_PRAGMA": "",
    "OGR_SQLITE_LIST_ALL_TABLES": "NO",
    "OSR_DEFAULT_AXIS_MAPPING_STRATEGY": "TRADITIONAL_GIS_ORDER",
    "OSR_STRIP_TOWGS84": "YES",
    "SHAPE_RESTORE_SHX": "NO",
    "GML_SWAP_COORDINATES": "AUTO",
    "GML_INVERT_AXIS_ORDER_IF_LAT_LONG": "YES",
    "GML_CONSIDER_EPSG_AS_URN": "AUTO",
    "GML_GFS_TEMPLATE": "",
    "GML_GET_SECONDARY_GEOM": "NO",
    "GPX_ELE_AS_25D": "NO",
    "GPX_N_MAX_LINKS": "2",
    "OGR_GEOJSON_DATE_AS_STRING": "NO",
    "OGR_SQLITE_SYNCHRONOUS": "FULL",
    "OGR_SQLITE_LOAD_EXTENSIONS": "",
    "OSR_ADD_TOWGS84_ON_EXPORT_TO_WKT1": "NO",
    "OSR_ADD_TOWGS84_ON_IMPORT_FROM_EPSG": "NO",
    "OSR_WKT_FORMAT": "DEFAULT",
    "SHAPE_ENCODING": "",
    **{f"LIBKML_{name}_FIELD": word for name, word in _KML_FIELDS.items()},
}
"""Options for layers, by name."""


def drop_gdal_settings() -> None:
    """Remove the options of GDAL from the environment of this process and of those it starts.

    Only for a process of our own: in that of another program they are not ours to remove.
    """
    for name in [name for name in os.environ if _SETTING.match(name)]:
        del os.environ[name]
    # Otherwise options come from a file in the home folder.
    os.environ["GDAL_CONFIG_FILE"] = os.devnull
    os.environ["PROJ_NETWORK"] = "OFF"


_SETTING = re.compile(
    r"^(GDAL_(?!DATA$)|OGR_|OSR_|CPL_|GTIFF_|TIFF_|VRT_|AAIGRID_|SHAPE_|SQLITE_|GML_|KML_|LIBKML_|"
    r"GEOJSON_|GPKG_|FGB_|GPX_|USE_RRD$|ESRI_XML_PAM$|CENTER_LONG$|CHECK_WITH_INVERT_PROJ$|"
    r"THRESHOLD$|JPEG_|ZLEVEL_|PREDICTOR_|COMPRESS_OVERVIEW$|INTERLEAVE_OVERVIEW$|"
    r"BIGTIFF_OVERVIEW$|PHOTOMETRIC_OVERVIEW$|SPARSE_OK_OVERVIEW$|AWS_|VSI_|CSV_)"
)
"""Names of options of GDAL. Its data folder is not among them: `check-setup` reports that."""
