"""Roughness lengths from land cover, and their representation by a few classes."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.terms import DAVENPORT_WIERINGA, TERMS

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

READ_COLUMNS = ("roughness_m", "land_cover")
"""Columns that are read from a layer of land cover."""

MOST_CLASSES = 4
CLASS_RATIO = 10.0
"""Roughnesses between which cells are blended: about a decade apart, four at most. Assumed
value; a test measures the error."""

LOWEST_Z0 = 5.0
"""Least height above ground in roughness lengths; below it the log law is not valid (assumed
value)."""


@dataclass(frozen=True)
class RoughnessClasses:
    """A few roughness lengths that represent all those of a map.

    Parameters
    ----------
    roughness_m : tuple of float
        Rising, evenly spaced in their logarithm.
    """

    roughness_m: tuple[float, ...]

    def at(self, lengths: float | NDArray[np.floating]) -> Field | None:
        """Class of each cell as a decimal number between classes; None if there is only one class.

        Parameters
        ----------
        lengths : float or (rows, cols) array
            Roughness lengths between the least and the largest of the map, m.

        Returns
        -------
        (rows, cols) float32 or None
        """
        steps = len(self.roughness_m) - 1
        if not steps:
            return None
        low, high = np.log(self.roughness_m[0]), np.log(self.roughness_m[-1])
        place = np.log(np.asarray(lengths, np.float32)) - np.float32(low)
        return place * np.float32(steps / (high - low))

    def blended(self, values: Iterable[Field], at: Field | None) -> Field:
        """Values interpolated cell by cell between those of each class.

        Parameters
        ----------
        values : iterable of (rows, cols) or (rows, cols, n) float32
            One array for each class; each may be overwritten by the next.
        at : (rows, cols) float32 or None
            What `at` returns for these cells.

        Returns
        -------
        float32 array of the shape of a value

        Raises
        ------
        ValueError
            When there is no value.
        """
        if at is None:
            return next(iter(values))
        total: Field | None = None
        for number, value in enumerate(values):
            share = np.clip(1 - np.abs(at - np.float32(number)), 0, 1)
            part = value * (share if value.ndim == 2 else share[..., None])
            total = part if total is None else np.add(total, part, out=total)
        if total is None:
            raise ValueError("no values for any class")
        return total


def classes_of(least_m: float, most_m: float) -> RoughnessClasses:
    """Classes that represent all roughness lengths between two.

    Parameters
    ----------
    least_m, most_m : float
        Roughness lengths, m.

    Returns
    -------
    RoughnessClasses

    Raises
    ------
    ValueError
        When a roughness is not above 0.
    """
    if not 0 < least_m <= most_m < np.inf:
        raise ValueError(f"roughness_m must be above 0 everywhere, not {least_m} to {most_m}")
    low, high = float(np.log(least_m)), float(np.log(most_m))
    if high - low < 1e-6:
        return RoughnessClasses((float(least_m),))
    steps = min(max(int(np.ceil((high - low) / np.log(CLASS_RATIO))), 1), MOST_CLASSES - 1)
    return RoughnessClasses(tuple(np.exp(np.linspace(low, high, steps + 1)).tolist()))


def within_reach(lengths: float | Field, height_m: float) -> tuple[float | Field, Mask | None]:
    """Roughness limited to values over which wind at a given height can be calculated.

    Parameters
    ----------
    lengths : float or (rows, cols) float32
        m.
    height_m : float
        Height above ground, m.

    Returns
    -------
    lengths : float or (rows, cols) float32
        Values of a map, limited to the roughest for that height; a single value is not changed.
    smooth : (rows, cols) bool or None
        Where the ground is smooth enough; None for a single roughness.

    References
    ----------
    Logarithmic wind profile: common practice; its lowest height, `LOWEST_Z0`, is an assumed value.
    """
    if not np.ndim(lengths):
        return lengths, None
    roughest = height_m / LOWEST_Z0
    return np.minimum(lengths, roughest), np.asarray(lengths) <= roughest


def table_of(frame: pd.DataFrame, where: str) -> dict[str, float]:
    """A table of roughness lengths by land cover.

    Parameters
    ----------
    frame : DataFrame
        Columns ``land_cover`` (a name or a code) and ``roughness_m``.
    where : str
        Name of the table in errors.

    Returns
    -------
    dict of float
        Roughness length, m, by land cover in lower case.

    Raises
    ------
    InputError
        ``column-missing``; ``roughness-bad`` for lengths out of range and duplicate land cover.
    """
    for column in ("land_cover", "roughness_m"):
        if column not in frame:
            raise InputError(
                "column-missing",
                f"The table of roughness has no column {column}.",
                where=where,
                value=f"{len(frame.columns)} columns",
                hint="Name the columns land_cover and roughness_m.",
            )
    names = [_word(value) for value in frame["land_cover"]]
    if twice := next((n for n in names if names.count(n) > 1), None):
        raise InputError(
            "roughness-bad",
            "The table of roughness has duplicate land cover.",
            where=where,
            value=twice,
            hint="Keep one row for each land cover.",
        )
    lengths = _checked(frame["roughness_m"].tolist(), where)
    return dict(zip(names, lengths.tolist(), strict=True))


def from_codes(codes: NDArray[np.floating], table: Mapping[str, float] | None, where: str) -> Field:
    """Roughness lengths of a raster that holds them, or codes of land cover.

    Parameters
    ----------
    codes : (rows, cols) array
        Roughness lengths in m or, with a table, codes; NaN where unknown.
    table : mapping, optional
        Roughness length, m, by code.
    where : str
        Name of the raster in errors.

    Returns
    -------
    (rows, cols) float32
        m; NaN where unknown.

    Raises
    ------
    InputError
        ``roughness-bad`` for lengths out of range; ``name-unknown`` for a code not in the table.
    """
    found = np.full(codes.shape, np.nan, np.float32)
    known = np.isfinite(codes)
    values, back = np.unique(codes[known], return_inverse=True)
    if table is None:
        found[known] = _checked(values.tolist(), where).astype(np.float32)[back]
    else:
        lengths = [_length_of(_word(value), table, where) for value in values]
        found[known] = np.array(lengths, np.float32)[back]
    return found


def from_areas(
    areas: gpd.GeoDataFrame, grid: Grid, table: Mapping[str, float] | None, where: str
) -> Field:
    """Roughness lengths of areas of land cover; where areas overlap, the last one applies.

    Parameters
    ----------
    areas : GeoDataFrame
        Polygons in the CRS of `grid` with ``roughness_m``, or with ``land_cover``: a name or code
        in the table, by default a class of `terms.DAVENPORT_WIERINGA`.
    grid : Grid
    table : mapping, optional
        Roughness length, m, by land cover.
    where : str
        Name of the layer in errors.

    Returns
    -------
    (rows, cols) float32
        m; NaN where there is no area.

    Raises
    ------
    InputError
        ``column-missing``, ``roughness-bad``, ``name-unknown``.

    References
    ----------
    `terms.DAVENPORT_WIERINGA`: roughness classes of Davenport and Wieringa (status S).
    """
    if "roughness_m" in areas and table is None:
        lengths = _checked(areas["roughness_m"].tolist(), where)
    elif "land_cover" in areas:
        names = [_word(value) for value in areas["land_cover"]]
        lengths = np.array([_length_of(n, table or DAVENPORT_WIERINGA, where) for n in names])
    else:
        raise InputError(
            "column-missing",
            "Areas of land cover require a column roughness_m or land_cover.",
            where=where,
            value=", ".join(map(str, areas.columns.drop("geometry"))),
            hint="Add one, or name your column with --field roughness.land_cover=COLUMN.",
        )
    here = _touching(areas, grid)
    if not len(here):
        return np.full(grid.shape, np.nan, np.float32)
    shapes = zip(areas.geometry.iloc[here], lengths[here].tolist(), strict=True)
    return np.asarray(
        rasterize(shapes, out_shape=grid.shape, transform=grid.affine, fill=np.nan, dtype="float32")
    )


def _touching(
    features: gpd.GeoDataFrame, grid: Grid, beside_m: float = 0.0
) -> NDArray[np.integer[Any]]:
    """Indices of the features near a grid, in order."""
    west, south, east, north = grid.bounds
    box = shapely.box(west - beside_m, south - beside_m, east + beside_m, north + beside_m)
    return np.sort(features.sindex.query(box))


def completed(
    lengths: Field,
    roughness_m: float,
    belts: gpd.GeoDataFrame | None,
    grid: Grid,
    *,
    height_m: float,
    where: str,
) -> tuple[Field, list[Notice]]:
    """A map of roughness without gaps and without belts.

    Parameters
    ----------
    lengths : (rows, cols) float32
        m; NaN where unknown.
    roughness_m : float
        Roughness length of flat, open terrain, m; used for gaps.
    belts : GeoDataFrame, optional
        Belts as `science.belts.complete` returns them. Cells they touch count as open terrain, so
        that no belt slows the wind twice.
    grid : Grid
    height_m : float
        Height above ground of the wind, m.
    where : str
        Name of the map in notices.

    Returns
    -------
    lengths : (rows, cols) float32
        m.
    notices : list of Notice
        Ground that the map does not cover, and ground too rough for wind at that height.
    """
    notices = []
    if gaps := int(np.isnan(lengths).sum()):
        text = f"{where}: cells without roughness use {roughness_m:g} m"
        notices.append(Notice("value-assumed", text, gaps))
    found = np.where(np.isfinite(lengths), lengths, np.float32(roughness_m))
    if belts is not None and len(belts):
        belts = belts.iloc[_touching(belts, grid, float(belts["width_m"].max()))]
    if belts is not None and len(belts):
        strips = belts.geometry.buffer(belts["width_m"] / 2, cap_style="flat")
        # A strip of zero width still covers the cells its line crosses.
        outlines = strips.where(~strips.is_empty, belts.geometry)
        touched = rasterize(
            outlines, out_shape=grid.shape, transform=grid.affine, all_touched=True, dtype="uint8"
        )
        found[touched > 0] = roughness_m
    roughest = height_m / LOWEST_Z0
    if rough := int((found > roughest).sum()):
        text = (
            f"{where}: {rough * grid.cell_area_ha:,.1f} ha are rougher than {roughest:g} m; "
            f"terrain wind {height_m:g} m above ground is not modelled there"
        )
        notices.append(Notice("not-modelled", text, rough))
    return found, notices


def _word(value: Any) -> str:
    """Key of land cover in a table; 112, 112.0 and "112" are the same code."""
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        value = int(value)
    return "" if pd.isna(value) else str(value).strip().casefold()


def _length_of(name: str, table: Mapping[str, float], where: str) -> float:
    if name in table:
        return table[name]
    near = difflib.get_close_matches(name, table, n=1)
    hint = f"Did you mean {near[0]}? " if near else ""
    raise InputError(
        "name-unknown",
        "The table of roughness does not have this land cover.",
        where=where,
        value=name or "nothing",
        hint=f"{hint}Use one of: {', '.join(table)}; or use your own table.",
    )


def _checked(values: list[object], where: str) -> NDArray[np.float64]:
    """Check that roughness lengths are within the range of their term."""
    term = TERMS["roughness_m"]
    lengths = pd.to_numeric(pd.Series(values, dtype=object), errors="coerce").to_numpy(float)
    bad = ~((lengths >= term.low) & (lengths <= term.high))
    if bad.any():
        raise InputError(
            "roughness-bad",
            f"A roughness length must be between {term.low:g} and {term.high:g} m.",
            where=where,
            value=values[int(np.argmax(bad))],
            hint="Correct the length; codes of land cover require a table with the columns "
            "land_cover and roughness_m.",
        )
    return lengths
