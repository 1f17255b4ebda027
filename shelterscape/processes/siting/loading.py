"""Reads and checks the inputs of `siting`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid, grid_direction
from shelterscape.process.belts_read import VALUE_COLUMNS, complete_belts
from shelterscape.process.choices import ResolvedOptions, resolve_options
from shelterscape.process.design_files import designs_from, packaged_designs
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.place_hours import PlaceHours, read_place_hours
from shelterscape.process.reading import Reader, TerrainWinds, never_stop
from shelterscape.process.stages import USUAL_MARGIN_M, Bands, WholeMap, WindWork
from shelterscape.processes.siting.compare import EarlierPlan, read_earlier
from shelterscape.processes.siting.net import Grants, read_grants
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.belts import Case
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.siting import exclusion, planner_layers
from shelterscape.science.siting.candidates import REFERENCE_AGE
from shelterscape.science.siting.designs import Designs
from shelterscape.science.siting.exclusion import ExclusionZone, exclusion_zone
from shelterscape.science.siting.generated_lines import Bearing, best_bearing
from shelterscape.science.terrain.ground import held
from shelterscape.science.terrain.roughness import READ_COLUMNS as ROUGHNESS_COLUMNS
from shelterscape.science.wind import WindSet

COLUMNS: dict[str, tuple[str, ...]] = {
    "belts": belt_layers.READ_COLUMNS,
    **VALUE_COLUMNS,
    "woods": belt_layers.READ_COLUMNS,
    "places": place_layers.READ_COLUMNS,
    "parcels": planner_layers.PARCEL_COLUMNS,
    "holdings": planner_layers.HOLDING_COLUMNS,
    "candidate_lines": planner_layers.LINE_COLUMNS,
    "keep_clear": planner_layers.KEEP_CLEAR_COLUMNS,
    "water": ("clear_m",),
    "openings": planner_layers.OPENING_COLUMNS,
    "constraints": planner_layers.CONSTRAINT_COLUMNS,
    "grant_areas": AREA_COLUMNS,
    "agreements": AGREEMENT_COLUMNS,
    "roughness": ROUGHNESS_COLUMNS,
}
"""Columns that are read, by layer."""

BESIDE_BELT_M = 1.0
"""Least distance of a new belt from the face of an existing one, metres (assumed)."""

EXISTING_BELT, WOOD = "existing belt", "wood"
TOO_STEEP, OFF_HOLDINGS = "steeper than", "outside the holdings"
OFF_AREA = "outside the holding of this run"
MAP_EDGE = "within 10 m of the edge of the terrain model"

MAP_EDGE_M = 10.0
"""Least distance of belts from the edge of the terrain model, metres (assumed): field edges there
are often only the edge of the map, and the ground beyond is unknown."""

DEFAULT_PURPOSE = "crop"
"""Purpose whose design is used where no purpose is given (assumed)."""


@dataclass(frozen=True)
class SitingData:
    """Inputs of `compute`.

    Parameters
    ----------
    params : SitingInputs
    settled : ResolvedOptions
        Purpose and defaults applied; years only, without "as surveyed".
    case : Case
        The case in which lines are compared and chosen.
    elevation : (rows, cols) float32
    grid : Grid
    convergence_deg : float
    belts : GeoDataFrame
        Belts and woods, completed.
    places, parcels, holdings, lines : GeoDataFrame or None
    exclusion_zones : list of ExclusionZone
        Ground where no new belt may go, apart from existing belts.
    existing_belt_zones : list of ExclusionZone
        Ground of existing belts.
    constraint_layers : list of GeoDataFrame
    designs : Designs
    design : BeltDesign
        Design of new belts that name none.
    bearing : Bearing
        Best bearing, from grid north.
    terrain_wind : dict of TerrainWinds
        By season, for each direction of its wind set; two seasons often share one. Empty without
        terrain wind.
    grants : Grants or None
    area : Geometry or None
        The part of the map on which lines may be placed.
    hours : PlaceHours or None
        Hours to count on places.
    earlier : EarlierPlan or None
        The plan to compare with.
    survey_changes : DataFrame or None
        What a survey changed.
    """

    params: SitingInputs
    settled: ResolvedOptions
    case: Case
    elevation: NDArray[np.float32]
    grid: Grid
    convergence_deg: float
    belts: gpd.GeoDataFrame
    places: gpd.GeoDataFrame | None
    parcels: gpd.GeoDataFrame | None
    holdings: gpd.GeoDataFrame | None
    lines: gpd.GeoDataFrame | None
    exclusion_zones: list[ExclusionZone]
    existing_belt_zones: list[ExclusionZone]
    constraint_layers: list[gpd.GeoDataFrame]
    designs: Designs
    design: BeltDesign
    bearing: Bearing
    terrain_wind: dict[str, TerrainWinds]
    grants: Grants | None
    area: shapely.Geometry | None = None
    roughness_m: float | NDArray[np.float32] = 0.03
    rasters: dict[str, Bands] = field(default_factory=dict)
    check_stop: Callable[[], None] = never_stop
    hours: PlaceHours | None = None
    earlier: EarlierPlan | None = None
    survey_changes: pd.DataFrame | None = None

    @property
    def currency(self) -> str:
        """Currency of costs and payments."""
        return self.designs.currency

    @property
    def winds(self) -> WindSet:
        """Wind set of the case in which lines are compared."""
        return self.settled.winds[self.case.season]

    @property
    def cases(self) -> list[Case]:
        """All cases with results."""
        return [c for year in self.settled.years for c in self.settled.cases(year)]

    @property
    def nothing_to_shelter(self) -> bool:
        """Whether places were given, but none of them is on this part of the map."""
        return bool(self.params.places) and self.places is None

    @property
    def checked_elsewhere(self) -> list[str]:
        """Usual constraints covered by layers other than constraints."""
        return planner_layers.usual_constraints_in(self.exclusion_zones) + (
            ["watercourses"] if self.params.water else []
        )


class _LayerReader:
    """Reads optional layers on one grid."""

    def __init__(self, params: SitingInputs, reader: Reader, grid: Grid) -> None:
        self.params, self.reader, self.grid = params, reader, grid
        self.columns = columns_by_layer(params.fields, COLUMNS)

    def layer(self, field: str, what: str) -> gpd.GeoDataFrame | None:
        """The layer of an input; None where it was not given."""
        source = getattr(self.params, field)
        frame = self.one(source, field, what) if source else None
        # On a part of the map a layer may be empty.
        return None if frame is None or not (len(frame) or self.reader.whole) else frame

    def one(self, source: str, field: str, what: str) -> gpd.GeoDataFrame:
        """A layer by its name, with the columns of an input."""
        return self.reader.layer(source, self.grid, what, self.columns[field])


def load(params: SitingInputs, reader: Reader) -> SitingData:
    """Read and check all inputs."""
    elevation, grid, convergence = reader.terrain(params)
    settled = resolve_options(params, reader.winds(params.winds), reader.notice)
    settled = _with_planned_years(settled, params, reader)
    case = _comparison_case(settled)
    layers = _LayerReader(params, reader, grid)
    designs = packaged_designs()
    if params.designs:
        designs = designs_from(reader.toml(params.designs, "file of designs"), "designs")
    purpose = settled.purpose.name if settled.purpose else DEFAULT_PURPOSE
    design = designs.design(params.design) if params.design else designs.design_for(purpose)
    belts, woods, changes = _belts(layers, grid)
    lines = layers.layer("candidate_lines", "layer of candidate lines")
    holdings = _holdings(layers)
    constraint_layers = [_constraints(source, layers) for source in params.constraints]
    winds = settled.winds[case.season]
    roughness: float | NDArray[np.float32] = params.roughness_m
    if params.terrain:
        columns = layers.columns["roughness"]
        roughness = reader.roughness(params, grid, settled.options.at_height_m, belts, columns)
    grants = read_grants(params, reader, grid, layers.columns)
    _check_currency(designs, grants)
    data = SitingData(
        params=params,
        settled=settled,
        case=case,
        elevation=elevation,
        grid=grid,
        convergence_deg=convergence,
        belts=belts,
        places=_places(layers, settled),
        parcels=_parcels(layers),
        holdings=holdings,
        lines=None if lines is None else planner_layers.drawn_lines(lines, "candidate lines"),
        exclusion_zones=_exclusion_zones(layers, elevation, holdings, woods, constraint_layers),
        existing_belt_zones=_existing_belt_zones(belts),
        constraint_layers=constraint_layers,
        designs=designs,
        design=design,
        bearing=best_bearing(
            _directions(winds, convergence), winds.weights(settled.speed_exponent)
        ),
        terrain_wind={},
        grants=grants,
        area=reader.outline,
        roughness_m=roughness,
        check_stop=reader.check_stop,
        hours=read_place_hours(
            params, reader, settled, places=params.places, roughness_m=params.roughness_m
        ),
        survey_changes=changes,
    )
    labels = [one.label for one in data.cases]
    names = ["relative_wind_with_belts", "wind_reduction_added"]
    names += ["relative_wind_difference"] if params.compare else []
    return replace(
        data,
        terrain_wind=_terrain_wind(data, reader),
        rasters={name: Bands(labels) for name in names},
        earlier=read_earlier(params, reader, grid, data.cases),
    )


def _check_currency(designs: Designs, grants: Grants | None) -> None:
    """Refuse costs in one currency and payments in another."""
    paid = grants.schemes[0].currency if grants else designs.currency
    if paid != designs.currency:
        raise InputError(
            "designs-bad",
            "Costs and grants have different currencies.",
            where="file of designs, currency",
            value=f"{designs.currency}; the schemes use {paid}",
            hint=f'Convert the costs in the file of designs to {paid} and set currency = "{paid}".',
        )


def whole_map(params: SitingInputs, reader: Reader) -> WholeMap:
    """Terrain wind of the whole map, from all inputs, with the usual margin."""
    data = load(params, reader)
    if not params.terrain:
        return WholeMap(USUAL_MARGIN_M)
    directions = dict.fromkeys(d for one in data.terrain_wind.values() for d in one.directions)
    ground = held(data.elevation, data.grid, data.roughness_m)
    height_m = data.settled.options.at_height_m
    return WholeMap(USUAL_MARGIN_M, WindWork(params, ground, list(directions), height_m))


def _directions(winds: WindSet, convergence_deg: float) -> list[float]:
    return [grid_direction(float(d), convergence_deg) for d in winds.direction_deg]


def _terrain_wind(data: SitingData, reader: Reader) -> dict[str, TerrainWinds]:
    """Terrain wind by season; one for seasons with the same directions."""
    if not data.params.terrain:
        return {}
    found: dict[tuple[float, ...], TerrainWinds] = {}
    by_season = {}
    for season, winds in data.settled.winds.items():
        directions = tuple(_directions(winds, data.convergence_deg))
        if directions not in found:
            found[directions] = reader.terrain_wind(
                data.params,
                data.elevation,
                data.grid,
                directions,
                height_m=data.settled.options.at_height_m,
                roughness_m=data.roughness_m,
            )
        by_season[season] = found[directions]
    return by_season


def _with_planned_years(
    settled: ResolvedOptions, params: SitingInputs, reader: Reader
) -> ResolvedOptions:
    """Years with new belts; where none is given, the year in which they are 20 years old."""
    years = tuple(year for year in settled.years if year is not None)
    early = [year for year in years if year < params.planting_year]
    if early:
        raise InputError(
            "input-refused",
            "A year is before the year of planting.",
            where="years",
            value=early[0],
            hint=f"Give years from {params.planting_year} on, or an earlier planting_year.",
        )
    if not years:
        years = (params.planting_year + REFERENCE_AGE,)
        text = (
            f"no year given: results are for {years[0]}, when new belts are {REFERENCE_AGE} years "
            "old"
        )
        reader.notice(Notice("value-assumed", text))
    return ResolvedOptions(**{**vars(settled), "years": years})


def _comparison_case(settled: ResolvedOptions) -> Case:
    """The case in which lines are compared: the season of the purpose in the last year."""
    season = settled.seasons[0]
    if settled.purpose and settled.purpose.season in settled.seasons:
        season = settled.purpose.season
    elif not settled.purpose and "bare" in settled.seasons:
        season = "bare"
    return Case(season, settled.years[-1])


def _belts(
    layers: _LayerReader, grid: Grid
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None, pd.DataFrame | None]:
    """Belts with woods behind them, the woods alone, and what a survey changed."""
    source = layers.layer("belts", "belt layer")
    if source is None:
        source = gpd.GeoDataFrame(geometry=[], crs=grid.crs)
    belts, changes = complete_belts(layers.params, layers.reader, source, COLUMNS)
    drawn = layers.layer("woods", "layer of woods")
    if drawn is None:
        return belts, None, changes
    woods, notices = belt_layers.complete(drawn, "woods")
    layers.reader.notices(notices)
    return (
        gpd.GeoDataFrame(pd.concat([belts, woods], ignore_index=True), crs=belts.crs),
        woods,
        changes,
    )


def _places(layers: _LayerReader, settled: ResolvedOptions) -> gpd.GeoDataFrame | None:
    """Places that count: those of the purpose, and those without one."""
    frame = layers.layer("places", "place layer")
    if frame is None:
        return None
    places, notices = place_layers.complete(frame, "places")
    layers.reader.notices(notices)
    if layers.params.stock_ground_m2 is not None:
        places = places.assign(head_m2=layers.params.stock_ground_m2)
    wanted = list(layers.params.purposes)
    if settled.purpose is not None:
        wanted = list(dict.fromkeys([settled.purpose.name, *wanted]))
    if not wanted:
        return places
    counts = places["purpose"].isin([*wanted, ""])
    if not counts.any() and not layers.reader.whole:
        return None
    missing = [name for name in layers.params.purposes if not (places["purpose"] == name).any()]
    if layers.reader.whole and (missing or not counts.any()):
        raise InputError(
            "input-refused",
            "No place has this purpose.",
            where="places",
            value=(missing or wanted)[0],
            hint=f"Use one of these purposes: {', '.join(sorted(set(places['purpose'])))}.",
        )
    if others := int((~counts).sum()):
        text = f"places with another purpose than {', '.join(wanted)}: not counted"
        layers.reader.notice(Notice("places-left-out", text, others))
    return places[counts].reset_index(drop=True)


def _holdings(layers: _LayerReader) -> gpd.GeoDataFrame | None:
    frame = layers.layer("holdings", "holding layer")
    return None if frame is None else planner_layers.with_holding_ids(frame, "holdings")


def _parcels(layers: _LayerReader) -> gpd.GeoDataFrame | None:
    frame = layers.layer("parcels", "parcel layer")
    if frame is None:
        return None
    known = frame if "holding_id" in frame else frame.assign(holding_id="")
    return planner_layers.with_holding_ids(known, "parcels")


def _constraints(source: str, layers: _LayerReader) -> gpd.GeoDataFrame:
    frame = layers.one(source, "constraints", "layer of constraints")
    path, _, layer = source.rpartition(":")
    name = layer if path else source
    found, notices = planner_layers.complete_constraints(frame, f"constraints {name}", name)
    layers.reader.notices(notices)
    return found


def _exclusion_zones(
    layers: _LayerReader,
    elevation: NDArray[np.float32],
    holdings: gpd.GeoDataFrame | None,
    woods: gpd.GeoDataFrame | None,
    constraint_layers: list[gpd.GeoDataFrame],
) -> list[ExclusionZone]:
    """Ground where no new belt may go, most serious reasons first."""
    grid, limit_deg = layers.grid, layers.params.slope_limit_deg
    found = planner_layers.forbidden_zones(constraint_layers)
    for name, what, made in (
        ("keep_clear", "keep-clear layer", planner_layers.keep_clear_zones),
        ("water", "layer of water", planner_layers.water_zones),
    ):
        frame = layers.layer(name, what)
        if frame is not None:
            exclusion_zones, notices = made(frame, name)
            layers.reader.notices(notices)
            found += exclusion_zones
    if woods is not None:
        found.append(exclusion_zone(WOOD, woods.geometry.to_numpy(), BESIDE_BELT_M))
    steep = exclusion.steep_ground(elevation, grid, limit_deg)
    found.append(exclusion_zone(f"{TOO_STEEP} {limit_deg:g}°", steep))
    inner = shapely.box(*grid.bounds).buffer(-MAP_EDGE_M)
    found.append(exclusion_zone(MAP_EDGE, np.array([inner], dtype=object), outside=True))
    if holdings is not None:
        found.append(exclusion_zone(OFF_HOLDINGS, holdings.geometry.to_numpy(), outside=True))
    if (area := layers.reader.outline) is not None:
        found.append(exclusion_zone(OFF_AREA, np.array([area], dtype=object), outside=True))
    ways = layers.layer("openings", "layer of openings")
    if ways is not None:
        exclusion_zones, notices = planner_layers.opening_zones(ways, "openings")
        layers.reader.notices(notices)
        found += exclusion_zones
    return found


def _existing_belt_zones(belts: gpd.GeoDataFrame) -> list[ExclusionZone]:
    """Ground of existing belts up to their faces; woods are other exclusion zones too."""
    shapes = belts.geometry.to_numpy()
    half = np.where(belts.geom_type.str.endswith("LineString"), belts["width_m"] / 2, 0.0)
    return [ExclusionZone(EXISTING_BELT, shapes, half + BESIDE_BELT_M)]
