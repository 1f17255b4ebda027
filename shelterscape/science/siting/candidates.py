"""Candidates: lines where a belt could be planted and belts to restore; flags and land required."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import BARE_LOW, ROW_SPECIES, SPECIES_SHARES, Case
from shelterscape.science.crops import LOSS_TO_H
from shelterscape.science.planting.profile import height_profile
from shelterscape.science.siting.areas import areas_beside
from shelterscape.science.siting.designs import Designs, cost_minor
from shelterscape.science.siting.exclusion import openings
from shelterscape.science.siting.generated_lines import Bearing

Array = NDArray[np.float64]

DRAWN, EDGE, ACROSS, CORNER, RESTORATION, REGENERATION, SCREENED = CANDIDATE_TYPES = (
    "drawn line",
    "parcel edge",
    "line across the wind",
    "L or cross shape",
    "restoration",
    "natural regeneration",
    "belt with temporary screen",
)
ID_LETTERS = dict(zip(CANDIDATE_TYPES, "DEACRNT", strict=True))
"""First letter of the identifier of each candidate type."""

PLANT, REGENERATE, GAP_UP = "plant", "regenerate", "gap up"
NEW_ACTIONS = (PLANT, REGENERATE)

CANDIDATE_COLUMNS = (
    "candidate",
    "candidate_type",
    "action",
    "restores_belt",
    "design",
    "length_m",
    "cost_minor",
    "must_have",
    "forbidden",
    "height_at_20_years_m",
    "wind_across_share",
    "opening_count",
    "flags",
)
"""Columns of a candidate in addition to `BELT_COLUMNS` and `CLOSING_COLUMNS`."""

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
"""Columns of a belt layer, as `science.belts.complete` returns them."""

CLOSING_COLUMNS = ("closing_from", "closing_years", "first_density")
"""Columns that describe how a candidate closes over the years; see `science.growth.grown`."""

REFERENCE_AGE = 20
"""Age, years, at which the height of a belt sets its least length."""

LEAST_LENGTH_H = 10.0
"""Least length of a belt, in heights at that age (US Natural Resources Conservation Service,
seen)."""

END_ON_DEG = 30.0
"""Largest angle, degrees, between a belt along the damaging wind and the wind (assumed)."""

OPENING_DEG = 30.0
"""Largest angle, degrees, between the passage of an opening that faces the damaging wind and the
wind (assumed)."""

SHORT = "shorter than 10 heights at 20 years"
END_ON = "more than half of it runs within 30° of the damaging wind"
FACING = "an opening faces the damaging wind"
BOUNDARY = "on the boundary of holdings"


def with_ids(
    candidate_type: str, lines: gpd.GeoDataFrame | NDArray[np.object_], crs: object = None
) -> gpd.GeoDataFrame:
    """Candidate lines of one type, with identifiers in the order given.

    Parameters
    ----------
    candidate_type : str
        One of `CANDIDATE_TYPES`.
    lines : GeoDataFrame or (n,) array of lines
        A layer may have ``name``, ``design``, ``must_have``, ``forbidden``.
    crs : object
        Coordinate system of an array of lines.

    Returns
    -------
    GeoDataFrame
        ``candidate``, ``candidate_type``, ``name``, ``design``, ``must_have``, ``forbidden``.
    """
    if not isinstance(lines, gpd.GeoDataFrame):
        lines = gpd.GeoDataFrame(geometry=lines, crs=crs)
    frame = gpd.GeoDataFrame(geometry=lines.geometry.to_numpy(), crs=lines.crs)
    frame["candidate"] = [f"{ID_LETTERS[candidate_type]}{n:04d}" for n in range(1, len(frame) + 1)]
    frame["candidate_type"] = candidate_type
    defaults = {"name": "", "design": "", "must_have": False, "forbidden": False}
    for column, without in defaults.items():
        frame[column] = lines[column].to_numpy() if column in lines else without
    return frame


def with_design(
    kept: gpd.GeoDataFrame, designs: Designs, design: str, planted_year: int
) -> gpd.GeoDataFrame:
    """Candidate lines as belts of their design, with length and cost.

    Parameters
    ----------
    kept : GeoDataFrame
        As `with_ids` and `exclusion.exclude` return them.
    designs : Designs
    design : str
        Design of lines that name none.
    planted_year : int

    Returns
    -------
    GeoDataFrame
        With the columns of a belt layer; the height is NaN, so that it is estimated from age. The
        porosity of the lower half is that of the design at 20 years.

    Raises
    ------
    InputError
        ``name-unknown`` for a design that does not exist.
    """
    names = kept["design"].where(kept["design"] != "", design)
    chosen = [designs.design(name) for name in names]
    frame = kept.assign(
        design=names, action=PLANT, restores_belt=pd.array([pd.NA] * len(kept), "Int64")
    )
    for column in ("belt_type", "species", "porosity", "bare_porosity", "width_m", "closing_years"):
        frame[column] = [getattr(one, column) for one in chosen]
    grown = {name: height_profile(designs.design(name), REFERENCE_AGE) for name in set(names)}
    frame["porosity_low"] = [grown[name].lower_half("in-leaf") for name in names]
    frame[BARE_LOW] = [grown[name].lower_half("bare") for name in names]
    frame[ROW_SPECIES] = [one.row_species for one in chosen]
    shares = {name: designs.design(name).species_shares for name in set(names)}
    frame[SPECIES_SHARES] = [shares[name] for name in names]
    # Without any line, pandas would give text columns a numeric type.
    texts = ("belt_type", "species", ROW_SPECIES, SPECIES_SHARES)
    frame = frame.astype(dict.fromkeys(texts, object))
    frame = frame.assign(
        planted_year=pd.array([planted_year] * len(frame), "Int64"),
        closing_from=pd.array([planted_year] * len(frame), "Int64"),
        height_m=np.nan,
        bare_stem_m=0.0,
        first_density=0.0,
        assumed="",
        holding_id="",
        length_m=frame.geometry.length,
    )
    # The cost of a design is that of all its parts, so it is calculated once.
    cost = {name: designs.design(name).cost_per_m for name in dict.fromkeys(names)}
    frame["cost_minor"] = _costs(frame["length_m"], [cost[name] for name in names])
    return frame


def design_height(
    designs: Designs, design: str, local_heights: Mapping[str, SiteIndex] | None = None
) -> float:
    """Height of a belt of a design 20 years after planting, metres.

    Parameters
    ----------
    designs : Designs
    design : str
        Name of the design.
    local_heights : mapping, optional
        As for `belt_growth.belts_at`.

    Returns
    -------
    float
        m.

    Raises
    ------
    InputError
        ``name-unknown`` for a design that does not exist.
    """
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (1, 0)])])
    belt = with_design(with_ids(DRAWN, line), designs, design, 2000)
    grown = belts_at(belt, Case("in-leaf", 2000 + REFERENCE_AGE), local_heights=local_heights)
    return float(grown["height_m"].iloc[0])


def _costs(lengths: pd.Series, costs: Sequence[object]) -> pd.Series:
    found = [cost_minor(m, c) for m, c in zip(lengths, costs, strict=True)]  # type: ignore[arg-type]
    return pd.Series(found, index=lengths.index, dtype="int64")


def with_assessment(
    candidates: gpd.GeoDataFrame,
    bearing: Bearing,
    local_heights: Mapping[str, SiteIndex] | None = None,
) -> gpd.GeoDataFrame:
    """Candidates with height, share of wind across, number of openings and flags.

    Parameters
    ----------
    candidates : GeoDataFrame
        As `with_design` and `restoration_options` return them; ``continuous_length_m``, where
        known, counts towards the least length.
    bearing : Bearing
        The best bearing for the purpose, from grid north.
    local_heights : mapping, optional
        As for `belt_growth.belts_at`.

    Returns
    -------
    GeoDataFrame
        With ``height_at_20_years_m`` (m, 20 years after planting or restoration),
        ``wind_across_share`` (damaging wind perpendicular to the belt divided by that at the best
        bearing, from the losses of `Bearing`), ``opening_count`` and ``flags`` (separated by
        semicolons).
    """
    lines, new = candidates.geometry.to_numpy(), candidates["action"].isin(NEW_ACTIONS).to_numpy()
    ages = candidates["closing_from"].to_numpy(dtype=float) + REFERENCE_AGE
    height = np.zeros(len(candidates))
    for year in np.unique(ages):
        here = ages == year
        grown = belts_at(candidates[here], Case("in-leaf", int(year)), local_heights=local_heights)
        height[here] = grown["height_m"]
    # Between filled gaps is the existing belt, not open ground.
    fills = (candidates["action"] == GAP_UP).to_numpy()
    gaps = [[] if fill else openings(line) for fill, line in zip(fills, lines, strict=True)]
    length = candidates.get("continuous_length_m", candidates["length_m"]).to_numpy(dtype=float)
    flags = {
        SHORT: new & (length < LEAST_LENGTH_H * height),
        END_ON: share_of_length_within(lines, bearing.wind_axis_deg, END_ON_DEG) > 0.5,
        FACING: np.array([_faces_wind(gap, bearing.wind_axis_deg) for gap in gaps], dtype=bool),
    }
    return candidates.assign(
        height_at_20_years_m=height,
        wind_across_share=_wind_across_shares(lines, bearing),
        opening_count=np.array([len(gap) for gap in gaps], dtype=np.int64),
        flags=joined_flags(flags, len(lines)),
    )


def joined_flags(flags: dict[str, NDArray[np.bool_]], count: int) -> list[str]:
    """Flags that apply to each candidate, separated by semicolons.

    Parameters
    ----------
    flags : mapping of str to (count,) bool
        Flags, and the candidates they apply to.
    count : int

    Returns
    -------
    list of str
        Empty where no flag applies.
    """
    return ["; ".join(flag for flag, where in flags.items() if where[i]) for i in range(count)]


def segment_bearings(lines: NDArray[np.object_]) -> tuple[Array, Array, NDArray[np.int64]]:
    """Bearing (0 to 180°) and length of every segment of lines, and the line it belongs to.

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
        Index of the line.
    """
    parts, line_of = shapely.get_parts(lines, return_index=True)
    xy, part_of = shapely.get_coordinates(parts, return_index=True)
    within = part_of[1:] == part_of[:-1]
    east, north = np.diff(xy, axis=0)[within].T if len(xy) else np.empty((2, 0))
    bearing = np.degrees(np.arctan2(east, north)) % 180.0
    owner: NDArray[np.int64] = line_of[part_of[:-1][within]] if len(xy) else line_of[:0]
    return bearing, np.hypot(east, north), owner


def angle_between_deg(bearing_deg: Array | float, axis_deg: float) -> Array:
    """Angle between bearings and an axis, 0 to 90 degrees.

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


