"""Layers and tables of `planting`."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import geopandas as gpd
import pandas as pd

from shelterscape.process.stages import Results
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.planting.belt_warnings import (
    Warned,
    belt_warnings,
    design_warnings,
    warning_table,
)
from shelterscape.science.planting.design import GUARDS, BeltDesign, protection
from shelterscape.science.planting.design_costs import design_costs
from shelterscape.science.planting.layout import Layout
from shelterscape.science.planting.order import costs_by
from shelterscape.science.planting.profile import (
    HeightProfile,
    growth_table,
    height_profile,
    profile_table,
)
from shelterscape.science.planting.task_calendar import (
    CALENDAR_COLUMNS,
    after_approval,
    task_calendar,
)
from shelterscape.science.siting.candidates import REFERENCE_AGE

BY_BELT = ("plant_order", "bill_of_quantities", "planting_warnings", "species_suitability")
"""Tables with a row for each belt."""

NO_ROOM = Warned(
    "clearances and openings leave no room for a plant",
    "move the line, or choose a narrower design",
    "layers of clearances and openings",
)


@dataclass(frozen=True)
class PlantingResults(Results):
    """Results, with the data."""

    data: PlantingData


def with_parcels(data: PlantingData, table: pd.DataFrame) -> pd.DataFrame:
    """A table by belt with holding and parcel."""
    own = data.belts.set_index("belt")
    return table.assign(**{c: table["belt"].map(own[c]) for c in ("holding_id", "parcel_id")})


def planting_rows(data: PlantingData, plan: Layout) -> gpd.GeoDataFrame:
    """The schedule of rows."""
    names = {
        "row": "planting_row",
        "from_m": "clump_from_m",
        "to_m": "clump_to_m",
        "spacing_m": "plant_spacing_m",
    }
    return gpd.GeoDataFrame(with_parcels(data, plan.rows.rename(columns=names)))


def fences(data: PlantingData, plan: Layout) -> gpd.GeoDataFrame:
    """Fences."""
    return gpd.GeoDataFrame(with_parcels(data, plan.fences))


def named_items(bill: pd.DataFrame) -> pd.DataFrame:
    """The bill of quantities with the names of files."""
    return bill.rename(columns={"unit": "item_unit", "quantity": "item_quantity"})


def tasks(data: PlantingData) -> pd.DataFrame:
    """Tasks of all years of planting and of all designs with guards, each once."""
    designs = data.designs.designs
    pairs = dict.fromkeys(zip(data.belts["planted_year"], data.belts["design"], strict=True))
    found = [
        task_calendar(
            data.rules,
            data.rules_date,
            int(year),
            southern=data.southern,
            guards_removed_after_years=_removal(designs[name]),
        )
        for year, name in pairs
    ]
    every = pd.concat(found, ignore_index=True) if found else _no_tasks()
    every = every.drop_duplicates()
    every["source"] += " (" + every["status"] + ")"
    every = after_approval(every, data.grant_actions)
    every = every.sort_values(["first_day", "last_day"], kind="stable")
    return every.rename(columns={"kind": "task_kind"}).drop(columns="status")


def _no_tasks() -> pd.DataFrame:
    return pd.DataFrame(columns=list(CALENDAR_COLUMNS), dtype=object)


def _removal(design: BeltDesign) -> int | None:
    guarded = protection(design).way == GUARDS
    return design.guards_removed_after_years if guarded else None


def used_designs(data: PlantingData) -> dict[str, BeltDesign]:
    """Designs of the belts, in the order of first use."""
    return {name: data.designs.designs[name] for name in dict.fromkeys(data.belts["design"])}


def costs(data: PlantingData) -> pd.DataFrame:
    """Costs of the designs used, per metre."""
    first = data.belts.groupby("design", sort=False)["planted_year"].min()
    years = {str(name): int(year) for name, year in first.items()}
    return design_costs(used_designs(data), years, data.designs.currency)


def design_growth(data: PlantingData) -> pd.DataFrame:
    """Height and porosity of the designs used, by year and season."""
    years = data.belts.groupby("design", sort=False)["planted_year"].unique()
    planted = {str(name): sorted(map(int, several)) for name, several in years.items()}
    return growth_table(data.designs.designs, planted, data.local_heights)


def design_profile(data: PlantingData) -> pd.DataFrame:
    """Porosity of the designs used, by tenth of height."""
    return profile_table(used_designs(data), data.local_heights)


def planting_warnings(data: PlantingData, plan: Layout) -> pd.DataFrame:
    """Warnings of each belt: of its design, of its place, and where there is no room."""
    params, designs = data.params, used_designs(data)
    profiles = {name: _grown(data, one) for name, one in designs.items()}
    of_design = {
        name: design_warnings(
            one,
            data.purpose,
            profiles[name],
            machine_width_m=params.machine_width_m,
            share_cap=params.species_share_cap,
        )
        for name, one in designs.items()
    }
    found = belt_warnings(data.belts, designs, profiles, data.ground)
    for belt, name in zip(data.belts["belt"], data.belts["design"], strict=True):
        found[belt] += of_design[name]
        found[belt] += [NO_ROOM] if belt in plan.unplanted else []
    return warning_table(found)


def _grown(data: PlantingData, design: BeltDesign) -> HeightProfile:
    return height_profile(design, REFERENCE_AGE, data.local_heights)


def as_designed(data: PlantingData, belts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Lines with what their designs will be, as the belt layer of shelter has it."""
    frame, names = belts.copy(), list(belts["design"])
    designs = data.designs.designs
    columns = ("species", "row_species", "species_shares", "belt_type", "width_m", "porosity",
               "bare_porosity")  # fmt: skip
    for column in columns:
        values = [getattr(designs[name], column) for name in names]
        frame[column] = pd.Series(values, index=frame.index)
    grown = {name: _grown(data, designs[name]) for name in dict.fromkeys(names)}
    return frame.assign(
        height_at_20_years_m=[grown[name].height_m for name in names],
        porosity_low=[grown[name].lower_half("in-leaf") for name in names],
        bare_porosity_low=[grown[name].lower_half("bare") for name in names],
    )


def planned_belts(
    data: PlantingData, plan: Layout, bill: pd.DataFrame, warned: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Belts with design, protection, cost and what to examine."""
    plants = plan.rows.groupby("belt")["plant_count"].sum()
    costs = costs_by("belt", bill)
    frame = as_designed(data, data.belts.assign(length_m=data.belts.geometry.length))
    designs = [data.designs.designs[name] for name in frame["design"]]
    protected = [protection(one) for one in designs]
    flags = warned.groupby("belt", sort=False)["warning"].agg("; ".join)
    return frame.assign(
        planting_row_count=[len(one.rows) for one in designs],
        plant_count=[int(plants.get(belt, 0)) for belt in frame["belt"]],
        evergreen_share=[one.evergreen_share for one in designs],
        protection=[one.way for one in protected],
        protection_height_m=[one.height_m for one in protected],
        cost=[float(costs.get(belt, Decimal(0))) for belt in frame["belt"]],
        currency=data.designs.currency,
        flags=[str(flags.get(belt, "")) for belt in frame["belt"]],
    )
