"""The stages of `side-effects`: one effect after the other."""

from __future__ import annotations

import numpy as np

from shelterscape.process import Layer
from shelterscape.process.stages import Block, Progress, Work
from shelterscape.processes.side_effects import layers as parts
from shelterscape.processes.side_effects.layers import SideEffectsResults
from shelterscape.processes.side_effects.loading import SideEffectsData, load, work_bytes
from shelterscape.processes.side_effects.spec import OUTPUTS
from shelterscape.processes.side_effects.summary import summarise
from shelterscape.science.landform import flow_over, slope_deg
from shelterscape.science.side_effects.runoff import intercepted
from shelterscape.science.side_effects.slope import slope_class, steepest_under

__all__ = ["compute", "load", "summarise", "work_bytes"]


def compute(data: SideEffectsData) -> Work[SideEffectsResults]:
    """Examine every side effect whose layers are given."""
    yield Progress(0.0, "slope")
    slope = slope_deg(data.elevation, data.grid)
    shown = np.where(data.known, slope, np.float32(np.nan))
    yield Block("slope_deg", 0, shown)
    yield Block("slope_class", 0, slope_class(shown))
    yield Progress(0.1, "runoff")
    runoff = intercepted(data.belts, flow_over(data.elevation, data.grid), data.grid)
    yield Block("runoff_share", 0, np.where(data.known, runoff.share, np.float32(np.nan)))
    found = {}
    if data.parcels is not None:
        found["field_runoff"] = parts.field_runoff(data, runoff.share)
    yield Progress(0.5, "cold air")
    found |= parts.cold_air(data)
    if "road" in data.objects:
        if data.snow_wind is not None:
            yield Progress(0.6, "snow drift on roads")
            found["snow_drift"] = parts.snow_drift(data)
        yield Progress(0.7, "winter shade on roads")
        found["road_shade"] = parts.shade(data)
        found["sight_areas"] = parts.sight(data)
    yield Progress(0.9, "objects near belts")
    found["fall_strips"] = parts.fall_strips(data)
    objects = parts.nearby_objects(data)
    belts_of = parts.belts_concerned(found, objects)
    steepest = steepest_under(data.belts, slope, data.grid)
    found["belts_examined"] = parts.belts_examined(data, steepest, runoff.upslope_ha, belts_of)
    tables = {"nearby_objects": objects, "effects_checked": parts.effects_checked(data, belts_of)}
    # Science returns more columns than users need.
    written = {o.name: [*o.columns, "geometry"] for o in OUTPUTS if isinstance(o, Layer)}
    layers = {name: parts.with_parcels(data, f)[written[name]] for name, f in found.items()}
    tables["nearby_objects"] = parts.with_parcels(data, objects)
    return SideEffectsResults(layers=layers, tables=tables, data=data, belts_of=belts_of)
