"""Problems of the machine that concern every command: folders, memory, output, early signals."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator

from shelterscape.errors import SetupError, WriteError

_MEMORY_WORDS = (
    "cannot allocate memory", "failed to map segment", "out of memory", "memoryerror",
    "resource temporarily unavailable", "can't start new thread",
)  # fmt: skip
"""Words of the system and of libraries where a library or a thread finds too little memory."""

_COMPILER_FILE = ".numba_config.yaml"
"""File with settings of the compiler, which is read from the working folder."""


def refuse_lost_folder() -> None:
    """Refuse to work in a folder that has been removed.

    Raises
    ------
    SetupError
        ``setup-folder``.
    """
    try:
        os.getcwd()
    except OSError as error:
        raise SetupError(
            "setup-folder",
            "The working folder does not exist any more, or may not be read.",
            value=error.strerror,
            hint="Change to another folder and run the command again.",
        ) from error


def machine_error(error: BaseException) -> SetupError | None:
    """The error for an exception caused by too little memory or a setting; None for others."""
    if _COMPILER_FILE in str(error):
        return SetupError(
            "setup-compiler",
            "The settings of the compiler in the working folder cannot be read.",
            where=_COMPILER_FILE,
            hint=f"Remove {_COMPILER_FILE}, or work in another folder.",
        )
    seen: BaseException | None = error
    while seen is not None:
        words = f"{type(seen).__name__}: {seen}".lower()
        if isinstance(seen, MemoryError) or any(one in words for one in _MEMORY_WORDS):
            return SetupError(
                "setup-memory",
                "The system did not provide the memory that was needed.",
                value=str(seen) or type(seen).__name__,
                hint="Raise the limit on memory (ulimit -v), close other programs, or reduce the "
                "work: clip the terrain model, or use coarser cells.",
            )
        seen = seen.__cause__ or seen.__context__
    return None


def unreported(error: OSError) -> WriteError:
    """The error for progress and results that cannot be written to standard output."""
    return WriteError(
        "report-unwritable",
        "Standard output cannot be written to.",
        where="standard output",
        value=error.strerror or str(error),
        hint="Send it to a file on a disk with free space, or to a program that reads it.",
    )


@contextlib.contextmanager
def ended_by_interrupt() -> Iterator[None]:
    """A section that Ctrl-C ends at once, without a traceback: nothing is written in it.

    Libraries turn a KeyboardInterrupt during their import into errors of other kinds.
    """
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield
        return
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
