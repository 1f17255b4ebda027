"""The family of errors, each with the fields a person needs to mend what went wrong.

Every error carries a ``code`` that never changes between releases. Nobody branches on message
text. Libraries raise; only the front doors (command line, batch) catch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

CODES: dict[str, str] = {
    "areas-needed": "a layer that must hold areas holds lines or points",
    "belts-no-height": "a belt has no height to work with",
    "belts-no-length": "a belt has no length to shelter with",
    "belts-points": "belts are given as points, which have no length to shelter with",
    "cluster-missing": "no cluster of workers can be reached",
    "cluster-threads": "a worker of a cluster would run several holdings at once",
    "column-bad": "a column holds values outside its range or of the wrong kind",
    "column-missing": "a layer or table lacks a column the work needs",
    "crs-geographic": "a terrain model is in degrees",
    "crs-missing": "a data set does not say which coordinate system it is in",
    "crs-unit": "a coordinate system counts in something other than metres",
    "designs-bad": "a file of belt designs breaks a rule",
    "disk-short": "the work needs more room on the disk than there is",
    "elevation-range": "a terrain model holds numbers that are no heights of land",
    "elevation-unit": "terrain heights are in something other than metres",
    "file-missing": "a file is not there",
    "file-unreadable": "a file could not be read as the kind of data it should be",
    "grants-too-many": "more grant schemes bar one another than can be weighed",
    "holding-bad": "a holding has no ground to work on",
    "input-refused": "an input breaks a rule of the description of its process",
    "internal": "the program broke one of its own promises; please report it",
    "layer-ambiguous": "a file holds several layers and none was named",
    "layer-empty": "a layer holds no features to work with",
    "layer-missing": "a file does not hold the layer asked for",
    "layer-outside": "no feature of a layer lies on the terrain model",
    "memory-short": "the work needs more memory than it may use",
    "name-unknown": "a name is not one of those known here",
    "not-local": "a path names something other than an existing local file",
    "output-busy": "another run is working on the output folder",
    "output-exists": "the output folder is already there",
    "output-protected": "a folder that must never be replaced was named as output",
    "output-strangers": "the output folder holds files that no run of ours wrote",
    "output-unwritable": "the output could not be written or did not read back whole",
    "place-missing": "a terrain model does not say where its cells lie",
    "places-no-area": "a place has no area to be sheltered",
    "plan-bad": "a plan file breaks a rule",
    "raster-empty": "a terrain model holds no usable cell",
    "raster-small": "a terrain model has too few cells to work on",
    "roughness-bad": "a roughness length is out of range, or a table of them names one cover twice",
    "setup-cache": "this machine has no folder with room for compiled kernels",
    "setup-coordinates": "coordinate systems cannot be read on this machine",
    "stopped": "the run was stopped before it ended; nothing was changed",
    "terrain-surface": "a terrain model seems to hold trees and hedges, not the bare ground",
    "shared-missing": "work that all holdings of a batch draw on is not there or was made anew",
    "usage": "the command was not understood",
    "winds-bad": "a wind set breaks a rule",
    "worker-died": "the process that worked on a holding ended in the middle of it",
}
"""Every error code with its meaning in one line; the page ``docs/errors.md`` is made from it."""


NOTICES: dict[str, str] = {
    "agreements-over": "grant agreements that end before the start year were left out",
    "areas-merged": "grant areas of one category that overlap were merged",
    "bands-ignored": "a raster holds several bands; the first was used",
    "belts-same-line": "belts with different figures are drawn on one and the same line",
    "belts-flagged": "belts chosen are too short, end-on to the wind, or open towards it",
    "cache-unused": "compiled kernels are not kept in the usual folder of this machine",
    "calm-left-out": "part of the time there is no wind to shelter from",
    "cells-missing": "cells of a terrain model are missing; results are missing there too",
    "columns-ignored": "columns of a wind set were not made use of",
    "convergence": "grid north and true north differ; wind directions were turned to fit",
    "dem-resampled": "a terrain model was laid out anew on square, north-up cells in metres",
    "features-duplicate": "features told twice were counted once",
    "features-empty": "features without geometry were left out",
    "features-outside": "features off the terrain model were left out",
    "features-repaired": "invalid geometries were repaired",
    "frequencies-scaled": "frequencies were scaled to sum to one",
    "lines-lost": "lines asked for were cut away whole",
    "layer-reprojected": "a layer was brought into the coordinate system of the terrain model",
    "grant-areas-missed": "no belt touches any area of a grant layer",
    "holding-found": "belts that named no holding were given the one they lie in",
    "growth-note": "what to know of heights and porosities told for a year",
    "no-lines": "there is no line to choose from on a part of the map",
    "not-merged": "results of some holdings do not fit those of the others",
    "not-modelled": "the method does not hold on part of the ground",
    "places-left-out": "places of another purpose than the one asked for were not counted",
    "purpose-used": "choices left open were filled from the purpose",
    "reader-remark": "the library that reads a file remarked on something in it",
    "species-unknown": "belts name species that the table of species does not hold",
    "value-assumed": "a value was not given and a stated default was used",
}
"""Every notice code with its meaning in one line."""


@dataclass(frozen=True)
class Notice:
    """Something a person should know that does not stop the work.

    Parameters
    ----------
    code : str
        One of `NOTICES`.
    text : str
        What was done, in one sentence, with what and where.
    count : int
        How many features, cells or rows it concerns.
    """

    code: str
    text: str
    count: int = 1

    def __post_init__(self) -> None:
        if self.code not in NOTICES:
            raise KeyError(f"notice code {self.code!r} is not in errors.NOTICES")

    def fields(self) -> dict[str, Any]:
        """The notice as plain fields, for the record and the ``notice`` event."""
        return {"code": self.code, "text": self.text, "count": self.count}


class ShelterscapeError(Exception):
    """Base of all errors this package raises on purpose.

    Parameters
    ----------
    code : str
        One of `CODES`.
    what : str
        What is wrong, in one sentence.
    where : str, optional
        The file, layer, row, column or option concerned.
    value : object, optional
        The offending value.
    mend : str, optional
        What to do about it.
    """

    exit_code = 1

    def __init__(
        self, code: str, what: str, *, where: str = "", value: Any = None, mend: str = ""
    ) -> None:
        if code not in CODES:
            raise KeyError(f"error code {code!r} is not in errors.CODES")
        self.code, self.what, self.where, self.value, self.mend = code, what, where, value, mend
        super().__init__(str(self))

    def __reduce__(self) -> tuple[Any, ...]:
        # Exceptions with keyword-only fields do not pickle by default; batch workers need it.
        return (_rebuild, (type(self), self.fields()))

    def fields(self) -> dict[str, Any]:
        """The error as plain fields, as the ``error`` event of ``--json`` shows it."""
        plain = isinstance(self.value, (str, int, float, bool, type(None)))
        # JSON has no word for infinity, nor for what is no number.
        finite = not isinstance(self.value, float) or math.isfinite(self.value)
        value = self.value if plain and finite else str(self.value)
        return {
            "code": self.code,
            "what": self.what,
            "where": self.where,
            "value": value,
            "mend": self.mend,
        }

    def __str__(self) -> str:
        parts = [self.what]
        if self.where:
            parts.append(f"Where: {self.where}.")
        if self.value is not None:
            parts.append(f"Found: {self.value}.")
        if self.mend:
            parts.append(f"To mend it: {self.mend}")
        return " ".join(parts)


def _rebuild(kind: type[ShelterscapeError], fields: dict[str, Any]) -> ShelterscapeError:
    code, what = fields.pop("code"), fields.pop("what")
    return kind(code, what, **fields)


class InternalError(ShelterscapeError):
    """The program broke one of its own promises (exit code 1)."""


class SetupError(ShelterscapeError):
    """The machine is not in a state to work (exit code 1); nothing was written."""


class UsageError(ShelterscapeError):
    """The call itself was not understood (exit code 2)."""

    exit_code = 2


class InputError(ShelterscapeError, ValueError):
    """An input was refused (exit code 3); nothing was written."""

    exit_code = 3


class WriteError(ShelterscapeError):
    """The output could not be written (exit code 4); what stood there is untouched."""

    exit_code = 4


class Stopped(ShelterscapeError):
    """The run was asked to stop (exit code 130 for Ctrl-C, 143 for a termination signal)."""

    def __init__(self, signal_number: int = 2) -> None:
        super().__init__("stopped", "Stopped as asked; nothing was changed.")
        self.exit_code = 128 + signal_number
        self.signal_number = signal_number

    def __reduce__(self) -> tuple[Any, ...]:
        return (Stopped, (self.signal_number,))
