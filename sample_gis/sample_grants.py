"""Create the invented belts to be planted, and the invented agreement, of the Ostrel valley.

Usage: python sample_gis/sample_grants.py

Writes grants.gpkg into the folder of this script, from ostrel.gpkg in the same folder. Nothing in
it exists: no farm plans these belts, and no such scheme or agreement was ever made.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from shapely.ops import substring

SEED = 20260402
HERE = Path(__file__).resolve().parent
WRITTEN = "2026-04-02T00:00:00Z"
PREVAILING_FROM_DEG = 236.0
SHORTEST_M, LONGEST_M = 140.0, 330.0
APART_M = 350.0
COST_PER_M2 = 0.95

# species, width m, plants per ha, share of open ground
DESIGNS = [
    ("oak 40 %, hazel 30 %, hawthorn 30 %", 18.0, 2500, 0.05),
    ("common alder 60 %, birch 20 %, rowan 20 %", 12.0, 2500, 0.0),
    ("Scots pine 50 %, birch 25 %, rowan 25 %", 12.0, 2500, 0.1),
    ("hawthorn 60 %, hazel 30 %, holly 10 %", 10.0, 3300, 0.0),
    ("Sitka spruce", 15.0, 2500, 0.0),
    ("oak 50 %, hazel 50 %", 20.0, 1600, 0.15),
]
PLACED = {"catchment native belts": 9, "farm shelter": 9}


def across_wind(line: shapely.LineString) -> float:
    """1 for a line perpendicular to the prevailing wind direction, 0 for one along it."""
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    bearing = np.degrees(np.arctan2(x1 - x0, y1 - y0))
    return float(np.sin(np.radians(bearing - PREVAILING_FROM_DEG)) ** 2)


def open_edges(layers: dict[str, gpd.GeoDataFrame]) -> list[shapely.LineString]:
    """Inner parcel edges without a belt and outside keep-clear areas."""
    outlines = shapely.union_all(layers["parcels"].boundary.to_numpy())
    lines = shapely.get_parts(shapely.line_merge(outlines))
    cut = [substring(line, 0, LONGEST_M) for line in lines if line.length > SHORTEST_M]
    occupied = shapely.union_all(
        [
            *layers["belts"].buffer(25),
            *layers["keep_clear"].buffer(layers["keep_clear"]["clear_m"] + 15),
            *layers["woods"].buffer(20),
            *layers["farmsteads"].buffer(60),
            shapely.box(*layers["parcels"].total_bounds).boundary.buffer(150),
        ]
    )
    free = [line for line in cut if across_wind(line) > 0.6 and not line.intersects(occupied)]
    return sorted(free, key=lambda g: (round(g.centroid.x, 3), round(g.centroid.y, 3)))


def chosen(
    lines: list[shapely.LineString], areas: gpd.GeoDataFrame, rng: np.random.Generator
) -> list[shapely.LineString]:
    """Lines that touch each category of grant area, none close to another."""
    kept: list[shapely.LineString] = []
    for category, count in PLACED.items():
        area = shapely.union_all(areas.geometry[areas["category"] == category].to_numpy())
        found = 0
        for at in rng.permutation(len(lines)):
            line = lines[at]
            if found < count and area.intersects(line) and clear_of(line, kept):
                kept.append(line)
                found += 1
    return kept


def clear_of(line: shapely.LineString, kept: list[shapely.LineString]) -> bool:
    """Whether a line is far enough from the lines kept so far."""
    return all(line.distance(other) > APART_M for other in kept)


def proposed(
    lines: list[shapely.LineString], parcels: gpd.GeoDataFrame, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Belts with a design, a cost and the adjacent parcel."""
    rows = []
    for number, line in enumerate(lines):
        species, width, plants, bare = DESIGNS[number % len(DESIGNS)]
        beside = parcels[parcels.distance(line.interpolate(0.5, normalized=True)) < 0.5]
        parcel = beside.sort_values("parcel_id").iloc[0]
        # Every third belt is planted in two adjoining pieces, one in each of two years.
        cuts = [0.0, 0.45, 1.0] if number % 3 == 2 else [0.0, 1.0]
        for piece, (low, high) in enumerate(pairwise(cuts)):
            part = substring(line, low, high, normalized=True)
            cost = COST_PER_M2 * width * part.length * rng.uniform(0.9, 1.15)
            rows.append(
                {
                    "candidate": f"N{number + 1:02d}" + ("ab"[piece] if len(cuts) > 2 else ""),
                    "holding_id": parcel.holding_id,
                    "parcel_id": parcel.parcel_id,
                    "species": species,
                    "width_m": width,
                    "plants_per_ha": plants,
                    "open_share": bare,
                    "planted_year": 2027 + piece,
                    "cost": round(cost),
                    "geometry": part,
                }
            )
    return gpd.GeoDataFrame(rows, crs=parcels.crs)


def agreement(belts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A field corner that is already under a grant."""
    line = belts.geometry.iloc[0]
    corner = substring(line, 0, 0.4, normalized=True).buffer(60, quad_segs=4)
    row = {"scheme": "Ostrel bird strips", "begins": 2024, "ends": 2031, "geometry": corner}
    return gpd.GeoDataFrame([row], crs=belts.crs)


def write(layers: dict[str, tuple[gpd.GeoDataFrame, str, str]], path: Path) -> None:
    """Write layers into a new GeoPackage 1.3."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN})
    for name, (layer, kind, about) in layers.items():
        first = not path.exists()
        pyogrio.write_dataframe(
            layer,
            path,
            layer=name,
            driver="GPKG",
            geometry_type=kind,
            promote_to_multi=True,
            append=not first,
            dataset_options={"VERSION": "1.3"} if first else None,
            layer_options={"DESCRIPTION": about, "IDENTIFIER": name},
        )


def main() -> None:
    """Create the file."""
    rng = np.random.default_rng(SEED)
    names = ("parcels", "belts", "keep_clear", "woods", "farmsteads", "grant_areas")
    layers = {n: pyogrio.read_dataframe(HERE / "ostrel.gpkg", layer=n) for n in names}
    lines = chosen(open_edges(layers), layers["grant_areas"], rng)
    belts = proposed(lines, layers["parcels"], rng)
    about = "Invented belts to be planted in the invented Ostrel valley"
    about_agreements = "Invented ground under an invented agreement"
    write(
        {
            "proposed_belts": (belts, "MultiLineString", about),
            "agreements": (agreement(belts), "MultiPolygon", about_agreements),
        },
        HERE / "grants.gpkg",
    )
    print(f"proposed_belts: {len(belts)}")


if __name__ == "__main__":
    main()
