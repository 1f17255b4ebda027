"""Candidates of `siting`: offered, cut, dressed as belts, judged and held against the register."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.places import purpose_of
from shelterscape.science.siting import candidates, generated_lines, planner_layers, restoration
from shelterscape.science.siting.cutting import cut
from shelterscape.science.siting.generated_lines import parcel_edges

Shapes = NDArray[np.object_]

NEAR_H = 20.0
"""Lines farther than this from all that needs shelter are not offered, heights at 20 years (E):
shelter beyond it is slight."""

DOUBLED = "runs beside another parcel edge"


@dataclass(frozen=True)
class Lines:
    """Candidates and all that became of what was offered.

    Parameters
    ----------
    candidates : GeoDataFrame
    cuts : DataFrame
        ``candidate`` (line offered), ``reason``, ``cut_m``.
    constraints : DataFrame
        As `planner_layers.checked` gives it.
    offered_m : float
        Length of all lines offered for planting.
    """

    candidates: gpd.GeoDataFrame
    cuts: pd.DataFrame
    constraints: pd.DataFrame
    offered_m: float


def lines_of(data: SitingData) -> tuple[Lines, list[Notice]]:
    """All candidates of a run; there may be none on a part of the map.

    Raises
    ------
    InputError
        ``input-refused`` where there is nothing to choose from on the whole map.
    """
    new, cuts, offered_m = _planted(data)
    parts = [new]
    if "mending" in data.params.offer:
        mended, lost = _mended(data)
        parts.append(mended)
        cuts = pd.concat([cuts, lost], ignore_index=True)
    every = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    every = gpd.GeoDataFrame(every, crs=data.grid.crs)
    notices = [] if len(every) else [_no_lines(data)]
    every = candidates.judge(every, data.bearing, data.settled.local_heights)
    for areas in (data.holdings, data.parcels):
        if areas is not None and "holding_id" in areas:
            every = candidates.with_holdings(every, areas)
            break
    told = planner_layers.checked(every, data.register, data.looked_at)
    return Lines(every, cuts, told, offered_m), notices


def _no_lines(data: SitingData) -> Notice:
    """Nothing to choose from is an error of the inputs, but not so on one holding among many."""
    text = "There is no line to choose from: none was offered, or all were cut away."
    if data.area is not None:
        return Notice("no-lines", text)
    raise InputError(
        "input-refused",
        text,
        where="offer",
        mend="Give candidate_lines or parcels, or look at what bars them.",
    )


def _planted(data: SitingData) -> tuple[gpd.GeoDataFrame, pd.DataFrame, float]:
    frames, doubled_m = _offers(data)
    offered = pd.concat(frames, ignore_index=True)
    book = data.book
    names = offered["design"].where(offered["design"] != "", data.design.name)
    width = [book.find(name, "candidate lines").width_m for name in names]
    offered = gpd.GeoDataFrame(offered.assign(width_m=np.array(width, float)), crs=data.grid.crs)
    kept, cuts = cut(offered, [*data.cutters, *data.standing])
    if doubled_m:
        # Of no candidate: it never became a line of its own.
        row = pd.DataFrame({"candidate": [""], "reason": [DOUBLED], "cut_m": [doubled_m]})
        cuts = pd.concat([row, cuts], ignore_index=True)
    belts = candidates.with_design(kept, book, data.design.name, data.params.planting_year)
    return belts, cuts, float(offered.geometry.length.sum()) + doubled_m


def _mended(data: SitingData) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    purpose = data.settled.purpose
    found, cuts = restoration.restoration_options(
        data.belts,
        data.book,
        data.design,
        data.params.planting_year,
        purpose.porosity if purpose else (0.0, 1.0),
        data.case.season,
        data.cutters,
    )
    near = _near(data, found.geometry.to_numpy())
    if data.area is not None:
        near &= shapely.intersects(found.geometry.to_numpy(), data.area)
    return found[near].reset_index(drop=True), cuts


def _offers(data: SitingData) -> tuple[list[gpd.GeoDataFrame], float]:
    """Lines of each kind, generated ones near what needs shelter; length of doubled edges."""
    params, crs = data.params, data.grid.crs
    found: dict[str, gpd.GeoDataFrame | Shapes] = {}
    empty = candidates.offer(candidates.GIVEN, np.empty(0, dtype=object), crs)
    if data.unneeded:
        return [empty], 0.0
    if data.lines is not None and "drawn" in params.offer:
        found[candidates.GIVEN] = data.lines
    parcels, doubled_m = data.parcels, 0.0
    if parcels is not None and "edges" in params.offer:
        edges = parcel_edges(parcels.geometry.to_numpy(), longest_m=params.longest_m)
        found[candidates.EDGE] = edges.lines[_near(data, edges.lines)]
        doubled_m = edges.doubled_m
    if "across" in params.offer:
        found[candidates.ACROSS] = _across(data)
    if "corners" in params.offer:
        found[candidates.CORNER] = _corners(data)
    offers = [candidates.offer(kind, lines, crs) for kind, lines in found.items()]
    return [empty, *offers], doubled_m


def _across(data: SitingData) -> Shapes:
    """Lines across the wind in parcels, or in the places themselves where there are none."""
    ground = data.parcels if data.parcels is not None else data.places
    if ground is None:
        return np.empty(0, dtype=object)
    shapes = ground.geometry.to_numpy()
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    height = _height(data)
    lines = generated_lines.lines_across(
        shapes,
        data.bearing.bearing_deg,
        data.params.spacing_h * height,
        longest_m=data.params.longest_m,
    )
    return lines[_near(data, lines)]


def _corners(data: SitingData) -> Shapes:
    """L and cross shapes on stock ground."""
    if data.places is None:
        return np.empty(0, dtype=object)
    stock = [bool((p := purpose_of(name)) and p.head_m2) for name in data.places["purpose"]]
    shapes = data.places.geometry.to_numpy()[np.array(stock, dtype=bool)]
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    crosses = generated_lines.cross_shapes(shapes, data.bearing.bearing_deg)
    return np.concatenate([generated_lines.corner_shapes(shapes), crosses])


def _near(data: SitingData, lines: Shapes) -> NDArray[np.bool_]:
    """Which lines lie near enough to what needs shelter."""
    if data.places is None:
        return np.full(len(lines), not data.unneeded)
    tree = shapely.STRtree(data.places.geometry.to_numpy())
    at = tree.query(lines, predicate="dwithin", distance=NEAR_H * _height(data))[0]
    near = np.zeros(len(lines), dtype=bool)
    near[at] = True
    return near


def _height(data: SitingData) -> float:
    return candidates.design_height(data.book, data.design.name, data.settled.local_heights)
