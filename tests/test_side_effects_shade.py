"""Position of the sun against published values and another method; shade by hand."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from affine import Affine

from shelterscape.grid import Grid
from shelterscape.science.side_effects.shade import road_shade, shaded, sun_at
from shelterscape.science.side_effects.sun import SunPositions, sun_positions, winter_day

OFF = 60.0
"""Distance of the belt from the road, m."""


def test_the_published_example_of_reda_and_andreas():
    """Solar Energy 76:577-589, 2004, example (status M): zenith 50.11162, azimuth 194.34024.

    The published zenith includes refraction of 0.0163 degrees and parallax.
    """
    times = np.array(["2003-10-17T19:30:30"], "datetime64[s]")
    found = sun_positions(times, 39.742476, -105.1786)
    assert found.elevation_deg[0] + 0.0163 == pytest.approx(90 - 50.11162, abs=0.01)
    assert found.azimuth_deg[0] == pytest.approx(194.34024, abs=0.01)


def _almanac(times: np.ndarray, latitude: float, longitude: float) -> SunPositions:
    """Low-precision formula of the Astronomical Almanac, as in Michalsky 1988 (status M).

    It goes through right ascension and sidereal time, without an equation of time.
    """
    n = (times.astype("datetime64[s]") - np.datetime64("2000-01-01T12:00:00")) / np.timedelta64(
        1, "D"
    )
    mean, anomaly = 280.460 + 0.9856474 * n, np.radians(357.528 + 0.9856003 * n)
    longitude_sun = np.radians(mean + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 0.0000004 * n)
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude_sun), np.cos(longitude_sun))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude_sun))
    sidereal = np.radians((280.46062 + 360.98564737 * n + longitude) % 360)
    hour, lat = sidereal - ascension, np.radians(latitude)
    axis = np.array(
        [
            np.cos(declination) * np.cos(hour),
            -np.cos(declination) * np.sin(hour),
            np.sin(declination),
        ]
    )
    up = np.cos(lat) * axis[0] + np.sin(lat) * axis[2]
    north = np.cos(lat) * axis[2] - np.sin(lat) * axis[0]
    return SunPositions(np.degrees(np.arcsin(up)), np.degrees(np.arctan2(axis[1], north)) % 360)


@pytest.mark.parametrize("latitude, longitude", [(56.3, 9.1), (-43.5, 172.6), (0.5, -78.0)])
def test_positions_through_a_year_agree_with_another_published_method(latitude, longitude):
    times = np.datetime64("2025-01-01T00:30", "m") + np.arange(0, 365 * 24 * 60, 3 * 60 + 7)
    ours, other = (f(times, latitude, longitude) for f in (sun_positions, _almanac))
    assert np.abs(ours.elevation_deg - other.elevation_deg).max() < 0.03
    turn = (ours.azimuth_deg - other.azimuth_deg + 180) % 360 - 180
    # Near the zenith a bearing has no meaning; arcs on the sky have.
    assert np.abs(turn * np.cos(np.radians(ours.elevation_deg))).max() < 0.03


@pytest.mark.parametrize("latitude, noon_bearing", [(55.0, 180.0), (-40.0, 0.0)])
def test_noon_of_the_shortest_day_in_either_hemisphere(latitude, noon_bearing):
    """Noon elevation is 90 − |latitude| − 23.44 (status D)."""
    found = sun_positions(winter_day(latitude, step_minutes=1), latitude, 10.0)
    noon = int(np.argmax(found.elevation_deg))
    assert found.elevation_deg[noon] == pytest.approx(90 - abs(latitude) - 23.44, abs=0.01)
    assert abs((found.azimuth_deg[noon] - noon_bearing + 180) % 360 - 180) < 0.5


def test_the_shadow_of_10_m_at_20_degrees_is_27_m_long():
    """10 / tan 20° = 27.5 m, to the north with the sun in the south (status D)."""
    edges = np.array([[[-100.0, 0.0], [100.0, 0.0]]])
    sun = SunPositions(np.array([20.0]), np.array([180.0]))
    points = np.array([[0.0, 27.0], [0.0, 28.0], [0.0, -5.0], [150.0, 10.0]])
    level = np.zeros(4)
    assert shaded(points, level, edges, np.array([10.0]), sun)[0].tolist() == [
        True,
        False,
        False,
        False,
    ]
    # On ground that falls away to the north at 10 %: s tan 20° < 10 + 0.1 s, so s < 37.9 m.
    down = np.array([[0.0, 37.5], [0.0, 38.5]])
    assert shaded(down, -0.1 * down[:, 1], edges, np.array([10.0]), sun)[0].tolist() == [
        True,
        False,
    ]


@pytest.mark.parametrize("south", [False, True])
def test_hours_of_shade_on_a_road_beside_a_belt(south):
    """A long belt on the side of the sun shades the road as long as s tan(e) < H sin(bearing)."""
    crs = "EPSG:32760" if south else "EPSG:25832"
    y0 = 5_200_000.0 if south else 6_200_000.0
    grid = Grid((100, 200), Affine(10, 0, 499_000, 0, -10, y0 + 500), crs)
    side = 1 if south else -1  # the belt is OFF metres from the road, towards the noon sun
    belt = gpd.GeoDataFrame(
        {"name": ["a"], "height_m": [10.0]},
        geometry=[shapely.LineString([(499_050, y0 + side * OFF), (500_950, y0 + side * OFF)])],
    )
    road = gpd.GeoDataFrame(
        {"name": ["lane"]}, geometry=[shapely.LineString([(499_900, y0), (500_100, y0)])], crs=crs
    )
    found = road_shade(road, belt, np.zeros(grid.shape, np.float32), grid)
    sun = sun_at(grid)
    towards_belt = np.cos(np.radians(sun.azimuth_deg)) * side
    expected = (towards_belt > 0) & (
        OFF / np.maximum(towards_belt, 1e-9) * np.tan(np.radians(sun.elevation_deg)) < 10
    )
    assert found["shade_hours"].tolist() == [pytest.approx(expected.sum() / 6)]
    assert 0.3 < found["shade_hours"].iloc[0] < found["sun_hours"].iloc[0]
    assert found["length_m"].iloc[0] == pytest.approx(200)
    beyond = [shapely.affinity.translate(belt.geometry.iloc[0], 0, -2 * side * OFF)]
    away = belt.set_geometry(beyond)
    assert road_shade(road, away, np.zeros(grid.shape, np.float32), grid).empty
