"""Candidates of `siting`: proposed lines, exclusions, designs, flags and constraint checks."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.screens import screen_of, screens_gone
from shelterscape.science.places import purpose_of
from shelterscape.science.siting import (
    candidates,
    continuity,
    generated_lines,
    planner_layers,
    regeneration,
    restoration,
    screens,
    working_land,
)
from shelterscape.science.siting.areas import with_areas
from shelterscape.science.siting.exclusion import exclude
from shelterscape.science.siting.generated_lines import parcel_edges
from shelterscape.science.siting.joining import BeltEnds, belt_ends
from shelterscape.science.siting.working_land import WorkingLand

Shapes = NDArray[np.object_]

NEAR_H = 20.0
"""Largest distance of proposed lines from places, heights at 20 years (assumed): there is little
shelter beyond it."""

DUPLICATE = "runs beside another parcel edge"


@dataclass(frozen=True)
class ProposedLines:
    """Candidates, and what was excluded from the proposed lines.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``continuous_length_m`` (with adjoining belts and woods), ``too_short`` and
        ``excludes``.
    land : WorkingLand or None
        What each costs the working land; None without parcels.
    ends : BeltEnds
        What adjoins the ends of each.
    exclusions : DataFrame
        ``candidate`` (proposed line), ``reason``, ``excluded_m``.
    constraints : DataFrame
        As `planner_layers.constraint_checks` returns it.
    proposed_m, allowed_m : float
        Length of all proposed lines for planting, and what of it is not excluded, m.
    """

    candidates: gpd.GeoDataFrame
    land: WorkingLand | None
    ends: BeltEnds
    exclusions: pd.DataFrame
    constraints: pd.DataFrame
    proposed_m: float
    allowed_m: float


def propose_lines(data: SitingData) -> tuple[ProposedLines, list[Notice]]:
    """All candidates of a run; on a part of the map there may be none.

    Raises
    ------
    InputError
        ``input-refused`` where there is no candidate on the whole map.
    """
    new, exclusions, lengths = _new_belts(data)
    parts = [new]
    if "restoration" in data.params.candidate_types:
        restored, gap_exclusions = _restorations(data)
        parts.append(restored)
        exclusions = pd.concat([exclusions, gap_exclusions], ignore_index=True)
    every = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    every = gpd.GeoDataFrame(every, crs=data.grid.crs)
    notices = [] if len(every) else [_no_lines(data)]
    every = _assessed(data, every)
    # Without candidates the column is of no type.
    every["flags"] = every["flags"].astype(object)
    short = every["flags"].map(lambda flags: candidates.SHORT in flags.split("; "))
    every = _with_flag(every, every["action"] == candidates.REGENERATE, regeneration.MAY_FAIL)
    screened = every["candidate_type"] == candidates.SCREENED
    every = _with_flag(every, screened, screen_of(data.params).note())
    if screened.any():
        notices += screens_gone(data)
    every = every.assign(too_short=short.astype(bool))
    every, land = _with_working_land(data, every)
    checks = planner_layers.constraint_checks(every, data.constraint_layers, data.checked_elsewhere)
    ends = belt_ends(every, _existing(data))
    return ProposedLines(every, land, ends, exclusions, checks, *lengths), notices


def _with_flag(every: gpd.GeoDataFrame, where: pd.Series, flag: str) -> gpd.GeoDataFrame:
    """Candidates of which some have one more flag, before their others."""
    flags = every["flags"].where(~where, flag + "; " + every["flags"])
    return every.assign(flags=flags.map(lambda text: text.removesuffix("; ")).astype(object))


def drawn_belts(data: SitingData, layer: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Drawn lines as belts of their design on ground where they are allowed, and exclusions.

    Raises
    ------
    InputError
        As `planner_layers.drawn_lines`; ``name-unknown`` for a design that does not exist.
    """
    lines = planner_layers.drawn_lines(layer, "lines")
    kept, exclusions = _allowed(data, candidates.with_ids(candidates.DRAWN, lines))
    belts = _designed(data, kept)
    return _assessed(data, belts), exclusions


