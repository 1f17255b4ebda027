"""Belts in some states made ready for the kernels, and what they do along some winds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.kernels.influence import ROWS_PER_PROFILE
from shelterscape.kernels.shelter_curves import CURVES, REACH_WINDWARD_H, TABLE_STEP_H
from shelterscape.science.belt_profiles import (
    BeltProfile,
    ProfileTables,
    belt_profile,
    share_at_height,
)
from shelterscape.science.belts import HARD_TYPES
from shelterscape.science.outlines import Outlines, outlines_of

Array = NDArray[np.float64]
Field = NDArray[np.float32]

SPREAD_DEG = 10.0
"""Standard deviation of the wind's swing about a direction near the ground, degrees.

The swing of gusts across the wind is about 1.9 friction velocities in neutral air (Panofsky and
Dutton 1984, status M): 10.5° at 2 m over a roughness of .03 m.
"""

END_RISE = 0.10
END_FULL_EXTENT_H = 2.0
"""Rise of the wind beside the end of a solid belt, and the extent across the wind from which a belt
raises it fully (assumed values, within the published 20 %)."""

COMBINE = ("smallest", "product")
"""How several belts act on one cell."""


@dataclass(frozen=True)
class How:
    """Choices that hold for a whole field.

    Parameters
    ----------
    curve : str
        A name in `CURVES`; fences and walls follow "barrier" in every case.
    combine : {"smallest", "product"}
        Where several belts act: the smallest relative wind, or, optimistically, their product.
    ends : bool
        Whether the wind rises outside the ends of belts.
    at_height_m : float
        Height above ground, m.
    spread_deg : float
        Swing of the wind about a direction; 0 with a sector of 0 is a single ray.
    """

    curve: str = "mid"
    combine: str = "smallest"
    ends: bool = True
    at_height_m: float = 1.5
    spread_deg: float = SPREAD_DEG


@dataclass(frozen=True)
class Scene:
    """Belts in some states of equal height, ready for the kernels.

    Parameters
    ----------
    outlines : Outlines
    height : (m,) float64
        Height of each outline, in cells.
    density : (cases, m) float64
        1 − porosity in each state, reduced for the height above ground.
    profiles : list of BeltProfile
        BeltProfile of each kind.
    profile_index : (kinds,) int64
        Its number in `tables`.
    width_m : (kinds,) float64
    tables : ProfileTables
    chains : dict
        BeltProfile of each set of close belts met so far.
    how : How
    cell_m : float
    """

    outlines: Outlines
    height: Array
    density: Array
    profiles: list[BeltProfile]
    profile_index: NDArray[np.int64]
    width_m: Array
    tables: ProfileTables
    chains: dict[tuple[int, ...], int]
    how: How
    cell_m: float


def scene_of(
    frames: Sequence[gpd.GeoDataFrame], grid: Grid, how: How, *, apart: bool = False
) -> Scene:
    """Prepare belts in one or more states.

    Parameters
    ----------
    frames : sequence of GeoDataFrame
        The same belts as `science.belts.seasonal` or `science.growth.belts_at` returns them, one
        frame for each state; heights are those of the first.
    grid : Grid
    how : How
    apart : bool
        Whether each belt stays a kind of its own, in the order given, and so is never joined with
        others: for lines of which only some may be planted.

    Returns
    -------
    Scene

    Raises
    ------
    InputError
        ``name-unknown`` for a curve or a way to combine that is not known.

    References
    ----------
    Smallest relative wind: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288 (status S2).
    Wind beside ends: up to 20 % more, Reid and Bird 1990 (status S2); `END_RISE` is assumed.
    """
    for name, known in ((how.curve, tuple(CURVES)), (how.combine, COMBINE)):
        if name not in known:
            raise InputError(
                "name-unknown",
                "There is no such choice for a shelter field.",
                value=name,
                mend=f"Use one of: {', '.join(known)}.",
            )
    first = frames[0]
    standing = first["height_m"].to_numpy(dtype=float) > 0
    frames = [frame[standing] for frame in frames]
    kinds, kind_of_belt = _kinds(frames, apart)
    height_m = kinds["height_m"].to_numpy(dtype=float)
    width_m = kinds["width_m"].to_numpy(dtype=float)
    porosity, low = (
        kinds[[c for c in kinds if str(c).startswith(name)]].to_numpy(dtype=float).T
        for name in ("leaf_", "low_")
    )
    profiles = [
        _profile(p, q, kind, how)
        for p, q, kind in zip(porosity.T, low.T, kinds.itertuples(), strict=True)
    ]
    height_share = share_at_height(height_m, how.at_height_m)
    tables = ProfileTables(len(frames))
    outlines = outlines_of(frames[0].geometry.to_numpy(), kind_of_belt, width_m, height_m, grid)
    return Scene(
        outlines=outlines,
        height=height_m[outlines.kind] / grid.cell_m,
        density=((1.0 - low) * height_share)[:, outlines.kind],
        profiles=profiles,
        profile_index=np.array([tables.index(profile) for profile in profiles], dtype=np.int64),
        width_m=width_m,
        tables=tables,
        chains={},
        how=how,
        cell_m=grid.cell_m,
    )


def _kinds(
    frames: Sequence[gpd.GeoDataFrame], apart: bool
) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Belts alike in all that decides how they act, and which of them each belt is."""
    columns = {"number": np.arange(len(frames[0])) if apart else np.zeros(len(frames[0]), int)}
    for name in ("height_m", "width_m", "belt_type"):
        columns[name] = frames[0][name].to_numpy()
    for i, frame in enumerate(frames):
        columns[f"leaf_{i}"] = frame["porosity"].to_numpy(dtype=float)
        columns[f"low_{i}"] = frame["porosity_low"].to_numpy(dtype=float)
    table = pd.DataFrame(columns)
    groups = table.groupby(list(table.columns), sort=True)
    kind = np.asarray(groups.ngroup(), dtype=np.int64)
    _, first = np.unique(kind, return_index=True)
    return table.iloc[first].reset_index(drop=True), kind


