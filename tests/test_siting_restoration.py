"""Costs, candidates as belts, and restoration of existing belts."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from line_helpers import CRS, array_of, as_belts, standing
from shapely import LineString, MultiLineString, Point, box
from shapely.affinity import translate

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.belt_growth import belts_at, projected_growth
from shelterscape.science.belts import Case, belts_in_season
from shelterscape.science.growth import SITE_FACTOR, height_at
from shelterscape.science.shelter import relative_wind
from shelterscape.science.siting import candidates, exclusion, restoration
from shelterscape.science.siting.designs import cost_minor
from shelterscape.science.siting.generated_lines import best_bearing

BOOK = packaged_designs()
WEST_WIND = best_bearing([270.0], [1.0])
STRAIGHT = LineString([(0, 0), (0, 200)])
GAPPY = MultiLineString([[(0, 0), (0, 80)], [(0, 84), (0, 120)], [(0, 150), (0, 200)]])

# --- money ------------------------------------------------------------------------------------


@given(st.integers(0, 10**7), st.integers(0, 10**6))
def test_cost_is_exact_in_whole_minor_units(centimetres, minor_per_m):
    # Independent: fractions of integers, halves rounded up.
    exact = Fraction(centimetres, 100) * minor_per_m
    expected = int(exact + Fraction(1, 2))
    assert cost_minor(centimetres / 100, Decimal(minor_per_m) / 100) == expected


def test_money_does_not_round_as_binary_fractions_do():
    # 1.15 m at 1.00 cost 115 minor units (floats give 114.99999999999999); 0.5 is rounded up to 1.
    assert cost_minor(1.15, Decimal("1.00")) == 115
    assert cost_minor(0.05, Decimal("0.10")) == 1


# --- candidates as belts ----------------------------------------------------------------------


def test_a_candidate_grows_and_closes_as_its_design():
    belt = as_belts(STRAIGHT, design="three-row belt", planted_year=2027)
    for year, closed in ((2027, 0.0), (2032, 0.5), (2037, 1.0), (2060, 1.0)):
        now = belts_at(belt, Case("in-leaf", year))
        assert now["porosity"].item() == pytest.approx(1 - 0.55 * closed)
        young = min(0.5 + 0.6 * (year - 2027), 3.0)
        top = SITE_FACTOR * height_at("common alder", year - 2027)
        # Ahead of a forest tree of its age, but not by more than ten years.
        assert now["height_m"].item() >= max(top, young) - 1e-9
        later = SITE_FACTOR * height_at("common alder", year - 2017)
        assert now["height_m"].item() <= max(later, young) + 1e-9
    assert belts_at(belt, Case("in-leaf", 2026))["height_m"].item() == 0
    assert belt["cost_minor"].item() == 200 * 100 * BOOK.design("three-row belt").cost_per_m
    assert belt["restores_belt"].isna().all() and belt["action"].item() == "plant"


def test_a_line_can_name_its_own_design():
    belts = as_belts(STRAIGHT, LineString([(50, 0), (50, 100)]), design="uncut hedge")
    own = as_belts(STRAIGHT, STRAIGHT, **{"design": "uncut hedge"})
    assert belts["width_m"].tolist() == own["width_m"].tolist() == [2.0, 2.0]


def test_flags_for_length_and_wind():
    height = belts_at(as_belts(STRAIGHT), Case("in-leaf", 2047))["height_m"].item()
    # At least 10 times the height at 20 years (US Natural Resources Conservation Service, seen).
    long, short = (LineString([(0, 0), (0, f * height)]) for f in (10.1, 9.9))
    end_on = LineString([(0, 0), (300, 0)])
    assessed = candidates.with_assessment(as_belts(long, short, end_on), WEST_WIND)
    assert assessed["flags"].tolist() == ["", candidates.SHORT, candidates.END_ON]
    assert assessed["height_at_20_years_m"].tolist() == pytest.approx([height] * 3)
    assert assessed["wind_across_share"].tolist() == pytest.approx([1.0, 1.0, 0.0], abs=1e-9)


def test_holdings_of_candidates():
    farms = gpd.GeoDataFrame(
        {"holding_id": ["A", "B"]}, geometry=[box(0, 0, 100, 300), box(100, 0, 300, 300)], crs=CRS
    )
    lines = [LineString([(x, 10), (x, 290)]) for x in (50, 200, 100, 900)]
    assessed = candidates.with_assessment(as_belts(*lines), WEST_WIND)
    found = candidates.with_holdings(assessed, farms)
    assert found["holding_id"].tolist() == ["A", "B", "A", ""]
    assert [candidates.BOUNDARY in f for f in found["flags"]] == [False, False, True, False]
    assert found["flags"].iloc[2].endswith("A, B")


# --- restoration ----------------------------------------------------------------------------------


def restored(belts, wanted=(0.15, 0.40), season="bare", year=2027):
    return restoration.restoration_options(
        belts, BOOK, BOOK.design("uncut hedge"), year, wanted, season
    )[0]


def test_gaps_are_filled_and_gateways_stay_open():
    belts = standing(GAPPY, height_m=[3.0], species=["hazel"], belt_type=["hedge"])
    found = restored(belts).set_index("action")
    gap = found.loc["gap up"]
    # Gaps of 4 m and 30 m: the first is a gateway.
    assert gap.geometry.length == gap["length_m"] == pytest.approx(30.0)
    assert gap["cost_minor"] == 30 * 1900
    assert gap["species"] == "hazel"
    assert np.isnan(gap["height_m"]) and gap["planted_year"] == 2027
    assert found["restores_belt"].isna()["gap up"]


def test_gaps_are_filled_only_where_a_belt_is_allowed():
    belts = standing(GAPPY, height_m=[3.0], belt_type=["hedge"], width_m=[2.0])
    pipe = exclusion.exclusion_zone("pipe", array_of(box(-9, 130, 9, 135)), 4.0)
    options = (belts, BOOK, BOOK.design("uncut hedge"), 2027, (0.15, 0.40), "bare", [pipe])
    found, exclusions = restoration.restoration_options(*options)
    gap = found[found["action"] == "gap up"]
    # Of the 30 m, the pipe excludes 5 m and 5 m on each side.
    assert gap["length_m"].item() == pytest.approx(15.0)
    assert gap["cost_minor"].item() == 15 * 1900
    assert exclusions["excluded_m"].tolist() == pytest.approx([15.0])


def test_filled_gaps_cost_less_than_a_new_belt_and_shelter_the_ground_behind(grid_of):
    grid = grid_of(60, 60, 5.0)
    belts = standing(translate(GAPPY, 50, 50), height_m=[3.0])
    filled = restored(belts)
    filled = filled[filled["action"] == "gap up"]
    then = belts_at(filled, Case("in-leaf", 2047))
    old = belts_in_season(belts, "in-leaf")
    before = relative_wind(old, grid, 270.0)
    columns = ["geometry", *candidates.BELT_COLUMNS]
    both = pd.concat([old[columns], then[columns]], ignore_index=True)
    after = relative_wind(both, grid, 270.0)
    behind = (60 - 1 - ((50 + 135) // 5), ((50 + 12) // 5))
    assert before[behind] > after[behind] + 0.2
    new = as_belts(LineString([(0, 0), (0, 200)]), design="uncut hedge")
    assert filled["cost_minor"].item() < 0.2 * new["cost_minor"].item()


def test_low_hedges_are_laid_and_tall_ones_coppiced():
    belts = standing(
        *[STRAIGHT] * 4,
        height_m=[3.0, 6.0, 12.0, 1.4],
        species=["hawthorn"] * 4,
        belt_type=["hedge"] * 4,
        porosity=[0.5] * 4,
    )
    found = restored(belts)
    cut_back = found[found["action"].isin(["lay", "coppice"])]
    assert cut_back["action"].tolist() == ["lay", "coppice"]
    assert cut_back["restores_belt"].tolist() == [0, 1]
    at = {y: belts_at(cut_back, Case("in-leaf", y)) for y in (2027, 2033, 2047)}
    # A laid hedge is dense at once; a coppiced one grows from nothing and is dense after six years.
    assert at[2027]["porosity"].tolist() == pytest.approx([0.30, 1.0])
    assert at[2033]["porosity"].tolist() == pytest.approx([0.30, 0.32])
    assert at[2027]["height_m"].tolist() == pytest.approx([1.2, 0.5])
    assert (np.diff([frame["height_m"] for frame in at.values()], axis=0) >= 0).all()


def test_belts_that_need_no_restoration_get_none():
    belts = standing(
        *[STRAIGHT] * 3,
        height_m=[3.0, 9.0, 1.3],
        belt_type=["hedge", "tree belt", "wall"],
        porosity=[0.30, 0.35, 0.0],
        bare_porosity=[0.45, 0.45, 0.0],
    )
    assert len(restored(belts)) == 0
    assert len(restored(belts.iloc[:0])) == 0


def test_open_stems_are_underplanted_and_close_with_the_years():
    belts = standing(
        STRAIGHT,
        height_m=[12.0],
        species=["Scots pine"],
        belt_type=["tree belt"],
        porosity=[0.45],
        porosity_low=[0.8],
        bare_stem_m=[3.0],
    )
    (row,) = restored(belts).itertuples()
    assert (row.action, row.restores_belt, row.height_m) == ("underplant", 0, 12.0)
    found = restored(belts)
    now = belts_in_season(belts, "in-leaf")["porosity_low"].item()
    low = [belts_at(found, Case("in-leaf", y))["porosity_low"].item() for y in (2027, 2032, 2040)]
    # Half of the lower half is bare stem: porosity 1 − 0.2 · 0.5 = 0.9.
    assert now == pytest.approx(0.9)
    assert low[0] == pytest.approx(now, abs=0.02)
    assert low[2] == pytest.approx(0.40)
    assert low[0] > low[1] > low[2]
    # The whole belt gains half of what its lower half gains.
    assert belts["porosity"].item() - row.porosity == pytest.approx((0.9 - 0.4) / 2)


def test_underplanting_closes_a_leafless_belt_by_what_its_own_lower_half_gains():
    """By hand: the density of the lower half is 0.1 in leaf and 0.1 · 0.35 / 0.55 = 0.0636 bare.
    Underplanted it is 0.6, and the whole belt gains half of the difference in each state."""
    belts = standing(
        STRAIGHT,
        height_m=[12.0],
        species=["oak"],
        belt_type=["tree belt"],
        porosity=[0.45],
        bare_porosity=[0.65],
        porosity_low=[0.8],
        bare_stem_m=[3.0],
    )
    (row,) = restored(belts).itertuples()
    assert row.action == "underplant"
    assert row.porosity == pytest.approx(0.45 - (0.6 - 0.1) / 2)
    assert row.bare_porosity == pytest.approx(0.65 - (0.6 - 0.1 * 0.35 / 0.55) / 2)


def test_a_belt_too_dense_for_its_purpose_is_thinned():
    belts = standing(STRAIGHT, height_m=[9.0], species=["Sitka spruce"], porosity=[0.2])
    found = restored(belts, wanted=(0.4, 0.6), season="in-leaf")
    assert found["action"].tolist() == ["thin"]
    assert found[["porosity", "bare_porosity", "porosity_low"]].iloc[0].tolist() == pytest.approx(
        [0.4, 0.4, 0.4]
    )
    assert belts_at(found, Case("in-leaf", 2027))["porosity"].item() == pytest.approx(0.4)
    assert len(restored(belts, wanted=(0.2, 0.6), season="in-leaf")) == 0


def test_only_restorations_that_regrow_start_again_in_the_year_of_work():
    """A thinned belt keeps its height and the year in which it was planted."""
    tall = standing(
        STRAIGHT, height_m=[9.0], species=["Sitka spruce"], porosity=[0.2], planted_year=[2001]
    )
    thinned = restored(tall, wanted=(0.4, 0.6), season="in-leaf")
    assert thinned[["action", "planted_year"]].to_numpy().tolist() == [["thin", 2001]]
    for year in (2027, 2040):
        case = Case("in-leaf", year)
        now, before = (belts_at(frame, case)["height_m"].item() for frame in (thinned, tall))
        assert now == pytest.approx(before)
    low = standing(
        STRAIGHT, height_m=[3.0], belt_type=["hedge"], porosity=[0.5], planted_year=[2001]
    )
    laid = restored(low)
    assert laid[["action", "planted_year"]].to_numpy().tolist() == [["lay", 2027]]


def test_restored_belts_replace_the_existing_ones():
    belts = standing(
        STRAIGHT, GAPPY, height_m=[3.0, 3.0], belt_type=["hedge"] * 2, porosity=[0.5, 0.3]
    )
    found = restored(belts)
    assert found["action"].tolist() == ["lay", "gap up"]
    assert found["restores_belt"].isna().tolist() == [False, True]
    assert found["restores_belt"][0] == 0
    assert found["candidate"].is_unique


def test_restorations_have_the_same_columns_as_new_belts():
    belts = standing(GAPPY, height_m=[3.0], belt_type=["hedge"])
    found, new = restored(belts), as_belts(STRAIGHT)
    assert set(found.columns) == set(new.columns)
    both = pd.concat([new, found], ignore_index=True)
    assessed = candidates.with_assessment(both, WEST_WIND)
    wanted = {
        *candidates.CANDIDATE_COLUMNS,
        *candidates.BELT_COLUMNS,
        *candidates.CLOSING_COLUMNS,
    }
    assert wanted <= set(assessed.columns)
    assert belts_at(assessed, Case("bare", 2047))["height_m"].gt(0).all()


def test_belts_without_closing_columns_close_by_default():
    belts = standing(STRAIGHT, height_m=[np.nan], species=["hazel"], planted_year=[2020])
    _, porosity, _ = projected_growth(belts, "in-leaf", 2025)
    assert porosity.tolist() == pytest.approx([1 - 0.6 * 0.5])


def test_gaps_in_belts_of_unknown_species_get_the_species_of_the_design():
    belts = standing(GAPPY, Point(0, 0).buffer(30), height_m=[3.0, 9.0], species=["", ""])
    found = restored(belts, wanted=(0, 1))
    assert found[found["action"] == "gap up"]["species"].tolist() == [
        BOOK.design("uncut hedge").species
    ]
