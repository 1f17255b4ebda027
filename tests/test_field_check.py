"""Wind readings beside belts: pairs, readings that count, and the fit of the shelter curve."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from run_helpers import CRS, NORTH, WEST, project
from shapely import LineString, box

import shelterscape
from shelterscape.errors import InputError
from shelterscape.kernels.influence import ROWS_PER_PROFILE
from shelterscape.kernels.shelter_curves import CURVES, RECOVERY_H, table_distances
from shelterscape.science import curve_fit, field_readings
from shelterscape.science.belt_profiles import ProfileTables, belt_profile
from shelterscape.science.field_readings import bearing_of
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.siting.curve_tables import CurveTables
from shelterscape.science.value_sources import sources_of

X_H = np.tile([1.5, 3.0, 5.0, 8.0, 12.0, 18.0], 12)
"""Distances of twelve hours at six instruments, H."""

# ---- fit


def measured(theta, recovery_h, rng, noise=0.04, x=X_H):
    ratio = CURVES["exponential"].relative_wind(x, np.array(theta), np.array(0.5), recovery_h)
    return ratio + rng.normal(0.0, noise, len(x))


def fitted(ratio, x=X_H):
    hour = np.cumsum(np.diff(x, prepend=np.inf) <= 0)
    return curve_fit.fit_curve(x, np.ones(len(x)), ratio, hour, 0.5, "hedge")


@pytest.mark.parametrize(("theta", "recovery_h"), [(0.3, 6.0), (0.5, 10.0), (0.7, 8.0)])
def test_exact_readings_are_recovered(theta, recovery_h):
    found = fitted(measured(theta, recovery_h, np.random.default_rng(1), noise=1e-6))
    assert found.porosity == pytest.approx(theta, abs=1e-3)
    assert found.recovery_h == pytest.approx(recovery_h, rel=1e-3)
    assert found.rmse < 1e-4


@pytest.mark.slow
def test_the_truth_is_within_its_interval_in_nine_of_ten_cases():
    """A 95 % interval holds the truth in at least 90 of 100 seeded cases, for both numbers."""
    inside = np.zeros(2, dtype=int)
    for seed in range(100):
        rng = np.random.default_rng([17, seed])
        truth = rng.uniform(0.25, 0.7), rng.uniform(5.0, 14.0)
        found = fitted(measured(*truth, rng))
        for i, (low, high) in enumerate((found.porosity_range, found.recovery_range_h)):
            inside[i] += low <= truth[i] <= high
    assert (inside >= 90).all(), inside
    assert (inside < 100).any(), "intervals that always hold the truth are too wide"


def hours_of_readings(theta, recovery_h, rng, hours=16):
    """Readings as a logger writes them: three in an hour, oblique wind, instruments at two heights,
    and an error of the open instrument that all readings of an hour share."""
    rows = []
    for n in range(hours):
        wind, shared = 270 + rng.normal(0, 10), np.exp(rng.normal(0, 0.05))
        own = np.exp(rng.normal(0, 0.03, 6))
        for minute in (0, 20, 40):
            time = f"2026-03-01 {n:02d}:{minute:02d}"
            speed = max(rng.normal(8, 1), 6.5)
            rows.append((time, "", "2", f"{speed * shared:.3f}", f"{wind % 360:.1f}", ""))
            x = X_H[:6] / np.cos(np.radians(wind - 270))
            ratio = CURVES["exponential"].relative_wind(
                x, np.array(theta), np.array(0.5), recovery_h
            )
            low = speed * np.log(1.5 / 0.03) / np.log(2 / 0.03) * ratio * own
            rows += [
                (time, f"{8 * x_h:g}", "1.5", f"{v:.3f}", "", "E")
                for x_h, v in zip(X_H[:6], low, strict=True)
            ]
    return rows


@pytest.mark.slow
def test_the_truth_is_within_its_interval_when_readings_of_an_hour_share_an_error():
    """From the table of readings on. Intervals that treat the means of an hour as independent hold
    the truth in fewer than 90 of these cases."""
    inside = np.zeros(2, dtype=int)
    for seed in range(100):
        rng = np.random.default_rng([43, seed])
        truth = rng.uniform(0.25, 0.7), rng.uniform(5.0, 14.0)
        pairs = examined(*hours_of_readings(*truth, rng))
        means = field_readings.hourly_means(pairs[pairs["reason"] == ""])
        x, ratio = means["along_wind_m"].to_numpy() / 8, means["ratio"].to_numpy()
        hour = pd.factorize(means["hour"])[0]
        found = curve_fit.fit_curve(x, np.ones(len(x)), ratio, hour, 0.5, "hedge")
        for i, (low, high) in enumerate((found.porosity_range, found.recovery_range_h)):
            inside[i] += low <= truth[i] <= high
    assert (inside >= 90).all(), inside


def test_an_hour_that_alone_decides_a_number_is_refused():
    """All readings from 8 H on are of one hour."""
    x = np.array([2.0, 4.0] * 7 + [12.0, 18.0])
    hour = np.array([*np.repeat(np.arange(7), 2), 7, 7])
    jac = np.column_stack([np.ones(16), np.where(x > 8, 1.0, 0.0)])
    with pytest.raises(InputError, match="one hour alone decides"):
        curve_fit.covariance_by_hour(jac, np.full(16, 0.01), hour, "hedge")


def test_few_hours_are_refused_however_many_instruments():
    with pytest.raises(InputError) as caught:
        fitted(measured(0.5, 8.0, np.random.default_rng(1), x=X_H[:18]), X_H[:18])
    assert "18 hourly means of 3 hours" in str(caught.value.value)


def test_more_readings_narrow_the_interval():
    rng = np.random.default_rng(3)
    few = fitted(measured(0.5, 8.0, rng))
    many_x = np.tile(X_H, 9)
    many = fitted(measured(0.5, 8.0, rng, x=many_x), many_x)
    width = [np.ptp(one.porosity_range) for one in (few, many)]
    assert width[1] < 0.6 * width[0]


@pytest.mark.parametrize(
    ("x", "says"),
    [
        (X_H[:6], "6 hourly means"),
        (np.tile([2.0, 4.0, 6.0], 12), "0 from 8"),
        (np.tile([9.0, 12.0, 20.0], 12), "0 of them from 1"),
        (np.tile([3.0, 12.0], 12), "at 2 distances"),
    ],
)
def test_too_few_readings_are_refused_with_what_is_missing(x, says):
    with pytest.raises(InputError) as caught:
        fitted(measured(0.5, 8.0, np.random.default_rng(1), x=x), x)
    assert caught.value.code == "readings-few"
    assert says in str(caught.value.value)


@pytest.mark.parametrize(
    "ratio",
    [
        np.ones(len(X_H)),
        np.where(X_H < 6, 0.95, 0.4),
        np.tile([0.1, 0.95], len(X_H) // 2),
        np.full(len(X_H), 0.35),
    ],
    ids=["no shelter", "more shelter far away", "contradictory", "no recovery"],
)
def test_readings_that_no_belt_explains_are_refused(ratio):
    with pytest.raises(InputError) as caught:
        fitted(ratio)
    assert caught.value.code == "readings-contradict"
    assert caught.value.value


# ---- readings


def texts(*rows):
    columns = ["time", "distance_m", "at_height_m", "speed_ms", "direction_deg", "side"]
    return pd.DataFrame([dict(zip(columns, row, strict=True)) for row in rows])


OPEN = ("2026-03-01 10:00", "", "2", "8", "270", "")


def examined(*rows, bearing=0.0, roughness_m=0.03):
    found = field_readings.read_readings(texts(*rows), "readings.csv", ["hedge"])
    pairs = field_readings.paired(found, roughness_m)
    return field_readings.with_reasons(pairs, pd.Series({"hedge": bearing}))


def test_speed_in_the_open_is_that_at_the_height_of_the_instrument():
    """By the log law, by hand: 8 m/s at 2 m are 8 ln(1/0.03) / ln(2/0.03) = 6.680 at 1 m."""
    found = examined(OPEN, ("2026-03-01 10:00", "20", "1", "4", "", ""))
    assert found["open_ms"].item() == pytest.approx(6.680, abs=5e-4)
    assert found["open_10m_ms"].item() == pytest.approx(8 * 5.80914 / 4.19971, abs=1e-3)
    means = field_readings.hourly_means(found)
    assert means["ratio"].item() == pytest.approx(4 / 6.680, abs=1e-4)


def test_the_open_instrument_nearest_in_height_is_taken():
    high = ("2026-03-01 10:00", "", "10", "11", "270", "")
    found = examined(OPEN, high, ("2026-03-01 10:00", "20", "2", "4", "", ""))
    assert found["open_ms"].item() == 8.0


def test_distance_along_the_wind_grows_with_the_angle():
    """At 30° off the perpendicular, 20 m beside it are 20 / cos 30° = 23.09 m along the wind."""
    oblique = ("2026-03-01 10:00", "", "2", "8", "300", "")
    found = examined(oblique, ("2026-03-01 10:00", "20", "2", "4", "", ""))
    assert found["reason"].item() == ""
    assert found["along_wind_m"].item() == pytest.approx(23.094, abs=1e-3)


@pytest.mark.parametrize(
    ("open_row", "side", "reason"),
    [
        (("2026-03-01 10:00", "", "2", "8", "270", ""), "E", ""),
        (("2026-03-01 10:00", "", "2", "8", "90", ""), "E", field_readings.WINDWARD),
        (("2026-03-01 10:00", "", "2", "8", "302", ""), "", field_readings.OBLIQUE),
        (("2026-03-01 10:00", "", "2", "4", "270", ""), "", field_readings.TOO_SLOW),
        (("2026-03-01 10:00", "", "2", "4.2", "270", ""), "", field_readings.NOT_NEUTRAL),
        (("2026-03-01 10:10", "", "2", "8", "270", ""), "", field_readings.NOT_PAIRED),
        (("2026-03-01 10:00", "", "2", "8", "", ""), "", field_readings.NO_DIRECTION),
    ],
)
def test_readings_that_do_not_count_have_a_reason(open_row, side, reason):
    found = examined(open_row, ("2026-03-01 10:00", "20", "2", "4", "", side))
    assert found["reason"].item() == reason
    counts = field_readings.left_out(found).set_index("reason")["value_count"]
    assert counts.sum() == (reason != "")
    if reason:
        assert counts[reason] == 1


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (("yesterday", "20", "2", "4", "", ""), "time"),
        (("2026-03-01 10:00", "20", "2", "fast", "", ""), "speed_ms"),
        (("2026-03-01 10:00", "20", "", "4", "", ""), "at_height_m"),
        (("2026-03-01 10:00", "20", "2", "4", "", "left"), "side"),
    ],
)
def test_cells_that_cannot_be_read_are_refused(row, says):
    with pytest.raises(InputError) as caught:
        examined(OPEN, row)
    assert caught.value.code == "readings-bad"
    assert says in f"{caught.value}"
    assert "row 2" in f"{caught.value}"


def test_an_instrument_too_low_for_the_roughness_is_refused():
    """The log law has no meaning close to the roughness length; at twice that it gives ln 2."""
    low = ("2026-03-01 10:00", "20", "0.2", "4", "", "")
    assert len(examined(OPEN, low, roughness_m=0.09)) == 1
    with pytest.raises(InputError) as caught:
        examined(OPEN, low, roughness_m=0.1)
    assert caught.value.code == "readings-bad"
    assert "0.2 m" in f"{caught.value}"


@pytest.mark.parametrize(
    ("shape", "degrees"),
    [
        (LineString([(0, 0), (0, 10)]), 0.0),
        (LineString([(0, 0), (10, 10)]), 45.0),
        (LineString([(0, 0), (-10, 10)]), 135.0),
        (box(0, 0, 100, 5), 90.0),
    ],
)
def test_the_bearing_of_a_belt(shape, degrees):
    assert bearing_of(shape) == pytest.approx(degrees)


# ---- the process


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """A run on readings behind a belt of porosity 0.6 that recovers over 12 H, surveyed as 0.4."""
    folder = tmp_path_factory.mktemp("field")
    given = project(folder / "in")
    line = LineString([(WEST + 300, NORTH - 550), (WEST + 300, NORTH - 50)])
    maps = folder / "in" / "belts.gpkg"
    frame = gpd.GeoDataFrame(
        {"name": ["hedge", "other"], "height_m": [8.0, 5.0], "porosity": [0.4, np.nan],
         "width_m": [4.0, 2.0]},
        geometry=[line, line.parallel_offset(250)], crs=CRS,
    )  # fmt: skip
    frame.to_file(maps, layer="belts", driver="GPKG")
    rng, rows = np.random.default_rng(5), []
    for n in range(16):
        time = f"2026-03-01 {n:02d}:00"
        rows.append((time, "", "1.5", "9.0", "270", ""))
        for x_h in (1.5, 3, 5, 8, 12, 18):
            ratio = CURVES["exponential"].relative_wind(
                np.array(float(x_h)), np.array(0.6), np.array(0.5), 12.0
            )
            speed = 9.0 * (ratio + rng.normal(0, 0.02))
            rows.append((time, f"{8 * x_h:g}", "1.5", f"{speed:.2f}", "", "E"))
    table = texts(*rows)
    table.insert(1, "belt", np.where(table["distance_m"] == "", "", "hedge"))
    table.to_csv(folder / "in" / "readings.csv", index=False)
    readings = folder / "in" / "readings.csv"
    result = shelterscape.field_check(
        belts=f"{maps}:belts", readings=readings, out=folder / "out", pictures=False
    )
    return given, result, f"{maps}:belts"


def test_the_belt_layer_carries_what_was_measured(checked):
    _, result, _ = checked
    path, _, name = str(result.layers["checked_belts"]).rpartition(":")
    belts = gpd.read_file(path, layer=name).set_index("name")
    hedge = belts.loc["hedge"]
    assert hedge["porosity_interval_low"] <= 0.6 <= hedge["porosity_interval_high"]
    assert hedge["recovery_interval_low_h"] <= 12.0 <= hedge["recovery_interval_high_h"]
    assert hedge["porosity"] == hedge["porosity_low"]
    other = belts.loc["other"]
    sources = {"porosity": "survey", "porosity_low": "survey", "height_m": "layer"}
    assert sources_of(hedge["assumed"]).items() >= sources.items()
    assert sources_of(other["assumed"])["porosity"] == "default"
    assert np.isnan(other["porosity"]), "what was assumed stays open"
    assert other["recovery_h"] == RECOVERY_H
    errors = pd.read_csv(result.tables["curve_errors"]).set_index("belt").loc["hedge"]
    assert errors["relative_wind_bias"] < -0.05
    assert abs(errors["fitted_bias"]) < 0.02


def test_shelter_uses_the_fitted_belts(checked, tmp_path):
    """A more open belt that recovers later: more wind near it, less difference far behind it."""
    given, result, surveyed = checked
    del given["belts"]
    winds = {"winds": "270", "seasons": ("in-leaf",), "terrain": False, "pictures": False}
    rasters = []
    for name, belts in (("before", surveyed), ("after", result.layers["checked_belts"])):
        options = {k: v for k, v in given.items() if k in ("dem",)} | winds
        run = shelterscape.shelter(**options, belts=belts, out=tmp_path / name)
        with rasterio.open(run.rasters["relative_wind"]) as data:
            rasters.append(data.read(1))
    near = (slice(25, 35), slice(34, 36))
    assert (rasters[1][near] > rasters[0][near] + 0.05).all()


def run_on(frame, readings, folder):
    frame.to_file(folder / "b.gpkg", layer="belts", driver="GPKG")
    return shelterscape.field_check(
        belts=f"{folder / 'b.gpkg'}:belts", readings=readings, out=folder / "out", pictures=False
    )


def test_a_wall_is_not_fitted(checked, tmp_path):
    """Shelter takes no recovery distance for it, so that a fit would have no effect."""
    _, _, surveyed = checked
    path, _, name = surveyed.rpartition(":")
    wall = gpd.read_file(path, layer=name).assign(belt_type="wall")
    with pytest.raises(InputError, match="curve for barriers"):
        run_on(wall, f"{path.removesuffix('belts.gpkg')}readings.csv", tmp_path)


def test_readings_are_compared_with_the_curve_that_shelter_uses(checked, tmp_path):
    """Its tables, with the denser lower half of a bank with hedge."""
    _, _, surveyed = checked
    path, _, name = surveyed.rpartition(":")
    bank = gpd.read_file(path, layer=name).assign(belt_type="bank with hedge")
    result = run_on(bank, f"{path.removesuffix('belts.gpkg')}readings.csv", tmp_path)
    found = pd.read_csv(result.tables["reading_means"])
    tables = ProfileTables(1)
    tables.index(belt_profile(np.array([0.4]), np.array([0.2]), 0.5, 1.0, "exponential"))
    expected = np.interp(found["distance_h"], table_distances(), tables.tables()[0, 0])
    np.testing.assert_allclose(found["relative_wind"], expected, atol=0.011)


def test_a_refusal_states_why_readings_do_not_count(checked, tmp_path):
    _, _, surveyed = checked
    path, _, name = surveyed.rpartition(":")
    readings = pd.read_csv(f"{path.removesuffix('belts.gpkg')}readings.csv", dtype=str)
    readings["direction_deg"] = readings["direction_deg"].where(
        readings["direction_deg"].isna(), "180"
    )
    readings.to_csv(tmp_path / "turned.csv", index=False)
    with pytest.raises(InputError) as caught:
        run_on(gpd.read_file(path, layer=name), tmp_path / "turned.csv", tmp_path)
    assert caught.value.code == "readings-few"
    assert f"96 of 96 readings left out: {field_readings.OBLIQUE} (96)" in caught.value.value


def test_monte_carlo_runs_use_the_recovery_distance():
    """Curve tables of siting: 8 H changes no bit, 12 H is the curve with 12 H."""
    belt = gpd.GeoDataFrame(
        {"height_m": [8.0], "width_m": [4.0], "porosity": [0.4], "porosity_low": [0.4],
         "belt_type": ["hedge"]}, geometry=[LineString([(0, 0), (9, 0)])],
    )  # fmt: skip
    rows = []
    for frame in (belt, belt.assign(recovery_h=8.0), belt.assign(recovery_h=12.0)):
        tables = CurveTables()
        row = tables.rows(frame, ShelterOptions(), [])[0]
        rows.append(tables.tables()[ROWS_PER_PROFILE * row])
    assert rows[0].tobytes() == rows[1].tobytes()
    # The width, 0.5 H, is rounded there to a share of 0.2.
    width = np.array(-2 * np.log(0.8))
    x, theta = table_distances(), np.array(0.4)
    for row, recovery_h in ((rows[0], 8.0), (rows[2], 12.0)):
        curve = CURVES["exponential"].relative_wind(x, theta, width, recovery_h)
        np.testing.assert_allclose(row, curve, atol=1e-3)


def test_a_recovery_distance_of_eight_changes_nothing(checked, tmp_path):
    """Bit for bit: 8 H is what every belt has."""
    given, _, surveyed = checked
    path, _, name = surveyed.rpartition(":")
    frame = gpd.read_file(path, layer=name).assign(recovery_h=RECOVERY_H)
    frame.to_file(tmp_path / "b.gpkg", layer="belts", driver="GPKG")
    sums = []
    for belts in (surveyed, f"{tmp_path / 'b.gpkg'}:belts"):
        run = shelterscape.shelter(
            dem=given["dem"], winds="250,270", belts=belts, terrain=False, pictures=False,
            out=tmp_path / f"out{len(sums)}",
        )  # fmt: skip
        sums.append(run.rasters["relative_wind"].read_bytes())
    assert sums[0] == sums[1]
