"""What `siting` reads, checked and put together."""

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
from shelterscape.process.choices import Choices, choices
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.reading import Reader, TerrainWinds, never_stop
from shelterscape.process.stages import USUAL_MARGIN_M, Bands, WholeMap, WindWork
from shelterscape.processes.siting.net import Grants, read_grants
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.belts import Case
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS
from shelterscape.science.siting import cutting, planner_layers
from shelterscape.science.siting.candidates import TELLING_AGE
from shelterscape.science.siting.cutting import Cutter, cutter
from shelterscape.science.siting.designs import Design, Designs, designs_of, packaged
from shelterscape.science.siting.generated_lines import Bearing, best_bearing
from shelterscape.science.terrain.ground import held
from shelterscape.science.terrain.roughness import READ_COLUMNS as ROUGHNESS_COLUMNS
from shelterscape.science.wind import WindSet

COLUMNS: dict[str, tuple[str, ...]] = {
    "belts": belt_layers.READ_COLUMNS,
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
"""How far a new belt keeps from the face of one that stands, metres (E)."""

BELT_STANDS, WOOD_STANDS = "an existing belt stands there", "wood"
TOO_STEEP, OFF_HOLDINGS = "too steep", "off the holdings"
OFF_AREA = "off the part of the map looked at"
MAP_EDGE = "at the edge of the terrain model"

MAP_EDGE_M = 10.0
"""No belt stands this near to the edge of the terrain model, metres (E): what is an edge of a field
there is often that of the map, and the ground beyond is not known."""

NO_PURPOSE = "crop"
"""Purpose whose design is taken where none is named (E)."""


@dataclass(frozen=True)
class SitingData:
    """What `compute` works from.

    Parameters
    ----------
    params : SitingInputs
    settled : Choices
        Purpose and defaults worked in; years without the word surveyed.
    case : Case
        The one in which lines are compared and chosen.
    elevation : (rows, cols) float32
    grid : Grid
    convergence_deg : float
    belts : GeoDataFrame
        Belts and woods, completed.
    places, parcels, holdings, lines : GeoDataFrame or None
    cutters : list of Cutter
        What bars new belts, belts that stand apart.
    standing : list of Cutter
        Those.
    register : list of GeoDataFrame
        Constraints.
    book : Designs
    design : Design
        Of new belts that name none.
    bearing : Bearing
        From grid north.
    terrain_wind : dict of TerrainWinds
        By season, for each direction of its wind set; winds of two seasons often are the same.
        Empty where the terrain does not count.
    grants : Grants or None
    area : Geometry or None
        The part of the map on which lines may lie.
    """

    params: SitingInputs
    settled: Choices
    case: Case
    elevation: NDArray[np.float32]
    grid: Grid
    convergence_deg: float
    belts: gpd.GeoDataFrame
    places: gpd.GeoDataFrame | None
    parcels: gpd.GeoDataFrame | None
    holdings: gpd.GeoDataFrame | None
    lines: gpd.GeoDataFrame | None
    cutters: list[Cutter]
    standing: list[Cutter]
    register: list[gpd.GeoDataFrame]
    book: Designs
    design: Design
    bearing: Bearing
    terrain_wind: dict[str, TerrainWinds]
    grants: Grants | None
    area: shapely.Geometry | None = None
    roughness_m: float | NDArray[np.float32] = 0.03
    rasters: dict[str, Bands] = field(default_factory=dict)
    check_stop: Callable[[], None] = never_stop

    @property
    def winds(self) -> WindSet:
        """Winds of the case lines are compared in."""
        return self.settled.winds[self.case.season]

    @property
    def cases(self) -> list[Case]:
        """All cases results are told for."""
        return [c for year in self.settled.years for c in self.settled.cases(year)]

    @property
    def unneeded(self) -> bool:
        """Whether nothing on a part of the map needs shelter, while elsewhere places do."""
        return bool(self.params.places) and self.places is None

    @property
    def looked_at(self) -> list[str]:
        """Usual constraints heeded by another road than the register."""
        return planner_layers.heeded(self.cutters) + (["watercourses"] if self.params.water else [])


class _Layers:
    """Reads optional layers on one grid."""

    def __init__(self, params: SitingInputs, reader: Reader, grid: Grid) -> None:
        self.params, self.reader, self.grid = params, reader, grid
        self.columns = columns_by_layer(params.fields, COLUMNS)

    def layer(self, field: str, what: str) -> gpd.GeoDataFrame | None:
        """The layer of a field, None where it was not given."""
        source = getattr(self.params, field)
        frame = self.one(source, field, what) if source else None
        # On a part of the map a layer may have nothing to say.
        return None if frame is None or not (len(frame) or self.reader.whole) else frame

    def one(self, source: str, field: str, what: str) -> gpd.GeoDataFrame:
        """A layer by its name, with the columns of a field."""
        return self.reader.layer(source, self.grid, what, self.columns[field])


def load(params: SitingInputs, reader: Reader) -> SitingData:
    """Read and check all inputs."""
    elevation, grid, convergence = reader.terrain(params)
    settled = choices(params, reader.winds(params.winds), reader.notice)
    settled = _without_survey(settled, params, reader)
    case = _deciding(settled)
    layers = _Layers(params, reader, grid)
    book = packaged()
    if params.designs:
        book = designs_of(reader.toml(params.designs, "file of designs"), "designs")
    purpose = settled.purpose.name if settled.purpose else NO_PURPOSE
    design = book.find(params.design) if params.design else book.design_for(purpose)
    belts, woods = _belts(layers, grid)
    lines = layers.layer("candidate_lines", "layer of candidate lines")
    holdings = _holdings(layers)
    register = [_constraints(source, layers) for source in params.constraints]
    winds = settled.winds[case.season]
    roughness: float | NDArray[np.float32] = params.roughness_m
    if params.terrain:
        columns = layers.columns["roughness"]
        roughness = reader.roughness(params, grid, settled.how.at_height_m, belts, columns)
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
        lines=None if lines is None else planner_layers.given_lines(lines, "candidate lines"),
        cutters=_cutters(layers, elevation, holdings, woods, register),
        standing=_standing(belts),
        register=register,
        book=book,
        design=design,
        bearing=best_bearing(_directions(winds, convergence), winds.weights(settled.power)),
        terrain_wind={},
        grants=read_grants(params, reader, grid, layers.columns),
        area=reader.outline,
        roughness_m=roughness,
        check_stop=reader.check_stop,
    )
    labels = [one.label for one in data.cases]
    rasters = {name: Bands(labels) for name in ("relative_wind_with", "shelter_gain")}
    return replace(data, terrain_wind=_terrain_wind(data, reader), rasters=rasters)


