"""What a run of `shelter` says of itself: findings, figures and pictures."""

from __future__ import annotations

from typing import Any

import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapSheet
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.stages import Summary
from shelterscape.processes.shelter.layers import ShelterResults
from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.processes.shelter.spec import ShelterInputs
from shelterscape.science import zones
from shelterscape.science.belts import Case
from shelterscape.science.terrain.validity import NOT_MODELLED
from shelterscape.terms import TERMS

STATUS_WORDS = {
    "S": "seen in its source",
    "S2": "seen in texts citing it",
    "M": "not verified against the source",
    "E": "an assumed value",
}

EXPONENTS = {1.0: "wind run", 2.0: "force (wind speed squared)", 3.0: "erosion (speed cubed)"}


def summarise(results: ShelterResults, params: ShelterInputs) -> Summary:
    """Findings, figures and pictures."""
    table = results.tables["sheltered_hectares"]
    return Summary(
        findings=[*_areas(results, table), *_targets(results)],
        figures=_figures(table),
        pictures=_pictures(results, table),
    )


def _areas(results: ShelterResults, table: pd.DataFrame) -> list[str]:
    areas = results.tables["shelter_areas"]
    count = len(zones.ALL_WINDS)
    found = []
    for i, (case, row) in enumerate(zip(results.cases, table.itertuples(), strict=True)):
        known_ha = areas["area_ha"].iloc[count * i : count * (i + 1)].sum()
        found.append(
            f"{case.label}: {row.sheltered_ha:,.0f} sheltered hectares; {row.cut_ha:,.0f} of "
            f"{known_ha:,.0f} ha have at least 5 % of the wind taken off by belts"
        )
    return found


def _targets(results: ShelterResults) -> list[str]:
    places = results.layers.get("places")
    if places is None:
        return []
    reached = places["target_reached"].iloc[: len(places) // len(results.cases)]
    with_target = reached[reached != ""]
    if not len(with_target):
        return []
    good = ~with_target.str.startswith("not")
    return [f"{good.sum()} of {len(with_target)} places reach their target"]


def _figures(table: pd.DataFrame) -> dict[str, float | str | None]:
    """Equivalent sheltered area as surveyed, by season."""
    now = table[table["year"].isna()].set_index("season")["sheltered_ha"]
    return {
        f"sheltered_{str(season).replace(' ', '_')}_ha": float(area) for season, area in now.items()
    }


def _pictures(results: ShelterResults, table: pd.DataFrame) -> dict[str, Any]:
    """Maps of relative and site wind and, where there are years, the chart through them."""
    data = results.data
    notes = _notes(data)
    found: dict[str, Any] = {
        "relative_wind": MapSheet(
            title="How far belts shelter the ground: relative wind",
            panels={_heading(c, data): one.relative_wind for c, one in results.cases.items()},
            grid=data.grid,
            term=TERMS["relative_wind"],
            notes=notes,
            ground=data.elevation,
            belts=data.belts,
            across=len(data.choices.seasons),
        )
    }
    if data.terrain_wind is not None:
        found["site_wind"] = _site_wind(results, notes)
    if any(year is not None for year in data.choices.years):
        found["sheltered_hectares"] = _chart(table, notes)
    return found


def _site_wind(results: ShelterResults, notes: tuple[str, ...]) -> MapSheet:
    data = results.data
    panels, lost = {}, {}
    for case, found in results.cases.items():
        if found.site_wind is not None and found.terrain_not_modelled is not None:
            panels[_heading(case, data)] = found.site_wind
            lost[_heading(case, data)] = found.terrain_not_modelled
    return MapSheet(
        title="Wind with terrain and belts: site wind",
        panels=panels,
        grid=data.grid,
        term=TERMS["site_wind" if data.speeds_known else "site_wind_relative"],
        notes=(f"Dotted: terrain wind not modelled ({NOT_MODELLED}).", *notes),
        ground=data.elevation,
        belts=data.belts,
        across=len(data.choices.seasons),
        doubtful=lost,
    )


def _heading(case: Case, data: ShelterData) -> str:
    when = "as surveyed" if case.year is None else f"projected growth to {case.year}"
    winds = data.choices.winds[case.season].label
    return f"{case.season_label}, {when}; {winds}; {data.choices.how.at_height_m:g} m above ground"


def _notes(data: ShelterData) -> tuple[str, ...]:
    chosen = data.choices
    how, model = chosen.how, CURVES[chosen.how.curve]
    weighted = EXPONENTS.get(chosen.power, f"wind speed to the power {chosen.power:g}")
    shares = {w.label: w.calm for w in chosen.winds.values()}
    calm = ", ".join(f"{share:.0%} of the time in {label}" for label, share in shares.items())
    return (
        f"Mean over {len(chosen.directions())} wind directions, weighted by {weighted}, "
        f"{how.at_height_m:g} m above ground. Calm ({calm}) changes nothing.",
        f"Curve “{model.name}”: {model.source} ({STATUS_WORDS[model.status]}); off by "
        f"{model.rmse:.2f} on average (RMSE) against published figures. Sheltered distance ± 25 %.",
    )


def _chart(table: pd.DataFrame, notes: tuple[str, ...]) -> ChartSheet:
    grown = table[table["year"].notna()]
    lines = {
        str(season): ([float(y) for y in rows["year"]], [float(ha) for ha in rows["sheltered_ha"]])
        for season, rows in grown.groupby("season", sort=False)
    }
    surveyed = table[table["year"].isna()].set_index("season")["sheltered_ha"]
    return ChartSheet(
        title="Sheltered hectares through the years",
        x_label="year",
        y_label=TERMS["sheltered_area"].label,
        lines=lines,
        levels={str(s): (f"{s}, as surveyed", float(ha)) for s, ha in surveyed.items()},
        notes=(f"{TERMS['sheltered_area'].meaning} Projected growth.", *notes),
    )
