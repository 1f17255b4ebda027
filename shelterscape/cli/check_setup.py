"""A command that looks over the machine: versions, stray settings, write access."""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import click

from shelterscape import __version__

LIBRARIES = (
    "numpy", "scipy", "numba", "pandas", "geopandas", "shapely", "pyproj", "rasterio", "fiona",
    "pyogrio", "richdem2", "exactextract", "pydantic", "click", "rich", "jinja2", "matplotlib",
    "pillow",
)  # fmt: skip

STRAY_SETTINGS = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA")
"""Settings that other programs leave behind and that mislead rasterio and pyproj."""


class Finding(NamedTuple):
    """One thing looked at."""

    name: str
    ok: bool
    text: str


def findings() -> list[Finding]:
    """Look over everything; nothing is changed."""
    return [*_versions(), *_proj(), *_richdem(), *_write_access()]


def _versions() -> Iterator[Finding]:
    yield Finding("shelterscape", True, f"{__version__} on Python {platform.python_version()}")
    for name in LIBRARIES:
        try:
            yield Finding(name, True, importlib.metadata.version(name))
        except importlib.metadata.PackageNotFoundError:
            yield Finding(name, False, "is not installed; install shelterscape anew")
    import rasterio

    yield Finding("GDAL in rasterio", True, str(rasterio.gdal_version()))


def _proj() -> Iterator[Finding]:
    for name in STRAY_SETTINGS:
        folder = os.environ.get(name)
        if folder:
            yield Finding(
                name,
                False,
                f"is set to {folder}; a foreign folder makes rasterio and pyproj disagree or fail: "
                f"clear it before running (unset {name})",
            )
        else:
            yield Finding(name, True, "not set, as it should be")
    try:
        from pyproj import CRS
        from rasterio.crs import CRS as RasterCRS

        agree = CRS.from_wkt(RasterCRS.from_epsg(25832).to_wkt()).to_epsg() == 25832
        yield Finding("coordinate systems", agree, "rasterio and pyproj agree on EPSG:25832")
    except Exception as error:
        yield Finding("coordinate systems", False, f"could not be read: {error}")


def _richdem() -> Iterator[Finding]:
    # Both distributions install the same import name over each other.
    there = []
    for name in ("richdem", "richdem2"):
        try:
            there.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            continue
    if len(there) == 2:
        text = f"{' and '.join(there)} overwrite each other; remove richdem, keep richdem2"
        yield Finding("one richdem", False, text)
    else:
        yield Finding("one richdem", bool(there), ", ".join(there) or "richdem2 is missing")


def _write_access() -> Iterator[Finding]:
    from shelterscape.kernels import cache_folder

    places = {
        "working folder": Path.cwd(),
        "temporary folder": Path(tempfile.gettempdir()),
        "compiled kernels": cache_folder(),
    }
    for name, folder in places.items():
        try:
            with tempfile.TemporaryFile(dir=folder):
                pass
            yield Finding(name, True, f"{folder} can be written to")
        except OSError as error:
            yield Finding(name, False, f"{folder} cannot be written to: {error.strerror}")


def _check_setup(as_json: bool) -> None:
    found = findings()
    if as_json:
        click.echo(json.dumps({"findings": [f._asdict() for f in found]}, indent=1))
    else:
        for one in found:
            click.echo(f"{'ok  ' if one.ok else 'LOOK'} {one.name}: {one.text}")
    if not all(one.ok for one in found):
        raise click.exceptions.Exit(1)


check_setup_command = click.Command(
    "check-setup",
    callback=_check_setup,
    params=[click.Option(["--json", "as_json"], is_flag=True, help="As JSON.")],
    help="Look over this machine: versions, stray settings, write access.",
)
