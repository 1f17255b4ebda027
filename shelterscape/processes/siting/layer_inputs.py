"""Optional layers of `siting`: places, parcels, and ground where no belt may go."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.process.belts_read import VALUE_COLUMNS, complete_belts
from shelterscape.process.choices import ResolvedOptions
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.reading import Reader
from shelterscape.process.seen_ground import GROUND_COLUMNS
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import field_crops
from shelterscape.science import places as place_layers
from shelterscape.science.grants.maps import AGREEMENT_COLUMNS, AREA_COLUMNS
from shelterscape.science.siting import exclusion, planner_layers
from shelterscape.science.siting.exclusion import ExclusionZone, exclusion_zone

COLUMNS: dict[str, tuple[str, ...]] = {
    "belts": belt_layers.READ_COLUMNS,
    **VALUE_COLUMNS,
    "woods": belt_layers.READ_COLUMNS,
    "places": (*place_layers.READ_COLUMNS, *field_crops.CROP_COLUMNS),
    "parcels": planner_layers.PARCEL_COLUMNS,
    "holdings": planner_layers.HOLDING_COLUMNS,
    "candidate_lines": planner_layers.LINE_COLUMNS,
    "keep_clear": planner_layers.KEEP_CLEAR_COLUMNS,
    "water": ("clear_m",),
    "openings": planner_layers.OPENING_COLUMNS,
    "constraints": planner_layers.CONSTRAINT_COLUMNS,
    "grant_areas": AREA_COLUMNS,
    "agreements": AGREEMENT_COLUMNS,
    **GROUND_COLUMNS,
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


class LayerReader:
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


def belts_and_woods(
    layers: LayerReader, grid: Grid
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


def places_that_count(layers: LayerReader, settled: ResolvedOptions) -> gpd.GeoDataFrame | None:
    """Places that count: those of the purpose, and those without one."""
    frame = layers.layer("places", "place layer")
    if frame is None:
        return None
    places, notices = place_layers.complete(frame, "places")
    layers.reader.notices(notices)
    places = places.assign(**_crops(frame, places, layers.params))
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


def _crops(
    frame: gpd.GeoDataFrame, places: gpd.GeoDataFrame, params: SitingInputs
) -> dict[str, NDArray[np.object_] | NDArray[np.float64]]:
    """Crop, yield and price of each place."""
    crop = params.crop.strip().casefold()
    field_crops.check_crop(crop, "crop")
    usual = field_crops.UsualCrop(crop, params.crop_yield_t_ha, params.crop_price)
    return field_crops.crop_columns(frame, places["purpose"].to_numpy(object), usual, "places")


def holdings(layers: LayerReader) -> gpd.GeoDataFrame | None:
    """Holdings with their identifiers; None where they were not given."""
    frame = layers.layer("holdings", "holding layer")
    return None if frame is None else planner_layers.with_holding_ids(frame, "holdings")


def parcels(layers: LayerReader) -> gpd.GeoDataFrame | None:
    """Parcels with the identifiers of their holdings; None where they were not given."""
    frame = layers.layer("parcels", "parcel layer")
    if frame is None:
        return None
    known = frame if "holding_id" in frame else frame.assign(holding_id="")
    return planner_layers.with_holding_ids(known, "parcels")


def constraints(source: str, layers: LayerReader) -> gpd.GeoDataFrame:
    """One layer of constraints."""
    frame = layers.one(source, "constraints", "layer of constraints")
    path, _, layer = source.rpartition(":")
    name = layer if path else source
    found, notices = planner_layers.complete_constraints(frame, f"constraints {name}", name)
    layers.reader.notices(notices)
    return found


def exclusion_zones(
    layers: LayerReader,
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
            zones, notices = made(frame, name)
            layers.reader.notices(notices)
            found += zones
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
        zones, notices = planner_layers.opening_zones(ways, "openings")
        layers.reader.notices(notices)
        found += zones
    return found


def existing_belt_zones(belts: gpd.GeoDataFrame) -> list[ExclusionZone]:
    """Ground of existing belts up to their faces; woods are other exclusion zones too."""
    shapes = belts.geometry.to_numpy()
    half = np.where(belts.geom_type.str.endswith("LineString"), belts["width_m"] / 2, 0.0)
    return [ExclusionZone(EXISTING_BELT, shapes, half + BESIDE_BELT_M)]
