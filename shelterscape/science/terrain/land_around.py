"""Join the land around a map from a coarser model: levelled, and without a step at the seam."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.errors import InputError
from shelterscape.kernels.gaps import filled
from shelterscape.science.terrain.ground import Ground
from shelterscape.science.terrain.surroundings import Surroundings, margin_blocks, restored
from shelterscape.science.terrain.validity import averaged, mask_cells
from shelterscape.terms import TERMS

Field = NDArray[np.float32]

FADE_M = 500.0
"""Distance from the map over which the difference of both models at the seam fades, m (assumed
value)."""

MOST_OFFSET_M = 10.0
"""Largest difference of level between both models that is corrected, m: more means another unit or
another datum (assumed value)."""

LEAST_SHARED = 4
"""Fewest blocks that both models must have in common to be levelled."""

READ_ROWS = 512
"""Approximate number of rows of the map that are averaged at a time."""


def joined(ground: Ground, outer: Field, width_m: float) -> tuple[Surroundings, float, float]:
    """Join a map and a model of the land around it.

    The other model is raised or lowered by the median difference over blocks that the map covers
    in full; what differs at the seam fades with distance from it.

    Parameters
    ----------
    ground : Ground
        The map, read once in strips.
    outer : (rows, cols) float32
        The other model on `blocks_around`, m; NaN where unknown.
    width_m : float
        As for `blocks_around`.

    Returns
    -------
    surroundings : Surroundings
    offset_m : float
        What was added to the other model, m.
    spread_m : float
        Median of what then differs between both, m.

    Raises
    ------
    InputError
        ``surroundings-bad`` when both share too few blocks, differ by more than `MOST_OFFSET_M`,
        or an elevation is out of range.
    """
    term = TERMS["elevation_m"]
    if ((outer < term.low) | (outer > term.high)).any():
        raise _misfit("The surroundings have values that are no elevations.", "values")
    cells, margin = mask_cells(ground.grid.cell_m), margin_blocks(ground.grid, width_m)
    inner = np.full(outer.shape, np.nan, np.float32)
    means = _full_blocks(ground, cells)
    inner[margin : margin + means.shape[0], margin : margin + means.shape[1]] = means
    full = np.isfinite(inner)
    shared = full & np.isfinite(outer)
    if shared.sum() < LEAST_SHARED:
        raise _misfit("The surroundings do not cover the terrain model.", "cover")
    offset_m = float(np.median((inner - outer)[shared]))
    if abs(offset_m) > MOST_OFFSET_M:
        found = f"{offset_m:+.1f} m, median over ground they share"
        what = "The surroundings have another level than the terrain model."
        raise _misfit(what, "level", found)
    rest = np.where(shared, inner - outer - np.float32(offset_m), np.float32(0))
    away_m = ndimage.distance_transform_edt(~shared) * (cells * ground.grid.cell_m)
    ramp = np.clip(1 - away_m / FADE_M, 0, 1)
    fading = (ramp * ramp * (3 - 2 * ramp)).astype(np.float32) * filled(rest, shared)
    heights = np.where(full, inner, outer + np.float32(offset_m) + fading)
    spread_m = float(np.median(np.abs(rest[shared])))
    return restored(heights, ground.grid, width_m), offset_m, spread_m


def _misfit(what: str, reason: str, value: str | None = None) -> InputError:
    return InputError(
        "surroundings-bad", what, where="surroundings", value=value, hint=_HINTS[reason]
    )


_HINTS = {
    "values": "Set the value that marks missing cells as the nodata value of the file.",
    "cover": "Use a terrain model that covers the map and the land around it.",
    "level": "Use a model in metres with the datum of the terrain model; convert heights above the "
    "ellipsoid in your GIS.",
}


def _full_blocks(ground: Ground, cells: int) -> Field:
    """Mean elevation of blocks; NaN where a cell is missing or off the map."""
    parts = []
    for part in ground.strips(cells * max(1, READ_ROWS // cells)):
        found = averaged(ground.elevation(part), cells)
        if part.shape[0] % cells:
            found[-1] = np.nan
        if part.shape[1] % cells:
            found[:, -1] = np.nan
        parts.append(found)
    return np.concatenate(parts)
