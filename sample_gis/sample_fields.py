"""Invented holdings, parcels, farmsteads and woods of the Ostrel valley.

Land is divided repeatedly, first into holdings and then into parcels. All lines are
then rounded to one centimetre grid and noded together, so that parcels on both
sides of an edge share exactly the same vertices.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from sample_ground import EPSG, SOUTH, WEST, Ground, map_frame
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.ops import split

HOLDING_NAMES = [
    "Orrelby",
    "Quennock",
    "Skarvel Side",
    "Upper Ostrel",
    "Nether Ostrel",
    "Wethrill",
    "Dunnavel",
    "Fennashaw",
    "Corlomb End",
    "Maddrick Rise",
    "Tilverne",
    "Ashenlow",
]
ROAD_HALF_M, RIVER_HALF_M = 6.0, 9.0


@dataclass
class Fields:
    """Parcels, holdings, farmsteads and woods."""

    holdings: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    farmsteads: gpd.GeoDataFrame
    woods: gpd.GeoDataFrame
    open_block: str  # the arable holding left without hedges


def _grain(x: float, y: float) -> float:
    """Direction, degrees, in which field edges run near a point."""
    east, north = (x - WEST) / 1000, (y - SOUTH) / 1000
    return -31 + 14 * np.sin(east / 1.3 + 0.4) + 10 * np.cos(north / 1.1)


def _cut_line(land: Polygon, rng: np.random.Generator, at: float) -> LineString:
    """A slightly crooked line across the longer side of an area."""
    grain = _grain(land.centroid.x, land.centroid.y) + rng.normal(0, 5)
    turned = rotate(land, -grain, origin=land.centroid)
    x0, y0, x1, y1 = turned.bounds
    upright = (x1 - x0) >= (y1 - y0)
    low, high = (y0, y1) if upright else (x0, x1)
    run = np.linspace(low - 60, high + 60, max(4, int((high - low) / 140) + 2))
    base = x0 + at * (x1 - x0) if upright else y0 + at * (y1 - y0)
    wander = base + rng.normal(0, 7, run.size)
    pairs = zip(wander, run, strict=True) if upright else zip(run, wander, strict=True)
    return rotate(LineString(list(pairs)), grain, origin=land.centroid)


def _compactness(land: Polygon) -> float:
    """Area divided by squared perimeter: 0.0625 for a square, near 0 for a sliver."""
    return land.area / land.length**2


def _halve(land: Polygon, rng: np.random.Generator, least: float) -> list[Polygon]:
    """An area divided in two, or whole where no suitable division is found."""
    # Long thin areas must be divided too, so an improvement is enough.
    compact_enough = min(0.034, 1.05 * _compactness(land))
    for _ in range(14):
        pieces = list(split(land, _cut_line(land, rng, rng.uniform(0.38, 0.62))).geoms)
        big = len(pieces) == 2 and min(p.area for p in pieces) >= least
        if big and min(_compactness(p) for p in pieces) >= compact_enough:
            return pieces
    return [land]


def _zones(ground: Ground) -> list[Polygon]:
    """Land between roads, river and map frame."""
    taken = [road.buffer(ROAD_HALF_M) for road in ground.roads]
    taken.append(ground.river.buffer(RIVER_HALF_M))
    # The lines end before the map edge, and the frame is further inside.
    land = map_frame(110).difference(shapely.union_all(taken))
    return [g.simplify(0.5) for g in shapely.get_parts(land) if g.area > 20_000]


def _blocks(ground: Ground, rng: np.random.Generator, count: int) -> list[Polygon]:
    """Blocks from dividing the largest one repeatedly."""
    blocks = _zones(ground)
    while len(blocks) < count:
        blocks.sort(key=lambda b: b.area)
        pieces = _halve(blocks.pop(), rng, 600_000)
        if len(pieces) < 2:
            raise RuntimeError("a block could not be cut; choose another seed")
        blocks.extend(pieces)
    return sorted(blocks, key=lambda b: (-b.centroid.y, b.centroid.x))


def _owners(blocks: list[Polygon]) -> list[int]:
    """Holding number of each block; the smallest block goes to a farm not next to it."""
    small = int(np.argmin([b.area for b in blocks]))
    gaps = [b.distance(blocks[small]) for b in blocks]
    keeper = min((i for i in range(len(blocks)) if gaps[i] > 300), key=lambda i: gaps[i])
    owners, number = [], 0
    for i in range(len(blocks)):
        owners.append(number)
        number += i != small
    owners[small] = owners[keeper]
    return owners


def _target_area(ground: Ground) -> Callable[[Polygon], float]:
    """Function that returns the field size, m2: small on low ground, large on high ground."""

    def wanted(land: Polygon) -> float:
        z = float(ground.z(land.centroid.x, land.centroid.y)[0])
        return float(np.interp(z, [30, 70, 120, 180, 230], [11e4, 14e4, 21e4, 36e4, 50e4]))

    return wanted


def _cut_fields(
    land: Polygon, rng: np.random.Generator, wanted: Callable[[Polygon], float]
) -> list[Polygon]:
    """Parts of an area, divided until each has about the field size of its location."""
    goal = wanted(land)
    if land.area < goal * rng.uniform(1.15, 2.0):
        return [land]
    pieces = _halve(land, rng, 0.3 * goal)
    if len(pieces) == 1:
        return pieces
    return [leaf for piece in pieces for leaf in _cut_fields(piece, rng, wanted)]


def _noded_faces(leaves: list[Polygon], owner: list[int]) -> tuple[list[Polygon], list[int]]:
    """All pieces rebuilt from one noded set of lines on a centimetre grid."""
    lines = shapely.union_all([leaf.boundary for leaf in leaves], grid_size=0.01)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
    inner = shapely.point_on_surface(faces)
    tree = shapely.STRtree(leaves)
    face_at, leaf_at = tree.query(inner, predicate="within")
    kept = [(faces[f], owner[leaf]) for f, leaf in zip(face_at, leaf_at, strict=True)]
    kept = [item for item in kept if item[0].area > 100]  # fragments from rounding
    kept.sort(key=lambda item: (item[1], -item[0].centroid.y, item[0].centroid.x))
    return [face for face, _ in kept], [own for _, own in kept]


def _land_use(row: dict[str, float], open_block: bool, rng: np.random.Generator) -> str:
    """Land use of one parcel from its elevation, slope and type of farm."""
    draw = rng.random()
    if open_block:
        return "arable" if row["slope"] < 8 else "pasture"
    if row["z"] > 165 or row["slope"] > 11:
        return "rough grazing"
    if row["z"] > 130:
        return "rough grazing" if draw < 0.35 else "pasture"
    if row["z"] < 62 and row["to_river"] < 350:
        return "meadow" if draw < 0.7 else "pasture"
    if row["slope"] < 6:
        return "arable" if draw < 0.45 else ("pasture" if draw < 0.88 else "meadow")
    return "pasture"


def _describe(parcels: gpd.GeoDataFrame, ground: Ground) -> gpd.GeoDataFrame:
    """Add the elevation, slope and distances that later choices depend on."""
    mid = shapely.point_on_surface(parcels.geometry.to_numpy())
    x, y = shapely.get_x(mid), shapely.get_y(mid)
    parcels["z"], parcels["slope"] = ground.z(x, y), ground.slope_deg(x, y)
    parcels["to_river"] = parcels.distance(ground.river)
    parcels["to_line"] = parcels.distance(ground.power_line)
    parcels["to_rim"] = parcels.distance(map_frame(0).boundary)
    return parcels


def _parcel_frame(
    ground: Ground, faces: list[Polygon], owner: list[int], rng: np.random.Generator
) -> tuple[gpd.GeoDataFrame, str]:
    """Parcels with names, holdings and land use, and the holding without hedges."""
    frame = {
        "parcel_id": [f"P{i + 1:03d}" for i in range(len(faces))],
        "holding_id": [f"H{own + 1:02d}" for own in owner],
    }
    parcels = _describe(gpd.GeoDataFrame(frame, geometry=faces, crs=EPSG), ground)
    # The open block is gentle ground above the valley floor, suited to large arable fields.
    means = parcels[parcels.to_river > 0].groupby("holding_id")[["z", "slope", "to_river"]].mean()
    away = means[(means.to_river > 700) & (means.z < 150)]
    open_block = str(away["slope"].idxmin())
    records = parcels[["z", "slope", "to_river"]].to_dict("records")
    parcels["land_use"] = [
        _land_use(row, hold == open_block, rng)
        for row, hold in zip(records, parcels.holding_id, strict=True)
    ]
    return parcels, open_block


def _holding_frame(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Holdings, dissolved from their parcels."""
    joined = parcels[["holding_id", "geometry"]].dissolve("holding_id").reset_index()
    joined["name"] = HOLDING_NAMES[: len(joined)]
    return joined[["holding_id", "name", "geometry"]]


