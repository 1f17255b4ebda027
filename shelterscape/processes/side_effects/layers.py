"""Layers and tables of `side-effects`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.process.stages import Results
from shelterscape.processes.side_effects import effects
from shelterscape.processes.side_effects.effects import Effect
from shelterscape.processes.side_effects.loading import SideEffectsData
from shelterscape.science.side_effects import nearby
from shelterscape.science.side_effects.cold_air import cold_air_pools
from shelterscape.science.side_effects.junctions import sight_areas
from shelterscape.science.side_effects.runoff import field_shares
from shelterscape.science.side_effects.samples import values_at
from shelterscape.science.side_effects.shade import road_shade
from shelterscape.science.side_effects.snow import drifts_on_roads

OPENING_ADVICE = "leave an opening or an open base here, so that cold air can drain"
BENEFIT_NOTE = effects.Effect(
    "",
    (),
    "effects: see the other layers; benefit: from the belt layer, empty where it has none",
    "An effect that is not listed is not thereby absent: see the table of effects checked.",
)


@dataclass(frozen=True)
class SideEffectsResults(Results):
    """Results, with the data, and the belts concerned by each effect."""

    data: SideEffectsData
    belts_of: dict[str, list[str]] = field(default_factory=dict)


def field_runoff(data: SideEffectsData, share: NDArray[np.float32]) -> gpd.GeoDataFrame:
    """Fields with the share of their runoff that meets a belt."""
    assert data.parcels is not None
    return data.parcels.assign(
        area_ha=data.parcels.area / 1e4,
        runoff_share=field_shares(data.parcels, share, data.grid),
        **effects.FIELD_RUNOFF.note,
    )


def cold_air(data: SideEffectsData) -> dict[str, gpd.GeoDataFrame]:
    """Pools of cold air, and the lowest point of each belt that holds one back."""
    found = cold_air_pools(data.belts, data.elevation, data.grid, data.params.pool_depth_m)
    xy = found[["opening_x", "opening_y"]].to_numpy(dtype=float)
    points = gpd.GeoDataFrame(
        {
            "belt": found["belt"],
            "elevation_m": values_at(xy, data.elevation, data.grid),
            "advice": OPENING_ADVICE,
        },
        geometry=shapely.points(xy),
        crs=data.grid.crs,
    )
    return {"cold_air_pools": found.assign(**effects.COLD_AIR.note), "cold_air_openings": points}


def snow_drift(data: SideEffectsData) -> gpd.GeoDataFrame:
    """Drift areas that reach roads; directions from true north."""
    wind = data.snow_wind
    assert wind is not None
    found = drifts_on_roads(
        data.belts, data.objects["road"], wind.grid_deg, wind.sector_deg, wind.weights
    )
    true = dict(zip(wind.grid_deg, wind.true_deg, strict=True))
    found["direction_deg"] = found["direction_deg"].map(true).astype(float)
    return found.rename(columns={"side": "drift_side"}).assign(**effects.SNOW.note)


def shade(data: SideEffectsData) -> gpd.GeoDataFrame:
    """Sections of road in the shade of belts."""
    found = road_shade(data.objects["road"], data.belts, data.elevation, data.grid)
    return found.rename(columns={"belts": "belt_names"}).assign(**effects.SHADE.note)


def fall_strips(data: SideEffectsData) -> gpd.GeoDataFrame:
    """Ground that falling trees reach."""
    found = nearby.fall_strips(data.planted, data.params.fall_factor)
    return found.rename(columns={"name": "belt"}).assign(
        source=effects.FALL_SOURCE,
        caution=f"Power lines: {nearby.ASK_OPERATOR}.",
    )


def sight(data: SideEffectsData) -> gpd.GeoDataFrame:
    """Sight areas of junctions with the belts on them."""
    found = sight_areas(data.objects["road"], data.params.sight_distance_m)
    half = nearby.half_widths(data.belts)
    names, lengths = [], []
    for area in found.geometry:
        near = shapely.dwithin(data.belts.geometry.to_numpy(), area, half)
        names.append(", ".join(data.belts["name"][near]))
        wide = shapely.buffer(area, half[near])
        inside = shapely.intersection(data.belts.geometry.to_numpy()[near], wide)
        lengths.append(float(shapely.length(inside).sum()))
    return found.assign(length_within_m=lengths, belt_names=names, **effects.SIGHT.note)


def nearby_objects(data: SideEffectsData) -> pd.DataFrame:
    """Objects in reach of falling trees, near drains, and within clearances."""
    parts = [
        nearby.in_fall(data.planted, data.objects[kind], kind, data.params.fall_factor).assign(
            source=effect.source
        )
        for kind, effect in effects.FALL.items()
        if kind in data.objects
    ]
    if "drain" in data.objects:
        found = nearby.near_drains(data.planted, data.objects["drain"])
        parts.append(found.assign(source=effects.DRAINS.source))
    if data.clearances is not None:
        found = nearby.within_clearances(data.belts, data.clearances)
        parts.append(found.assign(source=effects.CLEARANCES.source))
    columns = [*nearby.NEARBY_COLUMNS, "source"]
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def with_parcels(data: SideEffectsData, frame: pd.DataFrame) -> pd.DataFrame:
    """A table by belt, or by several belts, with the parcels of the belts."""
    parcel_of = dict(zip(data.belts["name"], data.belts["parcel_id"], strict=True))
    if "belt" in frame:
        return frame.assign(parcel_id=frame["belt"].map(parcel_of).astype(object))
    if "belt_names" not in frame:
        return frame
    parcels = [
        ", ".join(_each_once(filter(None, (parcel_of.get(n, "") for n in text.split(", ")))))
        for text in frame["belt_names"]
    ]
    return frame.assign(parcel_id=pd.Series(parcels, frame.index, dtype=object))


def belts_concerned(
    layers: dict[str, gpd.GeoDataFrame], objects: pd.DataFrame
) -> dict[str, list[str]]:
    """Names of the belts for which each effect was found, by name of the effect."""
    found = {effects.COLD_AIR.name: _each_once(layers["cold_air_pools"]["belt"])}
    if "snow_drift" in layers:
        found[effects.SNOW.name] = _each_once(layers["snow_drift"]["belt"])
    for name, effect in (("road_shade", effects.SHADE), ("sight_areas", effects.SIGHT)):
        if name in layers:
            names = layers[name]["belt_names"]
            found[effect.name] = _each_once(n for text in names for n in text.split(", ") if n)
    kinds = {**effects.FALL, "drain": effects.DRAINS, "clearance": effects.CLEARANCES}
    for kind, effect in kinds.items():
        found[effect.name] = _each_once(objects.loc[objects["object_kind"] == kind, "belt"])
    return found


def _each_once(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def effects_checked(data: SideEffectsData, belts_of: dict[str, list[str]]) -> pd.DataFrame:
    """Each side effect: examined or not, and the number of belts concerned."""
    rows = []
    for effect in effects.EFFECTS:
        missing = effect.missing(data.params)
        text = f"not checked: no {' and no '.join(missing)} given" if missing else "examined"
        count = None if missing else _count(effect, data, belts_of)
        rows.append((effect.name, text, count, effect.source, effect.caution))
    columns = ["side_effect", "examination", "affected_belt_count", "source", "caution"]
    found = pd.DataFrame(rows, columns=columns)
    return found.assign(affected_belt_count=found["affected_belt_count"].astype("Int64"))


def _count(effect: Effect, data: SideEffectsData, belts_of: dict[str, list[str]]) -> int:
    """Number of belts concerned; slope and runoff concern every belt."""
    return len(belts_of[effect.name]) if effect.name in belts_of else len(data.belts)


def belts_examined(
    data: SideEffectsData,
    steepest_deg: NDArray[np.float64],
    upslope_ha: NDArray[np.float64],
    belts_of: dict[str, list[str]],
) -> gpd.GeoDataFrame:
    """The belts with all side effects found."""
    texts = [
        "; ".join(effect for effect, names in belts_of.items() if name in names)
        for name in data.belts["name"]
    ]
    return data.belts.assign(
        steepest_deg=steepest_deg, upslope_ha=upslope_ha, side_effects=texts, **BENEFIT_NOTE.note
    )
