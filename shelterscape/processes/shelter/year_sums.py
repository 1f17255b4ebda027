"""Sums over the wind directions of one year, case by case."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.science import zones
from shelterscape.science.belts import Case
from shelterscape.science.hours_on_places import CellWinds
from shelterscape.science.not_modelled import behind_steep, gradient
from shelterscape.science.places import StockCorners, means
from shelterscape.science.prepared_belts import sheltered_distance_m
from shelterscape.science.shelter import RelativeWindMean, WindField
from shelterscape.science.site_wind import SiteWind

Field = NDArray[np.float32]

STEEP_SHARE = 0.5
"""Share of the shelter of a cell from beyond steep ground above which the cell counts as not
modelled (assumed)."""


@dataclass
class CaseShelter:
    """Results of one case.

    Parameters
    ----------
    relative_wind : (rows, cols) float32
        Mean over the wind set; NaN where elevation is missing.
    belts : GeoDataFrame
        Belts of that year, with their expected sheltered distance.
    not_modelled : (rows, cols) bool
        Sheltered cells on which the method is not valid.
    number : int
        Index of the case among those of its year.
    corners : StockCorners or None
        Sheltered corners of all cases of the year; None without places.
    site_wind : (rows, cols) float32 or None
        m/s, or a ratio to flat, open terrain where speeds are unknown.
    terrain_not_modelled : (rows, cols) bool or None
        Cells on which terrain wind is not modelled.
    terrain_reason : (rows, cols) uint8 or None
        Why it is not: one of `validity.REASONS`.
    place_wind, place_site_wind : (places,) float64 or None
        Means over places: relative wind, each direction weighted by terrain wind; site wind.
    zones_by_direction : list of GeoDataFrame
        Empty unless by_direction is set.
    place_hours : DataFrame or None
        Counts of hours on places; None where no hours are given.
    """

    relative_wind: Field
    belts: gpd.GeoDataFrame
    not_modelled: NDArray[np.bool_]
    number: int
    corners: StockCorners | None = None
    site_wind: Field | None = None
    terrain_not_modelled: NDArray[np.bool_] | None = None
    terrain_reason: NDArray[np.uint8] | None = None
    place_wind: NDArray[np.float64] | None = None
    place_site_wind: NDArray[np.float64] | None = None
    zones_by_direction: list[gpd.GeoDataFrame] = field(default_factory=list)
    place_hours: pd.DataFrame | None = None


class YearSums:
    """Adds up relative wind and site wind of all cases of a year, direction by direction."""

    def __init__(self, data: ShelterData, cases: list[Case]) -> None:
        self._data, self._cases = data, cases
        shape = (len(cases), *data.grid.shape)
        self._mean = RelativeWindMean(shape, data.resolved.speed_exponent)
        self._slopes = gradient(data.elevation, data.grid)
        self._over_steep = np.zeros(shape, np.float32)
        self._site = None
        if data.terrain_wind is not None:
            self._site = SiteWind(data.grid.shape, len(cases), data.resolved.speed_exponent)
        self._corners = None
        if data.places is not None and data.covered is not None:
            self._corners = StockCorners(data.places, data.covered, data.grid, len(cases))
        self._cell_winds = None
        if data.hours is not None and data.covered is not None:
            winds = [data.resolved.winds[case.season] for case in cases]
            self._cell_winds = CellWinds(winds, data.covered)
        self.zones: dict[Case, list[gpd.GeoDataFrame]] = {case: [] for case in cases}

    def add(self, wind: WindField) -> None:
        """Add one wind direction."""
        speed_exponent = np.float32(self._data.resolved.speed_exponent)
        self._mean.add(wind.weights, wind.relative_wind)
        for i, (weight, values) in enumerate(zip(wind.weights, wind.relative_wind, strict=True)):
            steep = behind_steep(self._slopes, values, self._data.grid, wind.grid_deg)
            self._over_steep[i][steep] += np.float32(weight) * (1 - values[steep] ** speed_exponent)
        if self._corners is not None:
            shares = [self._time_share(case, wind.direction_deg) for case in self._cases]
            self._corners.add(shares, wind.relative_wind)
        if self._cell_winds is not None:
            for i, field_ in enumerate(wind.relative_wind):
                self._cell_winds.add(i, wind.direction_deg, wind.weights[i], field_)
        if self._site is not None and wind.terrain is not None:
            self._site.add(wind.weights, wind.terrain, wind.relative_wind)

    def _time_share(self, case: Case, direction_deg: float) -> float:
        """Share of the time with wind in which it comes from a direction."""
        winds = self._data.resolved.winds[case.season]
        here = winds.direction_deg == direction_deg
        return float(winds.frequency[here].sum() / winds.frequency.sum())

    def by_case(self, belts: list[gpd.GeoDataFrame]) -> dict[Case, CaseShelter]:
        """Results of each case over all directions, with its belts."""
        fields = self._mean.relative_wind()
        fields[:, ~self._data.known] = np.nan
        options = self._data.resolved.options
        return {
            case: self._with_site(
                CaseShelter(
                    fields[i],
                    frame.assign(
                        sheltered_distance_expected_m=sheltered_distance_m(frame, options)
                    ),
                    self._not_modelled(i, fields[i]),
                    i,
                    self._corners,
                    zones_by_direction=self.zones[case],
                ),
                case,
            )
            for i, (case, frame) in enumerate(zip(self._cases, belts, strict=True))
        }

    def _with_site(self, shelter: CaseShelter, case: Case) -> CaseShelter:
        """Add site wind and means over places."""
        data, site = self._data, self._site
        weighted = shelter.relative_wind
        if site is not None:
            weighted = site.relative_wind(shelter.number)
            ratio = site.site_wind_ratio(shelter.number)
            speed = np.float32(data.speed_ms(case)) if data.speeds_known else None
            shelter.site_wind = ratio if speed is None else ratio * speed
            shelter.terrain_not_modelled = data.known & site.not_modelled(shelter.number)
            shelter.terrain_reason = site.reasons(shelter.number)
        if self._cell_winds is not None and data.hours is not None and data.places is not None:
            assert data.covered is not None
            winds, values = data.resolved.winds[case.season], self._cell_winds.values
            shelter.place_hours = data.hours.counted(
                data.places, data.covered, winds, values[shelter.number], data.known
            )
        if data.covered is not None:
            shelter.place_wind = means(weighted, data.covered)
            if shelter.site_wind is not None:
                shelter.place_site_wind = means(shelter.site_wind, data.covered)
        return shelter

    def _not_modelled(self, i: int, field: Field) -> NDArray[np.bool_]:
        """Sheltered cells with most of their shelter from beyond steep ground."""
        speed_exponent = np.float32(self._data.resolved.speed_exponent)
        most = self._over_steep[i] > STEEP_SHARE * (1 - field**speed_exponent)
        return most & (field < zones.ALL_WINDS[3].high)
