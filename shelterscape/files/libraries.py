"""Check that the libraries for coordinate systems work on this machine."""

from __future__ import annotations

import os

from shelterscape.errors import SetupError

STRAY_SETTINGS = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA")
"""Environment variables of other programs that mislead rasterio and pyproj."""

_KNOWN = (25832, 500_000.0, 6_000_000.0, 9.0)
"""EPSG code, a point on its central meridian, and the longitude of that point."""


def stray_settings() -> list[str]:
    """Those environment variables that are set."""
    return [name for name in STRAY_SETTINGS if os.environ.get(name)]


def coordinate_fault() -> str:
    """Fault of coordinate systems on this machine; empty if there is none."""
    code, x, y, longitude = _KNOWN
    try:
        # Imported here, so that errors of the import are reported too.
        from pyproj import CRS, Transformer
        from rasterio.crs import CRS as RasterCRS

        crs = CRS.from_wkt(RasterCRS.from_epsg(code).to_wkt())
        found, _ = Transformer.from_crs(crs, 4326, always_xy=True).transform(x, y)
    except Exception as error:  # each library has its own errors for a missing database
        return f"{type(error).__name__}: {error}"
    if crs.to_epsg() != code or abs(found - longitude) > 1e-6:
        return f"rasterio and pyproj disagree on EPSG:{code}"
    return ""


def refuse_lost_coordinates() -> None:
    """Raise if coordinate systems do not work, before an input file is blamed.

    Raises
    ------
    SetupError
        ``setup-coordinates``.
    """
    if not (fault := coordinate_fault()):
        return
    stray = stray_settings()
    clear = f"Clear {', '.join(stray)} (unset {' '.join(stray)}) and run again. " if stray else ""
    raise SetupError(
        "setup-coordinates",
        "Coordinate systems cannot be read on this machine.",
        where=", ".join(f"{name}={os.environ[name]}" for name in stray),
        value=fault,
        hint=f"{clear}Run check-setup for details.",
    )
