"""The pack for contractors: points to set out, and a map to scale."""

from __future__ import annotations

from collections.abc import Iterable

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.files.handover_sheets import MAP_MM, MapGroup, MapPage, ScaleMap
from shelterscape.process.stages import Results
from shelterscape.processes.planting.layers import with_parcels
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.planting.layout import Layout
from shelterscape.science.planting.map_pages import map_pages
from shelterscape.science.planting.set_out import GATE, set_out_points


def set_out(data: PlantingData, plan: Layout) -> gpd.GeoDataFrame:
    """Points to set out, with names, grid and accuracy."""
    found = set_out_points(data.belts, plan.rows, plan.fences, data.site.openings)
    names = found["belt"].astype(str) + " " + found["point_number"].astype(str)
    frame = found.assign(
        planting_row=found["planting_row"].astype("Int64"),
        point_name=names,
        map_grid=_map_grid(data),
        accuracy_m=data.params.line_accuracy_m,
    )
    return gpd.GeoDataFrame(with_parcels(data, frame))


def _map_grid(data: PlantingData) -> str:
    code = data.grid.crs.to_epsg()
    return f"EPSG:{code}" if code else str(data.grid.crs.name)


def handover_map(results: Results, data: PlantingData) -> ScaleMap:
    """Map of the belts, a page or more for each holding."""
    pages = []
    for holding, belts in data.belts.groupby("holding_id", sort=True):
        lines = belts.geometry.to_numpy()
        scale, middles = map_pages(lines, MAP_MM, data.params.map_scale)
        heading = f"holding {holding}" if holding else "belts without a holding"
        pages += [MapPage(heading, middle, scale) for middle in middles]
    return ScaleMap(
        title="Belts to plant",
        pages=tuple(pages),
        groups=tuple(_groups(results, data)),
        map_grid=f"{data.grid.crs.name} ({_map_grid(data)}), metres",
        notes=(
            f"Lines are as accurate as they were drawn: {data.params.line_accuracy_m:g} m as "
            "stated. Measure on the ground before digging.",
        ),
    )


def _groups(results: Results, data: PlantingData) -> list[MapGroup]:
    """Features of the map, from bottom to top."""
    rows, fences = results.layers["planting_rows"], results.layers["fences"]
    points = results.layers["set_out_points"]
    gates = points[points["point_kind"] == GATE]
    belts = data.belts
    groups = [
        MapGroup("nothing is planted here", _shapes(data.site.clearances), "#8a6d3b", 0.8),
        MapGroup("existing belt", _shapes(data.ground.existing), "#2f6f8f", 1.6, dashed=True),
        MapGroup("fence", _shapes(fences.geometry), "#7a5230", 0.5, dashed=True),
        MapGroup("row of plants", _shapes(rows.geometry), "#4d7a3a", 0.5),
        MapGroup("belt, centre of the rows", _shapes(belts.geometry), "#1f5f4a", 0.9,
                 names=tuple(map(str, belts["belt"]))),
        MapGroup("gate", _shapes(gates.geometry), "#a8326a", 2.0),
        MapGroup("opening", _shapes(data.site.openings), "#b5561f", 2.0),
    ]  # fmt: skip
    if data.parcels is not None:
        names = tuple(map(str, data.parcels["parcel_id"]))
        shapes = _shapes(data.parcels.geometry)
        groups.insert(0, MapGroup("parcel, with its id", shapes, "#5f5f5f", 0.6, names=names))
    return groups


def _shapes(shapes: Iterable[object]) -> NDArray[np.object_]:
    return np.array(list(shapes), dtype=object)
