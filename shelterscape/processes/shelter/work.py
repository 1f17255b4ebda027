"""The stages of `shelter`: relative wind and site wind, case by case."""

from __future__ import annotations

from collections.abc import Generator

import geopandas as gpd
import numpy as np

from shelterscape.errors import Notice
from shelterscape.process.stages import Block, Progress, Work
from shelterscape.processes.shelter.layers import ShelterResults, results_of
from shelterscape.processes.shelter.loading import (
    ShelterData,
    band_label,
    load,
    whole_map,
    work_bytes,
)
from shelterscape.processes.shelter.summary import summarise
from shelterscape.processes.shelter.year_sums import CaseShelter, YearSums
from shelterscape.science import zones
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.prepared_belts import prepare_belts
from shelterscape.science.shelter import WindField, wind_fields
from shelterscape.terms import ONE_WIND

__all__ = ["compute", "load", "summarise", "whole_map", "work_bytes"]

LAYERS_BEGIN = 0.95
"""Share of the work that is done when layers and tables are started."""


def compute(data: ShelterData) -> Work[ShelterResults]:
    """Relative wind and site wind of every case, with zones, belts and places."""
    years = data.resolved.years
    found: dict[Case, CaseShelter] = {}
    notices: list[Notice] = []
    for i, year in enumerate(years):
        part = (LAYERS_BEGIN * i / len(years), LAYERS_BEGIN / len(years))
        calculated = yield from _year(data, data.resolved.cases(year), part)
        found |= calculated
        notices += _growth_notices(next(iter(calculated.values())).belts, year)
    yield Progress(LAYERS_BEGIN, "zones, belts and places")
    return results_of(found, data, notices)


def _growth_notices(belts: gpd.GeoDataFrame, year: int | None) -> list[Notice]:
    if year is None:
        return []
    notes = belts.loc[belts["growth_note"] != "", "growth_note"].value_counts(sort=False)
    return [Notice("growth-note", f"year {year}: {note}", int(n)) for note, n in notes.items()]


def _year(
    data: ShelterData, cases: list[Case], part: tuple[float, float]
) -> Generator[Block | Progress, None, dict[Case, CaseShelter]]:
    """Shelter of all cases of one year, over all wind directions."""
    label = " and ".join(case.label for case in cases)
    yield Progress(part[0], label)
    resolved = data.resolved
    belts = [belts_at(data.belts, c, local_heights=resolved.local_heights) for c in cases]
    sums = YearSums(data, cases)
    count = len(resolved.directions())
    fields = wind_fields(
        prepare_belts(belts, data.grid, resolved.options),
        data.grid,
        [resolved.winds[case.season] for case in cases],
        speed_exponent=resolved.speed_exponent,
        convergence_deg=data.convergence_deg,
        terrain_wind=data.terrain_wind,
        stop_if_requested=data.check_stop,
    )
    done = 0
    for wind in fields:
        sums.add(wind)
        if data.params.by_direction:
            yield from _by_direction(data, cases, wind, sums.zones)
        del wind  # free its memory before the next direction
        done += 1  # noqa: SIM113 - `enumerate` would keep a reference
        text = f"{label}, wind direction {done} of {count}"
        yield Progress(part[0] + part[1] * done / count, text)
    found = sums.by_case(belts)
    for case, shelter in found.items():
        band = data.cases.index(case)
        yield Block("relative_wind", band, shelter.relative_wind)
        if shelter.site_wind is not None:
            yield Block(data.site_wind_raster, band, shelter.site_wind)
    return found


def _by_direction(
    data: ShelterData, cases: list[Case], wind: WindField, found: dict[Case, list[gpd.GeoDataFrame]]
) -> Generator[Block, None, None]:
    """Relative wind of one direction; its zones are added to `found`."""
    labels = list(data.rasters["relative_wind_by_direction"].labels)
    for case, weight, values in zip(cases, wind.weights, wind.relative_wind, strict=True):
        if weight <= 0:
            continue
        known = np.where(data.known, values, np.float32(np.nan))
        band = labels.index(band_label(case, wind.direction_deg))
        yield Block("relative_wind_by_direction", band, known)
        codes = zones.classify(known, ONE_WIND)
        drawn = zones.outlines(codes, data.grid, ONE_WIND, data.check_stop)
        found[case].append(
            drawn.assign(season=case.season_label, year=case.year, direction_deg=wind.direction_deg)
        )
