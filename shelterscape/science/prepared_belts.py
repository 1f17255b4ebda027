"""Belts prepared for the kernels, in one or more cases, and their sheltered distance."""

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
from shelterscape.kernels.shelter_curves import (
    CURVES,
    DEFAULT_CURVE,
    REACH_WINDWARD_H,
    RECOVERY_H,
    TABLE_STEP_H,
)
from shelterscape.science.belt_profiles import (
    BeltProfile,
    ProfileTables,
    belt_profile,
    share_at_height,
)
from shelterscape.science.belts import HARD_TYPES, recovery_distances
from shelterscape.science.near_ground import near_ground_of, without_stems
from shelterscape.science.outlines import Outlines, outlines_of

Array = NDArray[np.float64]
Field = NDArray[np.float32]

SPREAD_DEG = 10.0
"""Standard deviation of wind direction near the ground, degrees.

Gusts across the wind have a standard deviation of about 1.9 friction velocities in neutral air
(Panofsky and Dutton 1984, status M): 10.5° at 2 m over a roughness length of 0.03 m.
"""

END_RISE = 0.10
END_FULL_EXTENT_H = 2.0
"""Increase of wind speed beside the end of a solid belt, and the extent across the wind, H, from
which a belt has the full increase (assumed, within the published 20 %)."""

COMBINE = ("smallest", "product")
"""How the effects of several belts on one cell are combined."""

NEAR_GROUND = ("simple", "flow")
"""How height above ground and bare stems act."""


@dataclass(frozen=True)
class ShelterOptions:
    """Options of the shelter calculation.

    Parameters
    ----------
    curve : str
        A name in `CURVES`; fences and walls always follow "barrier".
    combine : {"smallest", "product"}
        Where several belts act: the smallest relative wind, or their product (optimistic).
    ends : bool
        Whether wind speed increases beside the ends of belts.
    at_height_m : float
        Height above ground, m.
    spread_deg : float
        Standard deviation of wind direction, degrees; with 0 and a sector of 0 there is one ray.
    shelter_ratio : float
        Factor on the wind reduction of tree belts and hedges, for Monte Carlo runs within the band
        of `kernels.shelter_curves.MEASURED_RATIOS`.
    near_ground : {"simple", "flow"}
        How height above ground and bare stems act on tree belts and hedges: by assumed rules, or by
        the table of `science.near_ground`, which depends on roughness too.
    roughness_m : float
        Roughness length of the ground, m, for "flow".
    """

    curve: str = DEFAULT_CURVE
    combine: str = "smallest"
    ends: bool = True
    at_height_m: float = 1.5
    spread_deg: float = SPREAD_DEG
    shelter_ratio: float = 1.0
    near_ground: str = "simple"
    roughness_m: float = 0.03


@dataclass(frozen=True)
class PreparedBelts:
    """Belts in one or more cases, prepared for the kernels; heights are equal in all cases.

    Parameters
    ----------
    outlines : Outlines
    height : (m,) float64
        Height of each outline, in cells.
    density : (cases, m) float64
        1 − porosity in each case, reduced for the height above ground.
    profiles : list of BeltProfile
        Profile of each kind.
    profile_index : (kinds,) int64
        Index of that profile in `tables`.
    width_m : (kinds,) float64
        m.
    tables : ProfileTables
    chains : dict
        Profile index of each set of close belts found so far.
    options : ShelterOptions
    cell_m : float
        Cell size, m.
    """

    outlines: Outlines
    height: Array
    density: Array
    profiles: list[BeltProfile]
    profile_index: NDArray[np.int64]
    width_m: Array
    tables: ProfileTables
    chains: dict[tuple[int, ...], int]
    options: ShelterOptions
    cell_m: float


