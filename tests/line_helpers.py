"""Small fields, belts and lines for the tests of siting."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely.affinity import rotate

from shelterscape.process.design_files import packaged_designs
from shelterscape.science import belts as belt_layers
from shelterscape.science.siting import candidates, exclusion

CRS = "EPSG:25832"


def array_of(*shapes) -> np.ndarray:
    """Geometries as an array of objects."""
    out = np.empty(len(shapes), dtype=object)
    out[:] = shapes
    return out


def turned(shapes, degrees: float) -> np.ndarray:
    """Shapes rotated clockwise about the origin."""
    return array_of(*(rotate(s, -degrees, origin=(0, 0)) for s in shapes))


def fields(rows: int, cols: int, side_m: float = 200.0) -> np.ndarray:
    """A block of square fields that share their edges."""
    return array_of(
        *(
            shapely.box(side_m * c, side_m * r, side_m * (c + 1), side_m * (r + 1))
            for r in range(rows)
            for c in range(cols)
        )
    )


def same_lines(one, other, tolerance_m: float = 0.01) -> bool:
    """Whether two sets of lines cover the same ground, in any order and direction."""
    if len(one) != len(other):
        return False
    left = list(other)
    for line in one:
        fit = next((x for x in left if shapely.hausdorff_distance(line, x) < tolerance_m), None)
        if fit is None:
            return False
        left.remove(fit)
    return True


def proposed(*lines, kind=candidates.DRAWN, width_m: float = 6.0, **columns) -> gpd.GeoDataFrame:
    """Lines proposed as candidates."""
    frame = gpd.GeoDataFrame(columns, geometry=array_of(*lines), crs=CRS)
    return candidates.with_ids(kind, frame).assign(width_m=width_m)


def as_belts(*lines, design="three-row belt", planted_year=2027, **columns) -> gpd.GeoDataFrame:
    """Lines as belts of a design, without exclusions."""
    kept, _ = exclusion.exclude(proposed(*lines, **columns), [], shortest_m=0.0)
    return candidates.with_design(kept, packaged_designs(), design, planted_year)


def standing(*geometry, **columns) -> gpd.GeoDataFrame:
    """Existing belts, completed."""
    given = {"height_m": [8.0] * len(geometry)} | columns
    frame = gpd.GeoDataFrame(given, geometry=array_of(*geometry), crs=CRS)
    return belt_layers.complete(frame, "belts")[0]