def whole_map(params: SitingInputs, reader: Reader) -> WholeMap:
    """Terrain wind of the whole map, reading all there is; the margin is the usual one."""
    data = load(params, reader)
    if not params.terrain:
        return WholeMap(USUAL_MARGIN_M)
    directions = dict.fromkeys(d for one in data.terrain_wind.values() for d in one.directions)
    ground = held(data.elevation, data.grid, data.roughness_m)
    height_m = data.settled.how.at_height_m
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
                height_m=data.settled.how.at_height_m,
                roughness_m=data.roughness_m,
            )
        by_season[season] = found[directions]
    return by_season


def _without_survey(settled: Choices, params: SitingInputs, reader: Reader) -> Choices:
    """Years in which new belts are there; without any, that in which they are 20 years old."""
    years = tuple(year for year in settled.years if year is not None)
    early = [year for year in years if year < params.planting_year]
    if early:
        raise InputError(
            "input-refused",
            "Nothing is planted yet in a year chosen.",
            where="years",
            value=early[0],
            mend=f"Give years from {params.planting_year}, the year of planting, on.",
        )
    if not years:
        years = (params.planting_year + TELLING_AGE,)
        text = f"no year given: belts are looked at in {years[0]}, {TELLING_AGE} years old"
        reader.notice(Notice("value-assumed", text))
    return Choices(**{**vars(settled), "years": years})


def _deciding(settled: Choices) -> Case:
    """The case lines are compared in: the purpose's season, in the last year."""
    season = settled.seasons[0]
    if settled.purpose and settled.purpose.season in settled.seasons:
        season = settled.purpose.season
    elif not settled.purpose and "bare" in settled.seasons:
        season = "bare"
    return Case(season, settled.years[-1])


