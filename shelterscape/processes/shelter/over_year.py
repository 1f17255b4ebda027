"""The shelter field of one year: all its seasons, wind by wind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.files.rasters import RasterWriter
from shelterscape.grid import Grid, grid_direction
from shelterscape.process import Files, Run
from shelterscape.processes.shelter.inputs import Choices, ShelterInputs
from shelterscape.science import zones
from shelterscape.science.belts import Case
from shelterscape.science.growth import belts_at
from shelterscape.science.not_modelled import behind_steep, gradient
from shelterscape.science.places import Corners, Coverage, means
from shelterscape.science.scene import reach_m, scene_of
from shelterscape.science.shelter import over_winds
from shelterscape.science.site_wind import SiteWind
from shelterscape.science.terrain import OpenWind

Field = NDArray[np.float32]

MOSTLY = 0.5
"""Share of the shelter of a cell that must come over steep ground for it to count as not
modelled (engineering choice)."""


@dataclass(frozen=True)
class Job:
    """What all years of a run share.

    Parameters
    ----------
    asked : ShelterInputs
    settled : Choices
    elevation : (rows, cols) float32
        The terrain model, m; NaN where missing.
    grid : Grid
    convergence_deg : float
        From true to grid north.
    belts : GeoDataFrame
        As `science.belts.complete` gives them.
    places : GeoDataFrame or None
        As `science.places.complete` gives them.
    covered : Coverage or None
        Cells of each place.
    roughness_m : float or (rows, cols) float32
        Roughness length of the ground, m; used with hills only.
    known : (rows, cols) bool
        Cells with ground on which results are wanted.
    files : Files
    run : Run
    """

    asked: ShelterInputs
    settled: Choices
    elevation: Field
    grid: Grid
    convergence_deg: float
    belts: gpd.GeoDataFrame
    places: gpd.GeoDataFrame | None
    covered: Coverage | None
    roughness_m: float | Field
    known: NDArray[np.bool_]
    files: Files
    run: Run

    def hills(self) -> Iterator[OpenWind]:
        """What hills make of every wind direction."""
        return self.files.open_winds(
            self.asked,
            self.elevation,
            self.grid,
            [grid_direction(d, self.convergence_deg) for d, _, _ in self.settled.directions()],
            height_m=self.settled.how.at_height_m,
            roughness_m=self.roughness_m,
        )

    def plain_ms(self, case: Case) -> float:
        """Wind over the open plain over the wind set of a case, m/s; NaN where not known."""
        height_m = self.settled.how.at_height_m
        winds = self.settled.winds[case.season]
        return winds.power_mean_ms(self.settled.power, height_m, self.asked.roughness_m)

    @property
    def speeds_known(self) -> bool:
        """Whether every wind of every season has a speed."""
        return all(winds.speeds_known for winds in self.settled.winds.values())


@dataclass(frozen=True)
class Year:
    """What was found for one year, by case.

    Parameters
    ----------
    fields : dict
        Relative wind over the wind set; missing where the ground is.
    belts : dict
        Belts as they stand, with their likely reach.
    not_modelled : dict
        Sheltered cells on which the method does not hold.
    place_wind, place_site : dict
        Mean relative wind and mean site wind (m/s, or relative to the plain where speeds are not
        known) of each place; none without places, the latter none without hills.
    site : dict
        Site wind, likewise; none without hills.
    hills_not_modelled : dict
        Ground on which open wind is not modelled; none without hills.
    corners : Corners or None
        Where there are places.
    zones_by_direction : list of GeoDataFrame
        Where they were asked for.
    """

    fields: dict[Case, Field]
    belts: dict[Case, gpd.GeoDataFrame]
    not_modelled: dict[Case, NDArray[np.bool_]]
    place_wind: dict[Case, NDArray[np.float64]]
    place_site: dict[Case, NDArray[np.float64]]
    site: dict[Case, Field]
    hills_not_modelled: dict[Case, NDArray[np.bool_]]
    corners: Corners | None
    zones_by_direction: list[gpd.GeoDataFrame]


def over_year(
    year: int | None, job: Job, part: tuple[float, float], by_direction: RasterWriter | None
) -> Year:
    """Work out one year.

    Parameters
    ----------
    year : int or None
        None as surveyed.
    job : Job
    part : tuple of float
        Where its share of the progress begins, and how long it is.
    by_direction : RasterWriter or None
        Takes the field of every direction where it is asked for.
    """
    cases = job.settled.cases(year)
    job.run.progress(part[0], " and ".join(case.label for case in cases))
    standing = [belts_at(job.belts, c, local_heights=job.settled.local_heights) for c in cases]
    if year is not None:
        _tell_growth(standing[0], year, job.run)
    watch = _Watch(cases, job, part, by_direction)
    fields = over_winds(
        scene_of(standing, job.grid, job.settled.how),
        job.grid,
        [job.settled.winds[case.season] for case in cases],
        power=job.settled.power,
        convergence_deg=job.convergence_deg,
        each=watch.see,
        stop_if_asked=job.run.stop_if_asked,
    )
    fields[:, watch.missing] = np.nan
    by_case = dict(zip(cases, fields, strict=True))
    site = {case: watch.site(case) for case in cases} if job.asked.terrain else {}
    return Year(
        fields=by_case,
        place_wind=_over_places({c: watch.weighted(c, f) for c, f in by_case.items()}, job),
        place_site=_over_places(site, job),
        site=site,
        hills_not_modelled=watch.hills_not_modelled(),
        belts={
            case: frame.assign(reach_likely_m=reach_m(frame, job.settled.how))
            for case, frame in zip(cases, standing, strict=True)
        },
        not_modelled=dict(zip(cases, watch.not_modelled(fields), strict=True)),
        corners=watch.corners,
        zones_by_direction=watch.zones,
    )


def _over_places(fields: dict[Case, Field], job: Job) -> dict[Case, NDArray[np.float64]]:
    if job.covered is None:
        return {}
    return {case: means(field, job.covered) for case, field in fields.items()}


def _tell_growth(belts: gpd.GeoDataFrame, year: int, run: Run) -> None:
    notes = belts.loc[belts["growth_note"] != "", "growth_note"]
    for note, count in notes.value_counts(sort=False).items():
        run.notice(Notice("growth-note", f"year {year}: {note}", int(count)))


class _Watch:
    """Looks at the field of every wind as it comes."""

    def __init__(
        self,
        cases: list[Case],
        job: Job,
        part: tuple[float, float],
        by_direction: RasterWriter | None,
    ) -> None:
        self._cases, self._job, self._part = cases, job, part
        self._raster = by_direction
        self._count, self._done = len(job.settled.directions()), 0
        self._slopes = gradient(job.elevation, job.grid)
        self._over_steep = np.zeros((len(cases), *job.grid.shape), np.float32)
        self.missing = ~job.known
        self._site: SiteWind | None = None
        if job.asked.terrain:
            self._site = SiteWind(job.grid.shape, len(cases), job.settled.power)
            self._hills = job.hills()
        self.zones: list[gpd.GeoDataFrame] = []
        self.corners: Corners | None = None
        if job.places is not None and job.covered is not None:
            self.corners = Corners(job.places, job.covered, job.grid, len(cases))

    def see(self, true_deg: float, weights: list[float], field: Field) -> None:
        """Take the field (cases, rows, cols) of one direction."""
        direction = grid_direction(true_deg, self._job.convergence_deg)
        for i, (case, weight) in enumerate(zip(self._cases, weights, strict=True)):
            flagged = behind_steep(self._slopes, field[i], self._job.grid, direction)
            taken = 1 - field[i][flagged] ** np.float32(self._job.settled.power)
            self._over_steep[i][flagged] += np.float32(weight) * taken
            if self._raster is not None and weight > 0:
                self._keep(case, true_deg, field[i])
        if self.corners is not None:
            shares = [self._share(case, true_deg) for case in self._cases]
            self.corners.add(shares, field)
        if self._site is not None:
            self._site.add(weights, next(self._hills), field)
        self._done += 1
        share = self._part[0] + self._part[1] * self._done / self._count
        label = " and ".join(case.label for case in self._cases)
        self._job.run.progress(share, f"{label}, wind {self._done} of {self._count}")

    def _share(self, case: Case, true_deg: float) -> float:
        """Share of the time it blows in which it blows from a direction."""
        winds = self._job.settled.winds[case.season]
        here = winds.direction_deg == true_deg
        return float(winds.frequency[here].sum() / winds.frequency.sum())

    def _keep(self, case: Case, true_deg: float, field: Field) -> None:
        if self._raster is None:
            return
        known = np.where(self.missing, np.float32(np.nan), field)
        self._raster.write(self._raster.bands.index(band_name(case, true_deg)) + 1, known)
        codes = zones.classify(known, zones.ONE_WIND)
        stop = self._job.run.stop_if_asked
        found = zones.outlines(codes, self._job.grid, zones.ONE_WIND, stop)
        self.zones.append(
            found.assign(season=case.season_label, year=case.year, direction_deg=true_deg)
        )

    def weighted(self, case: Case, field: Field) -> Field:
        """Relative wind of a case with each wind counting by what hills make of it."""
        return field if self._site is None else self._site.relative(self._cases.index(case))

    def site(self, case: Case) -> Field:
        """Site wind of a case, m/s or relative to the plain."""
        if self._site is None:
            raise ValueError("site wind was not asked for")
        relative = self._site.site(self._cases.index(case))
        return (
            relative * np.float32(self._job.plain_ms(case)) if self._job.speeds_known else relative
        )

    def hills_not_modelled(self) -> dict[Case, NDArray[np.bool_]]:
        """By case, ground on which open wind is not modelled."""
        if self._site is None:
            return {}
        known = self._job.known
        return {case: known & self._site.not_modelled(i) for i, case in enumerate(self._cases)}

    def not_modelled(self, fields: Field) -> list[NDArray[np.bool_]]:
        """Sheltered cells most of whose shelter comes over steep ground."""
        power = np.float32(self._job.settled.power)
        bound = zones.ALL_WINDS[3].high
        return [
            (over > MOSTLY * (1 - field**power)) & (field < bound)
            for over, field in zip(self._over_steep, fields, strict=True)
        ]


def band_name(case: Case, direction_deg: float) -> str:
    """Band of a case and direction."""
    return f"{case.label} {direction_deg:g}°"
