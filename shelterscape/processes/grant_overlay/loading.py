"""Reads and checks the inputs of `grant-overlay`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape import data as packaged
from shelterscape.errors import InputError, Notice
from shelterscape.files.draw_views import bounds_around
from shelterscape.grid import Grid
from shelterscape.process.grant_files import (
    area_layers,
    check_categories,
    schemes_of,
    thresholds_from,
)
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.reading import Reader
from shelterscape.process.relief import Relief, relief_of
from shelterscape.process.stages import Bands
from shelterscape.processes.grant_overlay.spec import GrantOverlayInputs
from shelterscape.science import grants
from shelterscape.science.columns import numbers, words
from shelterscape.science.grants import as_planted
from shelterscape.science.grants.belts import READ_COLUMNS
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS, Agreement
from shelterscape.science.grants.scheme import Scheme
from shelterscape.science.grants.thresholds import Threshold
from shelterscape.science.holdings import READ_COLUMNS as HOLDING_COLUMNS
from shelterscape.terms import TERMS

DEFAULT_THRESHOLDS = "assessment_thresholds.toml"

COLUMNS = {
    "belts": READ_COLUMNS,
    "grant_areas": AREA_COLUMNS,
    "agreements": AGREEMENT_COLUMNS,
    "holdings": HOLDING_COLUMNS,
    "neighbours": READ_COLUMNS,
    "parcels": ("parcel_id",),
    "as_planted": as_planted.LINE_COLUMNS,
    "as_planted_table": as_planted.TABLE_COLUMNS,
}
"""Columns that are read, by layer."""


@dataclass(frozen=True)
class GrantData:
    """Checked inputs of `compute`.

    Parameters
    ----------
    start_year : int
    grid : Grid
        Grid around the belts.
    belts : GeoDataFrame
        As `science.grants.complete_belts` returns them.
    schemes : list of Scheme
    areas : dict
        Ground of each category, near belts and neighbouring planting.
    agreements : list of Agreement
    thresholds : list of Threshold
    new_planting : GeoDataFrame
        The belts, and neighbouring belts with a year of planting.
    own : (n,) bool
        Which of those are the belts.
    holding_names : dict
        Name by holding.
    dates : WorkDates
    planned : GeoDataFrame or None
        The belts as planned, where some were planted or counted.
    holding_id : str
        The holding a batch works on; empty outside a batch.
    chosen_here : bool
        Whether an earlier step chose the belts for that holding.
    relief : Relief or None
        Ground beneath the map.
    parcels : GeoDataFrame or None
        Fields near the belts with ``parcel_id``, for the map.
    rasters : dict of Bands
        Empty: this process writes no rasters.
    """

    start_year: int
    grid: Grid
    belts: gpd.GeoDataFrame
    schemes: list[Scheme]
    areas: dict[str, shapely.Geometry]
    agreements: list[Agreement]
    thresholds: list[Threshold]
    new_planting: gpd.GeoDataFrame
    own: NDArray[np.bool_]
    holding_names: dict[str, str]
    dates: grants.WorkDates
    planned: gpd.GeoDataFrame | None = None
    holding_id: str = ""
    chosen_here: bool = False
    relief: Relief | None = None
    parcels: gpd.GeoDataFrame | None = None
    rasters: dict[str, Bands] = field(default_factory=dict)


def load(params: GrantOverlayInputs, reader: Reader) -> GrantData:
    """Read and check all inputs."""
    columns = columns_by_layer(params.fields, COLUMNS)
    schemes = schemes_of(params.schemes, reader)
    thresholds = _thresholds(params, reader)
    chosen = "belts" in reader.from_steps
    frame, grid = reader.layer_alone(
        params.belts, "belt layer", columns["belts"], params.to_crs, may_be_empty=chosen
    )
    # All schemes share one currency, so the units of the first hold for costs, too.
    minor = schemes[0].minor_per_major
    belts, notices = grants.complete_belts(frame, "belts", params.plants_per_ha, minor)
    if not len(frame):
        return _without_belts(params, reader, grid, belts, schemes, thresholds)
    names: dict[str, str] = {}
    if params.holdings:
        holdings = reader.layer(
            params.holdings, grid, "layer of holdings", columns["holdings"], keep_outside=True
        )
        names = _fill_holdings(belts, holdings, reader)
    planned, belts = belts, _as_planted(params, reader, grid, belts, columns)
    planting, own = _new_planting(params, reader, grid, belts, columns["neighbours"])
    areas, area_notices = grants.areas_by_category(
        area_layers(params.grant_areas, reader, grid, columns["grant_areas"]),
        shapely.union_all(belts["outline"].to_numpy()),
        shapely.union_all(planting["outline"].to_numpy()),
    )
    check_categories(schemes, thresholds, areas)
    existing = None
    if params.agreements:
        existing = reader.layer(
            params.agreements,
            grid,
            "layer of agreements",
            columns["agreements"],
            keep_outside=True,
        )
    agreements, ended = grants.agreements_in_force(existing, params.start_year, "agreements")
    reader.notices([*notices, *area_notices, *ended, *_parcel_notices(belts, schemes)])
    return GrantData(
        params.start_year,
        grid,
        belts,
        schemes,
        areas,
        agreements,
        thresholds,
        planting,
        own,
        names,
        _dates(params, schemes, reader),
        planned=None if belts is planned else planned,
        holding_id=reader.area.holding_id if reader.area else "",
        chosen_here=chosen,
        relief=_relief(params, belts),
        parcels=_parcels(params, reader, grid, belts, columns["parcels"]),
    )


def _relief(params: GrantOverlayInputs, belts: gpd.GeoDataFrame) -> Relief | None:
    """Relief of the ground around the belts; None where all belts are restorations."""
    if belts.empty:
        return None
    return relief_of(params, bounds_around(belts["outline"].to_numpy()), belts.crs)


def _parcels(
    params: GrantOverlayInputs,
    reader: Reader,
    grid: Grid,
    belts: gpd.GeoDataFrame,
    columns: dict[str, str],
) -> gpd.GeoDataFrame | None:
    """Parcels near the belts; None without any."""
    if not params.parcels or belts.empty:
        return None
    west, south, east, north = bounds_around(belts["outline"].to_numpy())
    found = reader.layer(params.parcels, grid, "parcel layer", columns, keep_outside=True)
    found = found.assign(parcel_id=words(found, "parcel_id"))
    return found.cx[west:east, south:north]


def _without_belts(
    params: GrantOverlayInputs,
    reader: Reader,
    grid: Grid,
    belts: gpd.GeoDataFrame,
    schemes: list[Scheme],
    thresholds: list[Threshold],
) -> GrantData:
    """Data where an earlier step chose no belts: no ground is compared with them."""
    return GrantData(
        start_year=params.start_year,
        grid=grid,
        belts=belts,
        schemes=schemes,
        areas={},
        agreements=[],
        thresholds=thresholds,
        new_planting=belts,
        own=np.ones(0, dtype=bool),
        holding_names={},
        dates=_dates(params, schemes, reader),
        holding_id=reader.area.holding_id if reader.area else "",
        chosen_here=True,
    )


def _dates(params: GrantOverlayInputs, schemes: list[Scheme], reader: Reader) -> grants.WorkDates:
    """When work is planned, with a notice where it must wait for approval."""
    work_from = params.work_from or date(params.start_year, 1, 1)
    approved = params.approved_on
    waits = any(scheme.claim.approval_before_work for scheme in schemes)
    if waits and approved and work_from < approved:
        text = f"work planned from {work_from} must wait for the approval of {approved}"
        reader.notice(Notice("work-before-approval", text))
    return grants.WorkDates(params.start_year, work_from, approved)


_TABLE_HINT = (
    "Save it as CSV in UTF-8 with a row of headings: name, planted_count, dead_count, x_m, y_m."
)


def _as_planted(
    params: GrantOverlayInputs,
    reader: Reader,
    grid: Grid,
    belts: gpd.GeoDataFrame,
    columns: dict[str, dict[str, str]],
) -> gpd.GeoDataFrame:
    """The belts with lines and counts as planted; the same object where there are none."""
    found = belts
    if params.as_planted:
        what, named = "layer of belts as planted", columns["as_planted"]
        layer = reader.layer(params.as_planted, grid, what, named, keep_outside=True)
        lines = layer[["geometry"]].assign(name=words(layer, "name"))
        for column in as_planted.COUNTS:
            lines[column] = numbers(layer, column, TERMS[column], "as_planted")
        found = as_planted.replace_planned(found, lines, "as_planted")
    if params.as_planted_table:
        given = columns["as_planted_table"]
        named = {name: given.get(name, name) for name in as_planted.TABLE_COLUMNS}
        what = "table of belts as planted"
        table = reader.text_table(params.as_planted_table, what, named, _TABLE_HINT)
        lines = as_planted.lines_of_table(table, belts.crs)
        found = as_planted.replace_planned(found, lines, as_planted.TABLE)
    return found


def _thresholds(params: GrantOverlayInputs, reader: Reader) -> list[Threshold]:
    """Thresholds from the file given, or from that of the package."""
    if not params.thresholds:
        content = packaged.toml(DEFAULT_THRESHOLDS)
        return thresholds_from(content, params.country, DEFAULT_THRESHOLDS)
    content = reader.toml(params.thresholds, "threshold file")
    return thresholds_from(content, params.country, Path(params.thresholds).name)


def _fill_holdings(
    belts: gpd.GeoDataFrame, holdings: gpd.GeoDataFrame, reader: Reader
) -> dict[str, str]:
    """Fill missing holdings of belts, in place, with the holding that covers most of the belt.

    Returns the names of holdings.
    """
    for column in HOLDING_COLUMNS:
        if column not in holdings:
            raise InputError(
                "column-missing",
                f"The layer has no column {column}.",
                where="holdings",
                hint=f"Add the column, or name another with --field holdings.{column}=COLUMN.",
            )
    ids = holdings["holding_id"].astype("string").fillna("").str.strip()
    missing = np.flatnonzero(belts["holding_id"] == "")
    shapes = belts["outline"].to_numpy()[missing]
    belt, holding = shapely.STRtree(holdings.geometry.to_numpy()).query(shapes, "intersects")
    shared = shapely.area(shapely.intersection(shapes[belt], holdings.geometry.to_numpy()[holding]))
    pairs = pd.DataFrame({"belt": belt, "id": ids.to_numpy()[holding], "shared": shared})
    # Parts of one holding are added; of equal areas the first by name applies.
    sums = pairs.groupby(["belt", "id"])["shared"].sum().reset_index()
    best = sums.sort_values("shared", ascending=False, kind="stable").drop_duplicates("belt")
    place = belts.columns.get_loc("holding_id")
    belts.iloc[missing[best["belt"].to_numpy(dtype=int)], place] = best["id"].to_numpy(dtype=object)
    if len(best):
        reader.notice(
            Notice(
                "holding-found", "belts: holding_id filled from the layer of holdings", len(best)
            )
        )
    return dict(zip(ids, holdings["name"].astype("string").fillna(""), strict=True))


def _new_planting(
    params: GrantOverlayInputs,
    reader: Reader,
    grid: Grid,
    belts: gpd.GeoDataFrame,
    columns: dict[str, str],
) -> tuple[gpd.GeoDataFrame, NDArray[np.bool_]]:
    """The belts with their years of planting, followed by neighbouring new planting."""
    year = belts["planted_year"].fillna(params.start_year).clip(lower=params.start_year)
    own = belts.assign(planted_year=year)
    if not params.neighbours:
        return own, np.ones(len(own), dtype=bool)
    frame = reader.layer(
        params.neighbours, grid, "layer of neighbouring belts", columns, keep_outside=True
    )
    others, _ = grants.complete_belts(frame, "neighbours", params.plants_per_ha)
    others = others[others["planted_year"].notna()]
    both = pd.concat([own, others], ignore_index=True)
    return both, np.arange(len(both)) < len(own)


def _parcel_notices(belts: gpd.GeoDataFrame, schemes: list[Scheme]) -> list[Notice]:
    """A notice where caps apply to parcels and belts have none."""
    unnamed = int((belts["parcel_id"] == "").sum())
    if not unnamed or all(scheme.parcel_cap is None for scheme in schemes):
        return []
    text = "belts: parcel_id not given; for caps, each belt counts as a parcel of its own"
    return [Notice("value-assumed", text, unnamed)]
