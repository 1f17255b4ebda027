"""What a candidate is: a line where a belt could go, or an existing belt to restore; its land."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.science.belts import Case
from shelterscape.science.growth import SiteIndex, belts_at
from shelterscape.science.siting.cutting import openings
from shelterscape.science.siting.designs import Designs, cost_minor
from shelterscape.science.siting.generated_lines import Bearing

Array = NDArray[np.float64]

GIVEN, EDGE, ACROSS, CORNER, MENDING = KINDS = (
    "line given",
    "parcel edge",
    "line across the wind",
    "stock corner",
    "existing belt",
)
LETTERS = dict(zip(KINDS, "GEACM", strict=True))
"""First letter of the id of each kind of candidate."""

PLANT, GAP_UP = "plant", "gap up"

CANDIDATE_COLUMNS = (
    "candidate",
    "kind",
    "action",
    "mends",
    "design",
    "length_m",
    "cost_minor",
    "must_have",
    "forbidden",
    "height_20_m",
    "caught_share",
    "openings",
    "flags",
)
"""Columns of a candidate besides those of a belt layer and of its closing."""

BELT_COLUMNS = (
    "name",
    "belt_type",
    "species",
    "holding_id",
    "planted_year",
    "height_m",
    "porosity",
    "bare_porosity",
    "width_m",
    "porosity_low",
    "bare_stem_m",
    "assumed",
)
"""Columns of a belt layer, as `science.belts.complete` fills them."""

CLOSING_COLUMNS = ("closing_from", "closing_years", "first_density")
"""Columns that give the density of a candidate over the years; see `science.growth.grown`."""

TELLING_AGE = 20
"""Age, years, at which the height of a belt says how long it must be."""

LEAST_LENGTH_H = 10.0
"""Least length of a belt, heights at that age (US Natural Resources Conservation Service, seen)."""

END_ON_DEG = 30.0
"""A belt this near to the axis of the damaging wind is end-on to it, degrees (E)."""

OPENING_DEG = 30.0
"""An opening whose passage is this near to the damaging wind faces it, degrees (E)."""

SHORT = "shorter than 10 heights at 20 years"
END_ON = "end-on to the damaging wind"
FACING = "an opening faces the damaging wind"
BOUNDARY = "on the boundary of holdings"


def offer(
    kind: str, lines: gpd.GeoDataFrame | NDArray[np.object_], crs: object = None
) -> gpd.GeoDataFrame:
    """Lines of one kind offered as candidates, each with an id that their order decides.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    lines : GeoDataFrame or (n,) array of lines
        A layer may carry ``name``, ``design``, ``must_have``, ``forbidden``.
    crs : object
        Of an array.

    Returns
    -------
    GeoDataFrame
        ``candidate``, ``kind``, ``name``, ``design``, ``must_have``, ``forbidden``.
    """
    if not isinstance(lines, gpd.GeoDataFrame):
        lines = gpd.GeoDataFrame(geometry=lines, crs=crs)
    frame = gpd.GeoDataFrame(geometry=lines.geometry.to_numpy(), crs=lines.crs)
    frame["candidate"] = [f"{LETTERS[kind]}{n:04d}" for n in range(1, len(frame) + 1)]
    frame["kind"] = kind
    for column, without in (
        ("name", ""),
        ("design", ""),
        ("must_have", False),
        ("forbidden", False),
    ):
        frame[column] = lines[column].to_numpy() if column in lines else without
    return frame


def with_design(
    kept: gpd.GeoDataFrame, book: Designs, design: str, planted_year: int
) -> gpd.GeoDataFrame:
    """Lines left by cutting as belts of their design, with length and cost.

    Parameters
    ----------
    kept : GeoDataFrame
        As `offer` and `cutting.cut` give them.
    book : Designs
    design : str
        Taken where a line names none.
    planted_year : int

    Returns
    -------
    GeoDataFrame
        With the columns of a belt layer; height is left to growth.

    Raises
    ------
    InputError
        ``name-unknown`` for a design not in the book.
    """
    names = kept["design"].where(kept["design"] != "", design)
    chosen = [book.find(name) for name in names]
    frame = kept.assign(design=names, action=PLANT, mends=pd.array([pd.NA] * len(kept), "Int64"))
    for column in ("belt_type", "species", "porosity", "bare_porosity", "width_m", "closing_years"):
        frame[column] = [getattr(one, column) for one in chosen]
    # Of no lines at all, words would pass for numbers.
    frame = frame.astype({"belt_type": object, "species": object})
    frame = frame.assign(
        planted_year=pd.array([planted_year] * len(frame), "Int64"),
        closing_from=pd.array([planted_year] * len(frame), "Int64"),
        height_m=np.nan,
        porosity_low=frame["porosity"],
        bare_stem_m=0.0,
        first_density=0.0,
        assumed="",
        holding_id="",
        length_m=frame.geometry.length,
    )
    frame["cost_minor"] = _costs(frame["length_m"], [one.cost_per_m for one in chosen])
    return frame


def design_height(
    book: Designs, design: str, local_heights: Mapping[str, SiteIndex] | None = None
) -> float:
    """Height of a belt of a design 20 years after planting, metres.

    Parameters
    ----------
    book : Designs
    design : str
        A name in it.
    local_heights : mapping, optional
        As for `growth.belts_at`.

    Returns
    -------
    float
        m.

    Raises
    ------
    InputError
        ``name-unknown`` for a design not in the book.
    """
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 0)])])
    belt = with_design(offer(GIVEN, line), book, design, 2000)
    grown = belts_at(belt, Case("in-leaf", 2000 + TELLING_AGE), local_heights=local_heights)
    return float(grown["height_m"].iloc[0])


def _costs(lengths: pd.Series, costs: Sequence[object]) -> pd.Series:
    found = [cost_minor(m, c) for m, c in zip(lengths, costs, strict=True)]  # type: ignore[arg-type]
    return pd.Series(found, index=lengths.index, dtype="int64")


def judge(
    candidates: gpd.GeoDataFrame,
    bearing: Bearing,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> gpd.GeoDataFrame:
    """Candidates with what a planner must know of them.

    Parameters
    ----------
    candidates : GeoDataFrame
        As `with_design` and `restoration.restoration_options` give them.
    bearing : Bearing
        The best one for the purpose, counted from grid north.
    local_heights : mapping, optional
        As for `growth.belts_at`.

    Returns
    -------
    GeoDataFrame
        With ``height_20_m`` (height 20 years after planting or restoration), ``caught_share``
        (share of the damaging wind perpendicular to it divided by that at the best bearing, from
        the losses of `Bearing`), ``openings`` (how many), ``flags`` (words, separated by
        semicolons).
    """
    lines = candidates.geometry.to_numpy()
    ages = candidates["closing_from"].to_numpy(dtype=float) + TELLING_AGE
    height = np.zeros(len(candidates))
    for year in np.unique(ages):
        here = ages == year
        grown = belts_at(candidates[here], Case("in-leaf", int(year)), local_heights=local_heights)
        height[here] = grown["height_m"]
    # Between gaps that are filled is the old belt, not open ground.
    fills = (candidates["action"] == GAP_UP).to_numpy()
    gaps = [[] if fill else openings(line) for fill, line in zip(fills, lines, strict=True)]
    new = (candidates["action"] == PLANT).to_numpy()
    flags = {
        SHORT: new & (candidates["length_m"].to_numpy(dtype=float) < LEAST_LENGTH_H * height),
        END_ON: shares_within(lines, bearing.across_deg, END_ON_DEG) > 0.5,
        FACING: np.array([_faces(gap, bearing.across_deg) for gap in gaps], dtype=bool),
    }
    return candidates.assign(
        height_20_m=height,
        caught_share=_caught(lines, bearing),
        openings=np.array([len(gap) for gap in gaps], dtype=np.int64),
        flags=joined(flags, len(lines)),
    )


def joined(flags: dict[str, NDArray[np.bool_]], count: int) -> list[str]:
    """Words that hold for each candidate, separated by semicolons.

    Parameters
    ----------
    flags : mapping of str to (count,) bool
        Words, and the candidates they hold for.
    count : int

    Returns
    -------
    list of str
        Separated by semicolons; empty where none holds.
    """
    return ["; ".join(word for word, where in flags.items() if where[i]) for i in range(count)]


def bearings_of(lines: NDArray[np.object_]) -> tuple[Array, Array, NDArray[np.int64]]:
    """Bearing (0 to 180°) and length of every stretch of some lines, and the line it is of.

    Parameters
    ----------
    lines : (n,) array of lines

    Returns
    -------
    bearing : (k,) float64
        Degrees clockwise from grid north, 0 <= b < 180.
    length : (k,) float64
        m.
    line : (k,) int64
        Number of the line.
    """
    parts, line_of = shapely.get_parts(lines, return_index=True)
    xy, part_of = shapely.get_coordinates(parts, return_index=True)
    within = part_of[1:] == part_of[:-1]
    east, north = np.diff(xy, axis=0)[within].T if len(xy) else np.empty((2, 0))
    bearing = np.degrees(np.arctan2(east, north)) % 180.0
    owner: NDArray[np.int64] = line_of[part_of[:-1][within]] if len(xy) else line_of[:0]
    return bearing, np.hypot(east, north), owner


def apart_deg(bearing_deg: Array | float, axis_deg: float) -> Array:
    """Angle between bearings and an axis, 0 to 90°.

    Parameters
    ----------
    bearing_deg : (k,) float64
        Degrees from grid north.
    axis_deg : float

    Returns
    -------
    (k,) float64
        Degrees.
    """
    apart = np.abs(np.asarray(bearing_deg, dtype=float) - axis_deg) % 180.0
    found: Array = np.minimum(apart, 180.0 - apart)
    return found


def shares_within(lines: NDArray[np.object_], axis_deg: float, within_deg: float) -> Array:
    """Share of the length of each line that runs within an angle of an axis.

    Parameters
    ----------
    lines : (n,) array of lines
    axis_deg : float
        Degrees from grid north.
    within_deg : float
        0 to 90.

    Returns
    -------
    (n,) float64
        0 to 1.
    """
    bearing, length, owner = bearings_of(lines)
    near = apart_deg(bearing, axis_deg) <= within_deg
    total = np.bincount(owner, weights=length, minlength=len(lines))
    part = np.bincount(owner, weights=length * near, minlength=len(lines))
    share: Array = part / np.maximum(total, 1e-12)
    return share


def _caught(lines: NDArray[np.object_], bearing: Bearing) -> Array:
    """Mean over each line of what its stretches catch, over the best that can be."""
    turns, losses = np.array(sorted(bearing.loss.items())).T
    at, length, owner = bearings_of(lines)
    beside = (at - bearing.bearing_deg + 90.0) % 180.0 - 90.0
    kept = 1.0 - np.interp(beside, turns, losses)
    total = np.bincount(owner, weights=length, minlength=len(lines))
    sums = np.bincount(owner, weights=length * kept, minlength=len(lines))
    caught: Array = sums / np.maximum(total, 1e-12)
    return caught


def _faces(gaps: list[shapely.LineString], across_deg: float) -> bool:
    """Whether the wind along an axis blows straight through one of some openings."""
    if not gaps:
        return False
    bearing, _, _ = bearings_of(np.array(gaps, dtype=object))
    # The passage through an opening is perpendicular to the line across it.
    return bool((apart_deg((bearing + 90.0) % 180.0, across_deg) <= OPENING_DEG).any())


BESIDE_M = 4.0
"""How far beside a line the holding on either side is searched for, metres (E)."""


def with_holdings(candidates: gpd.GeoDataFrame, areas: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Candidates with the holding that most of each is on; belts on a boundary are flagged.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``flags``.
    areas : GeoDataFrame
        Holdings or parcels with ``holding_id``.

    Returns
    -------
    GeoDataFrame
        Holdings already named are kept.
    """
    strips = shapely.buffer(candidates.geometry.to_numpy(), BESIDE_M, cap_style="flat")
    shapes, ids = areas.geometry.to_numpy(), areas["holding_id"].astype("string").fillna("")
    at, of = shapely.STRtree(shapes).query(strips, predicate="intersects")
    shared = shapely.area(shapely.intersection(strips[at], shapes[of]))
    table = pd.DataFrame({"at": at, "holding": ids.to_numpy(dtype=object)[of], "share": shared})
    table = table[table["holding"] != ""].groupby(["at", "holding"])["share"].sum().reset_index()
    table["share"] /= shapely.area(strips)[table["at"].to_numpy()]
    table = table.sort_values(["at", "share", "holding"], ascending=[True, False, True])
    most = table.drop_duplicates("at").set_index("at")["holding"].reindex(range(len(strips)))
    on_both = table[table["share"] >= 0.1].groupby("at")["holding"].agg(", ".join)
    several = on_both[on_both.str.contains(", ")].reindex(range(len(strips)))
    named = candidates["holding_id"].to_numpy(dtype=object)
    found = np.where(named == "", most.fillna("").to_numpy(dtype=object), named)
    added = [f"{BOUNDARY} {names}" if isinstance(names, str) else "" for names in several]
    flags = ["; ".join(filter(None, pair)) for pair in zip(candidates["flags"], added, strict=True)]
    return candidates.assign(holding_id=found, flags=flags)


