"""Summary of a run of `shelter`: answer, figures and pictures."""

from __future__ import annotations

from typing import Any

import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapSheet
from shelterscape.kernels.shelter_curves import CURVES, ShelterCurve
from shelterscape.process.place_hours import hours_answer
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
    "E": "assumed",
}

AREA_COLUMNS = (
    "equivalent_sheltered_ha",
    "equivalent_sheltered_low_ha",
    "equivalent_sheltered_high_ha",
    "reduced_5_up_ha",
)

EXPONENTS = {1.0: "wind run", 2.0: "force (wind speed squared)", 3.0: "erosion (speed cubed)"}


def summarise(results: ShelterResults, params: ShelterInputs) -> Summary:
    """Answer, figures and pictures."""
    table = results.tables["equivalent_sheltered_area"]
    return Summary(
        question="Which ground and which places do belts shelter, and how much?",
        answer=[*_targets(results), *_hours(results, params), *_areas(results, table)],
        certainty=[_certainty(results.data)],
        figures=_figures(table, results.data),
        pictures=_pictures(results, table),
    )


def _areas(results: ShelterResults, table: pd.DataFrame) -> list[str]:
    areas = results.tables["shelter_areas"]
    count = len(zones.ALL_WINDS)
    found = []
    columns = (table[name].astype(float) for name in AREA_COLUMNS)
    for i, (case, equivalent, low, high, reduced) in enumerate(
        zip(results.cases, *columns, strict=True)
    ):
        known_ha = areas["area_ha"].iloc[count * i : count * (i + 1)].sum()
        found.append(
            f"{case.heading}: equivalent sheltered area {_hectares(equivalent)} ha "
            f"({_hectares(low)}–{_hectares(high)} from published belts); "
            f"{_hectares(reduced)} of {_hectares(known_ha)} ha reduced by 5 % or more"
        )
    return found


def _hours(results: ShelterResults, params: ShelterInputs) -> list[str]:
    """Stock places with existing belts, in the season of stock where it is calculated."""
    places = results.layers.get("places_shelter")
    if places is None or results.data.hours is None:
        return []
    case = next((c for c in results.cases if c.season == "bare"), next(iter(results.cases)))
    year = places["year"].isna() if case.year is None else places["year"] == case.year
    here = places[(places["season"] == case.season_label) & year]
    return hours_answer(here, params, case.label, "without belts", "with belts")


def _certainty(data: ShelterData) -> str:
    """How far the shelter curve is from published figures."""
    model = CURVES[data.resolved.options.curve]
    return (
        f"At published tree belts: RMSE {model.rmse['tree belts']:.2f} in relative wind, typical "
        f"factor of error {model.distance_factor:.1f} in sheltered distance, "
        f"{model.shelter_factor:.1f} in equivalent area"
    )


def _hectares(area_ha: float) -> str:
    """An area as text: whole hectares from 100 ha, one decimal below."""
    return f"{area_ha:,.0f}" if area_ha >= 100 else f"{area_ha:,.1f}"


