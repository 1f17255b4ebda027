"""Layers and tables of `shelter`."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import shapes

from shelterscape.errors import Notice
from shelterscape.grid import Grid
from shelterscape.process import Run
from shelterscape.processes.shelter.outputs import ZONE_COLUMNS
from shelterscape.processes.shelter.over_year import Job, Year
from shelterscape.science import zones
from shelterscape.science.belts import Case
from shelterscape.science.places import Coverage, purpose_of, zone_hectares
from shelterscape.science.terrain.validity import NOT_MODELLED

POSSIBLE = 1.24
"""Possible over likely reach: one standard deviation of measured belts more (Bird and others 2007,
Australian Journal of Experimental Agriculture 47:727-737, abstract, seen: 4.1 H on some 17 H)."""

HILLS = f"wind over the hills is not modelled: {NOT_MODELLED}"
STEEP = "ground steeper than 17° along the wind lies between the belt and here"


def _stamp(case: Case) -> dict[str, object]:
    return {"season": case.season_label, "year": pd.NA if case.year is None else case.year}


def _years_whole(frame: pd.DataFrame) -> pd.DataFrame:
    """Years as whole numbers, empty as surveyed."""
    return frame.assign(year=frame["year"].astype("Int64"))


def write_zones(years: list[Year], job: Job) -> pd.DataFrame:
    """Zones, ground not modelled, and hectares; returns the table of sheltered hectares."""
    outlines, areas, hectares, steep = [], [], [], []
    for found in years:
        for case, field in found.fields.items():
            job.run.stop_if_asked()
            codes = zones.classify(field)
            drawn = zones.outlines(codes, job.grid, stop_if_asked=job.run.stop_if_asked)
            outlines.append(drawn.assign(**_stamp(case)))
            by_zone = zones.areas_ha(codes, job.grid)
            areas += [{**_stamp(case), "zone": z, "area_ha": ha} for z, ha in by_zone.items()]
            flagged = found.not_modelled[case]
            steep.append(_patches(flagged, job.grid, case, STEEP))
            row = _hectares(case, field, by_zone, flagged, job.grid)
            if (lost := found.hills_not_modelled.get(case)) is not None:
                steep.append(_patches(lost, job.grid, case, HILLS))
                row["hills_not_modelled_ha"] = float(lost.sum() * job.grid.cell_area_ha)
            hectares.append(row)
            _tell(case, row, sum(by_zone.values()), job.run)
    run, table = job.run, _years_whole(pd.DataFrame(hectares))
    run.layer("shelter_zones", _years_whole(pd.concat(outlines, ignore_index=True)))
    run.layer("not_modelled", _years_whole(pd.concat(steep, ignore_index=True)))
    if job.asked.by_direction:
        parts = [part for found in years for part in found.zones_by_direction]
        run.layer("shelter_zones_by_direction", _years_whole(pd.concat(parts, ignore_index=True)))
    run.table("shelter_areas", _years_whole(pd.DataFrame(areas)))
    run.table("sheltered_hectares", table)
    return table


def _hectares(
    case: Case,
    field: NDArray[np.float32],
    by_zone: dict[str, float],
    flagged: NDArray[np.bool_],
    grid: Grid,
) -> dict[str, object]:
    cut = sum(by_zone[z.label] for z in zones.ALL_WINDS if not z.is_open and z.high <= 1)
    return {
        **_stamp(case),
        "sheltered_ha": float(np.nansum(1.0 - field.astype(float)) * grid.cell_area_ha),
        "cut_ha": cut,
        "not_modelled_ha": float(flagged.sum() * grid.cell_area_ha),
        "hills_not_modelled_ha": np.nan,
    }


def _tell(case: Case, row: dict[str, Any], known_ha: float, run: Run) -> None:
    run.finding(
        f"{case.label}: {row['sheltered_ha']:,.0f} sheltered hectares; {row['cut_ha']:,.0f} of "
        f"{known_ha:,.0f} ha have at least 5 % of the wind taken off by belts"
    )
    if row["not_modelled_ha"]:
        text = f"{case.label}: {row['not_modelled_ha']:,.1f} ha of sheltered ground not modelled; "
        run.notice(Notice("not-modelled", text + STEEP))
    if (lost := row["hills_not_modelled_ha"]) > 0:
        text = f"{case.season_label}: site wind not modelled on {lost:,.1f} ha, for half of the "
        run.notice(Notice("not-modelled", f"{text}wind or more: {NOT_MODELLED}"))


def _patches(flagged: NDArray[np.bool_], grid: Grid, case: Case, reason: str) -> gpd.GeoDataFrame:
    """Ground not modelled as one feature; none where there is none."""
    parts = [
        shapely.geometry.shape(outline)
        for outline, _ in shapes(
            flagged.astype(np.uint8), mask=flagged, transform=grid.affine, connectivity=4
        )
    ]
    geometry = [shapely.MultiPolygon(parts)] if parts else []
    frame = gpd.GeoDataFrame({"reason": [reason] * len(geometry)}, geometry=geometry, crs=grid.crs)
    return frame.assign(**_stamp(case), area_ha=frame.geometry.area / 1e4)


def write_belts(years: list[Year], run: Run) -> None:
    """Belts as they stand, case by case; those not planted yet are left out."""
    frames = []
    for found in years:
        for case, frame in found.belts.items():
            there = frame[frame["height_m"] > 0].drop(columns="bare_porosity")
            frames.append(
                there.assign(
                    **_stamp(case),
                    length_m=there.geometry.length,
                    reach_possible_m=POSSIBLE * there["reach_likely_m"],
                )
            )
    run.layer("belts", _years_whole(pd.concat(frames, ignore_index=True)))


def write_places(years: list[Year], places: gpd.GeoDataFrame, covered: Coverage, job: Job) -> None:
    """Places with the wind they get, and the corners stock finds."""
    frames = []
    for found in years:
        for i, (case, field) in enumerate(found.fields.items()):
            shares = {n: s[i] for n, s in found.corners.share.items()} if found.corners else {}
            frame = _places_of(case, field, shares, places, covered, job.grid)
            frame["relative_wind"] = found.place_wind[case]
            frame["site_wind"] = found.place_site.get(case, np.nan) if job.speeds_known else np.nan
            frames.append(frame)
    frame = pd.concat(frames, ignore_index=True)
    frame["target_reached"] = _target_reached(frame)
    head = frame["head"].astype("Int64")
    job.run.layer("places", _years_whole(frame.drop(columns="place").assign(head=head)))
    job.run.layer("sheltered_corners", _corners(years, places))
    _tell_places(frame, job.run)


def _places_of(
    case: Case,
    field: NDArray[np.float32],
    corner_share: dict[int, float],
    places: gpd.GeoDataFrame,
    covered: Coverage,
    grid: Grid,
) -> gpd.GeoDataFrame:
    hectares = zone_hectares(zones.classify(field), covered, grid, zones.ALL_WINDS)
    known = hectares.sum(axis=1)
    cut = hectares[:, [not z.is_open and z.high <= 1 for z in zones.ALL_WINDS]].sum(axis=1)
    targets = [purpose_of(name) for name in places["purpose"]]
    return places.assign(
        place=range(len(places)),
        **_stamp(case),
        target=[p.target if p else np.nan for p in targets],
        covered_share=np.divide(cut, known, out=np.full(len(known), np.nan), where=known > 0),
        corner_share=[corner_share.get(n, np.nan) for n in range(len(places))],
        **{
            column: hectares[:, zones.ALL_WINDS.index(zone)]
            for column, zone in ZONE_COLUMNS.items()
        },
    )


def _target_reached(frame: pd.DataFrame) -> list[str]:
    """When each place first comes down to its target, in the season of its purpose."""
    words: dict[int, str] = {}
    for place in frame["place"].unique():
        rows = frame[frame["place"] == place]
        purpose = purpose_of(rows["purpose"].iloc[0])
        if purpose is None:
            words[place] = ""
            continue
        season = Case(purpose.season).season_label
        fitting = rows[rows["season"] == season] if (rows["season"] == season).any() else rows
        # The worst season looked at counts; as surveyed comes before any year.
        worst = fitting.fillna({"year": 0}).groupby("year")["relative_wind"].max()
        good = worst.index[worst <= purpose.target]
        last = int(worst.index[-1])
        if len(good):
            words[place] = str(int(good[0])) if good[0] else "as surveyed"
        else:
            words[place] = f"not by {last}" if last else "not as surveyed"
    return [words[place] for place in frame["place"]]


def _corners(years: list[Year], places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    rows = []
    for found in years:
        corners = found.corners
        if corners is None:
            continue
        for i, case in enumerate(found.fields):
            rows += [
                {
                    **places.loc[n, ["name", "purpose", "head"]].to_dict(),
                    **_stamp(case),
                    "corner_share": float(share[i]),
                    "geometry": corners.outlines(n, i),
                }
                for n, share in corners.share.items()
                if share[i] > 0
            ]
    columns = ["name", "purpose", "head", "season", "year", "corner_share", "geometry"]
    frame = gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), crs=places.crs)
    frame["head"] = frame["head"].astype("Int64")
    return _years_whole(frame.assign(area_ha=frame.geometry.area / 1e4))


def _tell_places(frame: pd.DataFrame, run: Run) -> None:
    with_target = frame.drop_duplicates("place")
    with_target = with_target[with_target["target_reached"] != ""]
    reached = with_target[~with_target["target_reached"].str.startswith("not")]
    if len(with_target):
        run.finding(f"{len(reached)} of {len(with_target)} places reach their target")
