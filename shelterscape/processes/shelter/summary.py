"""Summary of a run of `shelter`: answer, figures and pictures."""

from __future__ import annotations

import pandas as pd

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.place_hours import hours_answer
from shelterscape.process.stages import Summary
from shelterscape.processes.shelter.layers import ShelterResults
from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.processes.shelter.pictures import pictures_of
from shelterscape.processes.shelter.spec import ShelterInputs
from shelterscape.science import zones

AREA_COLUMNS = (
    "equivalent_sheltered_ha",
    "equivalent_sheltered_low_ha",
    "equivalent_sheltered_high_ha",
    "reduced_5_up_ha",
)


def summarise(results: ShelterResults, params: ShelterInputs) -> Summary:
    """Answer, figures and pictures."""
    table = results.tables["equivalent_sheltered_area"]
    return Summary(
        question="Which ground and which places do belts shelter, and how much?",
        answer=[*_targets(results), *_hours(results, params), *_areas(results, table)],
        certainty=[_certainty(results.data)],
        figures=_figures(table, results.data),
        pictures=pictures_of(results, table),
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
