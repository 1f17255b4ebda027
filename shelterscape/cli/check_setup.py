"""A command that looks over the machine: versions, stray settings, write access."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import multiprocessing
import os
import platform
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import click

from shelterscape import __version__
from shelterscape.errors import ShelterscapeError

LIBRARIES = (
    "numpy", "scipy", "numba", "pandas", "geopandas", "shapely", "pyproj", "rasterio", "fiona",
    "pyogrio", "richdem2", "exactextract", "pydantic", "click", "rich", "jinja2", "matplotlib",
    "pillow",
)  # fmt: skip


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
    from shelterscape.files.libraries import STRAY_SETTINGS, coordinate_fault

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
    fault = coordinate_fault()
    text = f"could not be read: {fault}" if fault else "rasterio and pyproj agree on EPSG:25832"
    yield Finding("coordinate systems", not fault, text)


def _richdem() -> Iterator[Finding]:
    # Both distributions install the same import name over each other.
    there = []
    for name in ("richdem", "richdem2"):
        try:
            there.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            continue
    text = ", ".join(there)
    if len(there) == 2:
        text = f"{' and '.join(there)} overwrite each other; remove richdem, keep richdem2"
    elif not there:
        text = "richdem2 is missing; install shelterscape anew"
    elif not there[0].startswith("richdem2"):
        text = f"{there[0]} stands in for richdem2; remove it and install shelterscape anew"
    elif other := _other_richdem():
        text = f"{other} is found in place of {there[0]}; rename it or move it away"
    else:
        yield Finding("one richdem", True, text)
        return
    yield Finding("one richdem", False, text)


def _other_richdem() -> str:
    """A file or folder that goes by the name and is none of richdem2's; empty for none."""
    spec = importlib.util.find_spec("richdem")
    if spec is None or not spec.origin:
        return "a folder without code" if spec else "nothing"
    files = importlib.metadata.files("richdem2") or ()
    own = {Path(str(f.locate())).resolve() for f in files if f.name == "__init__.py"}
    place = Path(spec.origin).resolve()
    return "" if place in own else str(place)


def _write_access() -> Iterator[Finding]:
    home = os.path.expanduser("~")
    text = home if os.path.isdir(home) else f"{home} is not there; results are not touched by that"
    yield Finding("home folder", True, text)
    yield from _passed_over()
    for name, find in _PLACES.items():
        folder = "this folder"
        try:
            folder = str(find())
            with tempfile.TemporaryFile(dir=folder) as stream:
                # A full disk takes names but no content.
                stream.write(bytes(TRIED_BYTES))
                stream.flush()
            notice = _NOTICES.get(name, str)()
            yield Finding(name, not notice, notice or f"{folder} can be written to")
        except ShelterscapeError as error:
            yield Finding(name, False, str(error))
        except OSError as error:
            text = f"{folder} cannot be written to: {error.strerror}; make room, or name another"
            yield Finding(
                name, False, f"{text} by {_NAMED_BY[name]}" if name in _NAMED_BY else text
            )


def _passed_over() -> Iterator[Finding]:
    """A temporary folder that was named but that Python would not use."""
    named = os.environ.get("TMPDIR")
    try:
        used = tempfile.gettempdir()
    except OSError:  # told below, where the folder is tried
        return
    if named and os.path.realpath(named) != os.path.realpath(used):
        text = f"names {named}, which is full, closed or not there; {used} is used instead"
        yield Finding("TMPDIR", False, text)


def _kernel_folder() -> Path:
    from shelterscape.kernels.cache_folder import cache_folder

    return cache_folder()


def _kernel_notice() -> str:
    from shelterscape.kernels.cache_folder import cache_notice

    return cache_notice()


TRIED_BYTES = 2**20
_PLACES: dict[str, Callable[[], str | Path]] = {
    "working folder": Path.cwd,
    "temporary folder": tempfile.gettempdir,
    "compiled kernels": _kernel_folder,
}
_NOTICES: dict[str, Callable[[], str]] = {"compiled kernels": _kernel_notice}
_NAMED_BY = {"temporary folder": "TMPDIR", "compiled kernels": "XDG_CACHE_HOME"}


def warm() -> Iterator[Finding]:
    """Compile kernels in two processes, each of which puts its code into the cache."""
    from shelterscape.science.warm import compile_all

    begun = time.perf_counter()
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as workers:
        names = [future.result() for future in compile_all(workers)]
    seconds = time.perf_counter() - begun
    text = f"{', '.join(names)}, in {seconds:.0f} s" if names else "all of them already"
    yield Finding("kernels compiled", True, text)


def _check_setup(as_json: bool, compile_now: bool) -> None:
    found = [*findings(), *(warm() if compile_now else ())]
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
    params=[
        click.Option(["--json", "as_json"], is_flag=True, help="As JSON."),
        click.Option(
            ["--warm", "compile_now"],
            is_flag=True,
            help="Compile all kernels now, so that the first run starts at once.",
        ),
    ],
    help="Look over this machine: versions, stray settings, write access.",
)
