"""Invented hedges, tree belts, walls, banks and fences of the Ostrel valley.

Every belt is on a parcel edge and is interrupted by gateways and gaps, so most
belts are lines in several parts. Heights, widths and porosities are drawn at random
from plausible ranges; they are not measurements.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from sample_fields import Fields
from sample_ground import EPSG, Ground, map_frame
from shapely.geometry import LineString
from shapely.ops import substring

COUNTS = {"tree belt": 36, "wall": 17, "bank with hedge": 20, "fence": 7, "hedge": 118}
BANK_HOLDINGS = ("H07", "H11")
LONGEST_M = 750.0
PREVAILING_FROM_DEG = 236.0
LINE_CLEAR_M = 15.0

# species: porosity in leaf (low, high), bare (low, high) or None when evergreen
HEDGES = {
    "hawthorn": ((0.34, 0.48), (0.58, 0.70)),
    "blackthorn": ((0.32, 0.44), (0.56, 0.68)),
    "hazel": ((0.38, 0.50), (0.60, 0.70)),
    "beech": ((0.30, 0.40), (0.55, 0.60)),
    "holly": ((0.30, 0.36), None),
}
TREES = {
    "Sitka spruce": ((0.30, 0.40), None),
    "Scots pine": ((0.36, 0.50), None),
    "common alder": ((0.38, 0.50), (0.55, 0.65)),
    "poplar": ((0.40, 0.50), (0.56, 0.65)),
    "oak": ((0.32, 0.45), (0.52, 0.62)),
    "birch": ((0.40, 0.50), (0.57, 0.65)),
    "beech": ((0.30, 0.42), (0.50, 0.60)),
}


@dataclass(frozen=True)
class Form:
    """Ranges of the values of one type of belt."""

    height: tuple[float, float]
    width: tuple[float, float]
    porosity: tuple[float, float] | None  # None: depends on the species
    species: dict
    gate_every_m: float
    gap_chance: float


FORMS = {
    "hedge": Form((1.5, 4.0), (1.5, 3.0), None, HEDGES, 320, 0.22),
    "bank with hedge": Form((2.2, 4.0), (2.5, 3.5), None, HEDGES, 350, 0.15),
    "tree belt": Form((8.0, 18.0), (6.0, 20.0), None, TREES, 900, 0.15),
    "wall": Form((1.2, 1.5), (0.5, 0.7), (0.0, 0.05), {}, 380, 0.12),
    "fence": Form((1.5, 2.0), (0.1, 0.1), (0.45, 0.45), {}, 250, 0.0),
}


def _pieces(line: LineString) -> list[LineString]:
    """A line divided into equal pieces of at most the longest belt."""
    parts = int(np.ceil(line.length / LONGEST_M))
    steps = np.linspace(0, 1, parts + 1)
    return [substring(line, a, b, normalized=True) for a, b in pairwise(steps)]


def _edges(fields: Fields) -> list[LineString]:
    """Parcel edges from junction to junction, in a fixed order."""
    outlines = shapely.union_all(fields.parcels.boundary.to_numpy())
    lines = shapely.get_parts(shapely.line_merge(outlines))
    cut = [piece for line in lines for piece in _pieces(line) if piece.length > 110]
    return sorted(cut, key=lambda g: (round(g.centroid.x, 3), round(g.centroid.y, 3)))


def _across_wind(line: LineString) -> float:
    """1 for an edge perpendicular to the prevailing wind, 0 for one parallel to it."""
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    bearing = np.degrees(np.arctan2(x1 - x0, y1 - y0))
    return float(np.sin(np.radians(bearing - PREVAILING_FROM_DEG)) ** 2)


def _edge_frame(fields: Fields, ground: Ground) -> gpd.GeoDataFrame:
    """Parcel edges with the values that the choice of belts depends on."""
    lines = _edges(fields)
    edges = gpd.GeoDataFrame({"geometry": lines}, crs=EPSG)
    mid = shapely.line_interpolate_point(np.array(lines), 0.5, normalized=True)
    tree = shapely.STRtree(fields.parcels.geometry.to_numpy())
    edge_at, parcel_at = tree.query(mid, predicate="dwithin", distance=0.5)
    beside = pd.DataFrame({"edge": edge_at, "parcel": parcel_at}).sort_values(["edge", "parcel"])
    edges["parcel"] = beside.groupby("edge")["parcel"].first()
    edges["sides"] = beside.groupby("edge")["parcel"].size()
    uses = fields.parcels.land_use.to_numpy()
    by_wood = beside[uses[beside.parcel] == "woodland"].edge
    by_orchard = beside[uses[beside.parcel] == "orchard"].edge
    edges["by_wood"], edges["by_orchard"] = edges.index.isin(by_wood), edges.index.isin(by_orchard)
    edges["holding_id"] = fields.parcels.holding_id.to_numpy()[edges.parcel]
    edges["z"] = ground.z(shapely.get_x(mid), shapely.get_y(mid))
    edges["across"] = [_across_wind(line) for line in lines]
    edges["to_home"] = edges.distance(shapely.union_all(fields.farmsteads.geometry.to_numpy()))
    edges["to_road"] = edges.distance(shapely.union_all(ground.roads))
    edges["to_rim"] = edges.distance(map_frame(0).boundary)
    edges["to_river"] = edges.distance(ground.river)
    return edges


def _weights(edges: gpd.GeoDataFrame, kind: str, fields: Fields) -> np.ndarray:
    """Weight of each edge in the random choice of edges for one type of belt."""
    z, home = edges.z.to_numpy(), edges.to_home.to_numpy()
    near = 0.04 + np.exp(-((home / 900) ** 2))
    usable = ~edges.by_wood & (edges.holding_id != fields.open_block) & (edges.to_river > 30)
    if kind == "wall":
        weight = np.exp(-(((z - 150) / 28) ** 2))
    elif kind == "tree belt":
        # Tall trees keep a distance from roads and houses.
        clear = (edges.to_road > 40) & (home > 50) & (edges.geometry.length > 220)
        weight = clear * edges.across**5 * np.exp(-(((z - 90) / 45) ** 2))
    elif kind == "fence":
        weight = np.where(
            edges.by_orchard, 1e6, 0.2 * (edges.to_road > 40) * np.exp(-((home / 300) ** 2))
        )
    elif kind == "bank with hedge":
        weight = edges.holding_id.isin(BANK_HOLDINGS) * near * (z < 150)
    else:
        weight = near / (1 + np.exp((z - 128) / 9))
    # Edges along roads have one parcel only; there are no belts at the edge of the map.
    inner = np.where(edges.sides > 1, 1.0, 0.45) * (edges.to_rim > 130)
    return np.asarray(weight * usable * inner, dtype=float)


def _choose(edges: gpd.GeoDataFrame, fields: Fields, rng: np.random.Generator) -> pd.Series:
    """Type of belt for each edge; edges without a belt are left out."""
    kinds = pd.Series(index=edges.index, dtype=object)
    for kind, count in COUNTS.items():
        weight = _weights(edges, kind, fields) * kinds.isna().to_numpy()
        # Weighted choice without replacement: the smallest waiting times are chosen.
        wait = rng.exponential(size=len(edges)) / np.maximum(weight, 1e-12)
        kinds[edges.index[np.argsort(wait)[:count]]] = kind
    return kinds.dropna()


def _openings(length: float, form: Form, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Gateways of 4-6 m and sometimes a gap of 20-60 m, as start and end along the line."""
    cuts = []
    for _ in range(max(1, round(length / form.gate_every_m)) if rng.random() < 0.85 else 0):
        # Most gateways are near a corner of the field.
        at = rng.uniform(8, 25) if rng.random() < 0.6 else rng.uniform(30, length - 30)
        at = length - at if rng.random() < 0.5 else at
        half = rng.uniform(4, 6) / 2
        cuts.append((at - half, at + half))
    if rng.random() < form.gap_chance and length > 180:
        at, half = rng.uniform(60, length - 60), rng.uniform(20, 60) / 2
        cuts.append((at - half, at + half))
    return sorted(cuts)


