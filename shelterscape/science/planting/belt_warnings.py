"""What may go wrong with planned belts: warnings, each with advice and the status of its rule."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.science.planting.design import BeltDesign
from shelterscape.science.planting.profile import HeightProfile
from shelterscape.science.purposes import Purpose
from shelterscape.science.side_effects.cold_air import DENSE, cold_air_pools
from shelterscape.science.side_effects.nearby import DRAIN_M
from shelterscape.science.side_effects.new_belts import seeks_water
from shelterscape.science.side_effects.samples import pieces, values_at
from shelterscape.science.siting.candidates import LEAST_LENGTH_H, REFERENCE_AGE
from shelterscape.science.siting.continuity import continuous_lengths
from shelterscape.science.species import find_species
from shelterscape.science.terrain import topex

TREE_M = 12.0
"""Mature height from which a species is a tree, whose lower branches die in time, m (assumed)."""

EXPOSED_TOPEX_DEG, HORIZON_M = 30.0, 2000.0
"""Topex up to which ground counts as very exposed, degrees, from horizons within this distance, m
(not verified against the source)."""

POOL_DEPTH_M = 2.0
"""Depth of the cold air that a belt may hold back, m (assumed), as in side-effects."""

WARNING_COLUMNS = ("belt", "warning", "advice", "source")
ASSUMED, PRACTICE = "assumed value", "common practice (no source)"
TABLE = "table of species (not verified against the source)"


class Warned(NamedTuple):
    """A warning with advice, and the origin and status of its rule."""

    warning: str
    advice: str
    source: str


@dataclass(frozen=True)
class Ground:
    """Ground and neighbours of planned belts.

    Parameters
    ----------
    elevation : (rows, cols) float32
        m; NaN where missing.
    grid : Grid
    existing : (k,) array of geometries
        Existing belts.
    wet, drains : (n,) array of geometries or None
        Wet ground; drains and pipes. None where no layer is given.
    """

    elevation: NDArray[np.float32]
    grid: Grid
    existing: NDArray[np.object_]
    wet: NDArray[np.object_] | None = None
    drains: NDArray[np.object_] | None = None


def design_warnings(
    design: BeltDesign,
    purpose: Purpose,
    profile: HeightProfile,
    *,
    machine_width_m: float,
    share_cap: float,
) -> list[Warned]:
    """Warnings that concern every belt of a design.

    Parameters
    ----------
    design : BeltDesign
    purpose : Purpose
        Its recommended porosity, in its season, is compared with the belt at 20 years.
    profile : HeightProfile
        At 20 years.
    machine_width_m : float
        m; rows that are closer are weeded by hand.
    share_cap : float
        Share of the plants above which one species is reported.

    Returns
    -------
    list of Warned
    """
    return [
        *_density(profile, purpose),
        *_open_base(design),
        *_one_species(design, share_cap),
        *_toxic(design, purpose),
        *_narrow(design, machine_width_m),
    ]


def _density(profile: HeightProfile, purpose: Purpose) -> Iterator[Warned]:
    porosity, (low, high) = profile.whole(purpose.season), purpose.porosity
    state = "without leaves" if purpose.season == "bare" else "in leaf"
    shown = f"porosity {porosity:.2f} {state}; for {purpose.name} {low:.2f} to {high:.2f}"
    source = purpose.sources["porosity"]
    if round(porosity, 2) > high:
        advice = "plant more rows, a row of evergreens, or plants closer together"
        yield Warned(f"too open: {shown}", advice, source)
    if round(porosity, 2) < low:
        advice = "plant fewer rows or wider spacing, or fewer evergreens"
        yield Warned(f"too dense: {shown}", advice, source)


def _open_base(design: BeltDesign) -> Iterator[Warned]:
    if design.rows and all(find_species(r.main_species).mature_m >= TREE_M for r in design.rows):
        yield Warned(
            "will be open at the base: every row is mainly of trees, whose lower branches die",
            "plant a row of shrubs at an edge",
            "a hedge grown into bare stems shelters little near the ground: " + PRACTICE,
        )


def _one_species(design: BeltDesign, share_cap: float) -> Iterator[Warned]:
    numbers = design.plants_per_m()
    total = sum(numbers.values())
    for name, number in numbers.items():
        share = float(number / total)
        if len(numbers) == 1:
            yield Warned(f"a single species: {name}", "mix several species", PRACTICE)
        elif share > share_cap:
            text = (
                f"{100 * share:.0f} % of the plants are {name}; the cap is {100 * share_cap:.0f} %"
            )
            yield Warned(text, "mix in other species", PRACTICE)


def _toxic(design: BeltDesign, purpose: Purpose) -> Iterator[Warned]:
    near_stock = design.stock or purpose.head_m2 > 0
    for name in design.plants_per_m():
        cautions = find_species(name).cautions
        harmful = [c for c in cautions.split(";") if "poison" in c or "harm cattle" in c]
        if harmful and near_stock:
            advice = "keep it out of reach of animals, or leave it out; consult a vet"
            yield Warned(f"{name} near stock: {harmful[0].strip()}", advice, TABLE)


def _narrow(design: BeltDesign, machine_width_m: float) -> Iterator[Warned]:
    if close := design.narrow_gaps(machine_width_m):
        pairs = ", ".join(f"{n - 1} and {n}" for n in close)
        text = f"rows {pairs} are closer than the machine of {machine_width_m:g} m"
        yield Warned(text, "weed them by hand, or plant them further apart", ASSUMED)


def belt_warnings(
    belts: gpd.GeoDataFrame,
    designs: Mapping[str, BeltDesign],
    profiles: Mapping[str, HeightProfile],
    ground: Ground,
) -> dict[str, list[Warned]]:
    """Warnings that depend on where each belt is.

    Parameters
    ----------
    belts : GeoDataFrame
        Lines with ``belt`` and ``design``.
    designs : dict of BeltDesign
    profiles : dict of HeightProfile
        Of each design at 20 years.
    ground : Ground

    Returns
    -------
    dict of list of Warned
        By belt.
    """
    found: dict[str, list[Warned]] = {belt: [] for belt in belts["belt"]}
    for part in (
        _short(belts, profiles, ground),
        _cold_air(belts, designs, profiles, ground),
        _shallow_roots(belts, designs, ground),
        _drains(belts, designs, ground),
    ):
        for belt, warned in part:
            found[belt].append(warned)
    return found


def warning_table(found: Mapping[str, list[Warned]]) -> pd.DataFrame:
    """Warnings by belt as a table.

    Parameters
    ----------
    found : dict of list of Warned
        By belt.

    Returns
    -------
    DataFrame
        With `WARNING_COLUMNS`.
    """
    rows = [(belt, *warned) for belt, several in found.items() for warned in several]
    return pd.DataFrame(rows, columns=list(WARNING_COLUMNS))


Found = Iterator[tuple[str, Warned]]


def _short(belts: gpd.GeoDataFrame, used: Mapping[str, HeightProfile], ground: Ground) -> Found:
    lines = belts.geometry.to_numpy()
    # Each line adjoins itself.
    every = np.concatenate([ground.existing, lines])
    length = continuous_lengths(lines, every) - shapely.length(lines)
    for belt, name, long in zip(belts["belt"], belts["design"], length, strict=True):
        height = used[name].height_m
        if long < LEAST_LENGTH_H * height:
            yield (
                belt,
                Warned(
                    f"too short: {long:.0f} m with adjoining belts, less than "
                    f"{LEAST_LENGTH_H:.0f} × {height:.1f} m, its height at {REFERENCE_AGE} years",
                    "join it to other belts, or make it longer",
                    "US Natural Resources Conservation Service (seen)",
                ),
            )


def _cold_air(
    belts: gpd.GeoDataFrame,
    designs: Mapping[str, BeltDesign],
    used: Mapping[str, HeightProfile],
    ground: Ground,
) -> Found:
    """Belts across a slope whose shrub edges make the lower half dense."""
    frame = belts.rename(columns={"belt": "name"}).assign(
        porosity=[used[n].lower_half("in-leaf") for n in belts["design"]],
        height_m=[used[n].height_m for n in belts["design"]],
    )
    edged = [_shrub_edge(designs[name]) for name in belts["design"]]
    frame = frame[np.array(edged, dtype=bool)]
    if not (frame["porosity"] <= DENSE).any():
        return
    for pool in cold_air_pools(frame, ground.elevation, ground.grid, POOL_DEPTH_M).itertuples():
        yield (
            pool.belt,
            Warned(
                f"shrubs close the base where cold air may pool: {pool.area_ha:.1f} ha uphill",
                f"leave an opening at {pool.opening_x:.0f}, {pool.opening_y:.0f}, its lowest "
                "point, or an open base there",
                "frost pockets form uphill of dense belts (seen); depth assumed",
            ),
        )


def _shrub_edge(design: BeltDesign) -> bool:
    edges = (*design.rows[:1], *design.rows[-1:])
    return any(find_species(row.main_species).mature_m < TREE_M for row in edges)


def _shallow_roots(
    belts: gpd.GeoDataFrame, designs: Mapping[str, BeltDesign], ground: Ground
) -> Found:
    """Tall species with shallow roots on wet or very exposed ground."""
    shallow = {
        name: [
            s
            for s in designs[name].plants_per_m()
            if "shallow roots" in find_species(s).cautions and find_species(s).mature_m >= TREE_M
        ]
        for name in set(belts["design"])
    }
    if not any(shallow.values()):
        return
    exposure = topex(ground.elevation, ground.grid, limit_m=HORIZON_M, signed=False)
    wet = shapely.STRtree(ground.wet if ground.wet is not None else [])
    for belt, name, line in zip(belts["belt"], belts["design"], belts.geometry, strict=True):
        if not shallow[name]:
            continue
        # The most exposed place decides; unknown where the map ends.
        middle = pieces(line, ground.grid.cell_m).mean(axis=1)
        seen = values_at(middle, exposure, ground.grid)
        lowest = float(np.nanmin(seen)) if np.isfinite(seen).any() else np.nan
        where = ["wet ground"] if len(wet.query(line, predicate="intersects")) else []
        if lowest <= EXPOSED_TOPEX_DEG:
            where.append(f"very exposed ground (topex {lowest:.0f}°)")
        if where:
            text = f"{', '.join(shallow[name])} with shallow roots on {' and '.join(where)}"
            yield belt, Warned(text, "choose species with deeper roots: trees may fall", TABLE)


def _drains(belts: gpd.GeoDataFrame, designs: Mapping[str, BeltDesign], ground: Ground) -> Found:
    """Belts nearer to drains than the usual distance of their species."""
    if ground.drains is None or not len(ground.drains):
        return
    tree = shapely.STRtree(ground.drains)
    for belt, name, line in zip(belts["belt"], belts["design"], belts.geometry, strict=True):
        species = list(designs[name].plants_per_m())
        if not species:
            continue
        at = tree.nearest(line)
        metres = line.distance(ground.drains[at]) - designs[name].planted_width_m / 2
        near = [s for s in species if metres < DRAIN_M[seeks_water(s)]]
        if near:
            text = f"{', '.join(near)} {max(metres, 0):.0f} m from a drain"
            advice = "willow, poplar and elm 30 m, others 15 m away, or a sealed pipe"
            yield belt, Warned(text, advice, "extension note (seen)")
