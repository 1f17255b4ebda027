"""What a run reports while it works, and how it is asked to stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from shelterscape.errors import Notice, Stopped
from shelterscape.kernels.cache_folder import cache_notice

Tell = Callable[[dict[str, Any]], None]
"""Takes events as dictionaries, each with a key ``event``."""


def tell_nobody(event: dict[str, Any]) -> None:
    """A listener that ignores every event."""


def never() -> int:
    """A stop question that is always answered no."""
    return 0


def machine_notices() -> list[Notice]:
    """What a person should know about this machine; no result follows from it.

    It is complete once the kernels a run uses have been imported.
    """
    text = cache_notice()
    return [Notice("cache-unused", text)] if text else []


class Monitor:
    """Reports progress and notices of one step, and raises when somebody asks for a stop.

    Parameters
    ----------
    tell : callable
    cancelled : callable
        Returns 0, or the number of the signal that asks the run to stop.
    part : tuple of float
        Share of the whole run at which this step begins and ends.
    """

    def __init__(
        self,
        tell: Tell = tell_nobody,
        cancelled: Callable[[], int] = never,
        part: tuple[float, float] = (0.0, 1.0),
    ) -> None:
        self._tell, self._cancelled, self.part = tell, cancelled, part
        self.notices: list[Notice] = []

    def check_stop(self) -> None:
        """Raise `Stopped` when it was requested."""
        if signal_number := self._cancelled():
            raise Stopped(signal_number)

    def progress(self, share: float, text: str) -> None:
        """Report how much of the step is done, 0 to 1, and what comes next; stop when asked."""
        self.check_stop()
        begin, end = self.part
        overall = begin + (end - begin) * min(max(share, 0.0), 1.0)
        self._tell({"event": "progress", "share": round(overall, 4), "text": text})

    def notice(self, notice: Notice) -> None:
        """Record and show what a person should know, once; stop when asked."""
        self.check_stop()
        if notice not in self.notices:
            self.notices.append(notice)
            self._tell({"event": "notice", **notice.fields()})
