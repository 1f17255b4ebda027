"""Errors and notices, each with what a person needs to correct the cause.

Every error carries a ``code`` that stays the same between releases, so that programs need not
read message text. Libraries raise; only the front doors (command line, batch) catch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

CODES: dict[str, str] = {
    "areas-needed": "a layer that must hold polygons holds lines or points",
    "belts-no-height": "a belt has no height",
    "belts-no-length": "a belt has no length",
    "belts-points": "belts are given as points, which have no length",
    "canopy-cells": "cells of a raster are too large to show hedges",
    "canopy-offset": "open ground has a canopy height well above 0",
    "canopy-range": "a raster holds numbers that are not canopy heights above ground",
    "cluster-missing": "no cluster of workers can be reached",
    "cluster-threads": "a worker of a cluster would run several holdings at once",
    "column-bad": "a column holds values outside its range or of the wrong type",
    "column-missing": "a layer or table has no column of a required name",
    "crs-geographic": "a terrain model is in degrees",
    "crs-local": "a coordinate system is not that of a map",
    "crs-mirrored": "the axes of a coordinate system mirror the map",
    "crs-missing": "a data set does not state its coordinate system",
    "crs-outside": "a data set is outside the area of its coordinate system",
    "crs-scale": "lengths or areas in a coordinate system differ too much from those on the ground",
    "crs-unit": "a coordinate system has another unit than metres",
    "designs-bad": "a file of belt designs is not valid",
    "disk-short": "the disk has less free space than the results need",
    "elevation-range": "a terrain model holds numbers that are not elevations of land",
    "elevation-unit": "elevations have another unit than metres",
    "file-missing": "a file does not exist",
    "file-unreadable": "a file could not be read as the expected kind of data",
    "grants-too-many": "more incompatible grant schemes are given than can be compared",
    "holding-bad": "a holding has no ground",
    "input-changed": "an input file changed or was removed while it was in use",
    "input-refused": "an input is not valid",
    "internal": "internal error; please report it",
    "layer-ambiguous": "a file holds several layers and none was named",
    "layer-empty": "a layer holds no usable features",
    "layer-missing": "a file does not hold the named layer",
    "layer-outside": "no feature of a layer is on the terrain model",
    "memory-short": "the work needs more memory than is allowed",
    "models-differ": "a surface and a ground model differ in unit, height, position or date",
    "name-unknown": "a name is not known",
    "not-local": "a path is not an existing local file",
    "outline-bad": "the outline of a belt in a photograph is not valid",
    "output-busy": "another run is working on the output folder",
    "output-exists": "the output folder already exists",
    "output-protected": "the output folder is one that must never be replaced",
    "output-foreign": "the output folder holds files not created by shelterscape",
    "output-unwritable": "the output could not be written, or could not be read back in full",
    "place-missing": "a terrain model does not state its location",
    "places-no-area": "a place has no area",
    "plan-bad": "a plan file is not valid",
    "raster-empty": "a terrain model holds no usable cell",
    "raster-small": "a terrain model has too few cells",
    "readings-bad": "a table of wind readings is not valid",
    "readings-contradict": "wind readings do not agree with the shelter curve of one belt",
    "readings-few": "there are too few usable wind readings",
    "record-bad": "a weather record or a rose table is not valid",
    "record-short": "a weather record is too short, or misses part of the year",
    "roughness-bad": "a roughness length is out of range, or a land cover has two of them",
    "report-scripts": "the scripts of the report page are not installed",
    "report-unwritable": "standard output cannot be written to",
    "run-unknown": "a folder is not that of a finished run",
    "setup-cache": "this machine has no folder with space for compiled kernels",
    "setup-compiler": "a setting prevents the compilation of kernels",
    "setup-coordinates": "coordinate systems cannot be read on this machine",
    "setup-folder": "the working folder does not exist any more",
    "setup-memory": "the system did not provide the memory that was needed",
    "shared-missing": "results shared by all holdings of a batch are missing or have changed",
    "stopped": "the run was stopped before its end; nothing was changed",
    "surroundings-bad": "the surroundings do not fit the terrain model",
    "survey-bad": "a survey of belts is not valid",
    "terrain-surface": "a terrain model seems to include trees and hedges, not bare ground alone",
    "unit-unknown": "a unit is not stated, or the numbers contradict it",
    "usage": "the command is not valid",
    "water-level-missing": "the level of a lake is not stated",
    "winds-bad": "a wind set is not valid",
    "worker-died": "the process working on a holding ended unexpectedly",
}
"""Every error code with its meaning in one line; the page ``docs/errors.md`` is made from it."""


NOTICES: dict[str, str] = {
    "lines-lost": "candidate lines that must be chosen were excluded entirely",
    "no-lines": "there is no candidate line on a part of the map",
    "sea-suspected": "missing cells at the edge of a terrain model may be sea",
    "not-modelled": "the method is not valid on part of the ground",
    "belt-not-fitted": "the shelter curve of a belt could not be fitted to its readings",
    "photograph-doubtful": "a photograph may give a wrong porosity, or is not joined to a belt",
    "survey-incomplete": "belts are not on the form of a survey",
    "record-partial": "a weather record misses months of the year, or covers them unevenly",
    "station-doubtful": "a weather station is far away or sheltered",
    "rows-left-out": "rows of a weather record were left out; a table lists each reason",
    "clock-changes": "a weather record repeats hours at clock changes",
    "stations-joined": "values of several weather stations were counted together",
    "stations-empty": "stations of a weather record have no wind data",
    "subset-left-out": "a subset of a wind set has too few values, or misses its months",
    "cells-missing": "cells of a terrain model are missing, and the results there too",
    "surroundings-joined": "the land around a terrain model was levelled and joined to it",
    "water-seen": "missing cells of a terrain model count as flat water",
    "features-outside": "features outside the terrain model were left out",
    "work-before-approval": "planned work must wait for the written approval of a grant",
    "screens-gone": "no temporary screen is in place in the year in which lines are compared",
    "value-assumed": "a value was not given and a stated default was used",
    "values-replaced": "values of a layer were replaced by those of a more trusted source",
    "belts-flagged": "chosen belts are too short, end-on to the wind, or open towards it",
    "roofs-left-out": "canopy was recognised as roofs and left out",
    "belts-same-line": "belts with different values are drawn on the same line",
    "agreements-over": "grant agreements that end before the start year were left out",
    "grant-areas-missed": "no belt touches any area of a grant layer",
    "species-unknown": "belts name species that are not in the table of species",
    "restorations-left-out": "restorations were left out, since grants are for new planting only",
    "places-left-out": "places with another purpose than the given one were not counted",
    "not-merged": "results of some holdings do not fit those of the others",
    "growth-note": "what to know about projected heights and porosities",
    "features-repaired": "invalid geometries were repaired",
    "features-duplicate": "duplicate features were counted once",
    "features-empty": "features without geometry were left out",
    "dem-resampled": "a terrain model was resampled to square, north-up cells in metres",
    "frequencies-scaled": "frequencies were scaled to sum to 1",
    "areas-merged": "overlapping grant areas of one category were merged",
    "holding-found": "belts without a holding were assigned to the holding they are in",
    "purpose-used": "options that were not given were set from the purpose",
    "near-ground-table": "a packaged table corrects shelter for the height above ground",
    "calm-left-out": "part of the time is calm, without wind to shelter from",
    "bands-ignored": "a raster holds several bands; the first was used",
    "columns-ignored": "columns of a wind set were not used",
    "layer-reprojected": "a layer was reprojected to the coordinate system of the terrain model",
    "map-scale": "lengths or areas on the map differ from those on the ground",
    "convergence": "grid north and true north differ; wind directions were turned accordingly",
    "reader-remark": "the library that reads a file reported a remark",
    "report-left-out": "the page of a run was not written: its scripts are not installed",
    "cache-unused": "compiled kernels are not kept in the usual folder of this machine",
}
"""Every notice code with its meaning in one line, most serious first."""


@dataclass(frozen=True)
class Notice:
    """Information that does not stop the work.

    Parameters
    ----------
    code : str
        One of `NOTICES`.
    text : str
        What was done, with what and where, in one sentence.
    count : int
        Number of features, cells or rows concerned.
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
    """Base of all errors raised on purpose.

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
    hint : str, optional
        What to do, as an instruction.
    """

    exit_code = 1

    def __init__(
        self, code: str, what: str, *, where: str = "", value: Any = None, hint: str = ""
    ) -> None:
        if code not in CODES:
            raise KeyError(f"error code {code!r} is not in errors.CODES")
        self.code, self.what, self.where, self.value, self.hint = code, what, where, value, hint
        super().__init__(str(self))

    def __reduce__(self) -> tuple[Any, ...]:
        # Exceptions with keyword-only fields do not pickle by default; batch workers need it.
        return (_rebuild, (type(self), self.fields()))

    def fields(self) -> dict[str, Any]:
        """The error as plain fields, as the ``error`` event of ``--json`` shows it."""
        plain = isinstance(self.value, (str, int, float, bool, type(None)))
        # JSON has no infinity and no NaN.
        finite = not isinstance(self.value, float) or math.isfinite(self.value)
        value = self.value if plain and finite else str(self.value)
        return {
            "code": self.code,
            "what": self.what,
            "where": self.where,
            "value": value,
            "hint": self.hint,
        }

    def __str__(self) -> str:
        parts = [self.what]
        if self.where:
            parts.append(f"Where: {self.where}.")
        if self.value is not None:
            parts.append(f"Found: {self.value}.")
        if self.hint:
            parts.append(f"What to do: {self.hint}")
        return " ".join(parts)


def _rebuild(kind: type[ShelterscapeError], fields: dict[str, Any]) -> ShelterscapeError:
    code, what = fields.pop("code"), fields.pop("what")
    return kind(code, what, **fields)


class InternalError(ShelterscapeError):
    """An internal error (exit code 1)."""


class SetupError(ShelterscapeError):
    """This machine is not ready for use (exit code 1); nothing was written."""


class UsageError(ShelterscapeError):
    """The command or call is not valid (exit code 2)."""

    exit_code = 2


class InputError(ShelterscapeError, ValueError):
    """An input was refused (exit code 3); nothing was written."""

    exit_code = 3


class WriteError(ShelterscapeError):
    """The output could not be written (exit code 4); existing results are unchanged."""

    exit_code = 4


class Stopped(ShelterscapeError):
    """The run was stopped by Ctrl-C (exit code 130), SIGTERM (143) or a closed terminal (129)."""

    def __init__(self, signal_number: int = 2) -> None:
        super().__init__("stopped", "Stopped; nothing was changed.")
        self.exit_code = 128 + signal_number
        self.signal_number = signal_number

    def __reduce__(self) -> tuple[Any, ...]:
        return (Stopped, (self.signal_number,))