def _steading(rng: np.random.Generator, x: float, y: float) -> MultiPolygon:
    """A house and two or three sheds around a yard."""
    blocks = [
        translate(box(-7, -4.5, 7, 4.5), -6, 21),
        translate(box(-6, -15, 6, 15), 20, 0),
        translate(box(-12, -6, 12, 6), -8, -19),
        translate(box(-4, -7, 4, 7), -25, 2),
    ]
    shown = blocks[: int(rng.integers(3, 5))]
    turned = rotate(MultiPolygon(shown), rng.uniform(0, 180), origin=(0, 0))
    return shapely.set_precision(translate(turned, x, y), 0.01)


def _steading_site(land: gpd.GeoDataFrame, ground: Ground, taken: list[Point]) -> Point:
    """Best site on a holding: near a road, low, gentle, clear of edges and lines."""
    edges = shapely.union_all(land.boundary.to_numpy())
    x0, y0, x1, y1 = land.total_bounds
    xs, ys = (a.ravel() for a in np.meshgrid(np.arange(x0, x1, 40), np.arange(y0, y1, 40)))
    inside = shapely.contains_xy(shapely.union_all(land.geometry.to_numpy()), xs, ys)
    xs, ys = xs[inside], ys[inside]
    spots = shapely.points(xs, ys)
    to_road = np.min([shapely.distance(spots, road) for road in ground.roads], axis=0)
    poor = to_road / 500 + ground.slope_deg(xs, ys) / 6 + ground.z(xs, ys) / 120
    # A yard keeps a distance from parcel edges, the power line and the river.
    poor += 50 * (shapely.distance(spots, edges) < 82)
    poor += 50 * (shapely.distance(spots, ground.power_line) < 180)
    poor += 50 * (shapely.distance(spots, ground.river) < 260)
    for other in taken:
        poor += 5 * (shapely.distance(spots, other) < 550)
    return spots[int(np.argmin(poor))]