WIND_BACK = 0.8
"""Relative wind at which the reach of a belt is taken to end."""


def reach_m(belts: gpd.GeoDataFrame, how: How) -> Array:
    """Distance leeward of each belt, for wind perpendicular to it, to a relative wind of 0.8.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.standing` returns them.
    how : How

    Returns
    -------
    (n,) float64
        m; 0 for a belt that never reduces the wind so much.

    References
    ----------
    Curves: `kernels.shelter_curves.CURVES`, each with its source and status.
    """
    profiles = [
        _profile(np.array([row.porosity]), np.array([row.porosity_low]), row, how)
        for row in belts.itertuples()
    ]
    tables = ProfileTables(1)
    index = np.array([tables.index(profile) for profile in profiles], dtype=np.int64)
    lee = tables.tables()[0, ::ROWS_PER_PROFILE, round(REACH_WINDWARD_H / TABLE_STEP_H) :]
    calm = lee < WIND_BACK
    last_h = np.where(
        calm.any(axis=1), TABLE_STEP_H * (calm.shape[1] - 1 - calm[:, ::-1].argmax(axis=1)), 0.0
    )
    reach: Array = last_h[index] * belts["height_m"].to_numpy(dtype=float)
    return reach


def _profile(porosity: Array, porosity_low: Array, kind: Any, how: How) -> BeltProfile:
    """Profile of a belt with ``height_m``, ``width_m``, ``belt_type``; porosities by case."""
    height = max(kind.height_m, 1e-9)
    return belt_profile(
        porosity,
        porosity_low,
        kind.width_m / height,
        float(share_at_height(np.array(height), how.at_height_m)),
        "barrier" if kind.belt_type in HARD_TYPES else how.curve,
    )
