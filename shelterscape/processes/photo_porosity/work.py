"""The stages of `photo-porosity`: each photograph, then each belt."""

from __future__ import annotations

from shelterscape.errors import Notice
from shelterscape.process.stages import Progress, Work
from shelterscape.processes.photo_porosity.layers import PhotographResults, tables_of
from shelterscape.processes.photo_porosity.loading import PhotographData, load, work_bytes
from shelterscape.processes.photo_porosity.summary import summarise
from shelterscape.science.photographs import assess

__all__ = ["compute", "load", "summarise", "work_bytes"]


def compute(data: PhotographData) -> Work[PhotographResults]:
    """Porosity in every photograph, and of every belt."""
    found = []
    for i, (shot, rgb) in enumerate(data.photographs()):
        yield Progress(i / len(data.shots), f"photograph {shot.file}")
        found.append((shot, assess(rgb, shot.outline)))
    notices = [
        Notice("photograph-doubtful", f"{shot.file}: {text}")
        for shot, result in found
        for text in result.faults
    ]
    return PhotographResults(tables=tables_of(found), notices=notices, found=found)
