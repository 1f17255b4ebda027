"""Reads and checks the inputs of `side-effects`."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.grid import Grid, grid_direction
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands
from shelterscape.processes.side_effects.spec import SideEffectsInputs
from shelterscape.science.columns import words
from shelterscape.science.grants.belts import is_planted
from shelterscape.science.landform import WORK_BYTES
from shelterscape.science.side_effects import new_belts
from shelterscape.science.side_effects.slope import SLOPE_CLASSES
from shelterscape.science.side_effects.snow import SNOW_SPEED_EXPONENT
from shelterscape.science.siting.areas import with_areas
from shelterscape.science.siting.planner_layers import (
    KEEP_CLEAR_COLUMNS,
    PARCEL_COLUMNS,
    keep_clear_zones,
)
from shelterscape.science.wind import choose_subset

VERTEX_BYTES = 20_000.0
"""Memory for each vertex of all layers, bytes (assumed)."""

SNOW_SUBSETS = ("winter", "bare")
"""Subsets of a wind set of wind that moves snow, best first."""

OBJECTS = {
    "roads": ("road layer", "road"),
    "buildings": ("layer of buildings", "building"),
    "power_lines": ("layer of power lines", "power line"),
    "paths": ("layer of paths", "path"),
    "drains": ("layer of drains", "drain"),
}
"""Layers of objects: what each is in errors, and the kind of its objects."""

COLUMNS = {
    "belts": new_belts.READ_COLUMNS,
    **{name: ("name",) for name in OBJECTS},
    "keep_clear": KEEP_CLEAR_COLUMNS,
    "parcels": PARCEL_COLUMNS,
}
"""Columns that are read, by layer."""


@dataclass(frozen=True)
class SnowWind:
    """Winds that move snow.

    Parameters
    ----------
    true_deg, grid_deg : list of float
        Where each comes from, degrees from true and from grid north.
    sector_deg : list of float
        Width of the sector of each, degrees.
    weights : list of float
        Share of the snow moved; they sum to 1.
    """

    true_deg: list[float]
    grid_deg: list[float]
    sector_deg: list[float]
    weights: list[float]


@dataclass(frozen=True)
class SideEffectsData:
    """Checked inputs of `compute`.

    Parameters
    ----------
    params : SideEffectsInputs
    elevation : (rows, cols) float32
        m; NaN where missing.
    known : (rows, cols) bool
        Cells with results.
    grid : Grid
    belts : GeoDataFrame
        As `new_belts.complete_new_belts` returns them.
    objects : dict of GeoDataFrame
        With ``name``, by kind; only layers that were given.
    clearances, parcels : GeoDataFrame or None
    snow_wind : SnowWind or None
    rasters : dict of Bands
    """

    params: SideEffectsInputs
    elevation: NDArray[np.float32]
    known: NDArray[np.bool_]
    grid: Grid
    belts: gpd.GeoDataFrame
    objects: dict[str, gpd.GeoDataFrame]
    clearances: gpd.GeoDataFrame | None
    parcels: gpd.GeoDataFrame | None
    snow_wind: SnowWind | None
    rasters: dict[str, Bands]

    @property
    def planted(self) -> gpd.GeoDataFrame:
        """Belts of plants: walls and fences do not fall or root."""
        # Not a list: pandas would take an empty one for a list of columns.
        return self.belts[self.belts["belt_type"].map(is_planted).astype(bool)]


def load(params: SideEffectsInputs, reader: Reader) -> SideEffectsData:
    """Read and check all inputs."""
    columns = columns_by_layer(params.fields, COLUMNS)
    elevation, grid, convergence = reader.terrain(params)
    chosen = "belts" in reader.from_steps
    layer = reader.layer(params.belts, grid, "belt layer", columns["belts"], may_be_empty=chosen)
    if reader.area is not None:
        layer = layer[reader.area.holds(layer.geometry.to_numpy())]
    belts, notices = new_belts.complete_new_belts(layer, "belts")
    reader.notices(notices)
    parcels = None
    if params.parcels:
        frame = reader.layer(params.parcels, grid, "parcel layer", columns["parcels"])
        belts = with_areas(belts, frame, COLUMNS["parcels"])
        if reader.area is not None:
            frame = frame[reader.area.holds(frame.geometry.to_numpy())]
        texts = {column: words(frame, column) for column in COLUMNS["parcels"]}
        parcels = gpd.GeoDataFrame(texts, geometry=frame.geometry.to_numpy(), crs=grid.crs)
    objects = {}
    for name, (what, kind) in OBJECTS.items():
        if source := getattr(params, name):
            objects[kind] = _named(reader.layer(source, grid, what, columns[name]), kind)
    clear = None
    if params.keep_clear:
        frame = reader.layer(params.keep_clear, grid, "keep-clear layer", columns["keep_clear"])
        zones, notices = keep_clear_zones(frame, "keep_clear")
        reader.notices(notices)
        parts = [
            gpd.GeoDataFrame({"reason": z.reason, "clear_m": z.clear_m}, geometry=z.areas)
            for z in zones
        ]
        clear = pd.concat(parts, ignore_index=True).set_crs(grid.crs) if parts else frame
    return SideEffectsData(
        params=params,
        elevation=elevation,
        known=reader.wanted(elevation, grid),
        grid=grid,
        belts=belts,
        objects=objects,
        clearances=clear,
        parcels=parcels,
        snow_wind=_snow_wind(params, reader, convergence),
        rasters={
            "slope_deg": Bands(["slope"]),
            "slope_class": Bands(["slope class"], SLOPE_CLASSES),
            "runoff_share": Bands(["share of runoff that meets a belt"]),
        },
    )


def _named(frame: gpd.GeoDataFrame, kind: str) -> gpd.GeoDataFrame:
    """Objects with a name; unnamed ones have their kind and a number."""
    names = pd.Series(words(frame, "name"))
    numbered = pd.Series([f"{kind} {i + 1}" for i in range(len(frame))], dtype=object)
    names = names.where(names != "", numbered)
    return gpd.GeoDataFrame({"name": names}, geometry=frame.geometry.to_numpy(), crs=frame.crs)


def _snow_wind(params: SideEffectsInputs, reader: Reader, convergence: float) -> SnowWind | None:
    """Winds of the subset for snow, with the share of snow that each moves."""
    if not params.winds:
        return None
    sets = reader.winds(params.winds)
    wind = choose_subset(sets, params.subset, SNOW_SUBSETS, "winds")
    directions = [float(d) for d in wind.direction_deg]
    return SnowWind(
        directions,
        [grid_direction(d, convergence) for d in directions],
        [float(s) for s in wind.sector_deg()],
        [float(w) for w in wind.weights(SNOW_SPEED_EXPONENT)],
    )


def work_bytes(params: SideEffectsInputs, sizes: InputSizes) -> float:
    """Largest memory needed, bytes: flow over the terrain model, and geometry."""
    return WORK_BYTES * sizes.cells + VERTEX_BYTES * sizes.vertices
