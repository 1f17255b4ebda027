"""A small map with belts, winds and candidates, and choices by exhaustive search."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.science.belts import Case, complete
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.full_evaluation import full_evaluation
from shelterscape.science.wind import WindSet
from shelterscape.terms import DECIMALS, SIGNIFICANT, TERMS

SIDE, CELL_M = 60, 10.0
CRS = "EPSG:25832"
GRID = Grid((SIDE, SIDE), Affine(CELL_M, 0, 0, 0, -CELL_M, SIDE * CELL_M), CRS)
LEAF = Case("in-leaf")


def winds(directions=(20.0, 110.0, 200.0, 290.0), frequency=None):
    """A wind set with a prevailing wind."""
    n = len(directions)
    share = np.array(frequency or [0.1, 0.2, 0.5, 0.2][:n], dtype=float)
    return WindSet("", np.array(directions), share / share.sum(), np.full(n, 5.0), np.full(n, 2.0))


def belts(lines, height_m=8.0, porosity=0.4, **more):
    """Completed belts along some lines."""
    count = len(lines)
    frame = gpd.GeoDataFrame(
        {
            "height_m": np.broadcast_to(height_m, count).astype(float),
            "porosity": np.broadcast_to(porosity, count).astype(float),
            **more,
        },
        geometry=[shapely.LineString(line) for line in lines],
        crs=CRS,
    )
    return complete(frame, "belts")[0]


def candidates(frame, cost_per_m=1000, **more):
    """Candidates of completed belts."""
    length = frame.geometry.length.to_numpy()
    holding = [f"farm {i % 2}" for i in range(len(frame))]
    return frame.assign(
        candidate=[f"c{i:02d}" for i in range(len(frame))],
        candidate_type="drawn line",
        action="plant",
        restores_belt=None,
        length_m=length,
        cost_minor=np.round(length * cost_per_m).astype(int),
        holding_id=holding,
    ).assign(**more)


def seeded_lines(count, seed, inside=(0.1, 0.9)):
    """Random lines of two segments."""
    rng = np.random.default_rng(seed)
    low, high = (SIDE * CELL_M * share for share in inside)
    lines = []
    for _ in range(count):
        start, bearing = rng.uniform(low, high, 2), rng.uniform(0, 2 * np.pi)
        bearings = bearing + np.array([0.0, rng.normal(0, 0.4)])
        moves = rng.uniform(40, 90) * np.column_stack([np.cos(bearings), np.sin(bearings)])
        lines.append(np.vstack([start, start + np.cumsum(moves, axis=0)]))
    return lines


def seeded_world(count, seed, options=None, standing=3):
    """An evaluation context and candidates."""
    rng = np.random.default_rng(seed + 1000)
    row, col = np.mgrid[0:SIDE, 0:SIDE]
    priority = (1.0 + np.sin(row / 9.0 + seed) * np.cos(col / 7.0)).astype(np.float32)
    there = belts(seeded_lines(standing, seed + 500), rng.uniform(5, 9, standing), 0.5)
    new = belts(seeded_lines(count, seed), rng.uniform(5, 10, count), rng.uniform(0.3, 0.6, count))
    context = evaluation_context(GRID, LEAF, winds(), there, {"crop": priority}, options=options)
    return context, candidates(new)


def every_set(frame, metres, least=1):
    """All sets of rows within a length."""
    length = frame["length_m"].to_numpy()
    for size in range(least, len(frame) + 1):
        for rows in itertools.combinations(range(len(frame)), size):
            if length[list(rows)].sum() <= metres:
                yield rows


def smallest_wind_value(ground, rows):
    """Benefit of a set by the smallest-wind rule, from the reduction of wind on the ground."""
    before = ground.wind.astype(float)
    for row in rows:
        ground.plant(row)
    lost = before - ground.wind
    for _ in rows:
        ground.remove_last()
    return float(np.einsum("r,rij,ij->", ground.rays[2], lost, ground.priority.astype(float)))


def full_value(context, ground, rows):
    """Benefit of a set with belt ends, close belts and all rays."""
    return full_evaluation(context, ground.frame, list(rows)).benefit_ha


def rounding_error(name, values):
    """Largest error of written values: half a unit of the last digit of their term."""
    term = TERMS[name]
    if term.decimals is not None:
        return np.full(np.shape(values), 0.5 * 10.0**-term.decimals)
    digits = np.full(np.shape(values), DECIMALS[term.unit], dtype=float)
    if term.unit in ("ha", "ha eq.", "m"):
        size = np.abs(np.asarray(values, dtype=float))
        size = np.where((size > 0) & np.isfinite(size), size, 1.0)
        digits = np.maximum(digits, SIGNIFICANT - 1 - np.floor(np.log10(size)))
    return 0.5 * 10.0**-digits


def assert_written(frame, name, expected, more=0.0):
    """A written column is within its rounding of the expected values, and of `more` besides."""
    written = np.asarray(frame[name], dtype=float)
    error = np.abs(written - np.asarray(expected, dtype=float))
    allowed = rounding_error(name, written) * (1 + 1e-9) + more + 1e-9
    assert (error <= allowed).all(), (name, written, np.asarray(expected))
