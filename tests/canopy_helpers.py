"""Invented canopy with known belts, and the comparison of traced with known lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from rasterio.features import geometry_mask

from shelterscape.grid import Grid


@dataclass(frozen=True)
class KnownBelt:
    """A belt with known values."""

    line: shapely.LineString
    height_m: float
    width_m: float
    gaps: tuple[tuple[float, float], ...] = ()

    @property
    def canopy(self) -> shapely.Geometry:
        """Its line without the gaps, each from and to a distance along it."""
        edges = [0.0, *(x for gap in self.gaps for x in gap), self.line.length]
        pieces = zip(edges[::2], edges[1::2], strict=True)
        return shapely.union_all([shapely.ops.substring(self.line, a, b) for a, b in pieces])


def drawn(belts: list[KnownBelt], grid: Grid, seed: int = 1) -> np.ndarray:
    """Canopy height of belts: crowns below the known height, and noise of 0.1 m everywhere."""
    rng = np.random.default_rng(seed)
    canopy = np.abs(rng.normal(0.0, 0.1, grid.shape))
    for belt in belts:
        area = shapely.buffer(belt.canopy, belt.width_m / 2, cap_style="flat")
        inside = geometry_mask([area], grid.shape, grid.affine, invert=True)
        crown = belt.height_m * (1.0 - 0.3 * rng.random(grid.shape) ** 2)
        noisy = crown + rng.normal(0.0, 0.1, grid.shape)
        canopy[inside] = np.maximum(canopy, noisy)[inside]
    return canopy.astype(np.float32)


def line(*points: tuple[float, float]) -> shapely.LineString:
    """A line through points."""
    return shapely.LineString(points)


def network(grid: Grid, seed: int = 3) -> list[KnownBelt]:
    """A network of hedges and belts as between fields: junctions, corners, gaps, all bearings.

    Fields are about 130 m wide; belts are 3 to 8 cells (at most 14 m) wide and 3 to 20 m high, with
    gaps of 3 to 8 cells in four of ten.
    """
    rng = np.random.default_rng(seed)
    west, south, east, north = grid.bounds
    cell = grid.cell_m
    side = 130.0
    nx, ny = int((east - west - 60) // side), int((north - south - 60) // side)
    corner = np.empty((ny + 1, nx + 1, 2))
    for j in range(ny + 1):
        for i in range(nx + 1):
            shift = rng.uniform(-25, 25, 2)
            corner[j, i] = west + 30 + i * side + shift[0], south + 30 + j * side + shift[1]
    corner[..., 0] = np.clip(corner[..., 0], west + 10, east - 10)
    corner[..., 1] = np.clip(corner[..., 1], south + 10, north - 10)
    found = []
    for j in range(ny + 1):
        for i in range(nx + 1):
            for dj, di in ((0, 1), (1, 0)):
                if j + dj > ny or i + di > nx or rng.random() < 0.35:
                    continue
                edge = line(corner[j, i], corner[j + dj, i + di])
                gaps = ()
                if rng.random() < 0.4:
                    long = rng.uniform(3, 8) * cell
                    start = rng.uniform(0.35, 0.6) * edge.length
                    gaps = ((start, start + long),)
                width = rng.uniform(3.0, 8.0) * cell
                found.append(KnownBelt(edge, rng.uniform(3.0, 20.0), min(width, 14.0), gaps))
    return found


def agreement(traced: list, known: list, within_m: float, area=None) -> tuple[float, float]:
    """Share of known length near a traced line, and of traced length near a known one."""
    every, truth = shapely.union_all(traced), shapely.union_all(known)
    judged = every if area is None else shapely.intersection(every, area)
    complete = shapely.intersection(truth, shapely.buffer(every, within_m)).length / truth.length
    correct = shapely.intersection(judged, shapely.buffer(truth, within_m)).length / judged.length
    return float(complete), float(correct)


def square_grid(cells: int, cell_m: float) -> Grid:
    """A grid with its lower left corner at (1000, 2000)."""
    return Grid(
        (cells, cells), Affine(cell_m, 0, 1000, 0, -cell_m, 2000 + cells * cell_m), "EPSG:25832"
    )
