"""Canopy in a raster of canopy height: vegetation, roofs, woods, and the skeleton of belts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import regionprops
from skimage.morphology import skeletonize

Mask = NDArray[np.bool_]
Field = NDArray[np.float32]
Cells = NDArray[np.int64]

FINE_CELL_M, FINE_THRESHOLD_M, COARSE_THRESHOLD_M = 1.0, 1.2, 2.0
"""Threshold of canopy height: 1.2 m for cells up to 1 m, 2 m for larger ones (assumed values)."""

ROOF_ROUGHNESS_M = 0.12
"""Largest roughness of a roof within 3 by 3 cells of up to 1 m, m; it grows with the square root of
larger cells (assumed). Canopy of 2.5 m cells in Brittany has 0.4 m or more."""
ROOF_AREA_M2, ROOF_SIDE_M, ROOF_SHARE, ROOF_RECTANGLE, ROOF_RATIO = 25.0, 4.0, 0.5, 0.65, 6.0
ROOF_ATTACHED = 0.2
"""A roof has at least this area and shortest side, this share of smooth cells away from its edge,
fills this share of the smallest rectangle around it, is at most this many times longer than wide,
and has canopy along at most this share of its outline (assumed values)."""

SPECK_CELLS = 2
"""Specks of fewer cells than this are no vegetation, unless closing joins them to others."""

HOLE_M2 = 60.0
"""Holes up to this area are part of the canopy around them (assumed value)."""

EIGHT = np.ones((3, 3), dtype=bool)
BYTES_PER_CELL = 60.0
"""Peak memory of tracing per cell, bytes: measured are 36 with canopy on a twentieth of 9 million
cells, and 46 with canopy on half of 4 million; a third is added."""


@dataclass(frozen=True)
class Canopy:
    """Canopy of belts and woods, as masks of one shape.

    Parameters
    ----------
    height : (rows, cols) float32
        Canopy height, m; 0 where it is missing.
    belts : (rows, cols) bool
        Vegetation that is neither wood nor roof.
    woods : (rows, cols) bool
    roofs : (rows, cols) bool
        Cells recognised as roofs, or given as buildings.
    smooth : (rows, cols) bool
        Cells of vegetation with a top as even as a roof.
    """

    height: Field
    belts: Mask
    woods: Mask
    roofs: Mask
    smooth: Mask


def default_threshold_m(cell_m: float) -> float:
    """Canopy height from which a cell is vegetation.

    Parameters
    ----------
    cell_m : float

    Returns
    -------
    float
        m
    """
    return FINE_THRESHOLD_M if cell_m <= FINE_CELL_M else COARSE_THRESHOLD_M


def divide(
    height: Field,
    cell_m: float,
    *,
    threshold_m: float,
    wood_width_m: float,
    wood_area_ha: float,
    buildings: Mask | None = None,
) -> Canopy:
    """Divide a raster of canopy height into belts, woods and roofs.

    Parameters
    ----------
    height : (rows, cols) float32
        Canopy height above ground, m; NaN where missing.
    cell_m : float
    threshold_m : float
        Height from which a cell is vegetation, m.
    wood_width_m, wood_area_ha : float
        Canopy wider and larger than both is a wood.
    buildings : (rows, cols) bool, optional

    Returns
    -------
    Canopy
    """
    known = np.where(np.isfinite(height), height, np.float32(0.0))
    above = known >= threshold_m
    smooth = _smooth_cells(known, above, cell_m)
    roofs = _roof_cells(smooth, above, cell_m)
    if buildings is not None:
        roofs |= buildings & above
    above &= ~roofs
    solid = _filled(above, cell_m)
    woods = _wood_cells(solid, cell_m, width_m=wood_width_m, area_ha=wood_area_ha) & solid
    return Canopy(known, above & ~woods, woods, roofs, smooth)


def _filled(mask: Mask, cell_m: float) -> Mask:
    """A mask with its small holes filled."""
    most = max(1, round(HOLE_M2 / cell_m**2))
    return ~_without_small(~mask, most + 1, structure=None)


def _without_small(mask: Mask, least_cells: int, structure: Mask | None) -> Mask:
    """A mask without connected regions of fewer cells."""
    labels, count = ndimage.label(mask, structure=structure)
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    sizes[0] = 0
    kept: Mask = (sizes >= least_cells)[labels]
    return kept


def _wood_cells(mask: Mask, cell_m: float, *, width_m: float, area_ha: float) -> Mask:
    """Cells in which a disk of the width fits, where these form an area that is large enough.

    Parameters
    ----------
    mask : (rows, cols) bool
        Vegetation without small holes.
    cell_m : float
    width_m, area_ha : float
        Least width and area of a wood.

    Returns
    -------
    (rows, cols) bool
        Woods, with a margin of one cell that removes the remains of an uneven edge.
    """
    least = max(1, round(area_ha * 1e4 / cell_m**2))
    labels, _ = ndimage.label(_without_small(mask, least, EIGHT), EIGHT)
    found = np.zeros_like(mask)
    for number, (rows, cols) in enumerate(ndimage.find_objects(labels), 1):
        # One cell more to each side, so that the edge of the region is in the part.
        part = np.s_[max(rows.start - 1, 0) : rows.stop + 1, max(cols.start - 1, 0) : cols.stop + 1]
        found[part] |= _opened(labels[part] == number, width_m / 2 / cell_m)
    large = _without_small(found, least, EIGHT)
    return ndimage.binary_dilation(large, EIGHT) & mask


def _opened(mask: Mask, radius: float) -> Mask:
    """Cells of the disks of a radius that fit into a mask."""
    core = ndimage.distance_transform_edt(mask) > radius
    if not core.any():
        return core
    opened: Mask = ndimage.distance_transform_edt(~core) <= radius
    return opened


def _smooth_cells(height: Field, above: Mask, cell_m: float) -> Mask:
    """Cells, away from the edge of the canopy, whose 3 by 3 cells a plane fits well.

    Parameters
    ----------
    height : (rows, cols) float32
        m, without missing values.
    above : (rows, cols) bool
        Cells above the threshold.
    cell_m : float
    """
    inner = ndimage.binary_erosion(above, EIGHT)
    limit = ROOF_ROUGHNESS_M * max(cell_m, 1.0) ** 0.5
    inner[inner] = plane_roughness(height, *np.nonzero(inner)) <= limit
    return inner


def _roof_cells(smooth: Mask, above: Mask, cell_m: float) -> Mask:
    """Roofs: flat or evenly inclined tops with straight edges.

    Parameters
    ----------
    smooth : (rows, cols) bool
        As `_smooth_cells` returns them.
    above : (rows, cols) bool
        Cells above the threshold.
    cell_m : float

    Returns
    -------
    (rows, cols) bool

    Notes
    -----
    Canopy is uneven within a crown, a roof only along its ridge.
    """
    cores = _without_small(smooth, max(2, round(ROOF_AREA_M2 / 4 / cell_m**2)), EIGHT)
    found = np.zeros_like(above)
    labels, _ = ndimage.label(ndimage.binary_dilation(cores, EIGHT) & above, EIGHT)
    for region in regionprops(labels):
        if _is_roof(region, smooth, cell_m) and _stands_alone(region, above):
            found[region.slice] |= region.image
    return found


def _is_roof(region: object, smooth: Mask, cell_m: float) -> bool:
    """Whether a region of smooth cells and their neighbours has the size and shape of a roof."""
    image: Mask = region.image  # type: ignore[attr-defined]
    if image.sum() * cell_m**2 < ROOF_AREA_M2:
        return False
    inner = ndimage.binary_erosion(np.pad(image, 1), EIGHT)[1:-1, 1:-1]
    share = smooth[region.slice][inner].mean() if inner.any() else 0.0  # type: ignore[attr-defined]
    if share < ROOF_SHARE:
        return False
    sides = _rectangle_sides(np.argwhere(image)) * cell_m
    filling = image.sum() * cell_m**2 / max(float(np.prod(sides)), 1e-9)
    slender = sides.max() > ROOF_RATIO * sides.min()
    return bool(sides.min() >= ROOF_SIDE_M and filling >= ROOF_RECTANGLE and not slender)


def _stands_alone(region: object, above: Mask) -> bool:
    """Whether there is little canopy around a region; a part of a hedge continues."""
    rows, cols = region.slice  # type: ignore[attr-defined]
    top, left = max(rows.start - 1, 0), max(cols.start - 1, 0)
    around = above[top : rows.stop + 1, left : cols.stop + 1]
    image = np.zeros(around.shape, dtype=bool)
    inner = np.s_[
        rows.start - top : rows.stop - top,
        cols.start - left : cols.stop - left,
    ]
    image[inner] = region.image  # type: ignore[attr-defined]
    ring = ndimage.binary_dilation(image, EIGHT) & ~image
    return bool(around[ring].mean() <= ROOF_ATTACHED)


def _rectangle_sides(cells: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sides of the smallest rectangle around cells, in cells, over bearings in steps of 5°."""
    turns = np.radians(np.arange(0, 90, 5))
    across = cells @ np.array([np.cos(turns), np.sin(turns)])
    along = cells @ np.array([-np.sin(turns), np.cos(turns)])
    # A turned cell is wider than its side.
    side = np.abs(np.cos(turns)) + np.abs(np.sin(turns))
    sides = np.stack([np.ptp(across, axis=0), np.ptp(along, axis=0)]) + side
    best: NDArray[np.float64] = sides[:, np.argmin(sides.prod(axis=0))]
    return best


