"""What a design becomes: laws, and porosity by tenth of height by hand (status D)."""

from __future__ import annotations

import dataclasses
import math

import geopandas as gpd
import numpy as np
import pytest
import shapely

from shelterscape.process.design_files import designs_from, packaged_designs
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case, evergreen_species
from shelterscape.science.grants.belts import mix
from shelterscape.science.growth import belt_heights
from shelterscape.science.planting.design import PlantedRow
from shelterscape.science.planting.porosity import mixed_porosity
from shelterscape.science.planting.profile import growth_table, height_profile, profile_table
from shelterscape.science.siting.candidates import DRAWN, with_design, with_ids

DESIGNS = packaged_designs().designs
FIRST = next(iter(DESIGNS.values()))


def design(rows: list[dict[str, float]], **values):
    """A design with rows 2 m apart."""
    section = {
        "width_m": 2.0 * len(rows),
        "species": next(iter(rows[0])),
        "porosity": 0.3,
        "row": [{"offset_m": 2.0 * i, "spacing_m": 1.5, "species": r} for i, r in enumerate(rows)],
    }
    content = {"currency": "EUR", "design": {"one": section | values}}
    return designs_from(content, "test").designs["one"]


def test_a_scattered_tenth_of_evergreens_by_hand():
    """0.6 ** 0.9 × 0.2 ** 0.1 = 0.54: far from the 0.2 of evergreens alone."""
    found = mixed_porosity({"birch": 0.9, "holly": 0.1}, {"birch": 0.6, "holly": 0.2})
    assert found == pytest.approx(0.54, abs=0.005)


@pytest.mark.parametrize("name", list(DESIGNS))
def test_a_closed_belt_has_the_porosity_of_its_design(name):
    one = DESIGNS[name]
    before = 0.0
    for age in range(0, 61, 5):
        found = height_profile(one, age)
        share = min(age / one.closing_years, 1.0)
        for season, closed in (("in-leaf", one.porosity), ("bare", one.bare_porosity)):
            assert found.whole(season) == pytest.approx(1 - (1 - closed) * share, abs=1e-6)
        assert (found.bare >= found.in_leaf - 1e-9).all()
        assert found.height_m == pytest.approx(max(found.row_heights_m)) and found.height_m > before
        assert found.lower_half("bare") <= found.whole("bare") + 1e-9, "shrubs are at the base"
        before = found.height_m - 1e-9


def test_tenths_of_a_belt_with_a_low_evergreen_row():
    """A row of birch and a row of holly, at 20 years; bare birch 0.65 (table), holly as in leaf.

    Below the top of the holly ln θ is in proportion to ln 0.65 + ln 0.3, above it to ln 0.65.
    """
    one = design([{"birch": 1.0}, {"holly": 1.0}], bare_porosity=0.5)
    found = height_profile(one, 20)
    birch, holly = (float(belt_heights(name, 20)) for name in ("birch", "holly"))
    assert found.row_heights_m == (birch, holly) and found.height_m == birch > holly
    low = (np.arange(10) + 0.5) / 10 * birch < holly
    assert 0 < low.sum() < 10
    expected = (math.log(0.65) + math.log(0.3)) / math.log(0.65)
    ratio = np.log(found.bare[low][0]) / np.log(found.bare[~low][0])
    assert ratio == pytest.approx(expected, rel=1e-9)
    assert len(set(found.bare[low])) == len(set(found.bare[~low])) == 1
    assert found.lower_half("bare") < 0.45 < 0.5 < found.bare[-1]


def test_the_table_states_calendar_years():
    one = design([{"oak": 1.0}], closing_years=10)
    table = growth_table({"one": one}, {"one": [2027]})
    row = table[(table["age_years"] == 5) & (table["season"] == "in leaf")].iloc[0]
    assert row["year"] == 2032
    assert row["height_m"] == pytest.approx(0.5 + 5 * 0.3)
    assert row["porosity"] == pytest.approx(1 - 0.7 * 0.5)
    # Half closed, so half the range of handbooks: bare deciduous belts 0.5 to 0.7 (status M).
    assert row["porosity_range_high"] - row["porosity"] == pytest.approx((0.7 - 0.5) / 2 * 0.5)
    tenths = profile_table({"one": one}).query("age_years == 20")
    half = (tenths["porosity_range_high"] - tenths["porosity_range_low"]) / 2
    assert half.to_numpy() == pytest.approx((0.3 - 0.1) / 2)


def test_siting_takes_height_and_lower_half_from_the_design():
    """Hawthorn edges are above the pines until these overtake them; shrubs close the base."""
    line = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (300, 0)])], crs="EPSG:25832")
    designs = packaged_designs()
    one = designs.design("dense stock belt")
    belt = with_design(with_ids(DRAWN, line), designs, one.name, 2027)
    for age, tallest in ((20, "hawthorn"), (60, "Scots pine")):
        heights = {row.main_species: float(belt_heights(row.main_species, age)) for row in one.rows}
        assert max(heights, key=heights.__getitem__) == tallest
        for season in ("in-leaf", "bare"):
            grown = belts_at(belt, Case(season, 2027 + age)).iloc[0]
            assert grown["height_m"] == pytest.approx(heights[tallest])
    for season in ("in-leaf", "bare"):
        grown, found = belts_at(belt, Case(season, 2047)).iloc[0], height_profile(one, 20)
        assert grown["porosity_low"] == pytest.approx(found.lower_half(season))
        assert grown["porosity"] == pytest.approx(found.whole(season))
        assert grown["porosity_low"] < grown["porosity"]


@pytest.mark.parametrize("name", [n for n, d in DESIGNS.items() if d.rows])
def test_the_text_of_shares_gives_the_plants_of_the_design(name):
    """Read back as grants read it; a share is exact to 0.05 %."""
    found = DESIGNS[name]
    per_m = found.plants_per_m()
    whole = sum(per_m.values())
    expected = {one.casefold(): float(n / whole) for one, n in per_m.items()}
    assert mix(found.species_shares) == pytest.approx(expected, abs=0.0006)
    green = sum(share for one, share in expected.items() if one in evergreen_species())
    assert found.evergreen_share == pytest.approx(green)


def test_shares_of_two_rows_by_hand():
    """Rows of 1 and 2 plants a metre: 1 oak, 1 oak and 1 holly; of 3 plants 2 are oak."""
    rows = PlantedRow(0.0, 1.0, {"oak": 1.0}), PlantedRow(2.0, 0.5, {"oak": 0.5, "holly": 0.5})
    found = dataclasses.replace(FIRST, rows=rows)
    assert found.species_shares == "oak 66.7 %, holly 33.3 %"
    assert dataclasses.replace(found, rows=()).species_shares == ""
