"""Pictures of a run of `shelter`."""

from __future__ import annotations

from typing import Any

import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet, MapPanel, MapSheet
from shelterscape.files.draw_views import Bounds, view_of_most
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.processes.shelter.layers import ShelterResults
from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.processes.shelter.year_sums import CaseShelter
from shelterscape.science.belts import Case
from shelterscape.science.terrain.validity import NOT_MODELLED
from shelterscape.terms import TERMS

EXPONENTS = {1.0: "wind run", 2.0: "force (wind speed squared)", 3.0: "erosion (speed cubed)"}


def pictures_of(results: ShelterResults, table: pd.DataFrame) -> dict[str, Any]:
    """Maps of relative wind and site wind, and with years a chart of sheltered area.

    Parameters
    ----------
    results : ShelterResults
    table : DataFrame
        ``equivalent_sheltered_area``.
    """
    data = results.data
    first = next(iter(results.cases.values()))
    boxes = view_of_most(1.0 - first.relative_wind, data.grid)
    found: dict[str, Any] = {"relative_wind": _relative_wind(results, boxes)}
    if data.terrain_wind is not None:
        found["site_wind"] = _site_wind(results, boxes)
    if any(year is not None for year in data.resolved.years):
        found["equivalent_sheltered_area"] = _chart(table)
    return found


def _relative_wind(results: ShelterResults, boxes: dict[str, Bounds]) -> MapSheet:
    """The whole ground once; then its most sheltered part by case, and the change by year."""
    data = results.data
    title = "Shelter: relative wind with belts"
    title += ", and its change" if len(data.resolved.years) > 1 else ""
    panels = []
    letter, view = next(iter(boxes.items()), ("", None))
    for season in data.resolved.seasons:
        ends = _first_and_last(results, season)
        (first, whole), *_ = ends
        main_deg = data.resolved.winds[season].most_frequent_deg
        if boxes:
            panels.append(MapPanel(_heading(first, data), whole.relative_wind, "relative_wind"))
        for case, one in ends:
            heading = f"{letter}: {_heading(case, data)}" if letter else _heading(case, data)
            panels.append(MapPanel(heading, one.relative_wind, "relative_wind", view,
                                   wind_from_deg=main_deg))  # fmt: skip
        if len(ends) > 1:
            panels.append(_change(ends, letter, view))
    return MapSheet(title, tuple(panels), data.grid, _notes(data), data.elevation,
                    belts=data.belts, outlined=data.places, boxes=boxes)  # fmt: skip


def _first_and_last(results: ShelterResults, season: str) -> list[tuple[Case, CaseShelter]]:
    """Cases of a season in the first and the last year."""
    years = results.data.resolved.years
    cases = [Case(season, year) for year in dict.fromkeys((years[0], years[-1]))]
    return [(case, results.cases[case]) for case in cases]


def _change(ends: list[tuple[Case, CaseShelter]], letter: str, view: Bounds | None) -> MapPanel:
    """Wind reduction of the last year minus that of the first."""
    (before, first), (after, last) = ends
    heading = f"change, {before.heading} to {after.year}"
    added = first.relative_wind - last.relative_wind
    return MapPanel(f"{letter}: {heading}" if letter else heading, added,
                    "wind_reduction_added", view)  # fmt: skip


def _site_wind(results: ShelterResults, boxes: dict[str, Bounds]) -> MapSheet:
    """The whole ground in the first year by season, and its most sheltered part."""
    data, panels = results.data, []
    first_year = data.resolved.years[0]
    for case, found in results.cases.items():
        if found.site_wind is None or (boxes and case.year != first_year):
            continue
        for letter, view in (("", None), *boxes.items()):
            heading = f"{letter}: {_heading(case, data)}" if letter else _heading(case, data)
            panels.append(
                MapPanel(
                    heading,
                    found.site_wind,
                    data.site_wind_raster,
                    view,
                    found.terrain_not_modelled,
                    data.resolved.winds[case.season].most_frequent_deg,
                )
            )
    return MapSheet(
        title="Site wind: wind with terrain and belts",
        panels=tuple(panels),
        grid=data.grid,
        notes=(f"Not modelled: {NOT_MODELLED}. Mean over the wind set, without calm.",),
        ground=data.elevation,
        belts=data.belts,
        boxes=boxes,
        across=2,
    )


def _heading(case: Case, data: ShelterData) -> str:
    """Heading of a map: season, year, wind subset and height."""
    winds = data.resolved.winds[case.season].label
    return f"{case.heading}; {winds}; {data.resolved.options.at_height_m:g} m above ground"


BY_FLOW = (
    " Height and bare stems by a flow model (--near-ground flow): their pattern is not verified."
)


def _notes(data: ShelterData) -> tuple[str, ...]:
    resolved = data.resolved
    model = CURVES[resolved.options.curve]
    weighted = EXPONENTS.get(
        resolved.speed_exponent, f"wind speed to the power {resolved.speed_exponent:g}"
    )
    return (
        f"Mean over {len(resolved.directions())} wind directions by {weighted}, without calm; "
        f"shelter curve “{model.name}”, sheltered distance right within a factor of about "
        f"{model.distance_factor:.1f}.{BY_FLOW if resolved.options.near_ground == 'flow' else ''}",
    )


def _chart(table: pd.DataFrame) -> ChartSheet:
    """Equivalent sheltered area by season and year, with its typical range."""
    years = list(dict.fromkeys("" if pd.isna(y) else str(y) for y in table["year"]))
    lines, ranges = {}, {}
    for season, rows in table.groupby("season", sort=False):
        at = [float(years.index("" if pd.isna(y) else str(y))) for y in rows["year"]]
        lines[str(season)] = at, [float(v) for v in rows["equivalent_sheltered_ha"]]
        ranges[str(season)] = tuple(
            [float(v) for v in rows[f"equivalent_sheltered_{end}_ha"]] for end in ("low", "high")
        )
    return ChartSheet(
        title="Equivalent sheltered area by year",
        x_label="year, projected growth",
        y_label=TERMS["equivalent_sheltered_ha"].label,
        lines=lines,
        levels={},
        notes=(
            f"{TERMS['equivalent_sheltered_ha'].meaning} Bars: typical range of published belts.",
        ),
        categories=tuple(year or "as surveyed" for year in years),
        ranges=ranges,
    )
