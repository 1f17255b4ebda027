"""Runs that are killed with -9 before each thing they do to the disk; started by test_crashes.

python crash_script.py FOLDER SCENE

For every step there is, a folder of its own is laid out as the scene says, a run is forked into it
and killed right before that step. How many steps there are is told by the first fork that ends.
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
"""Audit events of Python's own for all that staging does to files and folders."""


def watch(folder: Path, fatal: int) -> None:
    """Die before the event of that number that touches a folder."""
    count = 0

    def hook(event: str, words: tuple[object, ...]) -> None:
        nonlocal count
        if event not in WATCHED or not str(words[0]).startswith(str(folder)):
            return
        count += 1
        if count == fatal:
            os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hook)


def lay_out(folder: Path, scene: str) -> Path:
    """What the run finds; the folder it is to write into."""
    folder.mkdir()
    out = folder / "out"
    old, new = (folder / f".out.shelterscape-{kind}" for kind in ("old", "new"))
    if scene != "nothing there":
        run_toy(out, word="before")
    if scene == "crashed before the swap":
        shutil.copytree(out, new)
        (new / "half.part.tif").write_text("half")
    if scene == "crashed within the swap":
        shutil.copytree(out, new)
        out.rename(old)
    if scene == "crashed after the swap":
        shutil.copytree(out, old)
    return out


def main(base: Path, scene: str) -> None:
    """Kill a run at step after step, until one lives."""
    fatal = 0
    while True:
        fatal += 1
        folder = base / f"{fatal:03}"
        out = lay_out(folder, scene)
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