def _belts(layers: _Layers, grid: Grid) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None]:
    """Belts with woods behind them, and the woods alone."""
    source = layers.layer("belts", "belt layer")
    if source is None:
        source = gpd.GeoDataFrame(geometry=[], crs=grid.crs)
    belts, notices = belt_layers.complete(source, "belts")
    layers.reader.notices(notices)
    drawn = layers.layer("woods", "layer of woods")
    if drawn is None:
        return belts, None
    woods, notices = belt_layers.complete(drawn, "woods")
    layers.reader.notices(notices)
    return gpd.GeoDataFrame(pd.concat([belts, woods], ignore_index=True), crs=belts.crs), woods


def _places(layers: _Layers, settled: Choices) -> gpd.GeoDataFrame | None:
    """Places that count: those of the purpose, and those without one."""
    frame = layers.layer("places", "place layer")
    if frame is None:
        return None
    places, notices = place_layers.complete(frame, "places")
    layers.reader.notices(notices)
    if settled.purpose is None:
        return places
    counts = places["purpose"].isin([settled.purpose.name, ""])
    if not counts.any() and not layers.reader.whole:
        return None
    if not counts.any():
        raise InputError(
            "input-refused",
            "No place is sheltered for this purpose.",
            where="places",
            value=settled.purpose.name,
            mend=f"Use one of: {', '.join(sorted(set(places['purpose'])))}.",
        )
    if others := int((~counts).sum()):
        text = f"places: of another purpose than {settled.purpose.name}, not counted"
        layers.reader.notice(Notice("places-left-out", text, others))
    return places[counts].reset_index(drop=True)


def _holdings(layers: _Layers) -> gpd.GeoDataFrame | None:
    frame = layers.layer("holdings", "holding layer")
    return None if frame is None else planner_layers.with_holding_ids(frame, "holdings")


def _parcels(layers: _Layers) -> gpd.GeoDataFrame | None:
    frame = layers.layer("parcels", "parcel layer")
    if frame is None:
        return None
    known = frame if "holding_id" in frame else frame.assign(holding_id="")
    return planner_layers.with_holding_ids(known, "parcels")


def _constraints(source: str, layers: _Layers) -> gpd.GeoDataFrame:
    frame = layers.one(source, "constraints", "layer of constraints")
    path, _, layer = source.rpartition(":")
    name = layer if path else source
    found, notices = planner_layers.complete_constraints(frame, f"constraints {name}", name)
    layers.reader.notices(notices)
    return found


def _cutters(
    layers: _Layers,
    elevation: NDArray[np.float32],
    holdings: gpd.GeoDataFrame | None,
    woods: gpd.GeoDataFrame | None,
    register: list[gpd.GeoDataFrame],
) -> list[Cutter]:
    """What bars new belts, hardest reasons first."""
    grid, limit_deg = layers.grid, layers.params.slope_limit_deg
    found = planner_layers.forbidding(register)
    for name, what, made in (
        ("keep_clear", "keep-clear layer", planner_layers.keep_clear),
        ("water", "layer of water", planner_layers.water),
    ):
        frame = layers.layer(name, what)
        if frame is not None:
            cutters, notices = made(frame, name)
            layers.reader.notices(notices)
            found += cutters
    if woods is not None:
        found.append(cutter(WOOD_STANDS, woods.geometry.to_numpy(), BESIDE_BELT_M))
    steep = cutting.steep_ground(elevation, grid, limit_deg)
    found.append(cutter(f"{TOO_STEEP}, over {limit_deg:g}°", steep))
    inner = shapely.box(*grid.bounds).buffer(-MAP_EDGE_M)
    found.append(cutter(MAP_EDGE, np.array([inner], dtype=object), outside=True))
    if holdings is not None:
        found.append(cutter(OFF_HOLDINGS, holdings.geometry.to_numpy(), outside=True))
    if (area := layers.reader.outline) is not None:
        found.append(cutter(OFF_AREA, np.array([area], dtype=object), outside=True))
    ways = layers.layer("openings", "layer of openings")
    if ways is not None:
        cutters, notices = planner_layers.openings_given(ways, "openings")
        layers.reader.notices(notices)
        found += cutters
    return found


def _standing(belts: gpd.GeoDataFrame) -> list[Cutter]:
    """Belts that stand, by their faces; woods are among the other cutters too."""
    shapes = belts.geometry.to_numpy()
    half = np.where(belts.geom_type.str.endswith("LineString"), belts["width_m"] / 2, 0.0)
    return [Cutter(BELT_STANDS, shapes, half + BESIDE_BELT_M)]
