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
from shelterscape.process.choices import ResolvedOptions, resolve_options
from shelterscape.process.design_files import designs_from, packaged_designs
from shelterscape.process.place_hours import PlaceHours, read_place_hours
from shelterscape.process.reading import Reader, TerrainWinds, never_stop
from shelterscape.process.stages import USUAL_MARGIN_M, Bands, WholeMap, WindWork
from shelterscape.processes.siting import layer_inputs
from shelterscape.processes.siting.compare import EarlierPlan, read_earlier
from shelterscape.processes.siting.layer_inputs import LayerReader
from shelterscape.processes.siting.net import Grants, read_grants
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science.belts import Case
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.siting import planner_layers
from shelterscape.science.siting.candidates import REFERENCE_AGE
from shelterscape.science.siting.designs import Designs
from shelterscape.science.siting.exclusion import ExclusionZone
from shelterscape.science.siting.generated_lines import Bearing, best_bearing
from shelterscape.science.terrain.ground import held
from shelterscape.science.wind import WindSet

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


def load(params: SitingInputs, reader: Reader) -> SitingData:
    """Read and check all inputs."""
    elevation, grid, convergence = reader.terrain(params)
    settled = resolve_options(params, reader.winds(params.winds), reader.notice, params.roughness_m)
    settled = _with_planned_years(settled, params, reader)
    case = _comparison_case(settled)
    layers = LayerReader(params, reader, grid)
    designs, design = _designs(params, settled, reader)
    belts, woods, changes = layer_inputs.belts_and_woods(layers, grid)
    lines = layers.layer("candidate_lines", "layer of candidate lines")
    holdings = layer_inputs.holdings(layers)
    constraint_layers = [layer_inputs.constraints(source, layers) for source in params.constraints]
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
        places=layer_inputs.places_that_count(layers, settled),
        parcels=layer_inputs.parcels(layers),
        holdings=holdings,
        lines=None if lines is None else planner_layers.drawn_lines(lines, "candidate lines"),
        exclusion_zones=layer_inputs.exclusion_zones(
            layers, elevation, holdings, woods, constraint_layers
        ),
        existing_belt_zones=layer_inputs.existing_belt_zones(belts),
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


def _designs(
    params: SitingInputs, settled: ResolvedOptions, reader: Reader
) -> tuple[Designs, BeltDesign]:
    """All designs, and the one of new belts."""
    designs = packaged_designs()
    if params.designs:
        designs = designs_from(reader.toml(params.designs, "file of designs"), "designs")
    purpose = settled.purpose.name if settled.purpose else DEFAULT_PURPOSE
    return designs, designs.design(params.design) if params.design else designs.design_for(purpose)


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
    unmapped = reader.seen_ground(params, data.grid)
    ground = unmapped.over(held(data.elevation, data.grid, data.roughness_m))
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
