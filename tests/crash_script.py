"""Kill runs with signal 9 before each of their disk operations; started by test_crashes.

python crash_script.py FOLDER PREPARED

For every operation a new folder is prepared as requested, and a run is forked that is killed right
before that operation. The first fork that ends by itself gives the number of operations.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from pathlib import Path

from run_helpers import run_toy

WATCHED = {
    "open",
    "os.mkdir",
    "os.rename",
    "os.remove",
    "os.rmdir",
    "os.truncate",
    "shutil.rmtree",
}
"""Audit events of Python for everything that staging does to files and folders."""


def watch(folder: Path, fatal: int) -> None:
    """Kill this process before the event of the given number that concerns a folder."""
    count = 0

    def hook(event: str, words: tuple[object, ...]) -> None:
        nonlocal count
        if event not in WATCHED or not str(words[0]).startswith(str(folder)):
            return
        count += 1
        if count == fatal:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def prepare(folder: Path, prepared: str) -> Path:
    """Create the state before the run; return the output folder."""
    folder.mkdir()
    out = folder / "out"
    old, new = (folder / f".out.shelterscape-{kind}" for kind in ("old", "new"))
    if prepared != "nothing there":
        run_toy(out, word="before")
    if prepared == "crashed before the swap":
        shutil.copytree(out, new)
        (new / "half.part.tif").write_text("half")
        (new / ".shelterscape-staging").touch()
    if prepared == "crashed within the swap":
        shutil.copytree(out, new)
        out.rename(old)
    if prepared == "crashed after the swap":
        shutil.copytree(out, old)
    return out


def main(base: Path, prepared: str) -> None:
    """Kill a run before each operation in turn, until one survives."""
    fatal = 0
    while True:
        fatal += 1
        folder = base / f"{fatal:03}"
        out = prepare(folder, prepared)
        child = os.fork()
        if child == 0:
            watch(folder, fatal)
            run_toy(out, word="after", overwrite=True)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status):
            sys.stdout.write(f"{fatal} {os.WEXITSTATUS(status)}\n")
            return
        if os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"step {fatal} ended by signal {os.WTERMSIG(status)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
