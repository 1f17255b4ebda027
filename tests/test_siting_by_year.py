"""Benefit of a set by year against the map of each year, and places by step of the budget."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from siting_helpers import (
    GRID,
    LEAF,
    belts,
    candidates,
    seeded_lines,
    smallest_wind_value,
    winds,
)

from shelterscape.science.belts import Case
from shelterscape.science.places import complete as complete_places
from shelterscape.science.siting.benefit import loss_by_restoration
from shelterscape.science.siting.benefit_by_year import benefit_by_year
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.places_by_step import places_by_step

YEARS = (2027, 2032, 2047, 2067)
PRIORITY = {"crop": np.ones(GRID.shape, np.float32)}


def context_in(year, there):
    return evaluation_context(GRID, Case("bare", year), winds(), there, PRIORITY)


def planted(count, work_years, **more):
    """Lines to be planted with beech."""
    frame = belts(seeded_lines(count, 3), np.nan, np.nan, species=["beech"] * count,
                  planted_year=list(work_years))  # fmt: skip
    return candidates(frame).assign(**more)


def test_benefit_in_each_year_is_that_of_the_map_in_that_year():
    """Lines planted in two years beside growing belts; one line replaces an existing belt."""
    lines = seeded_lines(2, 500)
    there = belts(lines, [9.0, 4.0], 0.5, species=["beech"] * 2, planted_year=[1990, 2015])
    work = [2027, 2030, 2027]
    new = planted(3, work, restores_belt=[None, None, 1])
    found = benefit_by_year(context_in(2047, there), there, new, work, YEARS)
    for year, benefit in zip(YEARS, found, strict=True):
        ground = Ground(context_in(year, there), new)
        done = [row for row in range(3) if work[row] <= year]
        expected = smallest_wind_value(ground, done)
        expected -= loss_by_restoration(ground, new)[done].sum()
        # Sampled cells round the share of the wind below the top of a belt to 0.05.
        assert benefit == pytest.approx(expected, rel=0.02, abs=0.004)
    # At first the belt that was replaced is missed; in time all lines shelter more than it.
    assert found[0] < found[1] < 0 < found[2] < found[3]


def test_nothing_chosen_adds_nothing_and_existing_belts_are_not_needed():
    none = belts([], np.nan, np.nan)
    new = planted(2, [2027, 2027])
    assert benefit_by_year(context_in(2047, none), none, new[:0], [], YEARS).tolist() == [0.0] * 4
    found = benefit_by_year(context_in(2047, none), none, new, [2027, 2050], YEARS)
    one = benefit_by_year(context_in(2047, none), none, new[:1], [2027], YEARS)
    assert found[:3] == pytest.approx(one[:3], rel=1e-6) and found[3] > one[3]


def test_places_of_each_set_are_those_of_a_map_with_that_set_alone():
    """Means by ray of maps of their own, on a square that follows the cells."""
    places = gpd.GeoDataFrame({"priority": [1.0]}, geometry=[shapely.box(200, 200, 400, 400)],
                              crs=GRID.crs)  # fmt: skip
    new = candidates(belts(seeded_lines(5, 3), 8.0, 0.4))
    context = evaluation_context(
        GRID, LEAF, winds(), belts(seeded_lines(2, 500)), PRIORITY,
        places=complete_places(places, "places")[0],
    )  # fmt: skip
    ground = Ground(context, new)
    before = ground.wind.copy()
    sets = [(), (3,), (1, 3), (0, 1, 3), (2,), (1, 3)]
    found = places_by_step(ground, sets)
    assert np.array_equal(ground.wind, before) and ground.planted == []
    for rows, one in zip(sets, found, strict=True):
        alone = Ground(context, new)
        for row in rows:
            alone.plant(row)
        # Rows are counted from the north, 600 m; the square is 20 by 20 cells of 10 m.
        wind = np.einsum("r,rij->ij", alone.rays[2], alone.wind[:, 20:40, 20:40].astype(float))
        assert one.wind == pytest.approx([wind.mean()], abs=1e-6)
    assert found[2].wind < found[1].wind < found[0].wind and found[5] is found[2]
