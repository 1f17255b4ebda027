"""Layers and tables of the process `shelter`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.grid import Grid
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.place_hours import without_hours
from shelterscape.process.stages import Results
from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.processes.shelter.spec import ZONE_COLUMNS
from shelterscape.processes.shelter.year_sums import CaseShelter
from shelterscape.science import zones
from shelterscape.science.belts import BARE_LOW, ROW_SPECIES, Case
from shelterscape.science.hours_on_places import COLUMNS
from shelterscape.science.places import purpose_of, targets, zone_hectares
from shelterscape.science.polygons import polygons_of
from shelterscape.science.prepared_belts import ShelterOptions, upper_distance_m
from shelterscape.science.terrain.validity import MODELLED, NOT_MODELLED, REASONS

TERRAIN_REASON = "terrain wind is not modelled"
STEEP_REASON = "ground steeper than 17° along the wind is between the belt and this ground"

Cases = Mapping[Case, CaseShelter]


@dataclass(frozen=True, kw_only=True)
class ShelterResults(Results):
    """Results of `shelter`, for `summarise`.

    Parameters
    ----------
    data : ShelterData
    cases : mapping
        Shelter of each case.
    """

    data: ShelterData
    cases: Cases


def results_of(cases: Cases, data: ShelterData, notices: Sequence[Notice]) -> ShelterResults:
    """Layers, tables and notices of all cases."""
    outlines, areas, hectares, patches = [], [], [], []
    for case, found in cases.items():
        data.check_stop()
        codes = zones.classify(found.relative_wind)
        drawn = zones.outlines(codes, data.grid, stop_if_requested=data.check_stop)
        outlines.append(drawn.assign(**_stamp(case)))
        by_zone = zones.areas_ha(codes, data.grid)
        areas += [{**_stamp(case), "zone": z, "area_ha": ha} for z, ha in by_zone.items()]
        patches.append(_patches(found.not_modelled, data.grid, case, STEEP_REASON))
        patches += _terrain_patches(found, data, case)
        hectares.append(_hectares(case, found, by_zone, data))
    table = _whole_years(pd.DataFrame(hectares))
    layers = {
        "shelter_zones": _joined(outlines),
        "shelter_not_modelled": _joined(patches),
        "belts_assessed": _belts(cases, data.resolved.options),
    }
    if data.params.by_direction:
        layers["shelter_zones_by_direction"] = _joined(
            [part for found in cases.values() for part in found.zones_by_direction]
        )
    if data.places is not None:
        layers["places_shelter"] = _places(cases, data)
        layers["sheltered_corners"] = _corners(cases, data.places)
    tables = {
        "shelter_areas": _whole_years(pd.DataFrame(areas)),
        "equivalent_sheltered_area": table,
    }
    if data.survey_changes is not None:
        tables["survey_changes"] = data.survey_changes
    return ShelterResults(
        layers=layers,
        tables=tables,
        notices=[*notices, *_not_modelled(cases, table)],
        data=data,
        cases=cases,
    )


def _stamp(case: Case) -> dict[str, object]:
    return {"season": case.season_label, "year": pd.NA if case.year is None else case.year}


def _whole_years(frame: pd.DataFrame) -> pd.DataFrame:
    """The same table with years as whole numbers; empty for belts as surveyed."""
    return frame.assign(year=frame["year"].astype("Int64"))


def _joined(parts: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    return _whole_years(pd.concat(parts, ignore_index=True))


def _hectares(
    case: Case, found: CaseShelter, by_zone: dict[str, float], data: ShelterData
) -> dict[str, object]:
    reduced = sum(by_zone[z.label] for z in zones.ALL_WINDS if not z.is_open and z.high <= 1)
    terrain = found.terrain_not_modelled
    grid, curve = data.grid, CURVES[data.resolved.options.curve]
    sheltered = float(np.nansum(1.0 - found.relative_wind.astype(float)) * grid.cell_area_ha)
    low, high = map(float, curve.shelter_range(sheltered))
    return {
        **_stamp(case),
        "equivalent_sheltered_ha": sheltered,
        "equivalent_sheltered_low_ha": low,
        "equivalent_sheltered_high_ha": high,
        "reduced_5_up_ha": reduced,
        "shelter_not_modelled_ha": float(found.not_modelled.sum() * grid.cell_area_ha),
        "terrain_wind_not_modelled_ha": np.nan
        if terrain is None
        else float(terrain.sum() * grid.cell_area_ha),
    }


def _not_modelled(cases: Cases, table: pd.DataFrame) -> list[Notice]:
    found = []
    for case, steep, terrain in zip(
        cases, table["shelter_not_modelled_ha"], table["terrain_wind_not_modelled_ha"], strict=True
    ):
        if round(steep, 1) > 0:
            text = f"{case.heading}: shelter not modelled on {steep:,.1f} ha: {STEEP_REASON}"
            found.append(Notice("not-modelled", text))
        if round(terrain, 1) > 0:
            text = f"{case.season_label}: site wind not modelled on {terrain:,.1f} ha for half of "
            found.append(Notice("not-modelled", f"{text}the wind or more: {NOT_MODELLED}"))
    return found


def _patches(flagged: NDArray[np.bool_], grid: Grid, case: Case, reason: str) -> gpd.GeoDataFrame:
    """Ground not modelled as one feature; no feature if there is no such ground."""
    parts, _ = polygons_of(flagged, grid)
    geometry = [shapely.MultiPolygon(list(parts))] if len(parts) else []
    frame = gpd.GeoDataFrame({"reason": [reason] * len(geometry)}, geometry=geometry, crs=grid.crs)
    return frame.assign(**_stamp(case), area_ha=frame.geometry.area / 1e4)


def _terrain_patches(found: CaseShelter, data: ShelterData, case: Case) -> list[gpd.GeoDataFrame]:
    """Ground without terrain wind, by reason."""
    if found.terrain_not_modelled is None or found.terrain_reason is None:
        return []
    return [
        _patches(
            found.terrain_not_modelled & (found.terrain_reason == code),
            data.grid,
            case,
            f"{TERRAIN_REASON}: {words}",
        )
        for code, words in REASONS.items()
        if code != MODELLED
    ]


_INTO_CASES = ("bare_porosity", BARE_LOW, ROW_SPECIES)


def _belts(cases: Cases, options: ShelterOptions) -> gpd.GeoDataFrame:
    """Belts of each case, without those that are not planted yet."""
    frames, factor = [], CURVES[options.curve].distance_factor
    for case, found in cases.items():
        # The height and the porosity of the lower half in each case follow from these.
        planted = found.belts[found.belts["height_m"] > 0].drop(columns=list(_INTO_CASES))
        frames.append(
            planted.assign(
                **_stamp(case),
                length_m=planted.geometry.length,
                sheltered_distance_upper_m=upper_distance_m(planted, factor, options),
            )
        )
    return _joined(frames)


def _places(cases: Cases, data: ShelterData) -> gpd.GeoDataFrame:
    """Places with their mean wind in each case."""
    frame = pd.concat([_places_of(case, cases[case], data) for case in cases], ignore_index=True)
    frame["target_reached"] = _target_reached(frame)
    head = frame["head"].astype("Int64")
    return _whole_years(frame.drop(columns="place").assign(head=head))


def _places_of(case: Case, found: CaseShelter, data: ShelterData) -> gpd.GeoDataFrame:
    places = data.places
    assert places is not None and data.covered is not None and found.corners is not None
    codes = zones.classify(found.relative_wind)
    hectares = zone_hectares(codes, data.covered, data.grid, zones.ALL_WINDS)
    known = hectares.sum(axis=1)
    reduced = hectares[:, [not z.is_open and z.high <= 1 for z in zones.ALL_WINDS]].sum(axis=1)
    corners = found.corners.share
    return places.assign(
        place=range(len(places)),
        **_stamp(case),
        relative_wind=found.place_wind,
        **_site_wind(case, found, data),
        target_relative_wind=targets(places),
        reduced_5_up_share=np.divide(
            reduced, known, out=np.full(len(known), np.nan), where=known > 0
        ),
        corner_time_share=[
            corners[n][found.number] if n in corners else np.nan for n in range(len(places))
        ],
        **_hours(case, found, data, places),
        **dict(zip(ZONE_COLUMNS, hectares.T, strict=True)),
    )


def _hours(
    case: Case, found: CaseShelter, data: ShelterData, places: gpd.GeoDataFrame
) -> dict[str, Any]:
    """Days of sheep chill and windy hours, without belts and with them."""
    counts = bare = without_hours(places)
    if found.place_hours is not None and data.hours is not None and data.covered is not None:
        winds, counts = data.resolved.winds[case.season], found.place_hours
        bare = data.hours.counted(places, data.covered, winds, None, data.known)
    return {
        **{f"{name}_without": bare[name].to_numpy() for name in COLUMNS},
        **{name: counts[name].to_numpy() for name in COLUMNS},
    }


def _site_wind(case: Case, found: CaseShelter, data: ShelterData) -> dict[str, Any]:
    """Mean site wind of places; empty without terrain wind, and in m/s without speeds."""
    wind = np.nan if found.place_site_wind is None else found.place_site_wind
    if not data.speeds_known:
        return {"site_wind_ratio": wind, "site_wind_ms": np.nan}
    return {"site_wind_ratio": wind / data.speed_ms(case), "site_wind_ms": wind}


def _target_reached(frame: pd.DataFrame) -> list[str]:
    """When each place first reaches its target, in the season of its purpose."""
    words: dict[int, str] = {}
    for place in frame["place"].unique():
        rows = frame[frame["place"] == place]
        purpose = purpose_of(rows["purpose"].iloc[0])
        if purpose is None:
            words[place] = ""
            continue
        season = Case(purpose.season).season_label
        fitting = rows[rows["season"] == season] if (rows["season"] == season).any() else rows
        # The windiest season decides; 0 means belts as surveyed, before any year.
        windiest = fitting.fillna({"year": 0}).groupby("year")["relative_wind"].max()
        reached = windiest.index[windiest <= purpose.target]
        last = int(windiest.index[-1])
        if len(reached):
            words[place] = str(int(reached[0])) if reached[0] else "as surveyed"
        else:
            words[place] = f"not by {last}" if last else "not as surveyed"
    return [words[place] for place in frame["place"]]


def _corners(cases: Cases, places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    rows: list[dict[str, Any]] = []
    for case, found in cases.items():
        corners = found.corners
        assert corners is not None
        rows += [
            {
                **places.loc[n, ["name", "purpose", "head"]].to_dict(),
                **_stamp(case),
                "corner_time_share": float(share[found.number]),
                "geometry": corners.outlines(n, found.number),
            }
            for n, share in corners.share.items()
            if share[found.number] > 0
        ]
    columns = ["name", "purpose", "head", "season", "year", "corner_time_share", "geometry"]
    frame = gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), crs=places.crs)
    frame["head"] = frame["head"].astype("Int64")
    return _whole_years(frame.assign(area_ha=frame.geometry.area / 1e4))
