"""What `siting` reads, checked and put together."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid, grid_direction
from shelterscape.process.choices import Choices, choices
from shelterscape.process.files import Files
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.run import Run
from shelterscape.processes.siting.inputs import SitingInputs
from shelterscape.processes.siting.net import Grants, read_grants
from shelterscape.science import belts as belt_layers
from shelterscape.science import places as place_layers
from shelterscape.science.belts import Case
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS
from shelterscape.science.site_wind import where_modelled
from shelterscape.science.siting import cutting, planner_layers
from shelterscape.science.siting.candidates import TELLING_AGE
from shelterscape.science.siting.cutting import Cutter, cutter
from shelterscape.science.siting.designs import Design, Designs, designs_of, packaged
from shelterscape.science.siting.generated_lines import Bearing, best_bearing
from shelterscape.science.terrain.roughness import READ_COLUMNS as ROUGHNESS_COLUMNS
from shelterscape.science.terrain.validity import NOT_MODELLED
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
class Given:
    """What siting works from.

    Parameters
    ----------
    asked : SitingInputs
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
    open_wind : dict of (d, rows, cols) float32
        By season, wind over hills relative to the plain in each direction of its wind set; 1 where
        it is not modelled. Empty for level ground.
    grants : Grants or None
    area : Geometry or None
        The part of the map on which lines may lie.
    """

    asked: SitingInputs
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
    open_wind: dict[str, NDArray[np.float32]]
    grants: Grants | None
    area: shapely.Geometry | None = None

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
        return bool(self.asked.places) and self.places is None

    @property
    def looked_at(self) -> list[str]:
        """Usual constraints heeded by another road than the register."""
        return planner_layers.heeded(self.cutters) + (["watercourses"] if self.asked.water else [])


class _Reader:
    """Reads optional layers of one run."""

    def __init__(self, asked: SitingInputs, files: Files, run: Run, grid: Grid) -> None:
        self.asked, self.files, self._run, self.grid = asked, files, run, grid
        self.columns = columns_by_layer(asked.fields, COLUMNS)

    def layer(self, field: str, what: str) -> gpd.GeoDataFrame | None:
        """The layer of a field, None where it was not planner_layers."""
        source = getattr(self.asked, field)
        frame = self.one(source, field, what) if source else None
        # On a part of the map a layer may have nothing to say.
        return None if frame is None or not (len(frame) or self.files.whole) else frame

    def one(self, source: str, field: str, what: str) -> gpd.GeoDataFrame:
        """A layer by its name, with the columns of a field."""
        return self.files.layer(source, self.grid, what, self.columns[field])

    def told(self, notices: list[Notice]) -> None:
        """Pass notices on."""
        for notice in notices:
            self._run.notice(notice)


def read(asked: SitingInputs, files: Files, run: Run) -> Given:
    """Read and check all inputs."""
    elevation, grid, convergence = files.terrain(asked)
    settled = _without_survey(choices(asked, files.winds(asked.winds), run.notice), asked, run)
    case = _deciding(settled)
    reader = _Reader(asked, files, run, grid)
    book = packaged()
    if asked.designs:
        book = designs_of(files.toml(asked.designs, "file of designs"), "designs")
    purpose = settled.purpose.name if settled.purpose else NO_PURPOSE
    design = book.find(asked.design) if asked.design else book.design_for(purpose)
    belts, woods = _belts(reader, grid)
    lines = reader.layer("candidate_lines", "layer of candidate lines")
    holdings = _holdings(reader)
    register = [_constraints(source, reader) for source in asked.constraints]
    winds = settled.winds[case.season]
    directions = [grid_direction(float(d), convergence) for d in winds.direction_deg]
    return Given(
        asked=asked,
        settled=settled,
        case=case,
        elevation=elevation,
        grid=grid,
        convergence_deg=convergence,
        belts=belts,
        places=_places(reader, settled, run),
        parcels=_parcels(reader),
        holdings=holdings,
        lines=None if lines is None else planner_layers.given_lines(lines, "candidate lines"),
        cutters=_cutters(reader, asked, elevation, grid, holdings, woods, register),
        standing=_standing(belts),
        register=register,
        book=book,
        design=design,
        bearing=best_bearing(directions, winds.weights(settled.power)),
        open_wind=_open_winds(reader, elevation, convergence, settled, belts),
        grants=read_grants(asked, files, grid, reader.columns),
        area=files.outline,
    )


def _open_winds(
    reader: _Reader,
    elevation: NDArray[np.float32],
    convergence_deg: float,
    settled: Choices,
    belts: gpd.GeoDataFrame,
) -> dict[str, NDArray[np.float32]]:
    """By season, wind over hills relative to the plain; winds of two seasons often are the same."""
    asked, grid, height_m = reader.asked, reader.grid, settled.how.at_height_m
    if not asked.terrain:
        return {}
    rough = reader.files.roughness(asked, grid, height_m, belts, reader.columns["roughness"])
    found: dict[tuple[float, ...], NDArray[np.float32]] = {}
    by_season = {}
    for season, winds in settled.winds.items():
        true_deg = tuple(float(d) for d in winds.direction_deg)
        if true_deg not in found:
            directions = [grid_direction(d, convergence_deg) for d in true_deg]
            hills = reader.files.open_winds(
                asked, elevation, grid, directions, height_m=height_m, roughness_m=rough
            )
            found[true_deg], lost = where_modelled(hills, len(directions), grid.shape)
            lost_ha = float(lost[np.isfinite(elevation)].sum()) * grid.cell_area_ha
            if lost_ha:
                text = (
                    f"wind over hills not modelled on {lost_ha:,.1f} ha (mean over the winds; "
                    f"{NOT_MODELLED}); there each wind counts as on the plain"
                )
                reader.told([Notice("not-modelled", text)])
        by_season[season] = found[true_deg]
    return by_season


def _without_survey(settled: Choices, asked: SitingInputs, run: Run) -> Choices:
    """Years in which new belts are there; without any, that in which they are 20 years old."""
    years = tuple(year for year in settled.years if year is not None)
    early = [year for year in years if year < asked.planting_year]
    if early:
        raise InputError(
            "input-refused",
            "Nothing is planted yet in a year asked for.",
            where="years",
            value=early[0],
            mend=f"Give years from {asked.planting_year}, the year of planting, on.",
        )
    if not years:
        years = (asked.planting_year + TELLING_AGE,)
        text = f"no year given: belts are looked at in {years[0]}, {TELLING_AGE} years old"
        run.notice(Notice("value-assumed", text))
    return Choices(**{**vars(settled), "years": years})


def _deciding(settled: Choices) -> Case:
    """The case lines are compared in: the purpose's season, in the last year."""
    season = settled.seasons[0]
    if settled.purpose and settled.purpose.season in settled.seasons:
        season = settled.purpose.season
    elif not settled.purpose and "bare" in settled.seasons:
        season = "bare"
    return Case(season, settled.years[-1])