def prepare_belts(
    frames: Sequence[gpd.GeoDataFrame],
    grid: Grid,
    options: ShelterOptions,
    *,
    apart: bool = False,
    tables: ProfileTables | None = None,
) -> PreparedBelts:
    """Prepare belts in one or more cases.

    Parameters
    ----------
    frames : sequence of GeoDataFrame
        The same belts in each case, as `science.belts.belts_in_season` or
        `science.belt_growth.belts_at` returns them; heights are those of the first frame.
    grid : Grid
    options : ShelterOptions
    apart : bool
        Whether each belt is a kind of its own, in the order given, and is never joined with
        others; for candidates, of which only some may be planted.
    tables : ProfileTables, optional
        Those of other belts in the same number of cases, with which equal profiles are shared.

    Returns
    -------
    PreparedBelts

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown curve, way to combine or rule near the ground.

    References
    ----------
    Smallest relative wind: Vigiak, Sterk, Warren and Hagen 2003, Catena 52:273-288 (status S2).
    Wind beside ends: up to 20 % more, Reid and Bird 1990 (status S2); `END_RISE` is assumed.
    """
    for name, known in (
        (options.curve, tuple(CURVES)),
        (options.combine, COMBINE),
        (options.near_ground, NEAR_GROUND),
    ):
        if name not in known:
            raise InputError(
                "name-unknown",
                "Unknown option of the shelter calculation.",
                value=name,
                hint=f"Use one of: {', '.join(known)}.",
            )
    first = frames[0]
    planted = first["height_m"].to_numpy(dtype=float) > 0
    frames = [frame[planted] for frame in frames]
    kinds, kind_of_belt = _kinds(frames, apart, options.near_ground == "flow")
    height_m = kinds["height_m"].to_numpy(dtype=float)
    width_m = kinds["width_m"].to_numpy(dtype=float)
    porosity, low = (
        kinds[[c for c in kinds if str(c).startswith(name)]].to_numpy(dtype=float).T
        for name in ("leaf_", "low_")
    )
    profiles = [
        _profile(p, q, kind, options)
        for p, q, kind in zip(porosity.T, low.T, kinds.itertuples(), strict=True)
    ]
    height_share = share_at_height(height_m, options.at_height_m)
    tables = ProfileTables(len(frames)) if tables is None else tables
    outlines = outlines_of(frames[0].geometry.to_numpy(), kind_of_belt, width_m, height_m, grid)
    return PreparedBelts(
        outlines=outlines,
        height=height_m[outlines.kind] / grid.cell_m,
        density=((1.0 - low) * height_share)[:, outlines.kind],
        profiles=profiles,
        profile_index=np.array([tables.index(profile) for profile in profiles], dtype=np.int64),
        width_m=width_m,
        tables=tables,
        chains={},
        options=options,
        cell_m=grid.cell_m,
    )


def _kinds(
    frames: Sequence[gpd.GeoDataFrame], apart: bool, stems: bool
) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """One belt of each kind, and the kind of every belt; belts of one kind have equal columns."""
    columns = {"number": np.arange(len(frames[0])) if apart else np.zeros(len(frames[0]), int)}
    for name in ("height_m", "width_m", "belt_type"):
        columns[name] = frames[0][name].to_numpy()
    columns["recovery_h"] = recovery_distances(frames[0])
    if stems:
        columns["bare_stem_m"] = frames[0]["bare_stem_m"].to_numpy(dtype=float)
    for i, frame in enumerate(frames):
        columns[f"leaf_{i}"] = frame["porosity"].to_numpy(dtype=float)
        columns[f"low_{i}"] = frame["porosity_low"].to_numpy(dtype=float)
    table = pd.DataFrame(columns)
    groups = table.groupby(list(table.columns), sort=True)
    kind = np.asarray(groups.ngroup(), dtype=np.int64)
    _, first = np.unique(kind, return_index=True)
    return table.iloc[first].reset_index(drop=True), kind


RECOVERED_WIND = 0.8
"""Relative wind at which the sheltered distance of a belt ends."""


