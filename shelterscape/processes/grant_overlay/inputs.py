"""What `grant-overlay` asks for, read and checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pydantic import Field

from shelterscape import data
from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.process import Files, Inputs, Run
from shelterscape.process.grant_files import scheme_from, thresholds_from
from shelterscape.process.inputs import (
    FieldNames,
    Several,
    Source,
    columns_by_layer,
    nearest,
    quantity,
)
from shelterscape.science import grants
from shelterscape.science.grants.belts import READ_COLUMNS
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS, Agreement
from shelterscape.science.grants.scheme import Scheme
from shelterscape.science.grants.thresholds import Threshold
from shelterscape.science.holdings import READ_COLUMNS as HOLDING_COLUMNS

DEFAULT_THRESHOLDS = "assessment_thresholds.toml"
GROUND = "ground of the belts"


class GrantMaps(Inputs):
    """Maps that schemes go by."""

    grant_areas: Annotated[
        Several,
        Source("layer", "grant-area layer"),
        Field(
            description="Layers of grant areas with a column category, as PATH or PATH:LAYER; any "
            "number, overlapping as they may."
        ),
    ] = ()
    agreements: Annotated[
        str | None,
        Source("layer", "layer of agreements"),
        Field(
            description="Ground already under a grant: areas with scheme and, where known, begins "
            "and ends, as PATH or PATH:LAYER."
        ),
    ] = None


class GrantOverlayInputs(GrantMaps):
    """What `grant-overlay` asks for."""

    belts: Annotated[
        str,
        Source("layer", "belt layer"),
        Field(
            description="Belts or candidates to be planted: lines or areas, with width_m, "
            "cost_minor, species, plants_per_ha, holding_id and parcel_id where known, as PATH or "
            "PATH:LAYER."
        ),
    ]
    schemes: Annotated[
        Several,
        Source("file", "scheme file"),
        Field(min_length=1, description="Scheme files (TOML, see docs/grants.md)."),
    ]
    holdings: Annotated[
        str | None,
        Source("layer", "layer of holdings"),
        Field(
            description="Holdings: areas with holding_id and name, for belts that do not name "
            "theirs, as PATH or PATH:LAYER."
        ),
    ] = None
    neighbours: Annotated[
        str | None,
        Source("layer", "layer of neighbouring belts"),
        Field(
            description="Belts planted or planned beside these, with width_m and planted_year, "
            "that count towards thresholds, as PATH or PATH:LAYER."
        ),
    ] = None
    thresholds: Annotated[
        str | None,
        Source("file", "threshold file"),
        Field(
            description="Thresholds of environmental assessment (TOML, see docs/grants.md); those "
            "of the package by default."
        ),
    ] = None
    country: str = Field("", description="Country whose thresholds count; all of them by default.")
    start_year: int = quantity("start_year")
    plants_per_ha: float = quantity("plants_per_ha", 2500.0, "Used where the layer does not say.")
    to_crs: str | None = Field(
        None, description="Coordinate system in metres to work in, such as EPSG:25832."
    )
    fields: FieldNames = Field(default_factory=dict)


@dataclass(frozen=True)
class Job:
    """All that was read.

    Parameters
    ----------
    asked : GrantOverlayInputs
    grid : Grid
        Round the belts.
    belts : GeoDataFrame
    schemes : list of Scheme
    areas : dict
        Ground of each category, near the belts.
    agreements : list of Agreement
    thresholds : list of Threshold
    new_planting : GeoDataFrame
        The belts, and neighbouring ones with a year of planting.
    own : (n,) bool
        Which of those are the belts asked about.
    holding_names : dict
        Name by holding.
    """

    asked: GrantOverlayInputs
    grid: Grid
    belts: gpd.GeoDataFrame
    schemes: list[Scheme]
    areas: dict[str, shapely.Geometry]
    agreements: list[Agreement]
    thresholds: list[Threshold]
    new_planting: gpd.GeoDataFrame
    own: NDArray[np.bool_]
    holding_names: dict[str, str]


def read(asked: GrantOverlayInputs, files: Files, run: Run) -> Job:
    """Read and check all inputs."""
    columns = columns_by_layer(
        asked.fields,
        {
            "belts": READ_COLUMNS,
            "grant_areas": AREA_COLUMNS,
            "agreements": AGREEMENT_COLUMNS,
            "holdings": HOLDING_COLUMNS,
            "neighbours": READ_COLUMNS,
        },
    )
    schemes = schemes_of(asked.schemes, files)
    thresholds = _thresholds(asked, files)
    frame, grid = files.layer_alone(asked.belts, "belt layer", columns["belts"], asked.to_crs)
    belts, notices = grants.complete(frame, "belts", asked.plants_per_ha)
    names: dict[str, str] = {}
    if asked.holdings:
        there = files.layer(asked.holdings, grid, "layer of holdings", columns["holdings"], GROUND)
        names = _fill_holdings(belts, there, run)
    planting, own = _new_planting(asked, files, grid, belts, columns["neighbours"])
    areas, more = grants.areas_by_category(
        area_layers(asked.grant_areas, files, grid, columns["grant_areas"]),
        shapely.union_all(belts["outline"].to_numpy()),
        shapely.union_all(planting["outline"].to_numpy()),
    )
    check_categories(schemes, thresholds, areas)
    standing = None
    if asked.agreements:
        standing = files.layer(
            asked.agreements, grid, "layer of agreements", columns["agreements"], GROUND
        )
    agreements, over = grants.agreements_in_force(standing, asked.start_year, "agreements")
    for notice in (*notices, *more, *over, *_no_parcels(belts, schemes)):
        run.notice(notice)
    return Job(asked, grid, belts, schemes, areas, agreements, thresholds, planting, own, names)


def schemes_of(sources: Sequence[str], files: Files) -> list[Scheme]:
    """The schemes of some files, each named once and all in one currency."""
    found: dict[str, Scheme] = {}
    for source in sources:
        scheme = scheme_from(files.toml(source, "scheme file"), Path(source).name)
        if scheme.name in found:
            raise InputError(
                "input-refused",
                "Two scheme files have the same name.",
                where="schemes",
                value=scheme.name,
                mend="Name each scheme once, or give one another name.",
            )
        found[scheme.name] = scheme
    units = {(scheme.currency, scheme.minor_per_major) for scheme in found.values()}
    if len(units) > 1:
        raise InputError(
            "input-refused",
            "Schemes pay in different currencies; they cannot be added up.",
            where="schemes",
            value=", ".join(sorted(f"{code} with {n} minor units" for code, n in units)),
            mend="Run them one currency at a time.",
        )
    return list(found.values())


def _thresholds(asked: GrantOverlayInputs, files: Files) -> list[Threshold]:
    if asked.thresholds:
        content, where = files.toml(asked.thresholds, "threshold file"), Path(asked.thresholds).name
    else:
        content, where = data.toml(DEFAULT_THRESHOLDS), DEFAULT_THRESHOLDS
    return thresholds_from(content, asked.country, where)


def _fill_holdings(belts: gpd.GeoDataFrame, holdings: gpd.GeoDataFrame, run: Run) -> dict[str, str]:
    """Give belts without a holding the one that most of their line lies in, in place."""
    for column in HOLDING_COLUMNS:
        if column not in holdings:
            raise InputError(
                "column-missing",
                f"The layer has no column {column}.",
                where="holdings",
                mend=f"Add it, or name another with --field holdings.{column}=COLUMN.",
            )
    ids = holdings["holding_id"].astype("string").fillna("").str.strip()
    missing = np.flatnonzero(belts["holding_id"] == "")
    shapes = belts["outline"].to_numpy()[missing]
    belt, holding = shapely.STRtree(holdings.geometry.to_numpy()).query(shapes, "intersects")
    shared = shapely.area(shapely.intersection(shapes[belt], holdings.geometry.to_numpy()[holding]))
    pairs = pd.DataFrame({"belt": belt, "id": ids.to_numpy()[holding], "shared": shared})
    # A holding in several parts counts as one; of equal shares the first by name.
    sums = pairs.groupby(["belt", "id"])["shared"].sum().reset_index()
    best = sums.sort_values("shared", ascending=False, kind="stable").drop_duplicates("belt")
    place = belts.columns.get_loc("holding_id")
    belts.iloc[missing[best["belt"].to_numpy(dtype=int)], place] = best["id"].to_numpy(dtype=object)
    if len(best):
        run.notice(
            Notice("holding-found", "belts: holding taken from the layer of holdings", len(best))
        )
    return dict(zip(ids, holdings["name"].astype("string").fillna(""), strict=True))


def area_layers(
    sources: Sequence[str], files: Files, grid: Grid, columns: dict[str, str]
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of grant areas by their names."""
    layers: dict[str, gpd.GeoDataFrame] = {}
    for source in dict.fromkeys(sources):
        name = Path(source).name
        # Kept whole: a category that lies away from the belts is known all the same.
        layers[source if name in layers else name] = files.layer(
            source, grid, "grant-area layer", columns, GROUND, keep_outside=True
        )
    return layers


