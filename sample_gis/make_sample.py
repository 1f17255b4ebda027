"""Generate the invented sample data of the Ostrel valley; every run gives the same bytes.

Usage: python sample_gis/make_sample.py

Rewrites dem.tif, ostrel.gpkg, winds.csv and weather.csv.gz in the folder of this
script. Nothing in them exists: ground, farms, belts and winds are generated from a
seed and from numbers in these scripts.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin
from sample_belts import build_belts
from sample_constraints import (
    build_candidate_lines,
    build_constraints,
    build_gateways,
    build_paths,
)
from sample_fields import Fields, build_fields
from sample_ground import CELL, EPSG, NORTH, SIDE, WEST, Ground, build_ground, map_frame
from sample_places import (
    build_grant_areas,
    build_keep_clear,
    build_places,
    settle_special_parcels,
)
from sample_wind import build_record, write_record

SEED = 20260401
HERE = Path(__file__).resolve().parent
NODATA = -9999.0
# A GeoPackage stores the time of writing of each layer; a fixed time keeps the bytes equal.
WRITTEN = "2026-04-01T00:00:00Z"

LAYERS = {
    "holdings": ("MultiPolygon", "Invented farm holdings of the made-up Ostrel valley"),
    "parcels": ("MultiPolygon", "Invented field parcels with land use"),
    "belts": ("MultiLineString", "Invented hedges, tree belts, walls, fences and banks"),
    "woods": ("MultiPolygon", "Invented mature woods"),
    "places": ("MultiPolygon", "Invented places to be sheltered from wind or snow"),
    "farmsteads": ("MultiPolygon", "Invented farm buildings"),
    "roads": ("MultiLineString", "Invented roads"),
    "power_lines": ("MultiLineString", "Invented overhead power line"),
    "river": ("MultiLineString", "Invented river Ostrel, drawn downstream"),
    "keep_clear": ("MultiPolygon", "Invented keep-clear areas"),
    "grant_areas": ("MultiPolygon", "Invented grant areas, partly overlapping"),
    "constraints": ("MultiPolygon", "Invented register of constraints on planting"),
    "paths": ("MultiLineString", "Invented rights of way, as constraints"),
    "gateways": ("MultiPoint", "Invented gateways that must stay open"),
    "wished_lines": ("MultiLineString", "Invented lines drawn for new belts"),
}

# subset: share of calm, then lobes of (from direction, weight, spread parameter)
WIND_LOBES = {
    "": (0.031, [(236, 0.62, 2.6), (300, 0.16, 2.0), (55, 0.14, 2.4), (150, 0.08, 1.2)]),
    "spring": (0.028, [(45, 0.52, 3.6), (232, 0.30, 2.4), (300, 0.10, 2.0), (140, 0.08, 1.2)]),
    "winter": (0.022, [(238, 0.66, 3.0), (292, 0.18, 2.4), (70, 0.10, 2.0), (160, 0.06, 1.2)]),
}
# subset: mean speed in the weakest and the strongest direction, m/s
WIND_SPEED = {"": (3.6, 6.1), "spring": (3.7, 6.0), "winter": (4.2, 7.0)}
WIND_HEADER = {
    "title": "Ostrel valley, invented winds for the sample data; not measured",
    "measured_height_m": "10",
    "roughness_m": "0.03",
    "years": "2006-2025",
    "leaf_state": "in leaf",
    "leaf_state_spring": "bare",
    "leaf_state_winter": "bare",
    "north": "true",
}


def write_dem(ground: Ground, path: Path) -> None:
    """Write the heights as a tiled, compressed GeoTIFF."""
    profile = {
        "driver": "GTiff",
        "width": SIDE,
        "height": SIDE,
        "count": 1,
        "dtype": "float32",
        "crs": f"EPSG:{EPSG}",
        "transform": from_origin(WEST, NORTH, CELL, CELL),
        "nodata": NODATA,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
        "zlevel": 9,
    }
    with rasterio.open(path, "w", **profile) as target:
        target.write(ground.height, 1)
        target.set_band_description(1, "ground height, m")
        target.update_tags(TITLE="Ostrel valley, invented ground")


def line_layers(ground: Ground) -> dict[str, gpd.GeoDataFrame]:
    """Roads, power line and river as layers."""
    named = {
        "roads": (["Valley road", "Saddle road"], ground.roads),
        "power_lines": (["Ostrel overhead line"], [ground.power_line]),
        "river": (["Ostrel"], [ground.river]),
    }
    return {
        layer: gpd.GeoDataFrame({"name": names}, geometry=lines, crs=EPSG)
        for layer, (names, lines) in named.items()
    }


def as_multi(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Convert all shapes to multi-part geometries, so that a layer has one geometry type."""
    many = {
        "Polygon": shapely.multipolygons,
        "LineString": shapely.multilinestrings,
        "Point": shapely.multipoints,
    }
    shapes = [many[g.geom_type]([g]) if g.geom_type in many else g for g in layer.geometry]
    return layer.set_geometry(gpd.GeoSeries(shapes, index=layer.index, crs=layer.crs))


