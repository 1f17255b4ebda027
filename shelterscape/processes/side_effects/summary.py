"""Summary of a run of `side-effects`: answer and map."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.files.draw_sheets import FeatureGroup, MapPanel, MapSheet
from shelterscape.files.draw_views import overview, part_around, views_of
from shelterscape.process.stages import Summary
from shelterscape.processes.side_effects.layers import SideEffectsResults
from shelterscape.processes.side_effects.spec import SideEffectsInputs
from shelterscape.science.side_effects.nearby import ASK_OPERATOR

SHOWN = (
    ("snow_drift", "snow drift that reaches a road", "#53318c", "..."),
    ("cold_air_pools", "cold air held back", "#2f6f8f", "///"),
    ("fall_strips", "reach of falling trees when mature", "#8d7aa8", "\\\\\\"),
    ("sight_areas", "sight area of a junction", "#c47f2c", "xxx"),
)
"""Areas on the map: layer, label, colour, hatch."""

SHADE_COLOUR, BELT_COLOUR, ROAD_COLOUR = "#b5561f", "#1f5f4a", "#8a8a8a"

DRAWN_M, ROAD_M = 8.0, 3.0
"""Half the width of belts and roads on the map, m; they are drawn wider than they are."""

NO_BELTS = "There are no belts to examine"


def summarise(results: SideEffectsResults, params: SideEffectsInputs) -> Summary:
    """What was found, what was not checked, and a map."""
    table = results.tables["effects_checked"]
    missing = table[table["examination"] != "examined"]
    certainty = ["Screening by rules of thumb: distances and depths are stated with their status"]
    if len(missing):
        certainty.insert(0, f"Not checked, no layer: {', '.join(missing['side_effect'])}")
    return Summary(
        question="What may these belts harm beside them?",
        answer=[*_by_effect(results), _water(results)] if len(results.data.belts) else [NO_BELTS],
        certainty=certainty,
        pictures={"side_effects": _map(results)},
    )


def _by_effect(results: SideEffectsResults) -> list[str]:
    """Belts concerned by each effect, most belts first, and power lines in every case."""
    count = len(results.data.belts)
    by_count = sorted(results.belts_of.items(), key=lambda item: -len(item[1]))
    texts = [f"{effect}: {len(names)} of {count} belts" for effect, names in by_count if len(names)]
    found = [f"Found: {'; '.join(texts)}" if texts else f"Nothing was found for {count} belts"]
    return [*found, f"Power lines: {ASK_OPERATOR}"]


def _water(results: SideEffectsResults) -> str:
    """Ground whose runoff belts meet."""
    upslope = results.layers["belts_examined"]["upslope_ha"].sum()
    return f"The runoff of {upslope:,.1f} ha meets a belt, counted once at the first belt it meets"


def _map(results: SideEffectsResults) -> MapSheet:
    """Map of belts and affected ground, around the belts."""
    data, layers = results.data, results.layers
    ground, grid = part_around(data.elevation, data.grid, data.belts.geometry.to_numpy())
    frame = shapely.box(*grid.bounds)
    groups = []
    if "road" in data.objects:
        roads = shapely.buffer(data.objects["road"].geometry.to_numpy(), ROAD_M)
        groups.append(FeatureGroup("roads", _clipped(roads, frame), ROAD_COLOUR))
    for name, label, colour, hatch in SHOWN:
        if name in layers and len(layers[name]):
            shapes = layers[name].geometry.to_numpy()
            groups.append(FeatureGroup(label, _clipped(shapes, frame), colour, hatch))
    belts = shapely.buffer(data.belts.geometry.to_numpy(), DRAWN_M)
    groups.append(FeatureGroup("belts", _clipped(belts, frame), BELT_COLOUR))
    if "road_shade" in layers and len(layers["road_shade"]):
        shapes = shapely.buffer(layers["road_shade"].geometry.to_numpy(), DRAWN_M)
        label = "road in the shade of belts on the shortest day"
        groups.append(FeatureGroup(label, _clipped(shapes, frame), SHADE_COLOUR))
    lengths = data.belts.geometry.length
    views = views_of(data.belts.geometry.to_numpy(), list(lengths), grid)
    panels = [MapPanel("all belts", view=overview(views, grid))]
    panels += [MapPanel(f"{letter}: ground affected", view=view) for letter, view in views.items()]
    return MapSheet(
        title="Side effects of belts",
        panels=tuple(panels),
        groups=tuple(groups),
        grid=grid,
        ground=ground,
        labels=_names(data.belts),
        boxes=views,
        notes=(
            "Belts and roads are drawn wider than they are. What has no layer was not checked. "
            f"Power lines: {ASK_OPERATOR}.",
        ),
    )


def _names(belts: gpd.GeoDataFrame) -> dict[tuple[float, float], str]:
    """Names of belts by the point to write them at."""
    points = belts.geometry.representative_point()
    return {(p.x, p.y): str(name) for p, name in zip(points, belts["name"], strict=True)}


def _clipped(shapes: np.ndarray, frame: shapely.Geometry) -> np.ndarray:
    """Shapes inside the frame, a little beyond its edge."""
    merged = shapely.union_all(shapes)
    return np.array([shapely.intersection(merged, shapely.buffer(frame, 500.0))], dtype=object)
