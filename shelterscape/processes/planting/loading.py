"""Reads and checks the inputs of `planting`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid, grid_direction
from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.process.area import Area
from shelterscape.process.calendar_files import calendar_rules
from shelterscape.process.design_files import designs_from, packaged_designs
from shelterscape.process.inputs import columns_by_layer, nearest
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader, never_stop
from shelterscape.process.stages import Bands
from shelterscape.processes.planting.places import sheltered_places
from shelterscape.processes.planting.spec import PlantingInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.belts import refuse_points
from shelterscape.science.columns import numbers, unique_names, words
from shelterscape.science.damaging_wind import vector_mean_deg
from shelterscape.science.grants.actions import FROM
from shelterscape.science.growth import parse_local_height
from shelterscape.science.planting.belt_sites import SiteLayers
from shelterscape.science.planting.belt_warnings import Ground
from shelterscape.science.planting.layout import Site
from shelterscape.science.planting.place_targets import ShelteredPlaces
from shelterscape.science.planting.rows import veteran_clearances
from shelterscape.science.planting.task_calendar import TaskRule
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.siting.areas import with_areas
from shelterscape.science.siting.candidates import NEW_ACTIONS
from shelterscape.science.siting.designs import Designs
from shelterscape.science.siting.planner_layers import (
    KEEP_CLEAR_COLUMNS,
    OPENING_COLUMNS,
    PARCEL_COLUMNS,
    keep_clear_zones,
)
from shelterscape.science.terrain.wind_over_terrain import work_bytes as terrain_wind_bytes
from shelterscape.science.wind import WindSet, choose_subset
from shelterscape.terms import TERMS

VERTEX_BYTES, CELL_BYTES, PLACES_BYTES = 40_000.0, 30.0, 40.0
"""Memory for each vertex of all layers, for each cell, and for each cell with places, bytes
(assumed)."""

TREE_COLUMNS = ("stem_diameter_m", "canopy_radius_m")

GROUND = {
    "wet_ground": "layer of wet ground",
    "drains": "layer of drains",
}
SPECIES_GROUND = {"salt_ground": "layer of salt ground", "deep_peat": "layer of deep peat"}
"""Layers of which only the shapes are read: what each is in errors."""

COLUMNS = {
    "belts": (
        "candidate",
        "name",
        "action",
        "design",
        "holding_id",
        "parcel_id",
        "planting_year",
    ),
    "keep_clear": KEEP_CLEAR_COLUMNS,
    "veteran_trees": TREE_COLUMNS,
    "openings": OPENING_COLUMNS,
    "existing_belts": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    "parcels": PARCEL_COLUMNS,
    "height_limits": ("height_limit_m",),
}
"""Columns that are read, by layer."""


@dataclass(frozen=True)
class PlantingData:
    """Checked inputs of `compute`.

    Parameters
    ----------
    params : PlantingInputs
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    belts : GeoDataFrame
        Lines with ``belt``, ``design``, ``holding_id``, ``parcel_id``, ``planted_year``.
    neighbouring : GeoDataFrame
        The same of all lines, those of other parts of the map included.
    sheltered : ShelteredPlaces or None
        Places, and what shelters them; None where no places are given.
    designs : Designs
    purpose : Purpose
    site : Site
    ground : Ground
        Terrain, existing belts, wet ground and drains.
    parcels : GeoDataFrame or None
        Parcels with ``parcel_id``.
    grant_actions : DataFrame or None
        Text, as grant-overlay writes the table.
    layers : SiteLayers
        Ground that decides which species are kept.
    winds : WindSet
        The damaging wind.
    convergence_deg : float
        From true to grid north.
    local_heights : dict
        Site index by species.
    rules : list of TaskRule
    rules_date : date
    southern : bool
        Whether the map is in the southern hemisphere.
    check_stop : callable
        Called during long work; may raise.
    rasters : dict of Bands
        None.
    """

    params: PlantingInputs
    elevation: NDArray[np.float32]
    grid: Grid
    belts: gpd.GeoDataFrame
    neighbouring: gpd.GeoDataFrame
    sheltered: ShelteredPlaces | None
    designs: Designs
    purpose: Purpose
    site: Site
    ground: Ground
    parcels: gpd.GeoDataFrame | None
    grant_actions: pd.DataFrame | None
    layers: SiteLayers
    winds: WindSet
    convergence_deg: float
    local_heights: dict[str, SiteIndex]
    rules: list[TaskRule]
    rules_date: date
    southern: bool
    check_stop: Callable[[], None] = never_stop
    rasters: dict[str, Bands] = field(default_factory=dict)


def load(params: PlantingInputs, reader: Reader) -> PlantingData:
    """Read and check all inputs."""
    columns = columns_by_layer(params.fields, COLUMNS)
    elevation, grid, convergence = reader.terrain(params)
    purpose = _purpose(params.purpose)
    designs = packaged_designs()
    if params.designs:
        designs = designs_from(reader.toml(params.designs, "file of designs"), "designs")
    content = reader.toml(params.calendar, "file of tasks") if params.calendar else None
    rules, rules_date = calendar_rules(content, *(["calendar"] if params.calendar else []))
    winds = choose_subset(reader.winds(params.winds), params.subset, purpose.subsets, "winds")
    existing = None
    if params.existing_belts:
        what, known = "layer of existing belts", columns["existing_belts"]
        existing = reader.layer(params.existing_belts, grid, what, known)
    ground = _ground(params, reader, elevation, grid, existing)
    parcels = None
    if params.parcels:
        parcels = reader.layer(params.parcels, grid, "parcel layer", columns["parcels"])
    local_heights = dict(parse_local_height(text) for text in params.local_heights)
    belts = _belts(params, reader, grid, columns["belts"], designs, purpose, parcels)
    own = np.ones(len(belts), bool) if reader.area is None else _of_holding(belts, reader.area)
    return PlantingData(
        params=params,
        elevation=elevation,
        grid=grid,
        belts=belts[own].reset_index(drop=True),
        neighbouring=belts,
        sheltered=sheltered_places(
            reader.places(params.places, grid, columns["places"]),
            existing,
            reader,
            winds=winds,
            purpose=purpose,
            grid=grid,
            known=np.isfinite(elevation),
            convergence_deg=convergence,
            local_heights=local_heights,
        ),
        designs=designs,
        purpose=purpose,
        site=_site(params, reader, grid, columns, _from_deg(winds, purpose, convergence)),
        ground=ground,
        parcels=parcels,
        grant_actions=_grant_actions(params, reader),
        layers=_site_layers(params, reader, grid, ground, columns["height_limits"]),
        winds=winds,
        convergence_deg=convergence,
        local_heights=local_heights,
        rules=rules,
        rules_date=rules_date,
        southern=grid.lon_lat()[1] < 0,
        check_stop=reader.check_stop,
    )


def _purpose(name: str) -> Purpose:
    known = purposes()
    if name not in known:
        raise InputError(
            "name-unknown",
            "The purpose is unknown.",
            where="purpose",
            value=name,
            hint=nearest(name, list(known)),
        )
    return known[name]


def _from_deg(winds: WindSet, purpose: Purpose, convergence_deg: float) -> float:
    """Direction from which the damaging wind comes on the whole, degrees from grid north."""
    weights = winds.weights(purpose.speed_exponent)
    return grid_direction(vector_mean_deg(winds.direction_deg, weights), convergence_deg)


def _belts(
    params: PlantingInputs,
    reader: Reader,
    grid: Grid,
    columns: dict[str, str],
    designs: Designs,
    purpose: Purpose,
    parcels: gpd.GeoDataFrame | None,
) -> gpd.GeoDataFrame:
    """Lines to plant with name, design, holding, parcel and year."""
    chosen, what = "belts" in reader.from_steps, "layer of lines to plant"
    layer = reader.layer(params.belts, grid, what, columns, may_be_empty=chosen)
    _refuse_areas(layer)
    # The row of the file numbers an unnamed belt, so that it has one name in all parts of a map.
    texts = {
        name: pd.Series(words(layer, name), layer.index, dtype=object)
        for name in COLUMNS["belts"][:-1]
    }
    names = texts["candidate"].where(texts["candidate"] != "", texts["name"])
    usual = params.design or designs.design_for(purpose.name, "designs").name
    year = numbers(layer, "planting_year", TERMS["planting_year"], "belts")
    frame = gpd.GeoDataFrame(
        {
            "belt": unique_names(names, "belt"),
            "design": texts["design"].where(texts["design"] != "", usual),
            "holding_id": texts["holding_id"],
            "parcel_id": texts["parcel_id"],
            "planted_year": np.where(np.isnan(year), params.planting_year, year).astype(int),
        },
        geometry=layer.geometry.to_numpy(),
        crs=grid.crs,
    )
    new = texts["action"].isin(("", *NEW_ACTIONS)).to_numpy(dtype=bool)
    if (~new).any():
        text = "belts: restorations were left out; only new belts are planned here"
        reader.notice(Notice("restorations-left-out", text, int((~new).sum())))
    frame = with_areas(frame[new], parcels, PARCEL_COLUMNS)
    for name in set(frame["design"]):
        designs.design(name)
    return frame


def _of_holding(belts: gpd.GeoDataFrame, area: Area) -> NDArray[np.bool_]:
    """Belts that this part of the map plants, each in one part: by holding, else by its middle."""
    middle = shapely.line_interpolate_point(
        shapely.line_merge(belts.geometry.to_numpy()), 0.5, normalized=True
    )
    inside = shapely.intersects(middle, area.geometry)
    named = belts["holding_id"].to_numpy(dtype=object)
    known = (named != "") & (area.holding_id != "")
    return np.where(known, named == area.holding_id, inside).astype(bool)


def _refuse_areas(layer: gpd.GeoDataFrame) -> None:
    refuse_points(layer, "belts")
    areas = shapely.get_dimensions(layer.geometry.to_numpy()) == 2
    if areas.any():
        raise InputError(
            "input-refused",
            f"{int(areas.sum())} of {len(layer)} belts are areas; rows are placed along lines.",
            where=f"belts, feature {layer.index[int(np.argmax(areas))] + 1}",
            hint="Draw the centre of each belt as a line.",
        )


def _site(
    params: PlantingInputs,
    reader: Reader,
    grid: Grid,
    columns: dict[str, dict[str, str]],
    wind_from_deg: float,
) -> Site:
    """Wind, clearances and openings."""
    clear: list[shapely.Geometry] = []
    if params.keep_clear:
        layer = reader.layer(params.keep_clear, grid, "keep-clear layer", columns["keep_clear"])
        zones, notices = keep_clear_zones(layer, "keep_clear")
        reader.notices(notices)
        clear += [s for z in zones for s in shapely.buffer(z.areas, z.clear_m) if not s.is_empty]
    if params.veteran_trees:
        what, known = "layer of veteran trees", columns["veteran_trees"]
        layer = reader.layer(params.veteran_trees, grid, what, known)
        stem, canopy = (numbers(layer, c, TERMS[c], "veteran_trees") for c in TREE_COLUMNS)
        trees = shapely.centroid(layer.geometry.to_numpy())
        radii = params.stem_factor, params.beyond_canopy_m
        clear += [*veteran_clearances(trees, stem, canopy, *radii)]
    if not params.openings:
        return Site(wind_from_deg, clear)
    layer = reader.layer(params.openings, grid, "layer of openings", columns["openings"])
    width = numbers(layer, "width_m", TERMS["width_m"], "openings")
    return Site(wind_from_deg, clear, list(layer.geometry), list(width))


def _shapes_of(
    params: PlantingInputs, reader: Reader, grid: Grid, layers: dict[str, str]
) -> dict[str, NDArray[np.object_]]:
    """Shapes of the layers that were given, by input."""
    return {
        name: np.asarray(reader.layer(source, grid, what, {}).geometry.to_numpy(), dtype=object)
        for name, what in layers.items()
        if (source := getattr(params, name))
    }


def _ground(
    params: PlantingInputs,
    reader: Reader,
    elevation: NDArray[np.float32],
    grid: Grid,
    existing: gpd.GeoDataFrame | None,
) -> Ground:
    """Terrain, and shapes of the layers given."""
    shapes = _shapes_of(params, reader, grid, GROUND)
    lines = np.empty(0, dtype=object)
    if existing is not None:
        lines = np.asarray(existing.geometry.to_numpy(), dtype=object)
    return Ground(elevation, grid, lines, shapes.get("wet_ground"), shapes.get("drains"))


ACTION_COLUMNS = (
    "date_rule",
    "action_date",
    "grant_action",
    "scheme",
    "holding_id",
    "evidence",
    "at_stake",
    "currency",
    "loss_if_missed",
)


def _grant_actions(params: PlantingInputs, reader: Reader) -> pd.DataFrame | None:
    """The table of actions that grant-overlay writes, as text."""
    if not params.grant_actions:
        return None
    hint = "Use the table grant_actions that grant-overlay writes."
    columns = {name: name for name in ACTION_COLUMNS}
    table = reader.text_table(params.grant_actions, "table of grant actions", columns, hint)
    for column in ACTION_COLUMNS:
        if column not in table:
            raise InputError(
                "column-missing",
                "The table of grant actions lacks a column.",
                where="grant_actions",
                value=column,
                hint=hint,
            )
    for row in np.flatnonzero(table["date_rule"] == FROM):
        day = str(table["action_date"].iloc[row])
        if pd.isna(pd.to_datetime(day, format="%Y-%m-%d", errors="coerce")):
            raise InputError(
                "column-bad",
                "The day before which no work starts is not a date.",
                where=f"grant_actions, row {row + 1}, action_date",
                value=day,
                hint="Write it as 2027-03-01.",
            )
    money = numbers(table, "at_stake", TERMS["at_stake"], "grant_actions", row="row", needed=True)
    return table.assign(at_stake=money)


def _site_layers(
    params: PlantingInputs, reader: Reader, grid: Grid, ground: Ground, columns: dict[str, str]
) -> SiteLayers:
    """Ground that decides which species are kept."""
    shapes = _shapes_of(params, reader, grid, SPECIES_GROUND)
    limits, metres = None, None
    if params.height_limits:
        frame = reader.layer(params.height_limits, grid, "layer of height limits", columns)
        limits = np.asarray(frame.geometry.to_numpy(), dtype=object)
        metres = numbers(frame, "height_limit_m", TERMS["height_limit_m"], "height_limits")
    salt, peat = shapes.get("salt_ground"), shapes.get("deep_peat")
    return SiteLayers(ground.wet, salt, peat, ground.drains, limits, metres)


def work_bytes(params: PlantingInputs, sizes: InputSizes) -> float:
    """Largest memory needed, bytes: terrain model, topex and terrain wind, rows of plants."""
    terrain = terrain_wind_bytes(sizes.grid) if sizes.grid else 0.0
    a_cell = CELL_BYTES + (PLACES_BYTES if params.places else 0.0)
    return a_cell * sizes.cells + terrain + VERTEX_BYTES * sizes.vertices
