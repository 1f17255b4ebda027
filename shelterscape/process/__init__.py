"""The description of a process: what it needs, what it writes, and where its functions are.

The Python call, the command, the plan step, the batch task, the published description and the
docs page are all made from a `Process`. Nothing here imports numpy, pandas or drawing, so that
commands which compute nothing start at once.
"""

from __future__ import annotations

from dataclasses import dataclass

from shelterscape.process.inputs import Inputs
from shelterscape.process.outputs import Figure, Layer, Output, Picture, Raster, Table

__all__ = ["Figure", "Inputs", "Layer", "Output", "Picture", "Process", "Raster", "Table"]

SCREENING = (
    "A screening tool: it ranks ground and belts for a closer look and replaces neither a visit "
    "nor the judgement of a qualified forester or arboriculturist."
)
"""The caution every process carries."""


@dataclass(frozen=True)
class Process:
    """One job over files.

    Parameters
    ----------
    id : str
        One or two plain nouns, lower case, with hyphens.
    version : str
        Raised when the same inputs would give other results.
    title : str
        What it reports, in a few words.
    summary : str
        What it does, in one or two sentences.
    inputs : type of Inputs
    outputs : tuple of Output
        Everything it writes.
    cautions : tuple of str
        What a user must know before relying on it, besides `SCREENING`.
    sources : tuple of str
        Published works its numbers are based on, each with its status.
    work : str
        Module of its functions, see `shelterscape.process.stages`.
    figures : tuple of Figure
        What it reports for each holding of a batch.
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

    @property
    def all_cautions(self) -> tuple[str, ...]:
        """`SCREENING` and the cautions of its own."""
        return (SCREENING, *self.cautions)

    @property
    def function_name(self) -> str:
        """Its name as a Python function."""
        return self.id.replace("-", "_")
