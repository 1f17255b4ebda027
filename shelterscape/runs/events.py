"""Progress, notices and stop requests of a run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from shelterscape.errors import Notice, Stopped
from shelterscape.kernels.cache_folder import cache_notice

OnEvent = Callable[[dict[str, Any]], None]
"""Takes events as dictionaries, each with a key ``event``."""


def ignore_event(event: dict[str, Any]) -> None:
    """Ignore an event."""


def never() -> int:
    """Return 0: no stop is requested."""
    return 0


def machine_notices() -> list[Notice]:
    """Notices about this machine; they do not affect results.

    The list is complete once the kernels that a run uses have been imported.
    """
    text = cache_notice()
    return [Notice("cache-unused", text)] if text else []


class Monitor:
    """Reports progress and notices of one step; raises when a stop was requested.

    Parameters
    ----------
    on_event : callable
    cancelled : callable
        Returns 0, or the number of the signal that requests a stop.
    part : tuple of float
        Shares of the whole run at which this step starts and ends.
    """

    def __init__(
        self,
        on_event: OnEvent = ignore_event,
        cancelled: Callable[[], int] = never,
        part: tuple[float, float] = (0.0, 1.0),
    ) -> None:
        self._on_event, self._cancelled, self.part = on_event, cancelled, part
        self.notices: list[Notice] = []

    def check_stop(self) -> None:
        """Raise `Stopped` when a stop was requested."""
        if signal_number := self._cancelled():
            raise Stopped(signal_number)

    def progress(self, share: float, text: str) -> None:
        """Report the finished share of the step, 0 to 1, and what comes next; check for a stop."""
        self.check_stop()
        start, end = self.part
        overall = start + (end - start) * min(max(share, 0.0), 1.0)
        self._on_event({"event": "progress", "share": round(overall, 4), "text": text})

    def notice(self, notice: Notice) -> None:
        """Record and report a notice, once; check for a stop."""
        self.check_stop()
        if notice not in self.notices:
            self.notices.append(notice)
            self._on_event({"event": "notice", **notice.fields()})
