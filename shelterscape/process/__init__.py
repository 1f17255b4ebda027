"""The smallest shape of a process: what it asks for, what it writes, and one function between.

The Python call, the command, the plan step, the batch task, the published description and the
docs page are all made from a `Process`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from shelterscape.process.disk import Space, usual_space
from shelterscape.process.inputs import Inputs
from shelterscape.process.memory import Sizes, usual_bytes
from shelterscape.process.outputs import Layer, Output, Picture, Raster, Table
from shelterscape.process.reading import Files
from shelterscape.process.run import Run

__all__ = ["Files", "Inputs", "Layer", "Output", "Picture", "Process", "Raster", "Run", "Table"]

SCREENING = (
    "A screening tool: it ranks ground and belts for a closer look and replaces neither a visit "
    "nor the judgement of a licensed practitioner."
)
"""The caution every process carries."""


USUAL_MARGIN_M = 2000.0
"""Margin around a part of the map for processes that do not tell theirs (engineering choice)."""


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
        What it tells, in a few words.
    summary : str
        What it does, in one or two sentences.
    inputs : type of Inputs
        What it asks for.
    outputs : tuple of Output
        Everything it writes.
    cautions : tuple of str
        What a user must know before relying on it, besides `SCREENING`.
    sources : tuple of str
        Published works its numbers rest on, each with its status.
    compute : callable
        ``(asked, files, run) -> None``: read, check, compute, write.
    prepare : callable, optional
        ``(asked, files, run) -> float``: does once, over the whole map, what every part of it draws
        on, and answers how wide a margin (m) results on a part need. A process without one gets
        `USUAL_MARGIN_M`.
    memory : callable
        ``(asked, sizes) -> bytes`` it holds at most, the libraries and the reading of the terrain
        model apart; between the truth and twice the truth.
    disk : callable
        ``(asked, sizes) -> Space``: rasters, layers and tables it leaves on the disk at most, in
        bytes; pictures and the record apart.
    """

    id: str
    version: str
    title: str
    summary: str
    inputs: type[Inputs]
    outputs: tuple[Output, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    compute: Callable[[Any, Files, Run], None]
    memory: Callable[[Any, Sizes], float] = usual_bytes
    prepare: Callable[[Any, Files, Run], float] | None = None
    disk: Callable[[Any, Sizes], Space] = usual_space

    @property
    def all_cautions(self) -> tuple[str, ...]:
        """`SCREENING` and the cautions of its own."""
        return (SCREENING, *self.cautions)

    @property
    def function_name(self) -> str:
        """Its name as a Python function."""
        return self.id.replace("-", "_")
