"""The command that checks this machine: versions, conflicting settings, write access."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import json
import math
import os
import platform
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import click

from shelterscape import __version__
from shelterscape.address_space import MIB, refuse_too_little, usable_bytes
from shelterscape.errors import SetupError, ShelterscapeError

LIBRARIES = (
    "numpy", "scipy", "numba", "pandas", "geopandas", "shapely", "pyproj", "rasterio", "fiona",
    "pyogrio", "richdem2", "exactextract", "pydantic", "click", "rich", "jinja2", "matplotlib",
    "pillow", "scikit-image", "XlsxWriter",
)  # fmt: skip


class Finding(NamedTuple):
    """The result of one check."""

    name: str
    ok: bool
    text: str


def findings() -> list[Finding]:
    """Run all checks; nothing is changed."""
    room = _address_space()
    if not room.ok:  # libraries could wait for ever
        return [room]
    return [room, *_versions(), *_proj(), *_richdem(), *_write_access()]


def _address_space() -> Finding:
    try:
        refuse_too_little()
    except SetupError as error:
        return Finding("address space", False, str(error))
    usable = usable_bytes()
    room = "no limit" if usable == math.inf else f"room for {usable / MIB:,.0f} MiB of memory"
    return Finding("address space", True, f"has {room}")


def _versions() -> Iterator[Finding]:
    yield Finding("shelterscape", True, f"{__version__} on Python {platform.python_version()}")
    for name in LIBRARIES:
        try:
            yield Finding(name, True, importlib.metadata.version(name))
        except importlib.metadata.PackageNotFoundError:
            yield Finding(name, False, "is not installed; install shelterscape again")
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
                f"is set to {folder}; data of another program can make rasterio and pyproj fail "
                f"or disagree: clear it before running (unset {name})",
            )
        else:
            yield Finding(name, True, "is not set, as required")
    fault = coordinate_fault()
    text = f"could not be read: {fault}" if fault else "rasterio and pyproj agree on EPSG:25832"
    yield Finding("coordinate systems", not fault, text)


def _richdem() -> Iterator[Finding]:
    # Both distributions install the same package name, one over the other.
    installed = []
    for name in ("richdem", "richdem2"):
        try:
            installed.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            continue
    text = ", ".join(installed)
    if len(installed) == 2:
        text = f"{' and '.join(installed)} overwrite each other; remove richdem, keep richdem2"
    elif not installed:
        text = "richdem2 is missing; install shelterscape again"
    elif not installed[0].startswith("richdem2"):
        text = f"{installed[0]} takes the place of richdem2; remove it and reinstall shelterscape"
    elif other := _other_richdem():
        text = f"{other} is imported instead of {installed[0]}; rename it or move it away"
    else:
        yield Finding("one richdem", True, text)
        return
    yield Finding("one richdem", False, text)


def _other_richdem() -> str:
    """A module of the same name that is not part of richdem2; empty if there is none."""
    spec = importlib.util.find_spec("richdem")
    if spec is None or not spec.origin:
        return "a folder without code" if spec else "nothing"
    files = importlib.metadata.files("richdem2") or ()
    own = {Path(str(f.locate())).resolve() for f in files if f.name == "__init__.py"}
    origin = Path(spec.origin).resolve()
    return "" if origin in own else str(origin)


def _write_access() -> Iterator[Finding]:
    home = os.path.expanduser("~")
    text = home if os.path.isdir(home) else f"{home} does not exist; results do not depend on it"
    yield Finding("home folder", True, text)
    yield from _unused_tmpdir()
    for name, find in _FOLDERS.items():
        folder = "this folder"
        try:
            folder = str(find())
            with tempfile.TemporaryFile(dir=folder) as stream:
                # A full disk accepts new names but no content.
                stream.write(bytes(TEST_BYTES))
                stream.flush()
            notice = _NOTICES.get(name, str)()
            yield Finding(name, not notice, notice or f"{folder} can be written to")
        except ShelterscapeError as error:
            yield Finding(name, False, str(error))
        except OSError as error:
            text = f"{folder} cannot be written to: {error.strerror}; free some space"
            if name in _SET_BY:
                text = f"{text}, or set {_SET_BY[name]} to another folder"
            yield Finding(name, False, text)


def _unused_tmpdir() -> Iterator[Finding]:
    """A temporary folder that is set but that Python does not use."""
    named = os.environ.get("TMPDIR")
    try:
        used = tempfile.gettempdir()
    except OSError:  # reported by the write test
        return
    if named and os.path.realpath(named) != os.path.realpath(used):
        text = f"is {named}, which is full, protected or missing; {used} is used instead"
        yield Finding("TMPDIR", False, text)


def _kernel_folder() -> Path:
    from shelterscape.kernels.cache_folder import cache_folder

    return cache_folder()


def _kernel_notice() -> str:
    from shelterscape.kernels.cache_folder import cache_notice

    return cache_notice()


TEST_BYTES = 2**20
_FOLDERS: dict[str, Callable[[], str | Path]] = {
    "working folder": Path.cwd,
    "temporary folder": tempfile.gettempdir,
    "compiled kernels": _kernel_folder,
}
_NOTICES: dict[str, Callable[[], str]] = {"compiled kernels": _kernel_notice}
_SET_BY = {"temporary folder": "TMPDIR", "compiled kernels": "XDG_CACHE_HOME"}


def warm() -> Iterator[Finding]:
    """Compile kernels in two processes; each adds its code to the cache."""
    from shelterscape.batch.local import LocalPool
    from shelterscape.science.warm import compile_all

    started = time.perf_counter()
    # Workers of a batch: they end with this process.
    with LocalPool(2) as workers:
        names = [future.result() for future in compile_all(workers.executor())]
    seconds = time.perf_counter() - started
    text = f"{', '.join(names)}, in {seconds:.0f} s" if names else "all were compiled already"
    yield Finding("kernels compiled", True, text)


def _check_setup(as_json: bool, compile_now: bool) -> None:
    found = [*findings(), *(warm() if compile_now else ())]
    if as_json:
        click.echo(json.dumps({"findings": [f._asdict() for f in found]}, indent=1))
    else:
        for one in found:
            click.echo(f"{'ok  ' if one.ok else 'FAIL'} {one.name}: {one.text}")
    if not all(one.ok for one in found):
        raise click.exceptions.Exit(1)


check_setup_command = click.Command(
    "check-setup",
    callback=_check_setup,
    params=[
        click.Option(["--json", "as_json"], is_flag=True, help="Print JSON."),
        click.Option(
            ["--warm", "compile_now"],
            is_flag=True,
            help="Compile all kernels now, so that the first run starts at once.",
        ),
    ],
    help="Check this machine: versions, conflicting settings, write access.",
)
