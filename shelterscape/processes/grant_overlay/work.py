"""The stages of `grant-overlay`: payments by scheme and belt, and reasons for the rest."""

from __future__ import annotations

from shelterscape.process.memory import InputSizes
from shelterscape.process.stages import Progress, Work
from shelterscape.processes.grant_overlay.layers import GrantResults, results_of
from shelterscape.processes.grant_overlay.loading import GrantData, load
from shelterscape.processes.grant_overlay.spec import GrantOverlayInputs
from shelterscape.processes.grant_overlay.summary import summarise
from shelterscape.science import grants

__all__ = ["compute", "load", "summarise", "work_bytes"]


def compute(data: GrantData) -> Work[GrantResults]:
    """Payments, reasons, widening and thresholds."""
    yield Progress(0.0, "intersecting belts with grant areas")
    ground = grants.divide_ground(data.belts, data.areas, data.agreements, data.schemes)
    yield Progress(0.4, "calculating payments")
    paid = grants.payments(ground, data.start_year)
    if data.planned is None:
        return results_of(paid, data)
    ground = grants.divide_ground(data.planned, data.areas, data.agreements, data.schemes)
    return results_of(paid, data, grants.payments(ground, data.start_year))


VERTEX_BYTES = 4000.0
"""Memory per vertex of the layers, bytes; measured: 3600 with 3000 belts and one scheme."""


def work_bytes(params: GrantOverlayInputs, sizes: InputSizes) -> float:
    """Peak memory, bytes: parts of belts by scheme, and their payments."""
    return VERTEX_BYTES * sizes.vertices * (1 + len(params.schemes)) / 2
