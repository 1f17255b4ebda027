"""Hours on places through the processes: from a table in a file to the layers of places."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from rounding import half_digit
from run_helpers import CRS, NORTH, WEST, project
from shapely import box

import shelterscape
from shelterscape.errors import InputError

DIRECTIONS = np.arange(8) * 45


def write_hours(path, days=60):
    """Hours of two cold, wet months."""
    rng = np.random.default_rng(5)
    n = 24 * days
    speed = np.round(6 * rng.weibull(2, n), 2)
    rows = {
        "station": "", "time": pd.date_range("2022-03-01", periods=n, freq="h"),
        "direction_deg": np.where(speed > 0, 10 * rng.integers(0, 36, n), np.nan),
        "speed_ms": speed, "gust_ms": np.nan,
        "temperature_c": np.repeat(np.round(rng.normal(7, 3, days), 1), 24), "rain_mm": 0.1,
    }  # fmt: skip
    frame = pd.DataFrame(rows)
    frame.assign(time=frame["time"].dt.strftime("%Y-%m-%dT%H:%M")).to_csv(path, index=False)
    return frame


@pytest.fixture
def inputs(tmp_path):
    """Two places with whole cells, eight directions, and hours."""
    given = project(tmp_path / "in")
    rows = ["direction_deg,frequency,mean_speed_ms", *(f"{d},0.125,5" for d in DIRECTIONS)]
    (tmp_path / "in" / "winds.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    shapes = [
        box(WEST + 360, NORTH - 140, WEST + 480, NORTH - 80),
        box(WEST + 200, NORTH - 340, WEST + 280, NORTH - 260),
    ]
    columns = {"name": ["a", "b"], "purpose": ["lambing", "lambing"], "head": [4, None]}
    places = gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
    places.to_file(tmp_path / "in" / "places.gpkg", layer="places", driver="GPKG")
    write_hours(tmp_path / "in" / "hourly.csv")
    del given["seasons"]
    return given | {
        "winds": str(tmp_path / "in" / "winds.csv"),
        "places": f"{tmp_path}/in/places.gpkg:places",
        "hourly": str(tmp_path / "in" / "hourly.csv"),
        "purpose": "lambing",
    }


def layer(result, name):
    path, _, found = str(result.layers[name]).rpartition(":")
    return pyogrio.read_dataframe(path, layer=found)


def test_shelter_counts_from_its_own_rasters(inputs, tmp_path):
    """The layer equals counts from the rasters by direction, cell by cell, in pandas."""
    result = shelterscape.shelter(
        **inputs, chill_above=1010, windy_ms=3, by_direction=True, out=tmp_path / "o"
    )
    hours = pd.read_csv(inputs["hourly"], parse_dates=["time"])
    with rasterio.open(result.rasters["relative_wind_by_direction"]) as data:
        r = dict(zip(data.descriptions, data.read().astype(float), strict=True))
    at_04 = hours["speed_ms"] * math.log(0.4 / 0.03) / math.log(10 / 0.03)
    near = ((hours["direction_deg"] / 45).round() % 8 * 45).fillna(0).astype(int)
    # Halfway between two directions either is right: none of these hours is.
    assert not (hours["direction_deg"] % 45 == 22.5).any()
    windows = {"a": (slice(8, 14), slice(36, 48)), "b": (slice(26, 34), slice(20, 28))}
    places = layer(result, "places_shelter").set_index("name")
    for name, window in windows.items():
        for end, belts in (("", True), ("_without", False)):
            ratio = {
                d: r[f"bare {d}°"][window].ravel() if belts else np.ones(1) for d in DIRECTIONS
            }
            speed = np.stack([ratio[d] * u for d, u in zip(near, at_04, strict=True)])
            day = pd.DataFrame(speed).groupby(hours["time"].dt.date).mean().to_numpy()
            celsius = hours.groupby(hours["time"].dt.date)["temperature_c"].mean().to_numpy()
            heat = (11.7 + 3.1 * np.sqrt(day)) * (40 - celsius[:, None]) + 481
            heat += 418 * (1 - math.exp(-0.04 * 2.4))
            expected = {
                "chill_days": (heat > 1010).mean() * 61,
                "windy_hours": (speed > 3).mean() * 61 * 24,
            }
            for column, value in expected.items():
                found = places.loc[name, column + end]
                # Rasters are rounded, and move the hours and days nearest to the thresholds.
                assert found == pytest.approx(value, rel=0.01, abs=half_digit(column, found) * 2)
    assert (places["chill_days"] < places["chill_days_without"]).any()
    assert (places["windy_hours"] < places["windy_hours_without"]).all()
    assert "sheep chill above 1010 on" in (result.folder / "summary.txt").read_text("utf-8")


def test_without_hours_columns_are_empty(inputs, tmp_path):
    del inputs["hourly"]
    result = shelterscape.shelter(**inputs, out=tmp_path / "o")
    places = layer(result, "places_shelter")
    for column in ("chill_days", "chill_days_without", "windy_hours", "windy_hours_without"):
        assert places[column].isna().all()
    assert "stock places" not in (result.folder / "summary.txt").read_text("utf-8")


def test_hours_need_places_and_their_columns(inputs, tmp_path):
    with pytest.raises(InputError, match="no column 'time'") as error:
        shelterscape.shelter(**inputs | {"hourly": inputs["winds"]}, out=tmp_path / "o")
    assert "hourly" in error.value.hint
    del inputs["places"]
    with pytest.raises(InputError, match="there are none") as error:
        shelterscape.shelter(**inputs, out=tmp_path / "o")
    assert error.value.where == "hourly"


@pytest.mark.slow
def test_siting_counts_existing_and_chosen_belts(inputs, tmp_path):
    """Without chosen belts its counts are those of `shelter`; chosen belts lower them."""
    common = inputs | {"years": (2047,), "windy_ms": 3, "chill_above": 1010}
    sheltered = layer(shelterscape.shelter(**common, out=tmp_path / "a"), "places_shelter")
    siting = {"planting_year": 2027, "monte_carlo_runs": 0, "terrain": False}
    found = layer(
        shelterscape.siting(**common, **siting, budget_m=400, out=tmp_path / "b"),
        "places_with_belts",
    )
    for column in ("chill_days", "windy_hours"):
        assert found[f"{column}_without"].tolist() == sheltered[column].tolist()
        assert found[column].sum() < found[f"{column}_without"].sum()
    avoided = found["chill_days_without"] - found["chill_days"]
    assert (abs(found["chill_days_avoided"] - avoided) < 0.16).all()
    assert (found["chill_days_avoided_low"] <= found["chill_days_avoided"]).all()
    assert (found["chill_days_avoided"] <= found["chill_days_avoided_high"]).all()
    assert (found["chill_days_avoided_low"] < found["chill_days_avoided_high"]).any()
    summary = " ".join((tmp_path / "b" / "summary.txt").read_text("utf-8").split())
    assert "Chill days avoided a year by the new belts" in summary
