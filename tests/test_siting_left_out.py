"""Chosen lines left out one by one, their best alternatives, and inputs varied one at a time."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from siting_helpers import (
    CELL_M,
    GRID,
    LEAF,
    SIDE,
    candidates,
    seeded_world,
    smallest_wind_value,
    winds,
)

from shelterscape.science.places import complete as complete_places
from shelterscape.science.siting.benefit import benefits
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.input_uncertainty import InputUncertainty
from shelterscape.science.siting.left_out import left_out
from shelterscape.science.siting.sensitivity import HEIGHT, sensitivity


@pytest.fixture(scope="module")
def world():
    context, new = seeded_world(14, 9)
    ground = Ground(context, new)
    return context, new, ground, benefits(ground, new)


def test_each_line_left_out_against_all_alternatives(world):
    """Benefit without each line and with each other line in its place, evaluated from scratch."""
    _, new, ground, own = world
    limits, barred = Limits(metres=0.35 * new["length_m"].sum()), "c02"
    found = choose(ground, new, limits, own=own.gains, forbidden=[barred])
    assert len(found.rows) > 3
    before = ground.wind.copy()
    reported = left_out(ground, new, limits, found, own, forbidden=[barred])
    assert np.array_equal(before, ground.wind)
    length = new["length_m"].to_numpy()
    others = [r for r in range(len(new)) if r not in found.rows and r != 2]
    for row, one in zip(found.rows, reported, strict=True):
        rest = [r for r in found.rows if r != row]
        without = smallest_wind_value(ground, rest)
        assert one.benefit_lost_ha == pytest.approx(found.benefit_ha - without, abs=1e-5)
        adds = {
            r: smallest_wind_value(ground, [*rest, r]) - without
            for r in others
            if length[[*rest, r]].sum() <= limits.metres
        }
        assert one.alternative_benefit_ha == pytest.approx(max(adds.values(), default=0), abs=1e-5)
        assert one.alternative is None or adds[one.alternative] == pytest.approx(
            max(adds.values()), abs=1e-5
        )
        assert one.wind_rise.size == 0
    # With a cost to working land the line with the largest difference is the alternative.
    land = np.random.default_rng(4).uniform(0.0, 0.9, len(new)) * own.gains
    costly = left_out(ground, new, limits, found, own, forbidden=[barred], land_cost=land)
    assert [o.benefit_lost_ha for o in costly] == [o.benefit_lost_ha for o in reported]
    for row, one in zip(found.rows, costly, strict=True):
        rest = [r for r in found.rows if r != row]
        without = smallest_wind_value(ground, rest)
        after = {
            r: smallest_wind_value(ground, [*rest, r]) - without - land[r]
            for r in others
            if length[[*rest, r]].sum() <= limits.metres
        }
        if one.alternative is None:
            assert max(after.values(), default=0) <= 1e-5
        else:
            assert after[one.alternative] == pytest.approx(max(after.values()), abs=1e-5)
            net = one.alternative_benefit_ha - land[one.alternative]
            assert net == pytest.approx(max(after.values()), abs=1e-5)
    assert [o.alternative for o in costly] != [o.alternative for o in reported]
    # The choice exchanges lines while that helps, so no single exchange adds benefit.
    assert all(one.alternative_benefit_ha <= one.benefit_lost_ha + 1e-5 for one in reported)


def test_wind_rises_on_places_where_a_line_is_left_out(world):
    """Mean of the rays of another ground, inside squares that follow the cells.

    Stock that needs a single cell has a corner where the mean wind of a direction is at most 0.6.
    """
    seeded, new, _, _ = world
    squares = [shapely.box(x, x, x + 200, x + 180) for x in (100, 300)]
    stock = {"purpose": ["", "outwintering stock"], "head": [np.nan, 40]}
    frame = gpd.GeoDataFrame({"priority": [1.0, 2.0], **stock}, geometry=squares, crs=GRID.crs)
    places = complete_places(frame, "places")[0]
    priority = {"": seeded.priority[0]}
    context = evaluation_context(
        GRID, LEAF, winds(), seeded.belts, priority, places=places, speed_exponent=2.0
    )
    ground, limits = Ground(context, new), Limits(metres=0.3 * new["length_m"].sum())
    own = benefits(ground, new)
    found = choose(ground, new, limits, own=own.gains)

    def on_places(rows):
        fresh = Ground(context, new)
        for row in rows:
            fresh.plant(row)
        top, side = SIDE - 1, CELL_M
        one, other = (
            fresh.wind[
                :, top - int((x + 179) // side) : top - int(x // side) + 1, x // 10 : x // 10 + 20
            ].astype(float)
            for x in (100, 300)
        )
        means = [
            np.sqrt(np.einsum("r,rij->ij", fresh.rays[2], each**2)).mean() for each in (one, other)
        ]
        by_direction = other.reshape(len(winds().frequency), -1, *one.shape[1:]).mean(axis=1)
        corner = winds().frequency @ (by_direction.min(axis=(1, 2)) <= 0.6)
        return np.array(means), corner

    (all_wind, all_corner), falls = on_places(found.rows), []
    for row, one in zip(found.rows, left_out(ground, new, limits, found, own), strict=True):
        wind, corner = on_places([r for r in found.rows if r != row])
        np.testing.assert_allclose(one.wind_rise, wind - all_wind, atol=2e-6)
        assert (one.wind_rise >= -1e-7).all()
        np.testing.assert_allclose(one.corner_time_fall, [np.nan, all_corner - corner], atol=1e-12)
        falls.append(all_corner - corner)
    assert max(falls) > 0


def test_the_range_of_an_input_is_that_of_the_set_with_it(world):
    """Heights against the same set with other heights; nothing varies without uncertainty."""
    context, new, ground, _ = world
    rows, sd = [1, 4, 7], InputUncertainty()
    table = sensitivity(context, ground.frame, rows, uncertainty=sd).set_index("varied_input")
    values = []
    for factor in (np.exp(-sd.height), np.exp(sd.height)):
        other = candidates(new.assign(height_m=new["height_m"] * factor))
        values.append(smallest_wind_value(Ground(context, other), rows))
    ours = table.loc[HEIGHT, ["set_benefit_low_ha", "set_benefit_high_ha"]]
    np.testing.assert_allclose(ours.to_numpy(dtype=float), sorted(values), rtol=0.02)
    ranges = (table["set_benefit_high_ha"] - table["set_benefit_low_ha"]).to_numpy()
    assert (np.diff(ranges) <= 0).all()
    none = InputUncertainty(*np.zeros(6))
    still = sensitivity(context, ground.frame, rows, uncertainty=none)
    for row in still[~still["varied_input"].str.contains("curve")].itertuples():
        assert row.set_benefit_low_ha == pytest.approx(row.set_benefit_high_ha, rel=1e-6)