def _targets(results: ShelterResults) -> list[str]:
    places = results.layers.get("places_shelter")
    if places is None:
        return []
    reached = places["target_reached"].iloc[: len(places) // len(results.cases)]
    with_target = reached[reached != ""]
    if not len(with_target):
        return []
    good = ~with_target.str.startswith("not")
    return [f"{good.sum()} of {len(with_target)} places reach their target"]


def _figures(table: pd.DataFrame, data: ShelterData) -> dict[str, float | str | None]:
    """Equivalent sheltered area of belts as surveyed, by season, and its typical error."""
    surveyed = table[table["year"].isna()].set_index("season")["equivalent_sheltered_ha"]
    factor = CURVES[data.resolved.options.curve].shelter_factor
    areas = {
        f"equivalent_sheltered_{str(season).replace(' ', '_')}_ha": float(area)
        for season, area in surveyed.items()
    }
    return {**areas, "shelter_error_factor": factor}


def _pictures(results: ShelterResults, table: pd.DataFrame) -> dict[str, Any]:
    """Maps of relative wind and site wind, and with years a chart of sheltered area by year."""
    data = results.data
    notes = _notes(data)
    found: dict[str, Any] = {
        "relative_wind": MapSheet(
            title="Shelter: relative wind with belts",
            panels={_heading(c, data): one.relative_wind for c, one in results.cases.items()},
            grid=data.grid,
            term=TERMS["relative_wind"],
            notes=notes,
            ground=data.elevation,
            belts=data.belts,
            across=len(data.resolved.seasons),
        )
    }
    if data.terrain_wind is not None:
        found["site_wind"] = _site_wind(results, notes)
    if any(year is not None for year in data.resolved.years):
        found["equivalent_sheltered_area"] = _chart(table, notes)
    return found


def _site_wind(results: ShelterResults, notes: tuple[str, ...]) -> MapSheet:
    data = results.data
    panels, not_modelled = {}, {}
    for case, found in results.cases.items():
        if found.site_wind is not None and found.terrain_not_modelled is not None:
            panels[_heading(case, data)] = found.site_wind
            not_modelled[_heading(case, data)] = found.terrain_not_modelled
    return MapSheet(
        title="Site wind: wind with terrain and belts",
        panels=panels,
        grid=data.grid,
        term=TERMS[data.site_wind_raster],
        notes=(f"Dotted: terrain wind not modelled ({NOT_MODELLED}).", *notes),
        ground=data.elevation,
        belts=data.belts,
        across=len(data.resolved.seasons),
        doubtful=not_modelled,
    )


def _heading(case: Case, data: ShelterData) -> str:
    """Heading of a map: season, year, wind subset and height."""
    winds = data.resolved.winds[case.season].label
    return f"{case.heading}; {winds}; {data.resolved.options.at_height_m:g} m above ground"


def _notes(data: ShelterData) -> tuple[str, ...]:
    resolved = data.resolved
    options, model = resolved.options, CURVES[resolved.options.curve]
    weighted = EXPONENTS.get(
        resolved.speed_exponent, f"wind speed to the power {resolved.speed_exponent:g}"
    )
    shares = {w.label: w.calm for w in resolved.winds.values()}
    calm = ", ".join(f"{share:.0%} of the time in {label}" for label, share in shares.items())
    return (
        f"Mean over {len(resolved.directions())} wind directions, weighted by {weighted}, "
        f"{options.at_height_m:g} m above ground. Calm ({calm}) is left out.",
        f"Shelter curve “{model.name}”: {model.source} ({STATUS_WORDS[model.status]}).",
        f"{errors_in_words(model)} Typical factor of error: sheltered distance "
        f"{model.distance_factor:.1f}, equivalent sheltered area {model.shelter_factor:.1f}.",
    )


def errors_in_words(model: ShelterCurve) -> str:
    """Errors of a curve by kind, as docs/validation.md states them."""
    by_kind = ", ".join(f"{rmse:.2f} for {kind}" for kind, rmse in model.rmse.items())
    return f"Root mean square error of relative wind at published values: {by_kind}."


def _chart(table: pd.DataFrame, notes: tuple[str, ...]) -> ChartSheet:
    projected = table[table["year"].notna()]
    lines = {
        str(season): (
            [float(y) for y in rows["year"]],
            [float(ha) for ha in rows["equivalent_sheltered_ha"]],
        )
        for season, rows in projected.groupby("season", sort=False)
    }
    surveyed = table[table["year"].isna()].set_index("season")["equivalent_sheltered_ha"]
    return ChartSheet(
        title="Equivalent sheltered area by year",
        x_label="year",
        y_label=TERMS["equivalent_sheltered_ha"].label,
        lines=lines,
        levels={str(s): (f"{s}, as surveyed", float(ha)) for s, ha in surveyed.items()},
        notes=(f"{TERMS['equivalent_sheltered_ha'].meaning} Projected growth.", *notes),
    )
