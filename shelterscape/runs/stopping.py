"""Signals that request a stop: Ctrl-C, a termination signal, a closed terminal.

A signal is noted, and work ends the next time it checks. Where it does not check for a second, it
is interrupted, except while it replaces or removes folders.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

SIGNALS = tuple(
    number
    for name in ("SIGINT", "SIGTERM", "SIGHUP")
    if (number := getattr(signal, name, None)) is not None
)
"""Signals that request a stop; Windows has no SIGHUP."""

PATIENCE_S = 1.0
"""How long work may take to check for a stop before it is interrupted, s."""

_sections = 0


@contextlib.contextmanager
def uninterrupted() -> Iterator[None]:
    """A section in which a stop is noted but interrupts nothing; also a decorator.

    Used where an interruption would leave a hidden folder, or half of a change.
    """
    global _sections
    _sections += 1
    try:
        yield
    finally:
        _sections -= 1


class StopRequest:
    """Notes signals that request a stop, for work to read between its pieces.

    Calling it returns 0, or the number of the first signal. Entering it takes over the signals in
    the main thread; elsewhere it does nothing. Signals that this process was started to ignore
    (`nohup`, background jobs) remain ignored.

    Parameters
    ----------
    numbers : tuple of int
        Signals to note.
    patience_s : float
        Time after which work that does not check is interrupted by KeyboardInterrupt, s.
    """

    def __init__(self, numbers: tuple[int, ...] = SIGNALS, patience_s: float = PATIENCE_S) -> None:
        self.number = 0
        self._numbers, self._patience_s = numbers, patience_s
        self._before: dict[int, Any] = {}

    def __call__(self) -> int:
        if self.number:
            self._set_timer(0.0)  # work has noticed, and ends by itself
        return self.number

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for number in self._numbers:
                if signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self.note)
            if self._before and hasattr(signal, "SIGALRM"):
                self._before[signal.SIGALRM] = signal.signal(signal.SIGALRM, self._interrupt)
        return self

    def __exit__(self, *_: object) -> None:
        self._set_timer(0.0)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()

    def note(self, number: int, frame: FrameType | None) -> None:
        """Handle a signal. A second one interrupts at once."""
        if self.number:
            self._interrupt(number, frame)
        else:
            self.number = number
            self._set_timer(self._patience_s)

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        if self.number and not _sections:
            raise KeyboardInterrupt

    def _set_timer(self, seconds: float) -> None:
        """Interrupt after some time and then again: libraries may lose an exception."""
        if getattr(signal, "SIGALRM", None) in self._before:
            signal.setitimer(signal.ITIMER_REAL, seconds, min(seconds, 0.5))


class WorkerStop(StopRequest):
    """The same in a worker process, which handles signals for as long as it exists.

    Without work it ends at once. During work it ends as soon as the work has removed its folders,
    so that to its parent it has died, and the work is started again.
    """

    def __init__(self) -> None:
        super().__init__(tuple(n for n in SIGNALS if n != signal.SIGINT))
        self._is_working = False

    @contextlib.contextmanager
    def working(self) -> Iterator[None]:
        """Do a piece of work; the process ends afterwards if it received a signal."""
        self._is_working = True
        try:
            yield
        finally:
            self._is_working = False
            if self.number:
                os._exit(128 + self.number)

    def note(self, number: int, frame: FrameType | None) -> None:
        """Handle a signal."""
        if not self._is_working:
            os._exit(128 + number)
        super().note(number, frame)