def _interrupted(
    line: LineString, cuts: list[tuple[float, float]], keep_off: shapely.Geometry | None
) -> shapely.MultiLineString:
    """A line without its openings."""
    kept, start = [], 0.0
    for low, high in [*cuts, (line.length, line.length)]:
        if low - start > 3:
            kept.append(substring(line, start, low))
        start = max(start, high)
    left = shapely.MultiLineString(kept)
    if keep_off is not None:
        left = left.difference(keep_off)
    return shapely.MultiLineString([g for g in shapely.get_parts(left) if g.length > 3])


def _porosity(
    form: Form, species: str | None, rng: np.random.Generator
) -> tuple[float | None, float | None]:
    """Optical porosity in leaf and bare; some values are missing, as in real records."""
    if species is None:
        value = round(rng.uniform(*form.porosity), 2)
        return value, value
    leaf_range, bare_range = form.species[species]
    leaf = round(rng.uniform(*leaf_range), 2)
    bare = leaf if bare_range is None else round(rng.uniform(*bare_range), 2)
    unknown = rng.random()
    return (None if unknown < 0.10 else leaf), (None if unknown < 0.22 else bare)


def _planted(kind: str, rng: np.random.Generator) -> int | None:
    """Year of planting, where it is known."""
    draw = rng.random()
    if kind == "tree belt" and draw < 0.65:
        return int(rng.integers(1948, 1994))
    if kind in ("hedge", "bank with hedge") and draw < 0.12:
        return int(rng.integers(1975, 2011))
    return None


