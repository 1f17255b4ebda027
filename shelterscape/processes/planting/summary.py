"""Summary of a run of `planting`: answer, pictures and the printed pack."""

from __future__ import annotations

from decimal import Decimal

import pandas as pd

from shelterscape.files.handover_sheets import PrintedSheets, ScaleMap
from shelterscape.process.stages import Summary
from shelterscape.processes.planting.belt_sheets import belt_sheets
from shelterscape.processes.planting.handover import handover_map
from shelterscape.processes.planting.layers import PlantingResults
from shelterscape.processes.planting.pictures import pictures_of
from shelterscape.processes.planting.sheltered import target_answer
from shelterscape.processes.planting.spec import PlantingInputs
from shelterscape.processes.planting.suited import excluded_of_designs
from shelterscape.science.belts import SEASONS
from shelterscape.science.siting.candidates import REFERENCE_AGE


def summarise(results: PlantingResults, params: PlantingInputs) -> Summary:
    """Plants, cost, the first task and what to examine."""
    return Summary(
        question="What is planted on these lines, and what must be ordered?",
        answer=[
            _plants(results),
            *_warned(results),
            *excluded_of_designs(results.tables["species_suitability"]),
            *_species(results),
            *_grown(results),
            *target_answer(results),
            *_fences(results),
            *_first_task(results),
        ],
        certainty=[
            "Counts are exact for the lines drawn; ground, stones and roots change them on site",
            "Costs are the prices of the file of designs times quantities, without tax"
            + _without_price(results.tables["bill_of_quantities"]),
            "Heights and porosities are assumed rules; the error for mixed belts is not known",
        ],
        pictures={**pictures_of(results), **_pack(results)},
    )


def _pack(results: PlantingResults) -> dict[str, ScaleMap | PrintedSheets]:
    """The printed parts of the pack."""
    if not results.data.params.handover or results.data.belts.empty:
        return {}
    return {
        "handover_map": handover_map(results, results.data),
        "planting_sheets": belt_sheets(results, results.data),
    }


def _plants(results: PlantingResults) -> str:
    belts, totals = results.layers["planned_belts"], results.tables["holding_totals"]
    if belts.empty:
        return "There are no belts to plant"
    cost, days = (sum(totals[c], Decimal(0)) for c in ("cost", "person_days"))
    return (
        f"{len(belts)} belts, {belts['length_m'].sum():,.0f} m: {totals['plant_count'].sum():,} "
        f"plants set, {totals['ordered_count'].sum():,} to order with those for losses, "
        f"{days:,.0f} person-days, {cost:,.2f} {results.data.designs.currency}"
    )


def _without_price(bill: pd.DataFrame) -> str:
    """Which items count nothing; empty where every item has a price."""
    items = bill.loc[bill["price"].isna(), "item"].unique()
    return f"; no price, or 0, is stated for {', '.join(items)}" if len(items) else ""


def _warned(results: PlantingResults) -> list[str]:
    """Kinds of warning, most belts first."""
    table, belts = results.tables["planting_warnings"], results.layers["planned_belts"]
    if table.empty:
        return []
    kinds = table["warning"].str.partition(":")[0]
    counts = table.groupby(kinds.where(table["warning"].str.contains(":"), table["warning"]))
    by = counts["belt"].nunique().sort_values(ascending=False, kind="stable")
    shown = "; ".join(f"{kind} ({n})" for kind, n in by.items())
    return [f"Warnings for {table['belt'].nunique()} of {len(belts)} belts: {shown}"]


def _grown(results: PlantingResults) -> list[str]:
    """Height and porosity of each design at 20 years, in the season of the purpose."""
    state, table = SEASONS[results.data.purpose.season], results.tables["design_growth"]
    rows = table[(table["age_years"] == REFERENCE_AGE) & (table["season"] == state)]
    rows = rows.drop_duplicates("design")
    return [
        f"“{row.design}” at {REFERENCE_AGE} years: {row.height_m:.1f} m, porosity "
        f"{row.porosity:.2f} {state}, assumed range {row.porosity_range_low:.2f} to "
        f"{row.porosity_range_high:.2f} ({row.porosity_low:.2f} in the lower half)"
        for row in rows.itertuples()
    ]


def _species(results: PlantingResults) -> list[str]:
    """Plants to order by species, most first."""
    order = results.tables["plant_totals"]
    by = order.groupby("species", sort=False)["ordered_count"].sum()
    by = by.sort_values(ascending=False, kind="stable")
    return [f"To order: {', '.join(f'{n:,} {name}' for name, n in by.items())}"] if len(by) else []


def _fences(results: PlantingResults) -> list[str]:
    fences = results.layers["fences"]
    if fences.empty:
        return []
    return [
        f"Fences: {fences['length_m'].sum():,.0f} m with {fences['strainer_count'].sum():,} "
        f"strainer posts and {fences['gate_count'].sum():,} gates"
    ]


def _first_task(results: PlantingResults) -> list[str]:
    tasks = results.tables["task_calendar"]
    if tasks.empty:
        return []
    first = tasks.iloc[0]
    return [f"First task, from {first['first_day']}: {first['task']}"]
