"""Temporary screens: each year by hand, and the same shelter as a fence that stays."""

from __future__ import annotations

from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString
from siting_helpers import CRS, GRID, belts, winds

from shelterscape.process.design_files import packaged_designs
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.siting.candidates import DRAWN, with_design, with_ids
from shelterscape.science.siting.context import evaluation_context
from shelterscape.science.siting.full_evaluation import full_evaluation
from shelterscape.science.siting.screens import (
    Screen,
    same_line_pairs,
    screened_lines,
    with_screens,
)

LINE = [(150.0, 300.0), (450.0, 300.0)]
SCREEN = Screen(1.8, 0.5, 10, Decimal("9.50"))


@pytest.fixture
def planted():
    """A line of 300 m to be planted in 2027, and the same with a screen."""
    drawn = with_ids(DRAWN, np.array([LineString(LINE)], dtype=object), CRS)
    lines = drawn.assign(part=drawn["candidate"], must_have=True)
    both = gpd.GeoDataFrame(pd.concat([lines, screened_lines(lines)], ignore_index=True), crs=CRS)
    return with_screens(with_design(both, packaged_designs(), "three-row belt", 2027), SCREEN)


def test_a_screen_stands_until_it_is_moved_or_the_belt_shelters_more(planted):
    assert planted["candidate"].tolist() == ["D0001", "TD0001"]
    assert planted["must_have"].tolist() == [True, False]
    assert same_line_pairs(planted).tolist() == [[0, 1]]
    # 300 m at 9.50 more.
    assert planted["cost_minor"].diff().iloc[1] == 285_000
    for season in ("in-leaf", "bare"):
        for year in range(2026, 2050):
            grown = belts_at(planted, Case(season, year))
            height, porosity = (grown[name].to_numpy() for name in ("height_m", "porosity"))
            shelters_less = height[0] * (1 - porosity[0]) < 1.8 * (1 - 0.5)
            if 2027 <= year < 2037 and shelters_less:
                assert (height[1], porosity[1]) == (1.8, 0.5)
            else:
                assert (height[1], porosity[1]) == (height[0], porosity[0])
    later = planted.assign(planted_year=2030, closing_from=2030)
    assert belts_at(later, Case("bare", 2029))["height_m"].tolist() == [0.0, 0.0]
    assert belts_at(later, Case("bare", 2030))["height_m"].tolist() == [0.5, 1.8]


@pytest.mark.parametrize("year", [2028, 2040])
def test_benefit_is_that_of_a_fence_until_it_is_moved_and_then_of_the_belt(planted, year):
    """The screen as an existing barrier of the same height, porosity and width, year by year."""
    case = Case("in-leaf", year)
    field = {"": np.ones(GRID.shape, np.float32)}
    context = evaluation_context(GRID, case, winds(), belts([]), field)
    plain, screened = (
        full_evaluation(context, belts_at(planted, case), [row]).benefit_ha for row in (0, 1)
    )
    if year >= 2037:
        assert screened == plain > 0
        return
    there = belts([LINE], height_m=1.8, porosity=0.5, width_m=6.0, belt_type="tree belt")
    stays = evaluation_context(GRID, case, winds(), there, field)
    none = evaluation_context(GRID, Case("in-leaf"), winds(), belts([]), field)
    fence = full_evaluation(none, stays.belts, [0]).benefit_ha
    assert screened == pytest.approx(fence, rel=1e-6)
    assert screened > 2 * plain


def test_a_budget_of_money_needs_the_price_of_screens():
    given = {"dem": "dem.tif", "winds": "240", "planting_year": 2027}
    types = {"candidate_types": ("drawn", "temporary-screen")}
    with pytest.raises(ValueError, match="give screen_cost_per_m"):
        SitingInputs(**given, **types, budget="1000")
    priced = SitingInputs(**given, **types, budget="1000", screen_cost_per_m="9.50")
    assert priced.screen_cost_per_m == "9.50"
    assert SitingInputs(**given, **types, budget_m=500).screen_cost_per_m == ""