def _assessed(data: SitingData, belts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Belts with length, flags, and the holding and parcel they are on."""
    length = continuity.continuous_lengths(belts.geometry.to_numpy(), _existing(data))
    belts = belts.assign(continuous_length_m=length)
    belts = candidates.with_assessment(belts, data.bearing, data.settled.local_heights)
    return with_areas(_with_holdings(data, belts), data.parcels, ["parcel_id"])


def _with_holdings(data: SitingData, belts: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Belts with the holding they are on, where holdings are known."""
    for areas in (data.holdings, data.parcels):
        if areas is not None and "holding_id" in areas:
            return candidates.with_holdings(belts, areas)
    return belts


def _no_lines(data: SitingData) -> Notice:
    """No candidate at all: an error on the whole map, a notice on one holding of many."""
    text = "There is no candidate line: none was proposed, or all were excluded."
    if data.area is not None:
        return Notice("no-lines", text)
    raise InputError(
        "input-refused",
        text,
        where="candidate_types",
        hint="Give candidate_lines or parcels, allow more candidate_types, or check the layers and "
        "the slope limit that exclude lines.",
    )


def _new_belts(
    data: SitingData,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, tuple[float, float]]:
    """New belts, exclusions, and the length proposed and allowed, m."""
    frames, duplicate_m = _proposals(data)
    proposed = pd.concat(frames, ignore_index=True)
    kept, exclusions = _allowed(data, gpd.GeoDataFrame(proposed, crs=data.grid.crs))
    # Joined edges, regeneration and screens use the same ground again.
    allowed_m = float(kept.geometry.length.sum())
    kept = continuity.with_joined_edges(kept, _least_lengths(data, kept), _existing(data))
    planted = kept
    if "natural-regeneration" in data.params.candidate_types:
        more = regeneration.regenerating_lines(kept, data.belts, data.params.seed_distance_m)
        kept = gpd.GeoDataFrame(pd.concat([kept, more], ignore_index=True), crs=data.grid.crs)
    if "temporary-screen" in data.params.candidate_types:
        more = screens.screened_lines(planted)
        kept = gpd.GeoDataFrame(pd.concat([kept, more], ignore_index=True), crs=data.grid.crs)
    belts = _designed(data, kept)
    if duplicate_m:
        # Without a candidate: duplicate edges never became lines.
        row = pd.DataFrame({"candidate": [""], "reason": [DUPLICATE], "excluded_m": [duplicate_m]})
        exclusions = pd.concat([row, exclusions], ignore_index=True)
    return belts, exclusions, (float(proposed.geometry.length.sum()) + duplicate_m, allowed_m)


def _allowed(data: SitingData, proposed: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Proposed lines without excluded ground, and the exclusions."""
    designs = data.designs
    names = proposed["design"].where(proposed["design"] != "", data.design.name)
    width = [designs.design(name, "candidate lines").width_m for name in names]
    proposed = gpd.GeoDataFrame(proposed.assign(width_m=np.array(width, float)), crs=data.grid.crs)
    return exclude(proposed, [*data.exclusion_zones, *data.existing_belt_zones])


def _designed(data: SitingData, kept: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Lines as belts of their design."""
    year = data.params.planting_year
    belts = candidates.with_design(kept, data.designs, data.design.name, year)
    belts = regeneration.as_regenerating(belts, data.params.regeneration_delay_years)
    return screens.with_screens(belts, screen_of(data.params))


def _existing(data: SitingData) -> Shapes:
    """Existing belts and woods."""
    shapes: Shapes = data.belts.geometry.to_numpy()
    return shapes


def _least_lengths(data: SitingData, kept: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Least length of a belt along each line, m."""
    names = kept["design"].where(kept["design"] != "", data.design.name)
    height = {name: _height(data, name) for name in dict.fromkeys(names)}
    return np.array([candidates.LEAST_LENGTH_H * height[name] for name in names], dtype=float)


def _with_working_land(
    data: SitingData, every: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, WorkingLand | None]:
    """Candidates with those that each excludes, and what each costs the working land."""
    same = screens.same_line_pairs(every)
    if data.parcels is None:
        return every.assign(excludes=working_land.excludes_column(every, same)), None
    fields = _fields(data.parcels)
    boundaries = np.concatenate([shapely.boundary(fields), _outlines(_existing(data))])
    limits = {
        "min_field_part_ha": data.params.min_field_part_ha,
        "working_width_m": data.params.working_width_m,
    }
    land = working_land.working_land(every, fields, boundaries, **limits)
    pairs = working_land.excluding_pairs(every, fields, land, **limits)
    pairs = np.unique(np.vstack([pairs, same]), axis=0)
    return every.assign(excludes=working_land.excludes_column(every, pairs)), land


def _fields(parcels: gpd.GeoDataFrame) -> Shapes:
    shapes = parcels.geometry.to_numpy()
    fields: Shapes = shapely.make_valid(shapes[shapely.get_dimensions(shapes) == 2])
    return fields


def _outlines(shapes: Shapes) -> Shapes:
    """Outlines of polygons; lines as they are."""
    area = shapely.get_dimensions(shapes) == 2
    return np.where(area, shapely.boundary(shapes), shapes)


def _restorations(data: SitingData) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    purpose = data.settled.purpose
    found, exclusions = restoration.restoration_options(
        data.belts,
        data.designs,
        data.design,
        data.params.planting_year,
        purpose.porosity if purpose else (0.0, 1.0),
        data.case.season,
        data.exclusion_zones,
    )
    near = _near(data, found.geometry.to_numpy())
    if data.area is not None:
        near &= shapely.intersects(found.geometry.to_numpy(), data.area)
    return found[near].reset_index(drop=True), exclusions


def _proposals(data: SitingData) -> tuple[list[gpd.GeoDataFrame], float]:
    """Proposed lines of each type, generated ones near places; length of duplicate edges."""
    params, crs = data.params, data.grid.crs
    found: dict[str, gpd.GeoDataFrame | Shapes] = {}
    empty = candidates.with_ids(candidates.DRAWN, np.empty(0, dtype=object), crs)
    if data.nothing_to_shelter:
        return [empty], 0.0
    if data.lines is not None and "drawn" in params.candidate_types:
        found[candidates.DRAWN] = data.lines
    parcels, edges, duplicate_m = data.parcels, empty, 0.0
    along_edges = {"parcel-edges", "natural-regeneration"}.intersection(params.candidate_types)
    if parcels is not None and along_edges:
        edges, duplicate_m = _edges(data, parcels)
    if "across-wind" in params.candidate_types:
        found[candidates.ACROSS] = _across(data)
    if "corner-shapes" in params.candidate_types:
        found[candidates.CORNER] = _corners(data)
    proposals = [candidates.with_ids(kind, lines, crs) for kind, lines in found.items()]
    return [empty, edges, *proposals], duplicate_m


def _edges(data: SitingData, parcels: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, float]:
    """Lines on either side of parcel edges near places; length of duplicate edges."""
    edges = parcel_edges(parcels.geometry.to_numpy(), longest_m=data.params.longest_m)
    near = edges.lines[_near(data, edges.lines)]
    frame = candidates.with_ids(candidates.EDGE, near, data.grid.crs)
    sides = continuity.boundary_sides(near, _fields(parcels), data.design.width_m)
    names = frame["candidate"].to_numpy(dtype=object)[sides.boundary] + sides.side
    beside = frame.iloc[sides.boundary].assign(candidate=names).set_geometry(sides.lines)
    return beside.reset_index(drop=True), edges.duplicate_m


def _across(data: SitingData) -> Shapes:
    """Lines across the wind in parcels or, without parcels, in the places themselves."""
    ground = data.parcels if data.parcels is not None else data.places
    if ground is None:
        return np.empty(0, dtype=object)
    shapes = ground.geometry.to_numpy()
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    height = _height(data, data.design.name)
    lines = generated_lines.lines_across(
        shapes,
        data.bearing.bearing_deg,
        data.params.spacing_h * height,
        longest_m=data.params.longest_m,
    )
    return lines[_near(data, lines)]


def _corners(data: SitingData) -> Shapes:
    """L and cross shapes on stock areas."""
    if data.places is None:
        return np.empty(0, dtype=object)
    stock = [bool((p := purpose_of(name)) and p.head_m2) for name in data.places["purpose"]]
    shapes = data.places.geometry.to_numpy()[np.array(stock, dtype=bool)]
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    crosses = generated_lines.cross_shapes(shapes, data.bearing.bearing_deg)
    return np.concatenate([generated_lines.corner_shapes(shapes), crosses])


def _near(data: SitingData, lines: Shapes) -> NDArray[np.bool_]:
    """Whether each line is near a place that needs shelter."""
    if data.places is None:
        return np.full(len(lines), not data.nothing_to_shelter)
    tree = shapely.STRtree(data.places.geometry.to_numpy())
    distance = NEAR_H * _height(data, data.design.name)
    at = tree.query(lines, predicate="dwithin", distance=distance)[0]
    near = np.zeros(len(lines), dtype=bool)
    near[at] = True
    return near


def _height(data: SitingData, design: str) -> float:
    return candidates.design_height(data.designs, design, data.settled.local_heights)