def _attributes(kind: str, rng: np.random.Generator) -> dict:
    """Values of one belt."""
    form = FORMS[kind]
    species = str(rng.choice(list(form.species))) if form.species else None
    porosity, bare = _porosity(form, species, rng)
    low, high = form.height
    # The square makes low, trimmed hedges the most frequent.
    draw = rng.random() ** (2 if kind == "hedge" else 1)
    return {
        "belt_type": kind,
        "species": species,
        "height_m": round(low + (high - low) * draw, 1),
        "porosity": porosity,
        "bare_porosity": bare,
        "width_m": round(rng.uniform(*form.width), 1),
        "planted_year": _planted(kind, rng),
    }


YOUNG = [(2019, 3.1), (2021, 2.2), (2022, 1.6), (2024, 0.9)]


def _make_young(belts: gpd.GeoDataFrame) -> None:
    """Change a few tree belts to recent plantings of small height."""
    trees = belts.index[(belts.belt_type == "tree belt") & (belts.geometry.length < 420)]
    for at, (year, height) in zip(trees[::5], YOUNG, strict=False):
        belts.loc[at, ["planted_year", "height_m"]] = [year, height]
        # Their porosity is not measured yet.
        belts.loc[at, ["porosity", "bare_porosity"]] = [np.nan, np.nan]


def _names(belts: gpd.GeoDataFrame, fields: Fields) -> list[str]:
    """Names from holding, belt type and a number."""
    farm = dict(zip(fields.holdings.holding_id, fields.holdings.name, strict=True))
    number = belts.groupby(["holding_id", "belt_type"]).cumcount() + 1
    return [
        f"{farm[hold]} {kind} {n}"
        for hold, kind, n in zip(belts.holding_id, belts.belt_type, number, strict=True)
    ]


def build_belts(fields: Fields, ground: Ground, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """All belts of the valley."""
    edges = _edge_frame(fields, ground)
    corridor = ground.power_line.buffer(LINE_CLEAR_M)
    rows = []
    for at, kind in _choose(edges, fields, rng).sort_index().items():
        line = edges.geometry[at]
        cuts = _openings(line.length, FORMS[kind], rng)
        left = _interrupted(line, cuts, corridor if kind == "tree belt" else None)
        rows.append(
            {"holding_id": edges.holding_id[at], **_attributes(kind, rng), "geometry": left}
        )
    belts = gpd.GeoDataFrame(rows, crs=EPSG)
    belts = belts.sort_values(["holding_id", "belt_type"], kind="stable").reset_index(drop=True)
    _make_young(belts)
    belts["planted_year"] = belts.planted_year.astype("Int32")
    belts.insert(0, "name", _names(belts, fields))
    return belts