def check_layers(layers: dict[str, gpd.GeoDataFrame]) -> None:
    """Raise an error for an invalid layer, before anything is written."""
    frame = map_frame(0)
    for name, layer in layers.items():
        if not layer.is_valid.all() or layer.is_empty.any():
            raise RuntimeError(f"layer {name} has an invalid or empty shape")
        if not layer.within(frame).all():
            raise RuntimeError(f"layer {name} extends beyond the map")


def write_layers(layers: dict[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write all layers into one new GeoPackage 1.3."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN})
    for name, (kind, about) in LAYERS.items():
        first = not path.exists()
        pyogrio.write_dataframe(
            as_multi(layers[name]),
            path,
            layer=name,
            driver="GPKG",
            geometry_type=kind,
            append=not first,
            dataset_options={"VERSION": "1.3"} if first else None,
            layer_options={"DESCRIPTION": about, "IDENTIFIER": name},
        )


def shares(weights: np.ndarray, calm: float) -> np.ndarray:
    """Integers that sum to 10 000, calm last.

    Each is rounded down; the remainder is distributed to the largest fractions.
    """
    exact = np.r_[weights / weights.sum() * (1 - calm), calm] * 10_000
    whole = np.floor(exact).astype(int)
    short = 10_000 - whole.sum()
    whole[np.argsort(whole - exact, kind="stable")[:short]] += 1
    return whole


def wind_rows(subset: str) -> list[str]:
    """Rows of one subset: 16 directions and calm."""
    calm, lobes = WIND_LOBES[subset]
    slow, fast = WIND_SPEED[subset]
    directions = np.arange(16) * 22.5
    turn = np.radians(directions[:, None] - np.array([lobe[0] for lobe in lobes]))
    weight, spread = (np.array([lobe[i] for lobe in lobes]) for i in (1, 2))
    lobe_height = weight * np.exp(spread * (np.cos(turn) - 1)) * np.sqrt(spread)
    total = lobe_height.sum(axis=1)
    frequency = shares(total, calm)
    # Wind from frequent directions is also stronger and steadier here.
    strength = total / total.max()
    speed = slow + (fast - slow) * strength**0.7
    steady = 1.75 + 0.4 * strength
    rows = [
        f"{subset},{d:g},{f / 10_000:.4f},{s:.2f},{k:.2f}"
        for d, f, s, k in zip(directions, frequency, speed, steady, strict=False)
    ]
    return [*rows, f"{subset},calm,{frequency[-1] / 10_000:.4f},,"]


def write_winds(path: Path) -> None:
    """Write the wind table with its header lines."""
    lines = [f"# {key}: {value}" for key, value in WIND_HEADER.items()]
    lines.append("subset,direction_deg,frequency,mean_speed_ms,weibull_k")
    for subset in WIND_LOBES:
        lines += wind_rows(subset)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def build_layers(ground: Ground, rng: np.random.Generator) -> dict[str, gpd.GeoDataFrame]:
    """All vector layers, with the columns that are written."""
    fields: Fields = build_fields(ground, rng)
    special = settle_special_parcels(fields)
    columns = ["parcel_id", "holding_id", "land_use", "geometry"]
    belts = build_belts(fields, ground, rng)
    places = build_places(fields, ground, special, rng)
    return {
        "belts": belts,
        "places": places,
        "holdings": fields.holdings,
        "parcels": fields.parcels[columns],
        "woods": fields.woods,
        "farmsteads": fields.farmsteads,
        "keep_clear": build_keep_clear(ground),
        "grant_areas": build_grant_areas(ground),
        "constraints": build_constraints(fields, ground, places),
        "paths": build_paths(fields),
        "gateways": build_gateways(fields),
        "wished_lines": build_candidate_lines(places),
        **line_layers(ground),
    }


def main() -> None:
    """Generate all files."""
    rng = np.random.default_rng(SEED)
    ground = build_ground(rng)
    layers = build_layers(ground, rng)
    check_layers(layers)
    write_dem(ground, HERE / "dem.tif")
    write_layers(layers, HERE / "ostrel.gpkg")
    write_winds(HERE / "winds.csv")
    write_record(build_record(WIND_LOBES, WIND_SPEED, SEED), HERE / "weather.csv.gz")
    for name, layer in layers.items():
        print(f"{name}: {len(layer)}")


if __name__ == "__main__":
    main()
