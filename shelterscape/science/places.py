"""Layers of places to be sheltered, and the wind on each place."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray
from scipy import ndimage

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.science.columns import numbers, words
from shelterscape.science.polygons import polygons_of
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.zones import NO_DATA, Zone
from shelterscape.terms import TERMS

WORDS = ("name", "purpose", "parcel_id", "holding_id")
READ_COLUMNS = (*WORDS, "head", "priority")
"""All columns of a layer of places that are read."""

WELL_SHELTERED = 0.6
"""Relative wind, for one wind direction, up to which ground is a sheltered corner (assumed)."""


def complete(places: gpd.GeoDataFrame, where: str) -> tuple[gpd.GeoDataFrame, list[Notice]]:
    """Check a layer of places and fill in missing values.

    Parameters
    ----------
    places : GeoDataFrame
        Polygons or points. All columns of `READ_COLUMNS` that exist are read.
    where : str
        Name of the layer in errors and notices.

    Returns
    -------
    places : GeoDataFrame
        Columns of `READ_COLUMNS`. Where no value is given, priority is 1, head is NaN and text is
        empty.
    notices : list of Notice

    Raises
    ------
    InputError
        ``name-unknown`` for an unknown purpose, ``column-bad`` for numbers out of range,
        ``places-no-area`` for lines and for polygons without area.
    """
    _check_outlines(places, where)
    frame = gpd.GeoDataFrame(geometry=places.geometry.to_numpy(), crs=places.crs)
    for column in WORDS:
        frame[column] = words(places, column)
    frame["purpose"] = frame["purpose"].str.casefold()
    _check_purposes(frame["purpose"].set_axis(places.index), where)
    for column in ("head", "priority"):
        frame[column] = numbers(places, column, TERMS[column], where)
    notices = []
    if missing := int(frame["priority"].isna().sum()):
        text = f"{where}: no priority given, 1 used"
        notices.append(Notice("value-assumed", text, missing))
    if missing := int((frame["purpose"] == "").sum()):
        text = f"{where}: no purpose given, so no target relative wind"
        notices.append(Notice("value-assumed", text, missing))
    frame["priority"] = frame["priority"].fillna(1.0)
    return frame, notices


def _check_outlines(places: gpd.GeoDataFrame, where: str) -> None:
    outlines = places.geometry.to_numpy()
    dimensions = shapely.get_dimensions(outlines)
    for bad, what in (
        (dimensions == 1, "Places must be areas or points; this layer has lines."),
        ((dimensions == 2) & (shapely.area(outlines) == 0), "A place is a polygon without area."),
    ):
        if bad.any():
            raise InputError(
                "places-no-area",
                what,
                where=f"{where}, feature {places.index[int(np.argmax(bad))] + 1}",
                hint="Draw each place as a polygon or a point.",
            )


def _check_purposes(found: pd.Series, where: str) -> None:
    known = purposes()
    for i, name in zip(found.index.to_numpy(), found, strict=True):
        if name and name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"Did you mean {near[0]}? " if near else ""
            raise InputError(
                "name-unknown",
                "Unknown purpose.",
                where=f"{where}, feature {i + 1}",
                value=name,
                hint=f"{hint}Use one of: {', '.join(known)}.",
            )


@dataclass(frozen=True)
class Coverage:
    """Cells that each place covers, and the share of each cell.

    Parameters
    ----------
    first : (m + 1,) int64
        Index of the first cell of each place.
    cell : (k,) int64
        Index of each cell in a raster stored row by row.
    share : (k,) float32
        Share of the cell inside the place, 0 to 1; 1 for a point.
    """

    first: NDArray[np.int64]
    cell: NDArray[np.int64]
    share: NDArray[np.float32]

    @property
    def owner(self) -> NDArray[np.int64]:
        """Index of the place of each cell, (k,)."""
        return np.repeat(np.arange(len(self.first) - 1), np.diff(self.first))

    def main_places(
        self, counts: NDArray[np.bool_], size: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """The place that covers most of each cell, of some places.

        Parameters
        ----------
        counts : (m,) bool
            Places that count.
        size : int
            Number of cells of the raster.

        Returns
        -------
        place : (size,) int64
            -1 where none of them is.
        share : (size,) float32
            Share of the cell inside the place.
        """
        used = np.flatnonzero(counts[self.owner])
        # The largest share is written last.
        order = used[np.argsort(self.share[used], kind="stable")]
        place, share = np.full(size, -1, np.int64), np.zeros(size, np.float32)
        place[self.cell[order]] = self.owner[order]
        share[self.cell[order]] = self.share[order]
        return place, share


def coverage(places: gpd.GeoDataFrame, grid: Grid) -> Coverage:
    """Exact shares of the cells of a grid inside places; a point covers the cell it is in.

    Parameters
    ----------
    places : GeoDataFrame
        In the CRS of `grid`.
    grid : Grid

    Returns
    -------
    Coverage
    """
    cells: list[NDArray[np.int64]] = [np.empty(0, np.int64)] * len(places)
    shares: list[NDArray[np.float32]] = [np.empty(0, np.float32)] * len(places)
    is_area = shapely.get_dimensions(places.geometry.to_numpy()) == 2
    for i, (cell, share) in _areas(places[is_area], np.flatnonzero(is_area), grid).items():
        cells[i], shares[i] = cell, share
    for n in np.flatnonzero(~is_area):
        cells[n] = _points(places.geometry.iloc[n], grid)
        shares[n] = np.ones(len(cells[n]), np.float32)
    first = np.concatenate([[0], np.cumsum([len(c) for c in cells])]).astype(np.int64)
    return Coverage(
        first,
        np.concatenate([np.empty(0, np.int64), *cells]),
        np.concatenate([np.empty(0, np.float32), *shares]),
    )


def _areas(
    areas: gpd.GeoDataFrame, numbers: NDArray[np.int64], grid: Grid
) -> dict[int, tuple[NDArray[np.int64], NDArray[np.float32]]]:
    if areas.empty:
        return {}
    west, south, east, north = grid.bounds
    # The values are not used; broadcasting one number takes no memory.
    source = NumPyRasterSource(
        np.broadcast_to(np.float32(0), grid.shape),
        xmin=west,
        ymin=south,
        xmax=east,
        ymax=north,
        srs_wkt=None if areas.crs is None else areas.crs.to_wkt(),
    )
    frame = gpd.GeoDataFrame({"number": numbers}, geometry=areas.geometry.to_numpy(), crs=areas.crs)
    found = exact_extract(
        source, frame, ["cell_id", "coverage"], include_cols=["number"], output="pandas"
    )
    return {
        int(row.number): (
            np.asarray(row.cell_id, dtype=np.int64),
            np.asarray(row.coverage, dtype=np.float32),
        )
        for row in found.itertuples()
    }


def _points(geometry: shapely.Geometry, grid: Grid) -> NDArray[np.int64]:
    at = np.floor(grid.to_cells(shapely.get_coordinates(geometry)) - [grid.col0, grid.row0])
    inside = ((at >= 0) & (at < grid.shape[::-1])).all(axis=1)
    at = at[inside].astype(np.int64)
    return at[:, 1] * grid.shape[1] + at[:, 0]


def means(field: NDArray[np.float32], covered: Coverage) -> NDArray[np.float64]:
    """Mean of a raster over each place, each cell weighted by its share inside the place.

    Parameters
    ----------
    field : (rows, cols) float32
        NaN where missing; missing cells are left out of the mean.
    covered : Coverage

    Returns
    -------
    (places,) float64
        NaN for a place without any known cell.
    """
    return cell_means(field.ravel()[covered.cell], covered)


def cell_means(values: NDArray[np.floating], covered: Coverage) -> NDArray[np.float64]:
    """Mean over each place of values on the cells it covers, as `means`.

    Parameters
    ----------
    values : (k,) array
        On the cells of `covered`, in their order; NaN where missing.
    covered : Coverage

    Returns
    -------
    (places,) float64
        NaN for a place without any known cell.
    """
    known = ~np.isnan(values)
    owner, share, count = covered.owner[known], covered.share[known], len(covered.first) - 1
    weight = np.bincount(owner, share, count)
    total = np.bincount(owner, share * values[known], count)
    found: NDArray[np.float64] = np.divide(
        total, weight, out=np.full(count, np.nan), where=weight > 0
    )
    return found


def zone_hectares(
    codes: NDArray[np.uint8], covered: Coverage, grid: Grid, zones: tuple[Zone, ...]
) -> NDArray[np.float64]:
    """Area of each place in each shelter zone.

    Parameters
    ----------
    codes : (rows, cols) uint8
        As `zones.classify` returns them.
    covered : Coverage
    grid : Grid
    zones : tuple of Zone

    Returns
    -------
    (places, zones) float64
        ha.
    """
    count = len(covered.first) - 1
    pair = covered.owner * (NO_DATA + 1) + codes.ravel()[covered.cell]
    shares = np.bincount(pair, covered.share, count * (NO_DATA + 1)).astype(float)
    table = shares.reshape(count, NO_DATA + 1)
    found: NDArray[np.float64] = table[:, [z.code for z in zones]] * grid.cell_area_ha
    return found


def purpose_of(name: str) -> Purpose | None:
    """Purpose of a place; None if it has none.

    Parameters
    ----------
    name : str
        As `complete` returns it.

    Returns
    -------
    Purpose or None
    """
    return purposes().get(name)


def stock_need_m2(places: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Well sheltered ground that the stock of each place needs.

    Parameters
    ----------
    places : GeoDataFrame
        As `complete` returns them. A column ``head_m2``, ground per animal, has priority over the
        value of the purpose.

    Returns
    -------
    (places,) float64
        m²; 0 on places not for stock and without a head of stock.
    """
    found = [purpose_of(name) for name in places["purpose"]]
    usual = np.array([purpose.head_m2 if purpose else 0.0 for purpose in found])
    given = places["head_m2"].to_numpy(dtype=float) if "head_m2" in places else usual
    per_head = np.where(usual > 0, given, 0.0)
    need: NDArray[np.float64] = per_head * places["head"].fillna(0).to_numpy(dtype=float)
    return need


