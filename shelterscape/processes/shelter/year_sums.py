"""What the wind directions of one year add up to, case by case."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.processes.shelter.loading import ShelterData
from shelterscape.science import zones
from shelterscape.science.belts import Case
from shelterscape.science.not_modelled import behind_steep, gradient
from shelterscape.science.places import Corners, means
from shelterscape.science.scene import reach_m
from shelterscape.science.shelter import RelativeWindMean, WindField
from shelterscape.science.site_wind import SiteWind

Field = NDArray[np.float32]

MOSTLY = 0.5
"""Share of the shelter of a cell that must come over steep ground for it to count as not
modelled (assumed value)."""


@dataclass
class CaseShelter:
    """What was found for one case.

    Parameters
    ----------
    relative_wind : (rows, cols) float32
        Over the wind set; NaN where ground is missing.
    belts : GeoDataFrame
        Belts of that year, with their expected sheltered distance.
    not_modelled : (rows, cols) bool
        Sheltered cells on which the method does not hold.
    number : int
        Of the case among those of its year.
    corners : Corners or None
        Of all cases of the year; None without places.
    site_wind : (rows, cols) float32 or None
        m/s, or relative to flat, open terrain where speeds are unknown.
    terrain_not_modelled : (rows, cols) bool or None
        Ground on which terrain wind is not modelled.
    place_wind, place_site_wind : (places,) float64 or None
        Means over places; relative wind with each wind weighted by what the terrain does to it.
    zones_by_direction : list of GeoDataFrame
        Where they are wanted.
    """

    relative_wind: Field
    belts: gpd.GeoDataFrame
    not_modelled: NDArray[np.bool_]
    number: int
    corners: Corners | None = None
    site_wind: Field | None = None
    terrain_not_modelled: NDArray[np.bool_] | None = None
    place_wind: NDArray[np.float64] | None = None
    place_site_wind: NDArray[np.float64] | None = None
    zones_by_direction: list[gpd.GeoDataFrame] = field(default_factory=list)


class YearSums:
    """Gathers the shelter fields of all cases of a year, one wind direction at a time."""

    def __init__(self, data: ShelterData, cases: list[Case]) -> None:
        self._data, self._cases = data, cases
        shape = (len(cases), *data.grid.shape)
        self._mean = RelativeWindMean(shape, data.choices.power)
        self._slopes = gradient(data.elevation, data.grid)
        self._over_steep = np.zeros(shape, np.float32)
        self._site = None
        if data.terrain_wind is not None:
            self._site = SiteWind(data.grid.shape, len(cases), data.choices.power)
        self._corners = None
        if data.places is not None and data.covered is not None:
            self._corners = Corners(data.places, data.covered, data.grid, len(cases))
        self.zones: dict[Case, list[gpd.GeoDataFrame]] = {case: [] for case in cases}

    def add(self, wind: WindField) -> None:
        """Add the fields of one direction."""
        power = np.float32(self._data.choices.power)
        self._mean.add(wind.weights, wind.relative_wind)
        for i, (weight, values) in enumerate(zip(wind.weights, wind.relative_wind, strict=True)):
            steep = behind_steep(self._slopes, values, self._data.grid, wind.grid_deg)
            self._over_steep[i][steep] += np.float32(weight) * (1 - values[steep] ** power)
        if self._corners is not None:
            shares = [self._time_share(case, wind.direction_deg) for case in self._cases]
            self._corners.add(shares, wind.relative_wind)
        if self._site is not None and wind.terrain is not None:
            self._site.add(wind.weights, wind.terrain, wind.relative_wind)

    def _time_share(self, case: Case, direction_deg: float) -> float:
        """Share of the time with wind in which it blows from a direction."""
        winds = self._data.choices.winds[case.season]
        here = winds.direction_deg == direction_deg
        return float(winds.frequency[here].sum() / winds.frequency.sum())

    def by_case(self, belts: list[gpd.GeoDataFrame]) -> dict[Case, CaseShelter]:
        """What all directions come to, with the belts of each case."""
        fields = self._mean.relative_wind()
        fields[:, ~self._data.known] = np.nan
        how = self._data.choices.how
        return {
            case: self._with_site(
                CaseShelter(
                    fields[i],
                    frame.assign(reach_likely_m=reach_m(frame, how)),
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
            weighted = site.relative(shelter.number)
            there = site.site(shelter.number)
            speed = np.float32(data.speed_ms(case)) if data.speeds_known else None
            shelter.site_wind = there if speed is None else there * speed
            shelter.terrain_not_modelled = data.known & site.not_modelled(shelter.number)
        if data.covered is not None:
            shelter.place_wind = means(weighted, data.covered)
            if shelter.site_wind is not None:
                shelter.place_site_wind = means(shelter.site_wind, data.covered)
        return shelter

    def _not_modelled(self, i: int, field: Field) -> NDArray[np.bool_]:
        """Sheltered cells most of whose shelter comes over steep ground."""
        power = np.float32(self._data.choices.power)
        most = self._over_steep[i] > MOSTLY * (1 - field**power)
        return most & (field < zones.ALL_WINDS[3].high)