def _belts(reader: _Reader, grid: Grid) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None]:
    """Belts with woods behind them, and the woods alone."""
    source = reader.layer("belts", "belt layer")
    if source is None:
        source = gpd.GeoDataFrame(geometry=[], crs=grid.crs)
    belts, notices = belt_layers.complete(source, "belts")
    reader.told(notices)
    drawn = reader.layer("woods", "layer of woods")
    if drawn is None:
        return belts, None
    woods, notices = belt_layers.complete(drawn, "woods")
    reader.told(notices)
    return gpd.GeoDataFrame(pd.concat([belts, woods], ignore_index=True), crs=belts.crs), woods


def _places(reader: _Reader, settled: Choices, run: Run) -> gpd.GeoDataFrame | None:
    """Places that count: those of the purpose, and those without one."""
    frame = reader.layer("places", "place layer")
    if frame is None:
        return None
    places, notices = place_layers.complete(frame, "places")
    reader.told(notices)
    if settled.purpose is None:
        return places
    counts = places["purpose"].isin([settled.purpose.name, ""])
    if not counts.any() and not reader.files.whole:
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
        run.notice(Notice("places-left-out", text, others))
    return places[counts].reset_index(drop=True)


def _holdings(reader: _Reader) -> gpd.GeoDataFrame | None:
    frame = reader.layer("holdings", "holding layer")
    return None if frame is None else planner_layers.with_holding_ids(frame, "holdings")


def _parcels(reader: _Reader) -> gpd.GeoDataFrame | None:
    frame = reader.layer("parcels", "parcel layer")
    if frame is None:
        return None
    known = frame if "holding_id" in frame else frame.assign(holding_id="")
    return planner_layers.with_holding_ids(known, "parcels")


def _constraints(source: str, reader: _Reader) -> gpd.GeoDataFrame:
    frame = reader.one(source, "constraints", "layer of constraints")
    path, _, layer = source.rpartition(":")
    name = layer if path else source
    found, notices = planner_layers.complete_constraints(frame, f"constraints {name}", name)
    reader.told(notices)
    return found


def _cutters(
    reader: _Reader,
    asked: SitingInputs,
    elevation: NDArray[np.float32],
    grid: Grid,
    holdings: gpd.GeoDataFrame | None,
    woods: gpd.GeoDataFrame | None,
    register: list[gpd.GeoDataFrame],
) -> list[Cutter]:
    """What bars new belts, hardest reasons first."""
    found = planner_layers.forbidding(register)
    for field, what, made in (
        ("keep_clear", "keep-clear layer", planner_layers.keep_clear),
        ("water", "layer of water", planner_layers.water),
    ):
        frame = reader.layer(field, what)
        if frame is not None:
            cutters, notices = made(frame, field)
            reader.told(notices)
            found += cutters
    if woods is not None:
        found.append(cutter(WOOD_STANDS, woods.geometry.to_numpy(), BESIDE_BELT_M))
    steep = cutting.steep_ground(elevation, grid, asked.slope_limit_deg)
    found.append(cutter(f"{TOO_STEEP}, over {asked.slope_limit_deg:g}°", steep))
    inner = shapely.box(*grid.bounds).buffer(-MAP_EDGE_M)
    found.append(cutter(MAP_EDGE, np.array([inner], dtype=object), outside=True))
    if holdings is not None:
        found.append(cutter(OFF_HOLDINGS, holdings.geometry.to_numpy(), outside=True))
    if (area := reader.files.outline) is not None:
        found.append(cutter(OFF_AREA, np.array([area], dtype=object), outside=True))
    ways = reader.layer("openings", "layer of openings")
    if ways is not None:
        cutters, notices = planner_layers.openings_given(ways, "openings")
        reader.told(notices)
        found += cutters
    return found


def _standing(belts: gpd.GeoDataFrame) -> list[Cutter]:
    """Belts that stand, by their faces; woods are among the other cutters too."""
    shapes = belts.geometry.to_numpy()
    half = np.where(belts.geom_type.str.endswith("LineString"), belts["width_m"] / 2, 0.0)
    return [Cutter(BELT_STANDS, shapes, half + BESIDE_BELT_M)]
