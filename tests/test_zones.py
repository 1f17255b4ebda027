"""Shelter zones: labels state the wind reduction, areas add up, outlines agree with cells."""

from __future__ import annotations

import numpy as np
import pytest

from shelterscape.science.zones import ALL_WINDS, NO_DATA, areas_ha, classify, outlines


def test_every_value_has_one_zone_and_its_label_states_the_reduction():
    for r in np.linspace(0, 1.25, 251):
        code = int(classify(np.array([[r]]))[0, 0])
        (zone,) = [z for z in ALL_WINDS if z.code == code]
        assert zone.low <= r < zone.high
    assert [z.label for z in ALL_WINDS] == [
        "wind reduced by 40 % or more",
        "wind reduced by 25–40 %",
        "wind reduced by 15–25 %",
        "wind reduced by 5–15 %",
        "open, wind reduced by less than 5 %",
        "windier",
    ]
    for zone in ALL_WINDS[1:4]:
        low, high = zone.label.removeprefix("wind reduced by ").removesuffix(" %").split("–")
        assert (1 - zone.high) * 100 == pytest.approx(float(low))
        assert (1 - zone.low) * 100 == pytest.approx(float(high))


def test_missing_cells_have_no_zone(grid_of):
    codes = classify(np.array([[np.nan, 0.5], [1.0, 1.1]]))
    assert codes[0, 0] == NO_DATA
    areas = areas_ha(codes, grid_of(2, 2, cell_m=100))
    assert sum(areas.values()) == 3
    assert areas["windier"] == 1


def test_outlines_cover_their_cells(grid_of):
    r = np.ones((60, 60))
    r[10:30, 10:40] = 0.5
    r[30:50, 10:40] = 0.7
    r[:8, :8] = 1.1
    grid = grid_of(60, 60)
    frame = outlines(classify(r), grid).set_index("zone")
    assert frame.loc["wind reduced by 40 % or more", "area_ha"] == pytest.approx(6.0)
    assert frame.loc["wind reduced by 25–40 %", "area_ha"] == pytest.approx(6.0)
    assert frame.loc["windier", "area_ha"] == pytest.approx(0.64)
    assert len(frame) == 3
    assert frame.is_valid.all()
    assert frame.geometry.iloc[0].bounds == (100, 300, 400, 500)


def test_small_patches_join_their_surroundings(grid_of):
    r = np.ones((40, 40))
    r[5, 5] = 0.5  # 100 m², below the smallest zone
    r[20:23, 20:23] = 0.5  # 900 m²
    frame = outlines(classify(r), grid_of(40, 40))
    assert frame["area_ha"].tolist() == pytest.approx([0.09])


def test_open_ground_makes_an_empty_layer(grid_of):
    frame = outlines(classify(np.ones((5, 5))), grid_of(5, 5, crs="EPSG:25832"))
    assert len(frame) == 0
    assert list(frame.columns) == ["zone", "geometry", "area_ha"]
