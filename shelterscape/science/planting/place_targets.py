"""The wind on places by year as planned belts grow, and when each place reaches its target."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.kernels.growth_curves import SiteIndex
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belt_profiles import ProfileTables
from shelterscape.science.belts import Case
from shelterscape.science.places import StockCorners, coverage, means, targets
from shelterscape.science.prepared_belts import PreparedBelts, ShelterOptions, prepare_belts
from shelterscape.science.purposes import Purpose
from shelterscape.science.shelter import RelativeWindMean, never_stop, wind_fields
from shelterscape.science.siting.place_terms import reaches_target
from shelterscape.science.wind import WindSet

GROWN_YEARS = (0, 5, 10, 15, 20, 30, 40)
"""Years after the first planting in which places are examined."""

REACH_H = 50.0
"""Distance up to which belts shelter, in heights of the tallest."""

BEFORE = "without these belts"
"""In place of a year: the place reaches its target with the existing belts alone."""


@dataclass(frozen=True)
class ShelteredPlaces:
    """Places, and the wind on them.

    Parameters
    ----------
    places : GeoDataFrame
        As `science.places.complete` returns them.
    existing : GeoDataFrame or None
        Existing belts, as `science.belts.complete` returns them; None where there are none.
    winds : WindSet
        Directions from true north.
    purpose : Purpose
        Season, height above ground and wind-speed exponent.
    grid : Grid
    known : (rows, cols) bool
        Cells with known elevation.
    convergence_deg : float
        From true to grid north.
    local_heights : mapping
        Site index by species.
    tables : ProfileTables
        Profiles of belts, which the years share.
    """

    places: gpd.GeoDataFrame
    existing: gpd.GeoDataFrame | None
    winds: WindSet
    purpose: Purpose
    grid: Grid
    known: NDArray[np.bool_]
    convergence_deg: float
    local_heights: Mapping[str, SiteIndex]
    tables: ProfileTables = field(default_factory=lambda: ProfileTables(1))

    def near(self, planned: gpd.GeoDataFrame, year: int) -> ShelteredPlaces:
        """Places within `REACH_H` of planned belts in a year, on the part of the grid they cover,
        with the existing belts that shelter them.

        Parameters
        ----------
        planned : GeoDataFrame
            As `places_by_year` takes them.
        year : int

        Returns
        -------
        ShelteredPlaces
        """
        places = self.places[self._in_reach(self.places, planned, planned, year)]
        places = places.reset_index(drop=True)
        window = (
            self.grid.around(tuple(places.total_bounds), self.grid.cell_m) if len(places) else None
        )
        if window is None:
            return replace(self, places=places.iloc[:0])
        row, col = window.row0 - self.grid.row0, window.col0 - self.grid.col0
        known = self.known[row : row + window.shape[0], col : col + window.shape[1]]
        existing = self.existing
        if existing is not None and len(existing):
            existing = existing[self._in_reach(existing, places, existing, year)]
        return replace(self, places=places, existing=existing, grid=window, known=known)

    def _in_reach(
        self, those: gpd.GeoDataFrame, of: gpd.GeoDataFrame, belts: gpd.GeoDataFrame, year: int
    ) -> NDArray[np.bool_]:
        """Which features are within the reach of the tallest of some belts of others."""
        height_m = float(self._grown(belts, year)["height_m"].max())
        ground = shapely.union_all(of.geometry.to_numpy())
        near: NDArray[np.bool_] = shapely.dwithin(
            those.geometry.to_numpy(), ground, REACH_H * height_m
        )
        return near

    def _grown(self, belts: gpd.GeoDataFrame, year: int) -> gpd.GeoDataFrame:
        case = Case(self.purpose.season, year)
        return belts_at(belts, case, local_heights=self.local_heights)

    def with_belts(
        self,
        belts: gpd.GeoDataFrame | None,
        year: int,
        stop_if_requested: Callable[[], None] = never_stop,
    ) -> pd.DataFrame:
        """Places with the wind and whether they reach their targets, with some belts in a year.

        Parameters
        ----------
        belts : GeoDataFrame or None
            As `science.belts.complete` returns them.
        year : int
        stop_if_requested : callable
            Called between directions; raises to stop.

        Returns
        -------
        DataFrame
            Columns of the places, ``place`` (number from 0), ``year``, ``relative_wind`` (mean
            over the wind set, as `science.shelter.over_winds`: belts only),
            ``target_relative_wind``, ``corner_time_share`` (NaN without stock) and
            ``reaches_target``.
        """
        winds, exponent = self.winds, self.purpose.speed_exponent
        covered = coverage(self.places, self.grid)
        corners = StockCorners(self.places, covered, self.grid, 1)
        mean = RelativeWindMean((1, *self.grid.shape), exponent)
        for wind_field in [] if belts is None or belts.empty else wind_fields(
            self._prepared(belts, year),
            self.grid,
            [winds],
            speed_exponent=exponent,
            convergence_deg=self.convergence_deg,
            stop_if_requested=stop_if_requested,
        ):  # fmt: skip
            mean.add(wind_field.weights, wind_field.relative_wind)
            here = winds.direction_deg == wind_field.direction_deg
            time_share = float(winds.frequency[here].sum() / winds.frequency.sum())
            corners.add([time_share], wind_field.relative_wind)
        wind = means(np.where(self.known, mean.relative_wind()[0], np.float32(np.nan)), covered)
        corner = np.full(len(self.places), np.nan)
        for place, share in corners.share.items():
            corner[place] = share[0]
        target = targets(self.places)
        reached = np.where(reaches_target(wind, target, corner), "yes", "no")
        return pd.DataFrame(self.places.drop(columns="geometry")).assign(
            place=range(len(wind)),
            year=year,
            relative_wind=wind,
            target_relative_wind=target,
            corner_time_share=corner,
            reaches_target=np.where(np.isnan(target) & np.isnan(corner), "", reached),
        )

    def _prepared(self, belts: gpd.GeoDataFrame, year: int) -> PreparedBelts:
        options = ShelterOptions(at_height_m=self.purpose.at_height_m)
        return prepare_belts([self._grown(belts, year)], self.grid, options, tables=self.tables)


def places_by_year(
    sheltered: ShelteredPlaces,
    planned: gpd.GeoDataFrame,
    *,
    stop_if_requested: Callable[[], None] = never_stop,
) -> pd.DataFrame:
    """Wind on the places that planned belts may shelter, by year, and when each target is reached.

    Parameters
    ----------
    sheltered : ShelteredPlaces
    planned : GeoDataFrame
        Planned belts, as `science.belts.complete` returns them, with ``planted_year``.
    stop_if_requested : callable
        Called between directions; raises to stop.

    Returns
    -------
    DataFrame
        A row for each year and place within `REACH_H` of a planned belt: its columns, ``season``,
        ``year``, ``relative_wind``, ``target_relative_wind``, ``corner_time_share``,
        ``reaches_target`` ("yes", "no", or empty without a target), and ``target_reached``: the
        first year in which it is, `BEFORE`, or "not by" the last year. Empty without such places.

    Notes
    -----
    In the first year the belts are open, so its rows are the wind without them.
    """
    if planned.empty:
        return pd.DataFrame()
    years = [int(planned["planted_year"].min()) + n for n in GROWN_YEARS]
    near = sheltered.near(planned, years[-1])
    if near.places.empty:
        return pd.DataFrame()
    alone = near.existing
    both = planned if alone is None else pd.concat([alone, planned], ignore_index=True)
    frames = [near.with_belts(both, year, stop_if_requested) for year in years]
    found = pd.concat(frames, ignore_index=True)
    first = found[found["reaches_target"] == "yes"].groupby("place")["year"].min()
    words = first.astype(str).reindex(range(len(near.places)), fill_value=f"not by {years[-1]}")
    for year in sorted(set(first)):
        table = near.with_belts(alone, year, stop_if_requested).set_index("place")
        words[(first == year) & (table["reaches_target"] == "yes")] = BEFORE
    words[frames[0].set_index("place")["reaches_target"] == ""] = ""
    return found.assign(
        season=Case(near.purpose.season).season_label,
        target_reached=found["place"].map(words),
    )
