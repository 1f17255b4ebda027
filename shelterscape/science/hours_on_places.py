"""Days of sheep chill and hours of strong wind on places, from the hours of a weather record."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.science.chill import (
    LAMB_DEATHS_FROM,
    LAMB_HEIGHT_M,
    LEAST_HOURS_OF_A_DAY,
    sheep_chill,
)
from shelterscape.science.places import Coverage, purpose_of
from shelterscape.science.wind import WIDEST_SECTOR_DEG, WindSet
from shelterscape.science.wind_sectors import Hours

Array = NDArray[np.float64]
Field = NDArray[np.float32]

WINDY_MS = 5.0
"""Wind speed at the height of the animal above which an hour is windy, m/s (assumed value)."""

BLOCK_VALUES = 1_000_000
"""Days times cells that are calculated at once: memory stays below about 100 MB."""

FARTHEST_DEG = WIDEST_SECTOR_DEG / 2
"""Hours whose direction is farther than this from every direction of the wind set count as without
belts: their relative wind is not known."""

COLUMNS = ("chill_days", "windy_hours")
"""What `hours_on_places` returns for each place."""

FEBRUARY_DAYS = 28.25


@dataclass(frozen=True)
class HourRules:
    """Thresholds, and where they apply.

    Parameters
    ----------
    chill_above : float
        Sheep chill index from above which a day counts, kJ m⁻² h⁻¹.
    windy_ms : float
        Wind speed from above which an hour counts, m/s.
    roughness_m : float
        Roughness length of the site, m.
    height_m : float
        Height of wind speeds above ground on places without a purpose, m.
    months : tuple of int
        Months that count on places without a purpose.
    """

    chill_above: float = LAMB_DEATHS_FROM
    windy_ms: float = WINDY_MS
    roughness_m: float = 0.03
    height_m: float = 1.5
    months: tuple[int, ...] = tuple(range(1, 13))

    def of(self, purpose: str) -> tuple[tuple[int, ...], float, bool]:
        """Months, height above ground, and whether sheep chill counts, of a purpose.

        Parameters
        ----------
        purpose : str

        Returns
        -------
        months : tuple of int
        height_m : float
            m.
        chill : bool
        """
        found = purpose_of(purpose)
        if found is None:
            return self.months, self.height_m, True
        return found.months, found.at_height_m, found.head_m2 > 0


class CellWinds:
    """Relative wind on the cells of places by wind direction, for several cases.

    Parameters
    ----------
    winds : sequence of WindSet
        Wind set of each case.
    covered : Coverage
        Cells of the places.

    Attributes
    ----------
    values : list of (directions, k) float32
        Relative wind of each case, in the order of its wind set; 1 until added.
    """

    def __init__(self, winds: Sequence[WindSet], covered: Coverage) -> None:
        self._cell = covered.cell
        self._directions = [one.direction_deg for one in winds]
        shapes = [(len(d), len(covered.cell)) for d in self._directions]
        self.values = [np.ones(shape, np.float32) for shape in shapes]
        self._added = [np.zeros(len(d), bool) for d in self._directions]

    def add(self, case: int, direction_deg: float, weight: float, field: Field) -> None:
        """Add the relative wind of a direction.

        Parameters
        ----------
        case : int
        direction_deg : float
            As in the wind set; directions of other wind sets are passed over.
        weight : float
            Weight in the wind set of the case. Two wind sets may share a direction with sectors of
            different width; the one with weight belongs to this case.
        field : (rows, cols) float32
            Relative wind.
        """
        for number in np.flatnonzero(self._directions[case] == direction_deg):
            if weight > 0 or not self._added[case][number]:
                self.set(case, int(number), field)

    def set(self, case: int, number: int, field: Field) -> None:
        """Set the relative wind of the direction at an index of the wind set of a case.

        Parameters
        ----------
        case, number : int
        field : (rows, cols) float32
            Relative wind.
        """
        self.values[case][number] = field.ravel()[self._cell]
        self._added[case][number] = True


@dataclass(frozen=True)
class _Dated:
    """Hours of some months with wind speeds at a height; columns: directions, then the others.

    `run` is the daily sum of wind speed by direction divided by the number of values of the day,
    so that its product with relative wind is the daily mean wind speed.
    """

    speed_ms: list[Array]
    hours: int
    run: Array
    temperature_c: Array
    rain_mm: Array


def hours_on_places(
    hours: Hours,
    places: gpd.GeoDataFrame,
    covered: Coverage,
    winds: WindSet,
    relative_wind: Field | None,
    rules: HourRules,
    *,
    known: NDArray[np.bool_] | None = None,
    stop_if_requested: Callable[[], None] = lambda: None,
) -> pd.DataFrame:
    """Days of sheep chill and windy hours a year on places.

    Parameters
    ----------
    hours : Hours
        Usable values of a weather record.
    places : GeoDataFrame
        As `science.places.complete` returns them. Months and height are those of their purpose.
    covered : Coverage
        Cells of the places.
    winds : WindSet
        Its directions, and the height and roughness at which speeds were measured.
    relative_wind : (directions, k) float32 or None
        Relative wind of each direction on each cell of `covered`, see `CellWinds`; None for open
        ground without belts.
    rules : HourRules
    known : (k,) bool, optional
        Cells to count; by default all.
    stop_if_requested : callable
        Called between blocks; may raise.

    Returns
    -------
    DataFrame
        A row for each place: ``chill_days``, days a year with a sheep chill index above the
        threshold (NaN on places neither for stock nor without purpose, and without temperature),
        and ``windy_hours``, hours a year above the threshold of speed, both in the months of the
        purpose, as means over the area of the place. NaN where the record has no such months and
        where the height is below twice the roughness length.

    Notes
    -----
    Wind speeds are transferred from the station to the height by the log law
    (`WindSet.height_factor`) and multiplied by the relative wind of the nearest direction of the
    wind set, without terrain wind. The index is calculated for each day and cell, and counted
    before the mean over a place is taken, since a mean over cells would hide the sheltered ground.
    Counts are divided by the days or hours recorded and multiplied by those of the months in a
    year, so that gaps do not lower them.

    References
    ----------
    Nixon-Smith 1972; Donnelly 1984, as `chill.sheep_chill` (status S2). Logarithmic wind profile:
    common practice, no single source (status D).
    """
    found = pd.DataFrame(np.nan, index=range(len(places)), columns=list(COLUMNS))
    cells = np.ones(len(covered.cell), bool) if known is None else known
    nearest = nearest_direction(hours.direction_deg, winds.direction_deg)
    for (months, height_m, chill), owners in _groups(places, rules).items():
        here = np.flatnonzero(np.isin(covered.owner, owners) & cells)
        wind = None if relative_wind is None else relative_wind[:, here]
        year_days = days_of_year(months)
        counts = ((COLUMNS[1], height_m, _windy_counts), (COLUMNS[0], LAMB_HEIGHT_M, _chill_counts))
        for column, height, counted in counts[: 1 + chill]:
            if height <= 2 * rules.roughness_m:
                continue
            factor = winds.height_factor(height, rules.roughness_m)
            dated = _dated(hours, months, nearest, len(winds.direction_deg), factor)
            count, of = counted(dated, wind, rules, stop_if_requested)
            if of:
                per_year = year_days * (24.0 if column == COLUMNS[1] else 1.0) / of
                mean = _place_means(count * per_year, here, covered, len(places))
                found.loc[owners, column] = mean[owners]
    return found


def shelter_times(relative_wind: Field, factor: float) -> Field:
    """Relative wind with the wind reduction multiplied by a factor.

    Parameters
    ----------
    relative_wind : array of float32
    factor : float
        0 or more.

    Returns
    -------
    array of float32
        0 or more; unchanged where wind is not reduced.

    Examples
    --------
    >>> found = shelter_times(np.array([0.4, 1.1], np.float32), 0.5)
    >>> [round(float(wind), 2) for wind in found]
    [0.7, 1.1]
    """
    changed = np.maximum(1.0 - factor * (1.0 - relative_wind), 0.0)
    found: Field = np.where(relative_wind < 1.0, changed, relative_wind).astype(np.float32)
    return found


def _groups(
    places: gpd.GeoDataFrame, rules: HourRules
) -> dict[tuple[tuple[int, ...], float, bool], list[int]]:
    """Places by months, height and whether sheep chill counts."""
    found: dict[tuple[tuple[int, ...], float, bool], list[int]] = {}
    for i, purpose in enumerate(places["purpose"]):
        found.setdefault(rules.of(str(purpose)), []).append(i)
    return found


def days_of_year(months: Sequence[int]) -> float:
    """Days of some months in a mean year.

    Parameters
    ----------
    months : sequence of int

    Returns
    -------
    float

    Examples
    --------
    >>> days_of_year((3, 4)), days_of_year(range(1, 13))
    (61.0, 365.25)
    """
    days = {m: float(calendar.monthrange(2001, m)[1]) for m in range(1, 13)} | {2: FEBRUARY_DAYS}
    return sum(days[m] for m in set(months))


def nearest_direction(direction_deg: Array, directions_deg: Array) -> NDArray[np.int64]:
    """The nearest direction of a wind set to each hour.

    Parameters
    ----------
    direction_deg : (n,) float64
        Where the wind comes from, degrees; NaN when calm.
    directions_deg : (d,) float64

    Returns
    -------
    (n,) int64
        Its index; d for calm, and where none is within `FARTHEST_DEG`.
    """
    angles, back = np.unique(direction_deg, return_inverse=True)
    apart = np.abs(angles[:, None] - directions_deg) % 360.0
    apart = np.minimum(apart, 360.0 - apart)
    # Halfway between two directions, the first in the order of the wind set counts.
    near = np.argmin(np.nan_to_num(apart, nan=np.inf), axis=1)
    far = ~(apart.min(axis=1) <= FARTHEST_DEG)
    found: NDArray[np.int64] = np.where(far, len(directions_deg), near)[back]
    return found


def _dated(
    hours: Hours,
    months: Sequence[int],
    nearest: NDArray[np.int64],
    directions: int,
    factor: float,
) -> _Dated:
    """Hours of some months, speeds multiplied by a factor."""
    chosen = np.isin(hours.month, list(months)) & np.isfinite(hours.speed_ms)
    speed, number = hours.speed_ms[chosen] * factor, nearest[chosen]
    temperature, rain = hours.temperature_c[chosen], hours.rain_mm[chosen]
    stations = len(hours.stations)
    day = hours.time[chosen].astype("datetime64[D]").astype(np.int64) * stations
    days, at = np.unique(day + hours.station[chosen], return_inverse=True)
    with_c = np.isfinite(temperature)
    count = np.bincount(at[with_c], minlength=len(days))
    whole = count >= LEAST_HOURS_OF_A_DAY * 60.0 / hours.step_minutes
    cell = at[with_c] * (directions + 1) + number[with_c]
    run = np.bincount(cell, speed[with_c], len(days) * (directions + 1)).astype(float)
    warmth = np.bincount(at[with_c], temperature[with_c], len(days)).astype(float)
    wet = np.bincount(at, np.nan_to_num(rain), len(days)).astype(float)
    run = run.reshape(len(days), directions + 1)[whole] / count[whole, None]
    return _Dated(
        [np.sort(speed[number == n]) for n in range(directions + 1)],
        len(speed),
        run,
        warmth[whole] / count[whole],
        wet[whole],
    )


def _chill_counts(
    dated: _Dated, relative_wind: Field | None, rules: HourRules, stop: Callable[[], None]
) -> tuple[Array, int]:
    """Days above the threshold of sheep chill on each cell, and days in all."""
    if relative_wind is None:
        index = sheep_chill(dated.temperature_c, dated.run.sum(axis=1), dated.rain_mm)
        return np.array(float((index > rules.chill_above).sum())), len(index)
    cells = relative_wind.shape[1]
    found = np.zeros(cells)
    for part in _blocks(cells, max(1, BLOCK_VALUES // max(1, len(dated.run)))):
        stop()
        speed = dated.run[:, :-1] @ relative_wind[:, part].astype(float) + dated.run[:, -1:]
        index = sheep_chill(dated.temperature_c[:, None], speed, dated.rain_mm[:, None])
        found[part] = (index > rules.chill_above).sum(axis=0)
    return found, len(dated.run)


def _windy_counts(
    dated: _Dated, relative_wind: Field | None, rules: HourRules, stop: Callable[[], None]
) -> tuple[Array, int]:
    """Hours above the threshold of speed on each cell, and hours in all."""
    *sheltered, others = dated.speed_ms
    count = np.array(float(_above(others, np.array(rules.windy_ms))))
    if relative_wind is None:
        every = sum(float(_above(one, np.array(rules.windy_ms))) for one in sheltered)
        return count + every, dated.hours
    count = np.full(relative_wind.shape[1], float(count))
    for speed, wind in zip(sheltered, relative_wind, strict=True):
        stop()
        with np.errstate(divide="ignore"):  # no wind is above any threshold where it is 0
            count += _above(speed, rules.windy_ms / wind.astype(float))
    return count, dated.hours


def _above(rising: Array, threshold: Array) -> NDArray[np.int64]:
    """How many of some rising values are above each threshold."""
    return np.asarray(len(rising) - np.searchsorted(rising, threshold, side="right"))


def _blocks(count: int, size: int) -> Iterator[slice]:
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))


def _place_means(values: Array, here: NDArray[np.int64], covered: Coverage, count: int) -> Array:
    """Means over the cells of each place, weighted by their share; NaN without any."""
    owner, share = covered.owner[here], covered.share[here].astype(float)
    weight = np.bincount(owner, share, count)
    total = np.bincount(owner, share * values, count)
    return np.divide(total, weight, out=np.full(count, np.nan), where=weight > 0)


def hour_notices(hours: Hours, winds: Sequence[WindSet], rules: HourRules) -> list[Notice]:
    """What limits days of sheep chill and windy hours.

    Parameters
    ----------
    hours : Hours
    winds : sequence of WindSet
    rules : HourRules

    Returns
    -------
    list of Notice
    """
    found = []
    directions = np.unique(np.concatenate([one.direction_deg for one in winds]))
    windy = hours.speed_ms > 0
    far = nearest_direction(hours.direction_deg, directions)[windy] == len(directions)
    if far.any():
        text = "hours with wind from directions that the wind set lacks: counted as without belts"
        found.append(Notice("value-assumed", text, int(far.sum())))
    if not np.isfinite(hours.temperature_c).any():
        text = "sheep chill not calculated: the hours have no temperature"
        found.append(Notice("not-modelled", text))
    elif not np.isfinite(hours.rain_mm).any():
        text = "rain is not in the hours: sheep chill calculated without it"
        found.append(Notice("value-assumed", text))
    if 2 * rules.roughness_m >= LAMB_HEIGHT_M:
        text = (
            f"sheep chill not calculated: {LAMB_HEIGHT_M:g} m is too low for a roughness length "
            f"of {rules.roughness_m:g} m"
        )
        found.append(Notice("not-modelled", text))
    return found
