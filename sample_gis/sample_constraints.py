"""Invented constraints on planting in the Ostrel valley, gateways, and lines drawn for belts.

Authorities and dates are invented too. No random numbers are used, so these layers do not change
the others.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from sample_fields import Fields
from sample_ground import EPSG, Ground, map_frame

GATE_M = 5.0
# constraint, effect, distance, authority, date
KINDS = {
    "old woodland": ("consult", 30.0, "Ostrel Woodland Council (invented)", "2025-03-14"),
    "species-rich grass": ("forbid", 5.0, "Ostrel Nature Office (invented)", "2024-06-30"),
    "waders": ("consult", 200.0, "Ostrel Nature Office (invented)", "2025-05-20"),
    "designated sites": ("consent", 50.0, "Ostrel Nature Office (invented)", "2019-11-01"),
    "watercourses": ("note", 10.0, "Ostrel River Board (invented)", "2023-09-12"),
}


def _meadows(fields: Fields) -> gpd.GeoDataFrame:
    """Two meadow parcels far from each other, as species-rich grass."""
    meadows = fields.parcels[fields.parcels.land_use == "meadow"]
    first = meadows.iloc[[0]]
    apart = meadows[meadows.distance(first.geometry.iloc[0]) > 1500]
    return pd.concat([first, apart.iloc[[0]]])


def _wader_ground(fields: Fields, places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The two largest parcels of rough grazing without a place to be sheltered."""
    rough = fields.parcels[fields.parcels.land_use == "rough grazing"]
    rough = rough[rough.disjoint(shapely.union_all(places.geometry.to_numpy()))]
    return rough.loc[rough.area.sort_values(ascending=False).index[:2]]


def build_constraints(fields: Fields, ground: Ground, places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Register of constraints, as areas."""
    site = _meadows(fields).geometry.iloc[1].buffer(180).intersection(map_frame(60))
    river = ground.river.buffer(9).intersection(map_frame(5)).simplify(0.5)
    shapes = [
        ("old woodland", "Skarvel Wood", fields.woods.geometry.iloc[0]),
        *(
            ("species-rich grass", f"meadow {p.parcel_id}", p.geometry)
            for p in _meadows(fields).itertuples()
        ),
        *(
            ("waders", f"moor {p.parcel_id}", p.geometry)
            for p in _wader_ground(fields, places).itertuples()
        ),
        ("designated sites", "Ostrel meadows", site.simplify(1.0)),
        ("watercourses", "Ostrel", river),
    ]
    rows = [(kind, name, *KINDS[kind], shape) for kind, name, shape in shapes]
    columns = ["constraint", "name", "effect", "distance_m", "authority", "date", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, crs=EPSG)


def build_paths(fields: Fields) -> gpd.GeoDataFrame:
    """Two rights of way, each straight between two farmsteads."""
    homes = shapely.centroid(fields.farmsteads.geometry.to_numpy())
    rows = []
    for a, b in ((0, 3), (5, 8)):
        path = shapely.LineString([homes[a], homes[b]])
        # It ends before the yards.
        path = shapely.ops.substring(path, 90, path.length - 90)
        name = f"path from {fields.farmsteads['name'].iloc[a]}"
        row = ("rights of way", name, "consent", 2.0, "Ostrel Path Warden (invented)", "2022-04-01")
        rows.append((*row, shapely.set_precision(path, 0.01)))
    columns = ["constraint", "name", "effect", "distance_m", "authority", "date", "geometry"]
    return gpd.GeoDataFrame(rows, columns=columns, crs=EPSG)


def build_gateways(fields: Fields) -> gpd.GeoDataFrame:
    """A gateway on the outline of every third parcel."""
    parcels = fields.parcels.iloc[::3]
    rings = shapely.get_exterior_ring(parcels.geometry.to_numpy())
    points = shapely.line_interpolate_point(rings, 0.37, normalized=True)
    names = [f"gateway of {parcel}" for parcel in parcels.parcel_id]
    shapes = shapely.set_precision(points, 0.01)
    return gpd.GeoDataFrame({"name": names, "width_m": GATE_M}, geometry=shapes, crs=EPSG)


def build_candidate_lines(places: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Lines across four fields: one must have, one forbidden."""
    fields = places[places.purpose.isin(["crop", "lambing"])].iloc[:4]
    lines = []
    for shape in fields.geometry:
        middle = shapely.get_coordinates(shape.centroid)[0]
        step = 1000 * np.array([np.sin(np.radians(150)), np.cos(np.radians(150))])
        across = shapely.LineString([middle - step, middle + step]).intersection(shape.buffer(-8))
        parts = shapely.get_parts(across)
        lines.append(shapely.set_precision(parts[np.argmax(shapely.length(parts))], 0.01))
    names = [f"line drawn on {name}" for name in fields["name"]]
    columns = {
        "name": names,
        "design": ["", "", "uncut hedge", ""],
        "must_have": [True, False, False, False],
        "forbidden": [False, False, False, True],
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=EPSG)