def share_of_length_within(lines: NDArray[np.object_], axis_deg: float, within_deg: float) -> Array:
    """Share of the length of each line within an angle of an axis.

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
    bearing, length, owner = segment_bearings(lines)
    near = angle_between_deg(bearing, axis_deg) <= within_deg
    total = np.bincount(owner, weights=length, minlength=len(lines))
    part = np.bincount(owner, weights=length * near, minlength=len(lines))
    share: Array = part / np.maximum(total, 1e-12)
    return share


def _wind_across_shares(lines: NDArray[np.object_], bearing: Bearing) -> Array:
    """Wind across each line divided by that at the best bearing: mean over its segments."""
    turns, losses = np.array(sorted(bearing.loss.items())).T
    at, length, owner = segment_bearings(lines)
    turned = (at - bearing.bearing_deg + 90.0) % 180.0 - 90.0
    kept = 1.0 - np.interp(turned, turns, losses)
    total = np.bincount(owner, weights=length, minlength=len(lines))
    sums = np.bincount(owner, weights=length * kept, minlength=len(lines))
    caught: Array = sums / np.maximum(total, 1e-12)
    return caught


def _faces_wind(gaps: list[shapely.LineString], wind_axis_deg: float) -> bool:
    """Whether wind along an axis blows straight through one of the openings."""
    if not gaps:
        return False
    bearing, _, _ = segment_bearings(np.array(gaps, dtype=object))
    # The passage through an opening is perpendicular to the line across it.
    return bool((angle_between_deg((bearing + 90.0) % 180.0, wind_axis_deg) <= OPENING_DEG).any())


def with_holdings(candidates: gpd.GeoDataFrame, areas: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Candidates with the holding that contains most of each; belts on a boundary get a flag.

    Parameters
    ----------
    candidates : GeoDataFrame
        With ``flags``.
    areas : GeoDataFrame
        Holdings or parcels with ``holding_id``.

    Returns
    -------
    GeoDataFrame
        Existing values of ``holding_id`` are kept.
    """
    table = areas_beside(candidates.geometry.to_numpy(), areas, "holding_id")
    rows = range(len(candidates))
    most = table.drop_duplicates("at").set_index("at")["name"].reindex(rows)
    on_both = table[table["share"] >= 0.1].groupby("at")["name"].agg(", ".join)
    several = on_both[on_both.str.contains(", ")].reindex(rows)
    named = candidates["holding_id"].to_numpy(dtype=object)
    found = np.where(named == "", most.fillna("").to_numpy(dtype=object), named)
    added = [f"{BOUNDARY} {names}" if isinstance(names, str) else "" for names in several]
    flags = ["; ".join(filter(None, pair)) for pair in zip(candidates["flags"], added, strict=True)]
    return candidates.assign(holding_id=found, flags=flags)