def sheltered_distance_m(belts: gpd.GeoDataFrame, options: ShelterOptions) -> Array:
    """Expected sheltered distance of each belt, for wind perpendicular to it.

    It is the distance leeward to where relative wind reaches 0.8.

    Parameters
    ----------
    belts : GeoDataFrame
        As `science.belts.with_height_and_porosity` returns them.
    options : ShelterOptions

    Returns
    -------
    (n,) float64
        m; 0 for a belt behind which relative wind never falls below 0.8.

    References
    ----------
    Curves: `kernels.shelter_curves.CURVES`, each with its source and status.
    """
    profiles = [
        _profile(np.array([row.porosity]), np.array([row.porosity_low]), row, options)
        for row in belts.itertuples()
    ]
    tables = ProfileTables(1)
    index = np.array([tables.index(profile) for profile in profiles], dtype=np.int64)
    lee = tables.tables()[0, ::ROWS_PER_PROFILE, round(REACH_WINDWARD_H / TABLE_STEP_H) :]
    sheltered = lee < RECOVERED_WIND
    last = sheltered.shape[1] - 1 - sheltered[:, ::-1].argmax(axis=1)
    last_h = np.where(sheltered.any(axis=1), TABLE_STEP_H * last, 0.0)
    distance_m: Array = last_h[index] * belts["height_m"].to_numpy(dtype=float)
    return distance_m


def upper_distance_m(belts: gpd.GeoDataFrame, factor: float, options: ShelterOptions) -> Array:
    """Sheltered distance of each belt that measured belts exceed with one standard deviation.

    Parameters
    ----------
    belts : GeoDataFrame
        With ``sheltered_distance_expected_m``, and ``porosity_spread`` where it is known.
    factor : float
        Upper divided by expected sheltered distance with known porosity.
    options : ShelterOptions

    Returns
    -------
    (n,) float64
        m. Where the spread of porosity is known, the larger change of distance with a porosity one
        spread lower or higher is added to the deviation as an independent one.
    """
    expected = belts["sheltered_distance_expected_m"].to_numpy(dtype=float)
    upper: Array = factor * expected
    known = np.flatnonzero(belts["porosity_spread"].notna().to_numpy())
    if not len(known):
        return upper
    some = belts.iloc[known]
    spread = some["porosity_spread"].to_numpy(dtype=float)
    further = np.zeros(len(some))
    for sign in (-1.0, 1.0):
        varied = some.assign(
            porosity=np.clip(some["porosity"] + sign * spread, 0.0, 1.0),
            porosity_low=np.clip(some["porosity_low"] + sign * spread, 0.0, 1.0),
        )
        further = np.maximum(further, sheltered_distance_m(varied, options) - expected[known])
    upper[known] = expected[known] + np.hypot((factor - 1.0) * expected[known], further)
    return upper


def _profile(
    porosity: Array, porosity_low: Array, kind: Any, options: ShelterOptions
) -> BeltProfile:
    """Profile of a belt with ``height_m``, ``width_m``, ``belt_type``; porosities by case."""
    height = max(kind.height_m, 1e-9)
    hard = kind.belt_type in HARD_TYPES
    width_h, recovery_h = kind.width_m / height, getattr(kind, "recovery_h", RECOVERY_H)
    share = float(share_at_height(np.array(height), options.at_height_m))
    if hard:
        return belt_profile(porosity, porosity_low, width_h, share, "barrier", recovery_h)
    near = None
    if options.near_ground == "flow":
        stem_m = getattr(kind, "bare_stem_m", 0.0)
        near, share = near_ground_of(height, stem_m, options.at_height_m, options.roughness_m), 1.0
        porosity_low = without_stems(porosity_low, porosity, stem_m / height)
    ratio = options.shelter_ratio * share
    return belt_profile(porosity, porosity_low, width_h, ratio, options.curve, recovery_h, near)
