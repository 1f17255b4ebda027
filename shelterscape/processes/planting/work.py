"""The stages of `planting`: layout, plant order, bill, tasks."""

from __future__ import annotations

import pandas as pd

from shelterscape.process.stages import Progress, Work
from shelterscape.processes.planting import layers as parts
from shelterscape.processes.planting.handover import set_out
from shelterscape.processes.planting.layers import PlantingResults
from shelterscape.processes.planting.loading import PlantingData, load, work_bytes
from shelterscape.processes.planting.sheltered import target_table
from shelterscape.processes.planting.suited import suitability
from shelterscape.processes.planting.summary import summarise
from shelterscape.science.planting.layout import layout
from shelterscape.science.planting.order import (
    bill_of_quantities,
    holding_totals,
    plant_order,
    plant_totals,
)

__all__ = ["compute", "load", "summarise", "work_bytes"]


def compute(data: PlantingData) -> Work[PlantingResults]:
    """Place the plants, then count them."""
    designs, belts = data.designs.designs, data.belts
    yield Progress(0.0, "rows and fences")
    plan = layout(belts, designs, data.site, seed=data.params.seed)
    yield Progress(0.7, "plant order")
    order = plant_order(plan, belts, designs)
    bill = bill_of_quantities(order, plan, belts, designs, data.designs.currency)
    tables = {
        "plant_order": order,
        "plant_totals": plant_totals(order),
        "bill_of_quantities": parts.named_items(bill),
        "holding_totals": holding_totals(order, bill, belts, data.designs.currency),
        "task_calendar": parts.tasks(data),
    }
    yield Progress(0.8, "what the designs will do")
    tables["design_costs"] = parts.costs(data)
    tables["design_growth"] = parts.design_growth(data)
    tables["design_profile"] = parts.design_profile(data)
    tables["planting_warnings"] = warned = parts.planting_warnings(data, plan)
    tables["species_suitability"] = suitability(data)
    yield Progress(0.9, "places by year")
    if (places := target_table(data)) is not None:
        tables["places_by_year"] = places
    layers = {
        "planned_belts": parts.planned_belts(data, plan, bill, warned),
        "planting_rows": parts.planting_rows(data, plan),
        "fences": parts.fences(data, plan),
    }
    tables |= {name: parts.with_parcels(data, tables[name]) for name in parts.BY_BELT}
    if data.params.handover:
        points = set_out(data, plan)
        layers["set_out_points"] = points
        tables["set_out_list"] = pd.DataFrame(points.drop(columns="geometry"))
    return PlantingResults(layers=layers, tables=tables, data=data)
