"""Exclusions from candidate lines, openings, and constraints."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from line_helpers import CRS, array_of, as_belts, proposed, turned
from shapely import LineString, Point, box

from shelterscape.errors import InputError
from shelterscape.process.design_files import packaged_designs
from shelterscape.science.shelter import relative_wind
from shelterscape.science.siting import candidates, exclusion, planner_layers
from shelterscape.science.siting.exclusion import exclude, exclusion_zone
from shelterscape.science.siting.generated_lines import best_bearing

LINE = LineString([(0, 0), (500, 0)])
BOOK = packaged_designs()
WEST_WIND = best_bearing([270.0], [1.0])  # belts run north


def lengths(frame: gpd.GeoDataFrame) -> list[float]:
    return [round(float(x), 6) for x in frame.geometry.length]


# --- exclusions -------------------------------------------------------------------------------


def test_clearance_is_to_the_face_of_the_belt():
    kept, exclusions = exclude(
        proposed(LINE), [exclusion_zone("road", array_of(box(240, -5, 260, 5)), 10.0)]
    )
    # 10 m clear of the road and 3 m for half the belt on both sides: 227 m left at each end.
    assert lengths(kept) == pytest.approx([227.0, 227.0], abs=1e-6)
    assert exclusions.to_dict("records") == [
        {"candidate": "D0001", "reason": "road", "excluded_m": pytest.approx(46.0)}
    ]
    assert kept["candidate"].tolist() == ["D0001a", "D0001b"]
    assert kept["part"].tolist() == ["D0001", "D0001"]


def test_ground_excluded_twice_counts_for_the_first_reason():
    both = [exclusion_zone(n, array_of(box(100, -5, 200, 5))) for n in ("first", "second")]
    _, exclusions = exclude(proposed(LINE, width_m=0.0), both)
    assert exclusions.groupby("reason")["excluded_m"].sum().to_dict() == {
        "first": pytest.approx(100.0, abs=0.01)
    }


def test_a_small_gap_leaves_one_belt_with_an_opening():
    gate = exclusion_zone("gateway", array_of(Point(250, 0)), 2.0)
    kept, _ = exclude(proposed(LINE, width_m=6.0), [gate])
    assert kept["candidate"].tolist() == ["D0001"]
    (gap,) = exclusion.openings(kept.geometry[0])
    assert gap.length == pytest.approx(10.0, abs=0.1)


@pytest.mark.parametrize("width_m", [2.0, 8.0])
def test_an_opening_keeps_its_width_for_belts_of_any_width(width_m):
    # A point beside the line is moved onto it; a track stays where it crosses.
    ways = array_of(Point(100, 4), LineString([(300, -50), (300, 50)]))
    one = exclusion.ExclusionZone("opening", ways, np.array([2.5, 1.5]), is_opening=True)
    kept, exclusions = exclude(proposed(LINE, width_m=width_m), [one])
    assert [round(g.length, 2) for g in exclusion.openings(kept.geometry[0])] == [5.0, 3.0]
    assert exclusions["excluded_m"].tolist() == pytest.approx([8.0])
    far = exclusion.ExclusionZone(
        "opening", array_of(Point(100, 8)), np.array([2.5]), is_opening=True
    )
    assert len(exclude(proposed(LINE), [far])[1]) == 0


def test_remaining_parts_too_short_to_plant_are_reported():
    barred = exclusion_zone("pond", array_of(box(15, -5, 480, 5)))
    kept, exclusions = exclude(proposed(LINE, width_m=0.0), [barred])
    assert len(kept) == 0
    by_reason = exclusions.set_index("reason")["excluded_m"]
    assert by_reason["pond"] == pytest.approx(465, abs=0.01)
    assert by_reason[exclusion.TOO_SHORT] == pytest.approx(35, abs=0.01)


def test_ground_outside_the_holdings_is_excluded():
    farms = array_of(box(-100, -50, 120, 50), box(120, -50, 300, 50))
    kept, exclusions = exclude(
        proposed(LINE), [exclusion_zone("outside the holdings", farms, outside=True)]
    )
    assert lengths(kept) == pytest.approx([300 + exclusion.EDGE_M])
    assert exclusions["excluded_m"].sum() == pytest.approx(200 - exclusion.EDGE_M)


def test_exclusion_without_zones_and_without_lines():
    kept, exclusions = exclude(proposed(LINE), [exclusion_zone("woods", np.empty(0, dtype=object))])
    assert lengths(kept) == [500.0] and len(exclusions) == 0
    kept, exclusions = exclude(proposed(), [exclusion_zone("road", array_of(box(0, 0, 1, 1)), 5.0)])
    assert len(kept) == len(exclusions) == 0
    assert list(exclusions.columns) == list(exclusion.EXCLUSION_COLUMNS)


@given(st.integers(0, 10_000))
def test_kept_and_excluded_lengths_add_up_to_the_proposed_length(seed):
    rng = np.random.default_rng(seed)
    lines = [LineString(rng.uniform(0, 400, (rng.integers(2, 5), 2))) for _ in range(5)]
    exclusion_zones = [
        exclusion_zone(
            f"reason {n}", array_of(*(box(x, y, x + 60, y + 40) for x, y in spots)), clear
        )
        for n, (spots, clear) in enumerate(
            zip(rng.uniform(0, 400, (3, 4, 2)), (0.0, 5.0, 20.0), strict=True)
        )
    ]
    exclusion_zones.append(
        exclusion_zone("outside the holdings", array_of(box(20, 20, 380, 390)), outside=True)
    )
    frame = proposed(*lines, width_m=rng.choice([2.0, 6.0], 5))
    kept, exclusions = exclude(frame, exclusion_zones)
    assert (exclusions["excluded_m"] > 0).all()
    by_line = kept.geometry.length.groupby(kept["part"]).sum()
    lost = exclusions.groupby("candidate")["excluded_m"].sum()
    total = by_line.add(lost, fill_value=0.0).reindex(frame["candidate"])
    np.testing.assert_allclose(total, frame.geometry.length, rtol=1e-9)
    assert kept["candidate"].is_unique
    # No remaining line is on excluded ground.
    for one, clear in zip(exclusion_zones[:3], (0.0, 5.0, 20.0), strict=True):
        away = shapely.distance(kept.geometry.to_numpy()[:, None], one.areas[None, :])
        # Rounded corners are drawn with straight sides, slightly inside the arc.
        assert (away >= 0.98 * (clear + kept["width_m"].to_numpy()[:, None] / 2) - 1e-6).all()


@given(st.integers(0, 10_000))
def test_exclusions_rotate_with_lines_and_zones(seed):
    rng = np.random.default_rng(seed)
    lines = array_of(*(LineString(rng.uniform(-200, 200, (2, 2))) for _ in range(4)))
    ponds = array_of(*(box(x, y, x + 50, y + 50) for x, y in rng.uniform(-200, 200, (4, 2))))
    here, _ = exclude(proposed(*lines), [exclusion_zone("pond", ponds, 5.0)])
    there, _ = exclude(
        proposed(*turned(lines, 90.0)), [exclusion_zone("pond", turned(ponds, 90.0), 5.0)]
    )
    assert here["candidate"].tolist() == there["candidate"].tolist()
    np.testing.assert_allclose(here.geometry.length, there.geometry.length, atol=1e-6)


def test_steep_ground_by_hand(grid_of):
    grid = grid_of(40, 60, 10.0)
    # Flat, then rising at 30° eastward from column 30 on; a missing cell is not steep.
    height = np.tan(np.radians(30)) * 10.0 * np.maximum(np.arange(60) - 30.0, 0)
    elevation = np.repeat(height[None, :], 40, axis=0).astype(np.float32)
    elevation[10, 50] = np.nan
    found = shapely.union_all(exclusion.steep_ground(elevation, grid, 25.0))
    kept, exclusions = exclude(
        proposed(LineString([(0, 105), (600, 105)]), width_m=0.0),
        [exclusion_zone("steeper than 25°", array_of(found))],
    )
    # Central differences give the cell at the foot half the rise: 16°, which is not too steep.
    assert lengths(kept) == pytest.approx([310.0], abs=0.01)
    assert exclusions["excluded_m"].tolist() == pytest.approx([290.0], abs=0.01)
    gentle = exclusion.steep_ground(elevation, grid, 35.0)
    assert len(gentle) == 0


# --- openings in the wind field ---------------------------------------------------------------


def test_openings_let_the_wind_through(grid_of):
    grid = grid_of(80, 80, 5.0)
    belt = LineString([(100, 20), (100, 380)])
    whole, _ = exclude(proposed(belt), [])
    open_, _ = exclude(proposed(belt), [exclusion_zone("track", array_of(Point(100, 200)), 6.0)])
    fields = []
    for frame in (whole, open_):
        as_belt = candidates.with_design(frame, BOOK, "three-row belt", 2027).assign(height_m=8.0)
        fields.append(relative_wind(as_belt, grid, 270.0, spread_deg=0.0, ends=False))
    row, col = 40, 26  # 5 heights behind the middle of the opening, and off to the side of it
    assert fields[0][row, col] < 0.6
    assert fields[1][row, col] == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(fields[0][60, col], fields[1][60, col], atol=1e-6)


def test_openings_that_face_the_damaging_wind_are_flagged():
    north = LineString([(0, 0), (0, 400)])
    east = LineString([(0, 0), (400, 0)])
    frames = []
    for line, gate in ((north, Point(0, 200)), (east, Point(200, 0))):
        kept, _ = exclude(proposed(line), [exclusion_zone("gateway", array_of(gate), 2.0)])
        frames.append(candidates.with_design(kept, BOOK, "three-row belt", 2027))
    flags = [candidates.with_assessment(frame, WEST_WIND)["flags"].item() for frame in frames]
    # Wind from the west blows straight through a gap in a belt that runs north.
    assert candidates.FACING in flags[0] and candidates.FACING not in flags[1]


@pytest.mark.parametrize(("turn", "reported"), [(29.0, True), (31.0, False), (-29.0, True)])
def test_an_opening_faces_the_wind_within_thirty_degrees(turn, reported):
    line = turned(array_of(LineString([(0, -200), (0, 200)])), turn)[0]
    kept, _ = exclude(proposed(line), [exclusion_zone("gateway", array_of(Point(0, 0)), 2.0)])
    assessed = candidates.with_assessment(
        candidates.with_design(kept, BOOK, "uncut hedge", 2027), WEST_WIND
    )
    assert (candidates.FACING in assessed["flags"].item()) is reported


# --- constraints -----------------------------------------------------------------------------


def layer(*shapes, **columns) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=array_of(*shapes), crs=CRS)


def constraints(*shapes, **columns) -> gpd.GeoDataFrame:
    return planner_layers.complete_constraints(layer(*shapes, **columns), "constraints")[0]


def test_constraints_that_forbid_belts_exclude_ground():
    given = constraints(
        box(100, -20, 200, 20), effect=["Forbid"], constraint=["deep peat"], distance_m=[7.0]
    )
    kept, exclusions = exclude(proposed(LINE), planner_layers.forbidden_zones([given]))
    assert exclusions["reason"].tolist() == ["forbidden by constraint: deep peat"]
    assert exclusions["excluded_m"].tolist() == pytest.approx([120.0], abs=1e-6)
    belts = candidates.with_design(kept, BOOK, "three-row belt", 2027)
    table = planner_layers.constraint_checks(belts, [given])
    assert set(table["effect"]) == {planner_layers.NOT_CHECKED}


def test_a_constraint_within_its_distance_is_reported_with_the_distance_found():
    given = constraints(
        Point(250, 43),
        Point(250, -300),
        effect=["consent", "consult"],
        constraint=["monument", "waders"],
        distance_m=[50.0, 100.0],
        authority=["county", "trust"],
        date=["2024-05-01", ""],
    )
    table = planner_layers.constraint_checks(as_belts(LINE), [given])
    row = table.iloc[0]
    assert row[["candidate", "constraint", "effect", "authority"]].tolist() == [
        "D0001",
        "monuments",
        "consent",
        "county",
    ]
    # 43 m from the middle of a belt 6 m wide; the chord of a 53 m circle 43 m from its centre.
    assert row["found_m"] == pytest.approx(40.0)
    assert row["within_m"] == pytest.approx(2 * np.sqrt(53**2 - 43**2), rel=0.01)
    assert (table["candidate"] == "D0001").sum() == 1


def test_usual_constraints_without_a_layer_are_reported():
    given = constraints(Point(0, 900), effect=["note"], constraint=["waders"])
    table = planner_layers.constraint_checks(
        as_belts(LINE), [given], checked_elsewhere=["watercourses"]
    )
    missing = table[table["effect"] == "not checked: no layer given"]["constraint"].tolist()
    assert missing == [
        "deep peat",
        "designated sites",
        "monuments",
        "species-rich grass",
        "old woodland",
        "rights of way",
        "services",
    ]
    assert planner_layers.constraint_checks(as_belts(LINE), [])["constraint"].tolist() == list(
        planner_layers.USUAL_CONSTRAINTS
    )
    assert (
        len(planner_layers.constraint_checks(as_belts(), [given]))
        == len(planner_layers.USUAL_CONSTRAINTS) - 1
    )


@given(st.integers(0, 10_000))
def test_distances_found_are_those_between_faces(seed):
    rng = np.random.default_rng(seed)
    spots = [Point(*xy) for xy in rng.uniform(-100, 600, (6, 2))]
    given_ = constraints(*spots, effect=["consult"] * 6, distance_m=rng.uniform(0, 300, 6))
    table = planner_layers.constraint_checks(as_belts(LINE), [given_])
    found = table[table["effect"] == "consult"]["found_m"].to_numpy()
    # By hand: distance of a point to a segment of the x axis, less half the width.
    xy = np.array([(p.x, p.y) for p in spots])
    far = np.hypot(np.maximum(np.abs(xy[:, 0] - 250) - 250, 0), xy[:, 1]) - 3.0
    # Circles are polygons of 64 sides, so that they reach at least cos(π/64) of their radius.
    reached = np.cos(np.pi / 64) * (given_["distance_m"] + 3.0) - 3.0
    expected = np.maximum(far, 0)[far < reached - 1e-3]
    assert len(found) >= len(expected)
    assert np.isin(np.round(expected, 6), np.round(found, 6)).all()


@pytest.mark.parametrize(
    ("columns", "code"),
    [
        ({}, "column-missing"),
        ({"effect": ["forbids it"]}, "name-unknown"),
        ({"effect": ["note"], "distance_m": ["far"]}, "column-bad"),
        ({"effect": ["note"], "distance_m": [-1.0]}, "column-bad"),
    ],
)
def test_invalid_constraint_layers_are_refused(columns, code):
    with pytest.raises(InputError) as caught:
        planner_layers.complete_constraints(layer(Point(0, 0), **columns), "constraints")
    assert caught.value.code == code and caught.value.hint


def test_authority_and_date_missing_are_counted():
    given = layer(
        Point(0, 0), Point(1, 1), effect=["note", "note"], date=pd.to_datetime(["2024-02-01", None])
    )
    found, notices = planner_layers.complete_constraints(given, "constraints", "waders")
    assert found["date"].tolist() == ["2024-02-01", ""]
    assert found["constraint"].tolist() == ["waders", "waders"]
    assert sorted(n.count for n in notices) == [1, 2, 2]
