"""The description of a process: its inputs, its outputs, and the module of its functions.

The Python call, the command, the plan step, the batch task, the published description and the
docs page are all generated from a `Process`. Nothing here imports numpy, pandas or drawing, so that
commands without a calculation start at once.
"""

from __future__ import annotations

from dataclasses import dataclass

from shelterscape.process.inputs import Inputs
from shelterscape.process.outputs import (
    Figure,
    Layer,
    Output,
    Picture,
    Raster,
    Table,
    Waypoints,
    Workbook,
)

__all__ = [
    "PICTURE_CAUTION",
    "Figure",
    "Inputs",
    "Layer",
    "Output",
    "Picture",
    "Process",
    "Raster",
    "Table",
    "Waypoints",
    "Workbook",
]

SCREENING = (
    "A screening tool: it ranks ground and belts for closer examination. It does not replace a "
    "visit or the judgement of a qualified forester or arboriculturist."
)
"""Caution of every process."""

PICTURE_CAUTION = (
    "Screening only: consult a qualified forester; near roads, lines and buildings follow the "
    "local code. All cautions: summary.txt."
)
"""The one line of caution below a picture."""


@dataclass(frozen=True)
class Process:
    """One calculation: reads files, writes files.

    Parameters
    ----------
    id : str
        One or two plain nouns, lower case, with hyphens.
    version : str
        Changed whenever the same inputs give other results.
    title : str
        Title, in a few words.
    summary : str
        Summary, in one or two sentences.
    inputs : type of Inputs
    outputs : tuple of Output
        All files it may write.
    cautions : tuple of str
        What a user must know before relying on it, besides `SCREENING`; most important first.
    sources : tuple of str
        Published works that its numbers are based on, each with its status.
    work : str
        Module of its functions, see `shelterscape.process.stages`.
    figures : tuple of Figure
        What it reports for each holding of a batch.
    open_first : tuple of str
        Files of its outputs; the first of them that is written is the one to open first.
    """

    id: str
    version: str
    title: str
    summary: str
    inputs: type[Inputs]
    outputs: tuple[Output, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    work: str
    figures: tuple[Figure, ...] = ()
    open_first: tuple[str, ...] = ()

    @property
    def all_cautions(self) -> tuple[str, ...]:
        """`SCREENING` and its own cautions."""
        return (SCREENING, *self.cautions)

    @property
    def main_caution(self) -> str:
        """The caution that matters most."""
        return (*self.cautions, SCREENING)[0]

    @property
    def function_name(self) -> str:
        """Name of its Python function."""
        return self.id.replace("-", "_")