def check_categories(
    schemes: list[Scheme], thresholds: list[Threshold], areas: dict[str, shapely.Geometry]
) -> None:
    """Every category a file names must be on a map: else a slip would look like ground unfit."""
    named = [(f"scheme “{s.name}”", c) for s in schemes for c in s.categories]
    named += [(f"threshold “{t.name}”", c) for t in thresholds for c in t.categories]
    for where, category in named:
        if category not in areas:
            raise InputError(
                "name-unknown",
                "No grant-area layer holds this category.",
                where=where,
                value=category,
                mend=nearest(category, list(areas))
                if areas
                else "Name the layer that holds it with --grant-area.",
            )


def _new_planting(
    asked: GrantOverlayInputs,
    files: Files,
    grid: Grid,
    belts: gpd.GeoDataFrame,
    columns: dict[str, str],
) -> tuple[gpd.GeoDataFrame, NDArray[np.bool_]]:
    """The belts, planted in the start year or their own, and neighbouring new planting."""
    year = belts["planted_year"].fillna(asked.start_year).clip(lower=asked.start_year)
    mine = belts.assign(planted_year=year)
    if not asked.neighbours:
        return mine, np.ones(len(mine), dtype=bool)
    frame = files.layer(asked.neighbours, grid, "layer of neighbouring belts", columns, GROUND)
    beside, _ = grants.complete(frame, "neighbours", asked.plants_per_ha)
    beside = beside[beside["planted_year"].notna()]
    both = pd.concat([mine, beside], ignore_index=True)
    return both, np.arange(len(both)) < len(mine)


def _no_parcels(belts: gpd.GeoDataFrame, schemes: list[Scheme]) -> list[Notice]:
    unnamed = int((belts["parcel_id"] == "").sum())
    if not unnamed or all(scheme.parcel_cap is None for scheme in schemes):
        return []
    text = "belts: parcel_id not given, each counts as a parcel of its own for caps"
    return [Notice("value-assumed", text, unnamed)]