def _farmstead_frame(
    parcels: gpd.GeoDataFrame, holdings: gpd.GeoDataFrame, ground: Ground, rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """One farmstead per holding."""
    rows, taken = [], []
    for holding_id, name in zip(holdings.holding_id, holdings.name, strict=True):
        land = parcels[parcels.holding_id == holding_id]
        spot = _steading_site(land, ground, taken)
        taken.append(spot)
        shape = _steading(rng, spot.x, spot.y)
        rows.append({"name": f"{name} steading", "holding_id": holding_id, "geometry": shape})
    return gpd.GeoDataFrame(rows, crs=EPSG)


WOOD_SORTS = [
    ("Skarvel Wood", "oak", 19.0, 0.25, 0.50, 1898),
    ("Long Ostrel Plantation", "Sitka spruce", 21.0, 0.20, 0.20, 1972),
]


def _wood_frame(
    parcels: gpd.GeoDataFrame, farmsteads: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, list[int]]:
    """Two mature woods on whole parcels well apart, clear of the line and houses."""
    homes = shapely.union_all(farmsteads.geometry.to_numpy())
    fit = parcels[
        parcels.area.between(1.0e5, 3.0e5)
        & parcels.z.between(75, 150)
        & (parcels.to_line > 250)
        & (parcels.to_rim > 500)
        & (parcels.distance(homes) > 300)
    ].sort_values("slope", ascending=False)
    first = fit.index[0]
    apart = fit[fit.distance(parcels.geometry[first]) > 2500]
    chosen = [first, apart.index[0]]
    columns = ["name", "species", "height_m", "porosity", "bare_porosity", "planted_year"]
    woods = gpd.GeoDataFrame(
        WOOD_SORTS, columns=columns, crs=EPSG, geometry=list(parcels.geometry[chosen])
    )
    woods["belt_type"] = "wood"
    return woods, chosen


def build_fields(ground: Ground, rng: np.random.Generator) -> Fields:
    """Divide the land and place farmsteads and woods."""
    blocks = _blocks(ground, rng, len(HOLDING_NAMES) + 1)
    owners = _owners(blocks)
    wanted = _target_area(ground)
    leaves, leaf_owner = [], []
    for block, own in zip(blocks, owners, strict=True):
        cut = _cut_fields(block, rng, wanted)
        leaves += cut
        leaf_owner += [own] * len(cut)
    faces, owner = _noded_faces(leaves, leaf_owner)
    parcels, open_block = _parcel_frame(ground, faces, owner, rng)
    holdings = _holding_frame(parcels)
    farmsteads = _farmstead_frame(parcels, holdings, ground, rng)
    woods, wooded = _wood_frame(parcels, farmsteads)
    parcels.loc[wooded, "land_use"] = "woodland"
    return Fields(holdings, parcels, farmsteads, woods, open_block)