FENCE_M = 1.0
"""Width of the strip that a fence takes out of use on each side, metres (assumed)."""


class LandRequired(NamedTuple):
    """Ranges of land that belts require, low to high, ha.

    Parameters
    ----------
    out_of_use_low, out_of_use_high : (n,) float64
        Land out of use: the belt by itself, and with fences on both sides.
    crop_loss_low, crop_loss_high : (n,) float64
        Land on which crops lose, on both sides together. How much they lose is not estimated;
        beyond it they gain.
    """

    out_of_use_low: Array
    out_of_use_high: Array
    crop_loss_low: Array
    crop_loss_high: Array


def land_required(
    length_m: Array, width_m: Array, height_m: Array, is_new: NDArray[np.bool_]
) -> LandRequired:
    """Land that belts take out of use, and land beside them on which crops lose.

    Parameters
    ----------
    length_m, width_m, height_m : (n,) arrays
        m; the height is that at 20 years.
    is_new : (n,) bool
        False for restorations, which need no additional land.

    Returns
    -------
    LandRequired

    References
    ----------
    Kort 1988, Agriculture, Ecosystems and Environment 22/23; Cleugh and others 2002 (status S,
    both): crops lose within 1 to 2 heights of a belt and gain beyond.
    """
    length = np.where(is_new, np.asarray(length_m, dtype=float), 0.0) / 1e4
    near, far = (2.0 * heights * np.asarray(height_m, dtype=float) for heights in LOSS_TO_H)
    width = np.asarray(width_m, dtype=float)
    return LandRequired(
        length * width, length * (width + 2.0 * FENCE_M), length * near, length * far
    )
