"""The last steps of a raster, which GDAL does in calls that nothing can interrupt.

Small rasters are finished in this process. Large ones are finished in a child process, which can be
killed: a stop need not wait for it. The child ends with its parent.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import rasterio
import rasterio.shutil
from rasterio._err import CPLE_BaseError
from rasterio.enums import Resampling
from rasterio.errors import RasterioError

APART_BYTES = 32 * 2**20
"""Uncompressed size above which a raster is finished in a child process; about 0.7 s of work."""

CHECK_SECONDS = 0.05
GDAL_FAILED = 9
"""Exit code of a child in which GDAL reported an error."""

_CODE = "import sys; sys.path[:0] = {paths!r}; from shelterscape.files import finishing; " + (
    "finishing.main()"
)
_PARENT_DEATH = 1
"""Number of the option of prctl that sends a signal when the parent ends."""


class ChildError(Exception):
    """An error of GDAL in a child process."""


@dataclass(frozen=True)
class Finish:
    """What is to be done.

    Parameters
    ----------
    part : str
        Intermediate file, closed.
    path : str
        Finished file.
    factors : list of int
        Factors of the overviews.
    resampling : str
        Name of the method of the overviews.
    options : dict
        Creation options of the finished file.
    settings : dict
        GDAL settings.
    overview_settings : dict
        Those while overviews are added.
    """

    part: str
    path: str
    factors: list[int]
    resampling: str
    options: dict[str, Any]
    settings: dict[str, Any]
    overview_settings: dict[str, Any]


def finish(work: Finish, stop_if_requested: Callable[[], None] = lambda: None) -> None:
    """Add overviews to an intermediate file, and copy it to a cloud-optimised GeoTIFF."""
    with rasterio.Env(**work.settings):
        stop_if_requested()
        if work.factors:
            with rasterio.Env(**work.overview_settings), rasterio.open(work.part, "r+") as data:
                data.build_overviews(work.factors, Resampling[work.resampling])
        stop_if_requested()
        rasterio.shutil.copy(
            work.part, work.path, driver="GTiff", copy_src_overviews=True, **work.options
        )


def finish_apart(work: Finish, stop_if_requested: Callable[[], None]) -> None:
    """The same in a child process, or here where there is none.

    Parameters
    ----------
    work : Finish
    stop_if_requested : callable
        Called while the child works; the child is killed if it raises.

    Raises
    ------
    ChildError
    """
    code, found = _child(work, stop_if_requested) if _has_python() else (None, "")
    stop_if_requested()
    if code == GDAL_FAILED:
        raise ChildError(found.strip())
    if code != 0:  # no process or no memory for it, or it was killed
        finish(work, stop_if_requested)


def _has_python() -> bool:
    """Whether this program is an ordinary Python, which can be started again."""
    name = Path(sys.executable or "").name.lower()
    return name.startswith("python") and not getattr(sys, "frozen", False)


def _child(work: Finish, stop_if_requested: Callable[[], None]) -> tuple[int | None, str]:
    """Exit code and errors of a child; None where none could be started."""
    command = [sys.executable, "-c", _CODE.format(paths=sys.path)]
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
        )
    except OSError:
        return None, ""
    try:
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(json.dumps(asdict(work) | {"parent": os.getpid()}) + "\n")  # type: ignore[union-attr]
            process.stdin.flush()  # type: ignore[union-attr]
        while True:
            with contextlib.suppress(subprocess.TimeoutExpired):
                code = process.wait(CHECK_SECONDS)
                return code, process.stderr.read()  # type: ignore[union-attr]
            stop_if_requested()
    finally:
        process.kill()
        process.wait()
        process.stdin.close()  # type: ignore[union-attr]
        process.stderr.close()  # type: ignore[union-attr]


def main() -> None:
    """The child: read what is to be done from standard input, and do it."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):  # they reach all processes of a terminal; the parent decides
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    fields = json.loads(sys.stdin.readline())
    _end_with(fields.pop("parent"))
    try:
        finish(Finish(**fields))
    except (RasterioError, CPLE_BaseError) as error:
        sys.stderr.write(str(error))
        sys.stderr.flush()
        os._exit(GDAL_FAILED)


def _end_with(parent: int) -> None:
    """Have this process end when its parent does."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_PARENT_DEATH, signal.SIGKILL)
        if os.getppid() != parent:  # it has ended already
            os._exit(1)
    threading.Thread(target=_end_without_input, daemon=True).start()


def _end_without_input() -> None:
    # The pipe closes when the parent ends.
    sys.stdin.read()
    os._exit(1)
