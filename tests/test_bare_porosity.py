"""Porosity of mixed belts without leaves: by hand and by laws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.design import PlantedRow
from shelterscape.science.planting.porosity import bare_porosity_of_rows, mixed_porosity

PLANTED = [design for design in packaged_designs().designs.values() if design.rows]


def test_a_scattered_tenth_of_evergreens_closes_a_bare_belt_little():
    """10 % of 0.2 in 0.6: exp(0.9 ln 0.6 + 0.1 ln 0.2) = 0.538, against 0.56 by a plain mean."""
    found = mixed_porosity({"oak": 0.9, "holly": 0.1}, {"oak": 0.6, "holly": 0.2})
    assert found == pytest.approx(0.6**0.9 * 0.2**0.1) and round(found, 2) == 0.54


def test_rows_by_hand():
    """Two rows: oak, 0.55 in the table of species, and holly at the 0.3 of the belt in leaf."""
    rows = [PlantedRow(0, 1, {"oak": 1.0}), PlantedRow(2, 1, {"holly": 1.0})]
    assert bare_porosity_of_rows(rows, 0.3) == pytest.approx(math.sqrt(0.55 * 0.3))
    # One species: the value of the table; never denser than in leaf.
    assert bare_porosity_of_rows(rows[:1], 0.3) == pytest.approx(0.55)
    assert bare_porosity_of_rows(rows[:1], 0.7) == 0.7
    assert bare_porosity_of_rows(rows[1:], 0.3) == pytest.approx(0.3)


@given(st.floats(0, 1), st.floats(0.02, 1), st.floats(0.02, 1))
def test_a_mix_is_between_its_parts(share, one, other):
    shares = {"oak": share, "holly": 1 - share}
    found = mixed_porosity(shares, {"oak": one, "holly": other})
    assert min(one, other) - 1e-9 <= found <= max(one, other) + 1e-9


@pytest.mark.parametrize("design", PLANTED, ids=lambda d: d.name)
def test_stated_bare_porosities_are_near_those_of_the_mix(design):
    """Within 0.15: published porosities do not support a closer comparison."""
    mixed = bare_porosity_of_rows(design.rows, design.porosity)
    assert design.bare_porosity == pytest.approx(mixed, abs=0.15)
