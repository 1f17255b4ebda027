"""The stages of `trace-belts`: canopy divided, lines traced and measured."""

from __future__ import annotations

from shelterscape.errors import Notice
from shelterscape.process.stages import Progress, Work
from shelterscape.processes.trace_belts.loading import TraceData, load, whole_map, work_bytes
from shelterscape.processes.trace_belts.summary import TraceResults, summarise
from shelterscape.science.canopy import divide
from shelterscape.science.tracing.belts import TraceOptions, trace
from shelterscape.science.tracing.comparison import compare

__all__ = ["compute", "load", "summarise", "whole_map", "work_bytes"]


def compute(data: TraceData) -> Work[TraceResults]:
    """Belts and woods, what is measured along them, and what to check."""
    params = data.params
    yield Progress(0.0, "dividing the canopy into belts, woods and roofs")
    canopy = divide(
        data.height,
        data.grid.cell_m,
        threshold_m=data.threshold_m,
        wood_width_m=params.wood_width_m,
        wood_area_ha=params.wood_area_ha,
        buildings=data.buildings,
    )
    data.check_stop()
    yield Progress(0.4, "tracing and measuring lines")
    options = TraceOptions(
        data.threshold_m,
        params.sample_spacing_m,
        params.least_belt_m,
        params.longest_gap_m,
        params.search_m,
    )
    layers = trace(canopy, data.grid, options, lines=data.hedge_lines, outline=data.outline)
    tables = {}
    if data.surveyed is not None:
        yield Progress(0.9, "comparing with surveyed belts")
        tables["survey_comparison"] = compare(
            data.surveyed, layers["traced_belts"], params.search_m
        )
    return TraceResults(
        layers=layers, tables=tables, notices=_notices(data, canopy.roofs.sum()), data=data
    )


def _notices(data: TraceData, roof_cells: int) -> list[Notice]:
    if not roof_cells:
        return []
    area = roof_cells * data.grid.cell_m**2
    return [Notice("roofs-left-out", f"roofs and buildings of {area:,.0f} m² left out")]
