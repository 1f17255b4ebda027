"""Candidates of `siting`: offered, cut, dressed as belts, judged and held against the register."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.process.run import Run
from shelterscape.processes.siting.read import Given
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


def lines_of(given: Given, run: Run) -> Lines:
    """All candidates of a run; there may be none on a part of the map.

    Raises
    ------
    InputError
        ``input-refused`` where there is nothing to choose from on the whole map.
    """
    new, cuts, offered_m = _planted(given)
    parts = [new]
    if "mending" in given.asked.offer:
        mended, lost = _mended(given)
        parts.append(mended)
        cuts = pd.concat([cuts, lost], ignore_index=True)
    every = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    every = gpd.GeoDataFrame(every, crs=given.grid.crs)
    if not len(every):
        _tell_none(given, run)
    every = candidates.judge(every, given.bearing, given.settled.local_heights)
    for areas in (given.holdings, given.parcels):
        if areas is not None and "holding_id" in areas:
            every = candidates.with_holdings(every, areas)
            break
    told = planner_layers.checked(every, given.register, given.looked_at)
    return Lines(every, cuts, told, offered_m)


def _tell_none(given: Given, run: Run) -> None:
    """Nothing to choose from is an error of the inputs, but not so on one holding among many."""
    text = "There is no line to choose from: none was offered, or all were cut away."
    if given.area is not None:
        run.notice(Notice("no-lines", text))
        return
    raise InputError(
        "input-refused",
        text,
        where="offer",
        mend="Give candidate_lines or parcels, or look at what bars them.",
    )


def _planted(given: Given) -> tuple[gpd.GeoDataFrame, pd.DataFrame, float]:
    frames, doubled_m = _offers(given)
    offered = pd.concat(frames, ignore_index=True)
    book = given.book
    names = offered["design"].where(offered["design"] != "", given.design.name)
    width = [book.find(name, "candidate lines").width_m for name in names]
    offered = gpd.GeoDataFrame(offered.assign(width_m=np.array(width, float)), crs=given.grid.crs)
    kept, cuts = cut(offered, [*given.cutters, *given.standing])
    if doubled_m:
        # Of no candidate: it never became a line of its own.
        row = pd.DataFrame({"candidate": [""], "reason": [DOUBLED], "cut_m": [doubled_m]})
        cuts = pd.concat([row, cuts], ignore_index=True)
    belts = candidates.with_design(kept, book, given.design.name, given.asked.planting_year)
    return belts, cuts, float(offered.geometry.length.sum()) + doubled_m


def _mended(given: Given) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    purpose = given.settled.purpose
    found, cuts = restoration.restoration_options(
        given.belts,
        given.book,
        given.design,
        given.asked.planting_year,
        purpose.porosity if purpose else (0.0, 1.0),
        given.case.season,
        given.cutters,
    )
    near = _near(given, found.geometry.to_numpy())
    if given.area is not None:
        near &= shapely.intersects(found.geometry.to_numpy(), given.area)
    return found[near].reset_index(drop=True), cuts


def _offers(given: Given) -> tuple[list[gpd.GeoDataFrame], float]:
    """Lines of each kind, generated ones near what needs shelter; length of doubled edges."""
    asked, crs = given.asked, given.grid.crs
    found: dict[str, gpd.GeoDataFrame | Shapes] = {}
    empty = candidates.offer(candidates.GIVEN, np.empty(0, dtype=object), crs)
    if given.unneeded:
        return [empty], 0.0
    if given.lines is not None and "drawn" in asked.offer:
        found[candidates.GIVEN] = given.lines
    parcels, doubled_m = given.parcels, 0.0
    if parcels is not None and "edges" in asked.offer:
        edges = parcel_edges(parcels.geometry.to_numpy(), longest_m=asked.longest_m)
        found[candidates.EDGE] = edges.lines[_near(given, edges.lines)]
        doubled_m = edges.doubled_m
    if "across" in asked.offer:
        found[candidates.ACROSS] = _across(given)
    if "corners" in asked.offer:
        found[candidates.CORNER] = _corners(given)
    offers = [candidates.offer(kind, lines, crs) for kind, lines in found.items()]
    return [empty, *offers], doubled_m


def _across(given: Given) -> Shapes:
    """Lines across the wind in parcels, or in the places themselves where there are none."""
    ground = given.parcels if given.parcels is not None else given.places
    if ground is None:
        return np.empty(0, dtype=object)
    shapes = ground.geometry.to_numpy()
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    height = _height(given)
    lines = generated_lines.lines_across(
        shapes,
        given.bearing.bearing_deg,
        given.asked.spacing_h * height,
        longest_m=given.asked.longest_m,
    )
    return lines[_near(given, lines)]


def _corners(given: Given) -> Shapes:
    """L and cross shapes on stock ground."""
    if given.places is None:
        return np.empty(0, dtype=object)
    stock = [bool((p := purpose_of(name)) and p.head_m2) for name in given.places["purpose"]]
    shapes = given.places.geometry.to_numpy()[np.array(stock, dtype=bool)]
    shapes = shapes[shapely.get_dimensions(shapes) == 2]
    crosses = generated_lines.cross_shapes(shapes, given.bearing.bearing_deg)
    return np.concatenate([generated_lines.corner_shapes(shapes), crosses])


def _near(given: Given, lines: Shapes) -> NDArray[np.bool_]:
    """Which lines lie near enough to what needs shelter."""
    if given.places is None:
        return np.full(len(lines), not given.unneeded)
    tree = shapely.STRtree(given.places.geometry.to_numpy())
    at = tree.query(lines, predicate="dwithin", distance=NEAR_H * _height(given))[0]
    near = np.zeros(len(lines), dtype=bool)
    near[at] = True
    return near


def _height(given: Given) -> float:
    return candidates.design_height(given.book, given.design.name, given.settled.local_heights)
