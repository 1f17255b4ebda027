"""Points as waypoints of a GPX file, an open format that field receivers read."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from xml.sax.saxutils import escape

import geopandas as gpd
from pyproj import CRS
from pyproj.transformer import TransformerGroup

WGS84 = "EPSG:4326"
DECIMALS = 8
"""Decimals of latitude and longitude, degrees: about a millimetre."""

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="shelterscape" xmlns="http://www.topografix.com/GPX/1/1">\n'
)


def datum_accuracy_m(crs: CRS) -> float:
    """Accuracy with which coordinates convert to those of GPX.

    Parameters
    ----------
    crs : CRS

    Returns
    -------
    float
        m, as the register of coordinate systems states it; NaN where it states none.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a better one is not installed
        stated = TransformerGroup(crs, WGS84, always_xy=True).transformers[0].accuracy
    return float(stated) if stated >= 0 else float("nan")


def write_gpx(
    path: Path, points: gpd.GeoSeries, names: Sequence[str], descriptions: Sequence[str]
) -> None:
    """Write points as waypoints; equal points give equal bytes.

    Parameters
    ----------
    path : Path
    points : GeoSeries
        Points in any coordinate system; the file states the accuracy of their conversion.
    names, descriptions : sequence of str
        Of each point.
    """
    degrees, accuracy_m = points.to_crs(WGS84), datum_accuracy_m(CRS(points.crs))
    about = f"Converted to WGS 84 with an accuracy of {accuracy_m:g} m"
    about = "Converted to WGS 84 with unknown accuracy" if accuracy_m != accuracy_m else about
    texts = zip(names, descriptions, degrees.x, degrees.y, strict=True)
    waypoints = "".join(
        f'<wpt lat="{lat:.{DECIMALS}f}" lon="{lon:.{DECIMALS}f}">'
        f"<name>{_plain(name)}</name><desc>{_plain(text)}</desc></wpt>\n"
        for name, text, lon, lat in texts
    )
    head = f"<metadata><desc>{_plain(about)}</desc></metadata>\n"
    path.write_text(f"{_HEAD}{head}{waypoints}</gpx>\n", encoding="utf-8", newline="\n")


def _plain(text: str) -> str:
    """Text that XML can hold: no control characters, marks escaped."""
    return escape("".join(c if c >= " " and c not in "\ufffe\uffff" else " " for c in str(text)))
