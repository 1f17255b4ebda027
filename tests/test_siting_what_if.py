"""Drawn lines evaluated on prepared inputs, beside the run that chose them."""

from __future__ import annotations

from decimal import Decimal

import geopandas as gpd
import numpy as np
import pytest
import shapely
from run_helpers import NORTH, WEST
from shapely import LineString, Point
from siting_helpers import assert_written, rounding_error
from test_siting_process import band, inputs, layer, result, table  # noqa: F401 - fixtures

import shelterscape
from shelterscape.errors import InputError

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def state(inputs):  # noqa: F811
    return shelterscape.prepare_siting(**inputs)


def drawn(state, *lines, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(lines), crs=state.grid.crs)


WEST_EDGE = LineString([(WEST + 180, NORTH - 400), (WEST + 180, NORTH - 210)])
SOUTH_EDGE = LineString([(WEST + 210, NORTH - 412), (WEST + 380, NORTH - 412)])


def test_the_chosen_belts_add_what_the_run_states(state, result):  # noqa: F811
    """The layer of a run, given back: benefit, places, cost and wind are the same."""
    chosen, by_case = layer(result, "chosen_belts"), table(result, "benefit_by_case")
    new = chosen[chosen["action"] == "plant"]
    assert len(new) == len(chosen), "with restorations the comparison would be another"
    # Drawn through their openings, as a planner would.
    lines = [LineString(shapely.get_coordinates(line)) for line in new.geometry]
    found = state.evaluate(new[["name", "design"]].set_geometry(lines, crs=new.crs))
    for name in ("own_benefit_ha", "neighbours_benefit_ha", "public_benefit_ha"):
        assert_written(by_case, name, [getattr(found, name)], 1e-4)
    assert_written(by_case, "set_benefit_ha", [found.benefit_ha], 1e-4)
    assert_written(by_case, "set_benefit_high_ha", [found.benefit_high_ha], 1e-4)
    assert found.cost == sum(Decimal(str(cost)) for cost in chosen["cost"])
    assert found.currency == chosen["currency"].iloc[0]
    assert found.length_m == pytest.approx(chosen.geometry.length.sum())
    places = layer(result, "places_with_belts")
    assert_written(places, "relative_wind", found.places["relative_wind"].to_numpy(), 1e-4)
    by_hand = np.where(
        places["corner_time_share"].notna(),
        places["corner_time_share"] >= 0.9,
        places["relative_wind"] <= places["target_relative_wind"],
    )
    assert (found.places["reaches_target"] == "yes").tolist() == by_hand.tolist()
    written = band(result, "relative_wind_with_belts")
    error = rounding_error("relative_wind", np.nanmax(written)) + 1e-4
    np.testing.assert_allclose(found.relative_wind_with_belts, written, atol=error)


def test_no_line_adds_nothing(state):
    found = state.evaluate(drawn(state))
    assert (found.benefit_ha, found.cost, found.length_m) == (0.0, 0, 0.0)
    places = found.places
    assert (places["relative_wind"] == places["relative_wind_without"]).all()


def test_evaluations_do_not_depend_on_each_other(state):
    first = state.evaluate(drawn(state, WEST_EDGE))
    both = state.evaluate(drawn(state, WEST_EDGE, SOUTH_EDGE))
    again = state.evaluate(drawn(state, WEST_EDGE))
    assert again.benefit_ha == first.benefit_ha
    np.testing.assert_array_equal(again.relative_wind_with_belts, first.relative_wind_with_belts)
    # Another belt takes nothing away, apart from the rise beside its ends.
    assert both.benefit_ha > first.benefit_ha > 0


def test_lines_may_be_in_another_coordinate_system(state):
    lines = drawn(state, WEST_EDGE, SOUTH_EDGE)
    here, there = state.evaluate(lines), state.evaluate(lines.to_crs("EPSG:4326"))
    assert there.benefit_ha == pytest.approx(here.benefit_ha, rel=1e-6)
    assert there.length_m == pytest.approx(here.length_m, abs=1e-3)


def test_ground_where_no_belt_may_be_is_removed_with_its_reason(state):
    """The pit of 10 m and its 6 m of clearance, and half the width of the belt, on both sides."""
    across = LineString([(WEST + 130, NORTH - 400), (WEST + 270, NORTH - 400)])
    found = state.evaluate(drawn(state, across))
    assert found.exclusions["reason"].str.contains("pit").any()
    # The clearance is to the face of the belt, so half its width comes on top.
    half = found.belts["width_m"].iloc[0] / 2
    excluded = 2 * (10 + 6 + half)
    assert found.exclusions["excluded_m"].sum() == pytest.approx(excluded, abs=0.5)
    assert found.length_m + found.exclusions["excluded_m"].sum() == pytest.approx(140)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda state: gpd.GeoDataFrame(geometry=[WEST_EDGE]), "crs-missing"),
        (lambda state: drawn(state, Point(WEST, NORTH)), "column-bad"),
        (lambda state: drawn(state, WEST_EDGE, design=["a wall of glass"]), "name-unknown"),
    ],
)
def test_bad_lines_are_refused(state, change, code):
    with pytest.raises(InputError) as caught:
        state.evaluate(change(state))
    assert caught.value.code == code
    assert caught.value.hint


def test_the_function_states_its_inputs():
    assert shelterscape.prepare_siting.__name__ == "prepare_siting"
    assert "planting_year" in shelterscape.prepare_siting.__doc__
    with pytest.raises(TypeError, match="unexpected"):
        shelterscape.prepare_siting(dem="x.tif", winds="w.csv", planting_year=2027, colour="red")
    with pytest.raises(AttributeError):
        _ = shelterscape.prepare_exposure
