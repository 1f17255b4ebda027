"""Invented places to be sheltered, keep-clear areas and grant areas."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from sample_fields import Fields
from sample_ground import EPSG, Ground, map_frame
from shapely.geometry import Point, Polygon
from shapely.ops import substring

FARMS_WITH_YARD = 6
RIM_M = 450.0  # smallest distance of places from the edge of the map
APART_M = 900.0  # smallest distance between places of one purpose
# purpose, land uses, number, area in m2, elevation in m, head of stock, priority
FIELD_PLACES = [
    ("lambing", ("pasture", "meadow"), 4, (6e4, 15e4), (20, 130), (140, 420), 3.0),
    (
        "outwintering stock",
        ("pasture", "rough grazing"),
        3,
        (10e4, 35e4),
        (110, 190),
        (35, 90),
        2.0,
    ),
    ("crop", ("arable",), 4, (8e4, 25e4), (30, 150), None, 1.0),
    ("bare soil", ("arable",), 2, (8e4, 25e4), (30, 150), None, 2.0),
]


def _one_parcel(parcels: gpd.GeoDataFrame, use: str, area: tuple[float, float], z: float) -> int:
    """The pasture or meadow parcel in a range of sizes whose elevation is nearest to `z`."""
    fit = parcels[parcels.area.between(*area) & parcels.land_use.isin(["pasture", "meadow"])]
    fit = fit[(fit.to_line > 120) & (fit.to_river > 250) & (fit.to_home > 120)]
    # Compact fields only, far enough from the edge for known ground upwind.
    fit = fit[(fit.area / fit.length**2 > 0.05) & (fit.to_rim > RIM_M)]
    at = int((fit.z - z).abs().idxmin())
    parcels.loc[at, "land_use"] = use
    return at


def settle_special_parcels(fields: Fields) -> dict[str, int]:
    """Choose parcels for one orchard and one young wood, before belts are drawn."""
    parcels = fields.parcels
    parcels["to_home"] = parcels.distance(shapely.union_all(fields.farmsteads.geometry.to_numpy()))
    return {
        "orchard": _one_parcel(parcels, "orchard", (5e4, 9e4), 75),
        "young trees": _one_parcel(parcels, "woodland", (6e4, 12e4), 95),
    }


def _place(
    name: str, purpose: str, priority: float, shape: shapely.Geometry, **more: object
) -> dict:
    """One row of the layer of places."""
    row = {"name": name, "purpose": purpose, "head": None, "priority": priority}
    return {**row, "parcel_id": None, "holding_id": None, "geometry": shape, **more}


def _whose(row: pd.Series) -> dict[str, str]:
    """Parcel and holding of a place."""
    return {"parcel_id": row.parcel_id, "holding_id": row.holding_id}


def _special_places(fields: Fields, special: dict[str, int]) -> list[dict]:
    """The orchard and the young wood, each on a whole parcel."""
    names = {"orchard": "Ostrel Bottom orchard", "young trees": "Ostrel community wood"}
    rows = []
    for purpose, at in special.items():
        row = fields.parcels.loc[at]
        rows.append(_place(names[purpose], purpose, 2.0, row.geometry, **_whose(row)))
    return rows


def _spread_out(fit: gpd.GeoDataFrame, count: int) -> gpd.GeoDataFrame:
    """The first parcels that are not close to one already chosen."""
    kept: list[int] = []
    for at in fit.index:
        near = fit.loc[kept].distance(fit.geometry[at])
        if len(kept) < count and (near > APART_M).all():
            kept.append(at)
    return fit.loc[kept]


def _field_places(fields: Fields, rng: np.random.Generator, taken: set[int]) -> list[dict]:
    """Fields for stock, crops and bare soil, each of one purpose on another farm."""
    farm = dict(zip(fields.holdings.holding_id, fields.holdings.name, strict=True))
    rows = []
    for purpose, uses, count, area, z, head, priority in FIELD_PLACES:
        land = fields.parcels[~fields.parcels.index.isin(taken) & (fields.parcels.to_home > 40)]
        fit = land[land.land_use.isin(uses) & land.area.between(*area) & land.z.between(*z)]
        fit = fit[fit.to_rim > RIM_M].sample(frac=1, random_state=rng)
        spread = _spread_out(fit.drop_duplicates("holding_id"), count)
        if len(spread) < count:
            raise RuntimeError(f"too few fields fit for {purpose}; choose another seed")
        for at, row in spread.sort_index().iterrows():
            taken.add(at)
            heads = {"head": int(rng.integers(*head) // 5 * 5)} if head else {}
            name = f"{farm[row.holding_id]} {purpose} field"
            rows.append(_place(name, purpose, priority, row.geometry, **_whose(row), **heads))
    return rows


def _old_trees(fields: Fields, rng: np.random.Generator, taken: set[int]) -> dict:
    """An irregular group of old trees in the middle of a big pasture."""
    land = fields.parcels[
        ~fields.parcels.index.isin(taken) & (fields.parcels.land_use == "pasture")
    ]
    land = land[land.z.between(80, 120) & (land.to_line > 200) & (land.to_home > 250)]
    land = land[land.to_rim > RIM_M]
    row = land.loc[land.area.idxmax()]
    angle = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    radius = 62 + 9 * np.sin(3 * angle + 1) + rng.normal(0, 3, angle.size)
    mid = row.geometry.representative_point()
    ring = np.c_[mid.x + 1.3 * radius * np.cos(angle), mid.y + radius * np.sin(angle)]
    return _place("Old trees in the big pasture", "old trees", 2.0, Polygon(ring), **_whose(row))


def _yards(fields: Fields) -> list[dict]:
    """Ground around the buildings of every other farmstead."""
    rows = []
    for at in range(0, 2 * FARMS_WITH_YARD, 2):
        farm = fields.farmsteads.loc[at]
        shape = farm.geometry.convex_hull.buffer(24, join_style="mitre")
        parcel = fields.parcels[fields.parcels.contains(farm.geometry.centroid)].iloc[0]
        name = farm["name"].replace("steading", "house and yard")
        rows.append(_place(name, "yard and house", 2.0, shape, **_whose(parcel)))
    return rows


def _snow_road(ground: Ground) -> dict:
    """The highest 900 m of the saddle road, with its verges."""
    road = ground.roads[1]
    at = np.arange(500.0, road.length - 500, 20)
    points = shapely.line_interpolate_point(road, at)
    top = at[np.argmax(ground.z(shapely.get_x(points), shapely.get_y(points)))]
    stretch = substring(road, top - 450, top + 450)
    return _place("Saddle road", "road snow", 2.0, stretch.buffer(5, cap_style="flat"))


def build_places(
    fields: Fields, ground: Ground, special: dict[str, int], rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """All places to be sheltered."""
    taken = set(special.values())
    rows = _special_places(fields, special) + _field_places(fields, rng, taken)
    rows += [_old_trees(fields, rng, taken), *_yards(fields), _snow_road(ground)]
    places = gpd.GeoDataFrame(rows, crs=EPSG)
    places["head"] = places["head"].astype("Int32")
    return places


def _sight_lines(ground: Ground, along_m: float) -> shapely.Geometry:
    """The area of the sight lines at the crossroads."""
    cross = ground.roads[0].intersection(ground.roads[1])
    ring = cross.buffer(along_m).boundary
    corners = [p for road in ground.roads for p in shapely.get_parts(road.intersection(ring))]
    return shapely.MultiPoint(corners).convex_hull


def _ridge_top(ground: Ground, west_of: float, apart: Point | None = None) -> Point:
    """The highest cell west of an easting, and far from another point if one is given."""
    x = np.arange(map_frame(300).bounds[0], west_of, 20.0)
    y = np.arange(map_frame(300).bounds[1], map_frame(300).bounds[3], 20.0)
    xs, ys = (a.ravel() for a in np.meshgrid(x, y))
    z = ground.z(xs, ys)
    if apart is not None:
        z = z - 500 * (shapely.distance(shapely.points(xs, ys), apart) < 1200)
    top = int(np.argmax(z))
    return Point(xs[top], ys[top])


def build_keep_clear(ground: Ground) -> gpd.GeoDataFrame:
    """Keep-clear areas, with the clearance distance of each."""
    east = map_frame(0).bounds[2]
    barrow = _ridge_top(ground, east - 2000)
    peat = _ridge_top(ground, east - 300, apart=barrow)
    roads = shapely.union_all(ground.roads)
    rows = [
        ("road verge", 7.0, roads.buffer(3)),
        ("sight lines at the crossroads", 0.0, _sight_lines(ground, 90)),
        ("power line corridor", 13.0, ground.power_line.buffer(2)),
        ("river bank", 3.0, ground.river.buffer(9)),
        ("barrow on the ridge", 20.0, barrow.buffer(11)),
        ("deep peat on the ridge", 10.0, peat.buffer(95)),
    ]
    clear = gpd.GeoDataFrame(rows, columns=["reason", "clear_m", "geometry"], crs=EPSG)
    clear.geometry = clear.geometry.intersection(map_frame(5)).simplify(0.1)
    return clear


def build_grant_areas(ground: Ground) -> gpd.GeoDataFrame:
    """Three made-up grant areas that partly overlap."""
    river_side = ground.river.buffer(1100).intersection(map_frame(60)).simplify(25)
    x0, y0, x1, y1 = map_frame(60).bounds
    north_east = Polygon([(x1, y0 + 2600), (x1, y1), (x0 + 2500, y1), (x0 + 3300, y0 + 4300)])
    south_west = Polygon([(x0, y0), (x0 + 3700, y0), (x0 + 2900, y0 + 2700), (x0, y0 + 3900)])
    rows = [
        ("catchment native belts", "Ostrel water-side area", river_side),
        ("farm shelter", "Ridge farms area", north_east),
        ("farm shelter", "South-west farms area", south_west),
    ]
    return gpd.GeoDataFrame(rows, columns=["category", "name", "geometry"], crs=EPSG)
