"""Memory of `siting`: the estimate is at least the measured peak and at most twice the peak."""

from __future__ import annotations

import json
import subprocess

import geopandas as gpd
import numpy as np
import pytest
import shapely
from run_helpers import CRS, NORTH, WEST, command, environment
from test_memory import CELL_M, belts, ground

pytestmark = pytest.mark.slow


def lines(folder, side, count=12):
    """Candidate lines of 100 m over a square map."""
    rng = np.random.default_rng(8)
    span = side * CELL_M
    start = (WEST, NORTH) + rng.uniform(0.1 * span, 0.8 * span, (count, 2)) * (1, -1)
    drawn = [shapely.LineString([place, place + np.array((70.0, -70.0))]) for place in start]
    path = folder / "lines.gpkg"
    gpd.GeoDataFrame(geometry=drawn, crs=CRS).to_file(path, layer="lines", driver="GPKG")
    return f"{path}:lines"


def fields(folder, side, purpose):
    """One field, with cattle or crops, that is the whole map."""
    span, path = side * CELL_M, folder / "fields.gpkg"
    frame = {"purpose": [purpose], "head": [50]}
    square = shapely.box(WEST, NORTH - span, WEST + span, NORTH)
    gpd.GeoDataFrame(frame, geometry=[square], crs=CRS).to_file(path, layer="fields", driver="GPKG")
    return f"{path}:fields"


STOCK = ("--places", "FIELDS", "--candidate-types", "drawn")


@pytest.mark.parametrize(
    ("side", "directions", "more"),
    [
        (300, 3, ("--monte-carlo-runs", "2")),
        (1000, 12, ("--candidate-types", "drawn", "--monte-carlo-runs", "2")),
        (1000, 4, ("--no-terrain", "--monte-carlo-runs", "0", "--candidate-types", "drawn")),
        (1000, 4, (*STOCK, "--stock-benefit", "sufficient ground", "--monte-carlo-runs", "2")),
        (1000, 4, (*STOCK, "--aim", "fewest metres", "--monte-carlo-runs", "2")),
        (1000, 4, (*STOCK, "--no-terrain", "--purpose", "crop", "--monte-carlo-runs", "0")),
    ],
    ids=["small", "many directions", "flat terrain", "sufficient ground", "targets", "crops"],
)
def test_the_estimate_is_between_the_peak_and_twice_the_peak(tmp_path, side, directions, more):
    """The peak is that measured by the operating system for a process that runs only this job."""
    winds = ",".join(f"{360 * i / directions:g}" for i in range(directions))
    words = ["--dem", ground(tmp_path, side), "--belts", belts(tmp_path, side), "--winds", winds]
    words += ["--candidate-lines", lines(tmp_path, side), "--planting-year", "2027"]
    if "--places" in more:
        place_layer = fields(tmp_path, side, "crop" if "crop" in more else "outwintering stock")
        more = [place_layer if word == "FIELDS" else word for word in more]
    budget = () if "--aim" in more else ("--budget-m", "500")
    done = subprocess.run(
        command("siting", *words, *budget, *more, "--out", tmp_path / "out"),
        env=environment(),
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    reported = json.loads((tmp_path / "out" / "timings.json").read_text("utf-8"))
    peak, estimate = reported["peak_memory_mib"], reported["estimated_memory_mib"]
    print(f"estimate {estimate} MiB, peak {peak} MiB")  # noqa: T201
    assert peak <= estimate <= 2 * peak, f"estimate {estimate} MiB, peak {peak} MiB"
