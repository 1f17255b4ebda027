"""Layers and tables of `planting`."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import geopandas as gpd
import pandas as pd

from shelterscape.process.stages import Results
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.planting.design import GUARDS, BeltDesign, protection
from shelterscape.science.planting.layout import Layout
from shelterscape.science.planting.task_calendar import CALENDAR_COLUMNS, task_calendar

BY_BELT = ("plant_order", "bill_of_quantities")
"""Tables with a row for each belt."""

NO_ROOM = "clearances and openings leave no room for a plant"
HAND_WEEDING = "rows {rows} are closer than the machine width: weeded by hand"


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
    every = every.drop_duplicates().sort_values(["first_day", "last_day"], kind="stable")
    source = every["source"] + " (" + every["status"] + ")"
    return every.rename(columns={"kind": "task_kind"}).drop(columns="status").assign(source=source)


def _no_tasks() -> pd.DataFrame:
    return pd.DataFrame(columns=list(CALENDAR_COLUMNS), dtype=object)


def _removal(design: BeltDesign) -> int | None:
    guarded = protection(design).way == GUARDS
    return design.guards_removed_after_years if guarded else None


def planned_belts(data: PlantingData, plan: Layout, bill: pd.DataFrame) -> gpd.GeoDataFrame:
    """Belts with design, protection, cost and what to examine."""
    designs = [data.designs.designs[name] for name in data.belts["design"]]
    plants = plan.rows.groupby("belt")["plant_count"].sum()
    costs = bill.groupby("belt")["cost"].sum() if len(bill) else pd.Series(dtype=object)
    frame = data.belts.assign(length_m=data.belts.geometry.length)
    for column in ("species", "belt_type", "width_m", "porosity", "bare_porosity"):
        frame[column] = pd.Series([getattr(one, column) for one in designs], index=frame.index)
    protected = [protection(one) for one in designs]
    return frame.assign(
        planting_row_count=[len(one.rows) for one in designs],
        plant_count=[int(plants.get(belt, 0)) for belt in frame["belt"]],
        evergreen_share=[one.evergreen_share for one in designs],
        protection=[one.way for one in protected],
        protection_height_m=[one.height_m for one in protected],
        cost=[float(costs.get(belt, Decimal(0))) for belt in frame["belt"]],
        currency=data.designs.currency,
        flags=["; ".join(flags_of(data, plan, belt)) for belt in frame["belt"]],
    )


def flags_of(data: PlantingData, plan: Layout, belt: str) -> list[str]:
    """What to examine before a belt is planted."""
    name = data.belts.loc[data.belts["belt"] == belt, "design"].iloc[0]
    found = [NO_ROOM] if belt in plan.unplanted else []
    close = data.designs.designs[name].narrow_gaps(data.params.machine_width_m)
    return found + ([HAND_WEEDING.format(rows=_numbers(close))] if close else [])


def _numbers(rows: list[int]) -> str:
    return ", ".join(f"{n - 1} and {n}" for n in rows)
