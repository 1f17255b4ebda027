"""A sheet to print for each belt, and one of the actions that grants require."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd
import shapely

from shelterscape.files.handover_sheets import PrintedSheet, PrintedSheets, SheetTable
from shelterscape.grid import grid_direction
from shelterscape.process.stages import Results
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.damaging_wind import share_from_side
from shelterscape.science.planting.rows import windward_side_deg
from shelterscape.science.planting.suitability import EXCLUDED
from shelterscape.science.wind_texts import compass_words

BOX = "□"
"""To tick when done."""

ALONG = 1e-6
"""Share of the wind across a belt below which neither side is windward."""

NO_BREAK = "\u00a0"
"""A space at which no line ends."""


def belt_sheets(results: Results, data: PlantingData) -> PrintedSheets:
    """Sheets of all belts with plants, then the actions for grants where they are given."""
    belts = results.layers["planned_belts"]
    sheets = [_sheet(row, results, data) for row in belts.to_dict("records") if row["plant_count"]]
    return PrintedSheets(
        title="Planting sheet",
        sheets=(*sheets, *_grants(data)),
        notes=("Ask the ecologist, the authority and the operators before any work.",),
    )


def _sheet(belt: dict[str, object], results: Results, data: PlantingData) -> PrintedSheet:
    own = {
        name: table[table["belt"] == belt["belt"]]
        for name, table in (*results.tables.items(), *results.layers.items())
        if "belt" in table
    }
    return PrintedSheet(
        heading=f"Belt {belt['belt']}",
        facts=tuple(_facts(belt, own, data)),
        tables=(
            *_examine(own),
            _rows(own["planting_rows"]),
            _plants(own["plant_order"]),
            _points(own, data),
        ),
    )


def _facts(
    belt: dict[str, object], own: dict[str, pd.DataFrame], data: PlantingData
) -> Iterator[tuple[str, str]]:
    """What the planting team needs at the top of the sheet."""
    design = data.designs.designs[str(belt["design"])]
    order, fences = own["plant_order"], own["fences"]
    yield "parcel", str(belt["parcel_id"]) or "not stated"
    yield "holding", str(belt["holding_id"]) or "not stated"
    yield "design", str(belt["design"])
    yield "planting season ends in", str(belt["planted_year"])
    yield "length", f"{belt['length_m']:.0f} m"
    rows = f"{len(design.rows)} rows, {design.planted_width_m:g} m between the outer ones"
    yield "rows", rows
    yield "row 1, to windward", _windward(belt["geometry"], data)
    yield "plants to set", f"{order['plant_count'].sum():,}"
    yield "plants to order, with losses", f"{order['ordered_count'].sum():,}"
    yield "protection", f"{belt['protection']}, {belt['protection_height_m']:.1f} m high"
    guards, stakes = (int(order[f"{one}_count"].sum()) for one in ("guard", "stake"))
    yield "guards, stakes", f"{guards:,}, {stakes:,}" if guards or stakes else "none"
    if fences.empty:
        yield "fence", "none"
        return
    length, gates = fences["length_m"].sum(), fences["gate_count"].sum()
    posts = fences["strainer_count"].sum()
    yield "fence", f"{length:,.0f} m; strainer posts: {posts}, gates: {gates}"


def _windward(line: shapely.Geometry, data: PlantingData) -> str:
    """Side of the first row, with the share of the wind across the belt that comes from there."""
    side = windward_side_deg(line, data.site.wind_from_deg)
    directions = [grid_direction(d, data.convergence_deg) for d in data.winds.direction_deg]
    weights = data.winds.weights(data.purpose.speed_exponent)
    here, there = share_from_side([side, side + 180.0], directions, weights)
    where = f"on the {compass_words(side)} side ({side:.0f}° from grid north)"
    if here + there < ALONG:
        return f"{where}; the wind is along the belt"
    share = 100 * here / (here + there)
    return f"{where}, from which {share:.0f} % of the wind across the belt comes"


def _examine(own: dict[str, pd.DataFrame]) -> list[SheetTable]:
    """What may go wrong, with advice; none where there is nothing."""
    found = [(w["warning"], w["advice"], BOX) for w in own["planting_warnings"].to_dict("records")]
    suited = own["species_suitability"]
    excluded = suited[(suited["design_share"] > 0) & (suited["suitability"] == EXCLUDED)]
    found += [
        (f"{s['species']} is excluded here: {s['reason']}", "replace this species", BOX)
        for s in excluded.to_dict("records")
    ]
    columns = ("what may go wrong", "what to do", "done")
    table = SheetTable("Examine before planting", columns, (10, 10, 1.1), tuple(found))
    return [table] if found else []


def _rows(rows: pd.DataFrame) -> SheetTable:
    """Clumps along each part of each row, in the order of planting."""
    found = []
    for (row, part), clumps in rows.groupby(["planting_row", "row_part"]):
        sequence = "; ".join(
            f"{c.clump_from_m:.1f}–{c.clump_to_m:.1f} m: {c.plant_count} {c.species}".replace(
                " ", NO_BREAK
            )
            for c in clumps.sort_values("clump_from_m").itertuples()
        )
        spacing = f"{clumps['plant_spacing_m'].iloc[0]:.2f}"
        count = f"{clumps['plant_count'].sum():,}"
        found.append((f"{row}", f"{part}", spacing, count, sequence, BOX))
    return SheetTable(
        "Rows, from windward to leeward, each along the line from its start",
        ("row", "part", "spacing, m", "plants", "plants along the part", "done"),
        (1, 1, 1.6, 1.4, 16, 1.1),
        tuple(found),
    )


_COUNTS = ("plant_count", "ordered_count", "bundle_count")


def _plants(order: pd.DataFrame) -> SheetTable:
    found = [
        (p["species"], p["plant_type"], *(f"{p[name]:,}" for name in _COUNTS))
        for p in order.to_dict("records")
    ]
    columns = ("species", "type", "to set", "to order", "bundles")
    return SheetTable("Plants", columns, (3, 2, 1, 1, 1), tuple(found))


def _points(own: dict[str, pd.DataFrame], data: PlantingData) -> SheetTable:
    """Points to set out."""
    points = own["set_out_points"]
    found = [
        (
            str(p["point_number"]),
            p["point_kind"],
            "" if pd.isna(p["planting_row"]) else f"{p['planting_row']:.0f}",
            f"{p['x_m']:.2f}",
            f"{p['y_m']:.2f}",
            BOX,
        )
        for p in points.to_dict("records")
    ]
    grid = points["map_grid"].iloc[0] if len(points) else ""
    accuracy = f"as accurate as the line was drawn: {data.params.line_accuracy_m:g} m as stated"
    return SheetTable(
        f"Points to set out in {grid}, {accuracy}",
        ("point", "kind", "row", "easting, m", "northing, m", "done"),
        (1, 2, 1, 2, 2, 1),
        tuple(found),
    )


def _grants(data: PlantingData) -> list[PrintedSheet]:
    """Actions that grants require, as grant-overlay lists them."""
    actions = data.grant_actions
    if actions is None or actions.empty:
        return []
    found = [
        (
            f"{a['date_rule']} {a['action_date']}",
            a["grant_action"],
            ", ".join(filter(None, (a["scheme"], a["holding_id"]))),
            a["evidence"],
            f"{a['at_stake']:,.2f} {a['currency']}",
            a["loss_if_missed"],
            BOX,
        )
        for a in actions.to_dict("records")
    ]
    who = ("date", "action", "scheme, holding", "evidence")
    columns = (*who, "depends on it", "lost if missed", "done")
    table = SheetTable("What to do by when", columns, (2, 3, 2, 3, 1.7, 2.5, 0.9), tuple(found))
    facts = (("caution", "Screening only: the grant body decides, and rules change."),)
    return [PrintedSheet("Actions for grants", facts, (table,))]