def targets(places: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Target relative wind of each place, from its purpose.

    Parameters
    ----------
    places : GeoDataFrame
        As `complete` returns them.

    Returns
    -------
    (places,) float64
        NaN without a purpose.
    """
    found = [purpose_of(name) for name in places["purpose"]]
    return np.array([purpose.target if purpose else np.nan for purpose in found], dtype=float)


class StockCorners:
    """Finds ground with a sheltered corner large enough for all stock, direction by direction.

    Parameters
    ----------
    places : GeoDataFrame
        As `complete` returns them.
    covered : Coverage
    grid : Grid
    cases : int
        Number of cases (season, year) that are calculated together.

    Attributes
    ----------
    share : dict
        For each place for stock that states its head, by index: share of the time with wind in
        which there is a sheltered corner, (cases,).
    """

    def __init__(self, places: gpd.GeoDataFrame, covered: Coverage, grid: Grid, cases: int) -> None:
        self._grid = grid
        self._masks: dict[int, tuple[slice, slice, NDArray[np.bool_]]] = {}
        self._need_m2: dict[int, float] = {}
        for i, need in enumerate(stock_need_m2(places)):
            cells = covered.cell[covered.first[i] : covered.first[i + 1]]
            share = covered.share[covered.first[i] : covered.first[i + 1]]
            if need > 0 and (share > 0.5).any():
                self._masks[i] = _mask(cells[share > 0.5], grid.shape[1])
                self._need_m2[i] = float(need)
        self.share = {i: np.zeros(cases) for i in self._masks}
        self._time = {i: np.zeros((cases, *mask.shape)) for i, (_, _, mask) in self._masks.items()}

    def add(self, shares: list[float], field: NDArray[np.float32]) -> None:
        """Add one wind direction.

        Parameters
        ----------
        shares : list of float
            Share of the time with wind in which it comes from this direction, 0 to 1, by case.
        field : (cases, rows, cols) float32
            Relative wind.
        """
        for i, (rows, cols, mask) in self._masks.items():
            for case, share in enumerate(shares):
                calm = mask & (field[case, rows, cols] <= WELL_SHELTERED)
                corner = _patches_of(calm, self._need_m2[i] / self._grid.cell_m**2)
                if corner.any():
                    self.share[i][case] += share
                    self._time[i][case][corner] += share

    def outlines(self, i: int, case: int) -> shapely.Geometry:
        """Ground that is a corner for at least half of the time in which there is one.

        Where no ground is, because corners move with the wind, it is the ground that is a corner
        longest.

        Parameters
        ----------
        i : int
            Index of the place.
        case : int
            Index of the case.

        Returns
        -------
        shapely geometry
            An area in the CRS of the grid.
        """
        rows, cols, _ = self._masks[i]
        time = self._time[i][case]
        least = min(0.5 * self.share[i][case], time.max())
        good = time >= least - 1e-9
        window = self._grid.window(rows.start, cols.start, good.shape)
        return shapely.union_all(polygons_of(good, window)[0])


def _mask(cells: NDArray[np.int64], width: int) -> tuple[slice, slice, NDArray[np.bool_]]:
    row, col = np.divmod(cells, width)
    rows, cols = slice(row.min(), row.max() + 1), slice(col.min(), col.max() + 1)
    mask = np.zeros((rows.stop - rows.start, cols.stop - cols.start), dtype=bool)
    mask[row - rows.start, col - cols.start] = True
    return rows, cols, mask


def _patches_of(calm: NDArray[np.bool_], least_cells: float) -> NDArray[np.bool_]:
    """Cells of connected patches of at least a number of cells."""
    if calm.sum() < least_cells:
        return np.zeros_like(calm)
    labels, count = ndimage.label(calm, np.ones((3, 3)))
    sizes = np.bincount(labels.ravel(), minlength=count + 1)
    big = sizes >= least_cells
    big[0] = False
    found: NDArray[np.bool_] = big[labels]
    return found