def plane_roughness(height: Field, row: Cells, col: Cells) -> Field:
    """Standard deviation of 3 by 3 cells from the plane that fits them best.

    Parameters
    ----------
    height : (rows, cols) float32
    row, col : (n,) int64
        Cells that are not at the edge of the raster.

    Returns
    -------
    (n,) float32
        In the unit of the heights.
    """
    steps = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1)]
    values = np.stack([height[row + r, col + c] for r, c in steps])
    values -= values.mean(axis=0)
    slopes = [
        sum(step[axis] * value for step, value in zip(steps, values, strict=True)) / 6
        for axis in (0, 1)
    ]
    # Over the nine cells the square of a step of one cell has a mean of 6/9.
    variance = (values**2).mean(axis=0) - sum(slope**2 for slope in slopes) * (6 / 9)
    return np.sqrt(np.maximum(variance, 0.0))


def belt_mask(belts: Mask, cell_m: float) -> Mask:
    """Canopy of belts as regions: small gaps closed, small holes filled, specks removed.

    Parameters
    ----------
    belts : (rows, cols) bool
    cell_m : float

    Returns
    -------
    (rows, cols) bool
    """
    padded = np.pad(belts, 2)
    closed = ndimage.binary_closing(padded, EIGHT)[2:-2, 2:-2]
    solid = _filled(closed, cell_m)
    return _without_small(solid, SPECK_CELLS, EIGHT)


def skeleton(mask: Mask) -> tuple[Mask, NDArray[np.float64]]:
    """Centrelines of regions, and the distance to the edge of the region.

    Parameters
    ----------
    mask : (rows, cols) bool

    Returns
    -------
    thin : (rows, cols) bool
        Lines one cell wide.
    distance : (rows, cols) float64
        Cells; 0 outside regions.
    """
    padded = np.pad(mask, 1)
    distance: NDArray[np.float64] = ndimage.distance_transform_edt(padded)[1:-1, 1:-1]
    return skeletonize(padded)[1:-1, 1:-1], distance
