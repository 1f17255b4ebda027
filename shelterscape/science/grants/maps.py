"""Maps that grant schemes use: grant areas by category, and agreements in force."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from shelterscape.errors import InputError, Notice

AREA_COLUMNS = ("category",)
AGREEMENT_COLUMNS = ("scheme", "begins", "ends")
OVERLAP_M2 = 1.0
"""Areas of one category overlap where they share more than this, m² (assumed value)."""


@dataclass(frozen=True)
class Agreement:
    """Ground already under a grant.

    Parameters
    ----------
    scheme : str
    ends : int or None
        Last year; None where no end is known.
    area : shapely geometry
    """

    scheme: str
    ends: int | None
    area: shapely.Geometry

    @property
    def label(self) -> str:
        """Name and last year, as text."""
        return f"“{self.scheme}”" + (f" until {self.ends}" if self.ends else " (no end known)")


def refuse_other_than_areas(frame: gpd.GeoDataFrame, where: str) -> None:
    """Raise an error if a layer holds lines or points.

    Parameters
    ----------
    frame : GeoDataFrame
    where : str
        Name of the layer in errors.

    Raises
    ------
    InputError
        ``areas-needed``.
    """
    other = shapely.get_dimensions(frame.geometry.to_numpy()) != 2
    if other.any():
        raise InputError(
            "areas-needed",
            f"{int(other.sum())} of {len(frame)} features are lines or points.",
            where=where,
            hint="Use a layer of areas, or draw these features as areas.",
        )


def _texts(frame: gpd.GeoDataFrame, column: str, where: str) -> pd.Series:
    if column not in frame:
        raise InputError(
            "column-missing",
            f"The layer has no column {column}.",
            where=where,
            value=", ".join(map(str, frame.columns.drop("geometry"))),
            hint=f"Add the column, or name another with --field LAYER.{column}=COLUMN.",
        )
    texts = frame[column].astype("string").fillna("").str.strip()
    if (texts == "").any():
        raise InputError(
            "column-bad",
            f"{column} is empty.",
            where=f"{where}, feature {int(np.argmax(texts == '')) + 1}",
            hint=f"Fill the column {column} in every feature.",
        )
    return texts


def areas_by_category(
    layers: dict[str, gpd.GeoDataFrame],
    near: shapely.Geometry,
    beside: shapely.Geometry | None = None,
) -> tuple[dict[str, shapely.Geometry], list[Notice]]:
    """Ground of each category, areas of one category merged.

    Parameters
    ----------
    layers : dict
        Layers of areas with a column ``category``, by name; any number of layers, and areas may
        overlap.
    near : shapely geometry
        Ground of the belts; areas that do not touch it are left out.
    beside : shapely geometry, optional
        Other ground; areas that touch it are kept as well.

    Returns
    -------
    areas : dict
        For every category, the areas that belts touch; empty where none do.
    notices : list of Notice
        Overlapping areas that were merged; layers of which no area touches a belt.

    Raises
    ------
    InputError
        ``areas-needed``, ``column-missing``, ``column-bad``.
    """
    notices, parts = [], []
    shapely.prepare(near)
    for where, frame in layers.items():
        refuse_other_than_areas(frame, where)
        names, shapes = _texts(frame, "category", where), frame.geometry.to_numpy()
        touched = shapely.intersects(near, shapes)
        if not touched.any():
            notices.append(Notice("grant-areas-missed", _missed_text(where, shapes, near)))
        kept = touched if beside is None else touched | shapely.intersects(beside, shapes)
        parts.append(pd.DataFrame({"category": names, "shape": shapes, "kept": kept}))
    areas = {}
    every = pd.concat(parts) if parts else pd.DataFrame({"category": []})
    for category, rows in every.groupby("category"):
        shapes = rows.loc[rows["kept"], "shape"].to_numpy()
        if clashing := _overlapping(shapes):
            text = f"overlapping areas of category “{category}” were merged"
            notices.append(Notice("areas-merged", text, clashing))
        areas[str(category)] = shapely.union_all(shapes)
    return areas, notices


def _missed_text(where: str, shapes: np.ndarray, near: shapely.Geometry) -> str:
    """States that no area of a layer touches a belt, with both extents."""
    layer, belts = (
        f"{w:.0f}…{e:.0f} E, {s:.0f}…{n:.0f} N"
        for w, s, e, n in (shapely.total_bounds(shapes), shapely.bounds(near))
    )
    return (
        f"{where}: no belt touches any of these grant areas; check the coordinate system. "
        f"Areas: {layer}; belts: {belts}"
    )


def _overlapping(shapes: np.ndarray) -> int:
    """Number of shapes that overlap another one."""
    one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = one < other
    shared = shapely.area(shapely.intersection(shapes[one[pairs]], shapes[other[pairs]]))
    clash = shared > OVERLAP_M2
    return len(np.unique(np.r_[one[pairs][clash], other[pairs][clash]]))


def agreements_in_force(
    frame: gpd.GeoDataFrame | None, start_year: int, where: str
) -> tuple[list[Agreement], list[Notice]]:
    """Agreements still in force in the start year.

    Parameters
    ----------
    frame : GeoDataFrame or None
        Areas with ``scheme`` and, where known, ``begins`` and ``ends`` (years or dates).
    start_year : int
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    found : list of Agreement
    notices : list of Notice
        Number of agreements that ended before the start year.

    Raises
    ------
    InputError
        ``areas-needed``, ``column-missing``, ``column-bad`` (also where an end precedes its begin).
    """
    if frame is None:
        return [], []
    refuse_other_than_areas(frame, where)
    names = _texts(frame, "scheme", where)
    begins, ends = (_years(frame, column, where) for column in ("begins", "ends"))
    reversed_ = begins > ends
    if reversed_.any():
        row = int(np.argmax(reversed_))
        raise InputError(
            "column-bad",
            "An agreement ends before it begins.",
            where=f"{where}, feature {row + 1}",
            value=f"begins {begins[row]:.0f}, ends {ends[row]:.0f}",
            hint="Correct the two dates.",
        )
    over = ends < start_year
    notices = []
    if over.any():
        text = f"{where}: agreements that ended before {start_year} were left out"
        notices.append(Notice("agreements-over", text, int(over.sum())))
    found = [
        Agreement(name, None if np.isnan(end) else int(end), shape)
        for name, end, shape, past in zip(names, ends, frame.geometry, over, strict=True)
        if not past
    ]
    return found, notices


def _years(frame: gpd.GeoDataFrame, column: str, where: str) -> np.ndarray:
    """Years from a column of years or dates; NaN where none is given."""
    if column not in frame:
        return np.full(len(frame), np.nan)
    text = frame[column].astype("string").str.strip().replace("", pd.NA)
    years = pd.to_numeric(text.str.extract(r"^(\d{4})(?:\.0+)?(?:[-T ].*)?$")[0])
    if (bad := text.notna() & years.isna()).any():
        raise InputError(
            "column-bad",
            f"{column} must hold years, or dates with the year first.",
            where=f"{where}, feature {int(np.argmax(bad)) + 1}",
            value=text[bad].iloc[0],
            hint="Write it as 2031 or 2031-12-31.",
        )
    return years.to_numpy(dtype=float, na_value=np.nan)