FENCE_M = 1.0
"""Strip on either side that a fence may take besides, metres (E)."""

CROP_LOSS_H = (1.0, 2.0)
"""How far from a belt crops lose to roots and shade, heights: to somewhere between these (Kort
1988; Cleugh and others 2002; status S)."""


class Land(NamedTuple):
    """Ranges, from the least to the most, ha.

    Parameters
    ----------
    taken_low, taken_high : (n,) float64
        Out of use: the belt by itself, and fenced on both sides.
    beside_low, beside_high : (n,) float64
        On which crops lose, on both sides together; how much they lose is not estimated,
        and beyond it they gain.
    """

    taken_low: Array
    taken_high: Array
    beside_low: Array
    beside_high: Array


def land_of(length_m: Array, width_m: Array, height_m: Array, is_new: NDArray[np.bool_]) -> Land:
    """Land that belts require.

    Parameters
    ----------
    length_m, width_m, height_m : (n,) arrays
        m, of each belt, its height as it will be.
    is_new : (n,) bool
        Existing belts that are restored take no more land.

    Returns
    -------
    Land

    References
    ----------
    Kort 1988, Agriculture, Ecosystems and Environment 22/23; Cleugh and others 2002 (status S,
    both): crops lose within 1 to 2 heights of a belt and gain beyond.
    """
    length = np.where(is_new, np.asarray(length_m, dtype=float), 0.0) / 1e4
    near, far = (2.0 * heights * np.asarray(height_m, dtype=float) for heights in CROP_LOSS_H)
    width = np.asarray(width_m, dtype=float)
    return Land(length * width, length * (width + 2.0 * FENCE_M), length * near, length * far)
