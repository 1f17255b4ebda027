"""Memory: estimated before the work starts, close to the real need, and checked against a limit."""

from __future__ import annotations

import json
import os
import subprocess

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from run_helpers import (
    CRS,
    NORTH,
    WEST,
    ToyData,
    call,
    command,
    environment,
    events,
    only,
    options,
    project,
    row_of,
    toy,
)

import shelterscape
from shelterscape import registry
from shelterscape.address_space import LIBRARIES_BYTES, MIB
from shelterscape.errors import InputError, UsageError
from shelterscape.files.terrain_models import grid_of, read_terrain
from shelterscape.files.vectors import LayerSize, size_of
from shelterscape.grid import Grid
from shelterscape.process import Raster
from shelterscape.process.inputs import Dem, TerrainInputs, validated
from shelterscape.process.memory import InputSizes
from shelterscape.process.stages import Bands, Block, Results
from shelterscape.runs import Step, run
from shelterscape.runs.memory import MACHINE_SHARE, estimated_bytes, machine_bytes, work_bytes

CELL_M = 5.0


def ground(folder, side):
    """Undulating ground of a number of cells per side."""
    row, col = np.mgrid[:side, :side].astype("float32")
    height = (50 + 20 * np.sin(col / 40) * np.cos(row / 55)).astype("float32")
    profile = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    path = folder / "dem.tif"
    with rasterio.open(path, "w", crs=CRS, transform=affine, **profile) as data:
        data.write(height, 1)
    return path


def belts(folder, side):
    """Belts as dense as in a hedged landscape: about 12 per square kilometre."""
    count = max(3, round(12 * (side * CELL_M / 1000) ** 2))
    rng = np.random.default_rng(5)
    start = (WEST, NORTH) + rng.uniform(0, side * CELL_M, (count, 2)) * (1, -1)
    steps = rng.normal(0, 60, (count, 4, 2)).cumsum(axis=1)
    lines = [shapely.LineString(place + step) for place, step in zip(start, steps, strict=True)]
    frame = gpd.GeoDataFrame({"height_m": rng.uniform(3, 18, count)}, geometry=lines, crs=CRS)
    path = folder / "belts.gpkg"
    frame.to_file(path, layer="belts", driver="GPKG")
    return path


def canopy(folder, side):
    """Canopy of uneven rows three cells wide, one in 30 cells."""
    rng = np.random.default_rng(6)
    height = rng.uniform(5.0, 9.0, (side, side)).astype("float32")
    height[np.arange(side) % 30 > 2] = 0.0
    profile = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    path = folder / "canopy.tif"
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    with rasterio.open(path, "w", crs=CRS, transform=affine, **profile) as data:
        data.write(height, 1)
    return path


@pytest.mark.slow
@pytest.mark.parametrize("side", [300, 1200, 2800])
@pytest.mark.parametrize(
    ("process", "more"),
    [
        ("exposure", ()),
        ("exposure", ("--limit-m", "3000")),
        ("shelter", ("--season", "in-leaf")),
        ("shelter", ("--year", "surveyed,2040,2060")),
        ("shelter", ("--season", "bare", "--by-direction")),
        ("trace-belts", ()),
    ],
    ids=["near", "far", "one season", "six cases", "by direction", "traced"],
)
def test_the_estimate_is_between_the_peak_and_twice_the_peak(tmp_path, process, more, side):
    """The peak is measured by the system for a separate operating-system process."""
    words = ["--dem", ground(tmp_path, side), "--winds", "30,120,240", *more]
    if process == "trace-belts":
        words = ["--canopy", canopy(tmp_path, side)]
    if process == "shelter":
        words += ["--belts", belts(tmp_path, side)]
    done = subprocess.run(
        command(process, *words, "--out", tmp_path / "out"),
        env=environment(),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    reported = json.loads((tmp_path / "out" / "timings.json").read_text("utf-8"))
    peak, estimate = reported["peak_memory_mib"], reported["estimated_memory_mib"]
    assert peak <= estimate <= 2 * peak, f"estimate {estimate} MiB, peak {peak} MiB"


def test_work_beyond_the_limit_is_refused_with_the_number(tmp_path, capsys):
    given = project(tmp_path / "project")
    words = ["shelter", *options(given), "--out", tmp_path / "out", "--memory-limit"]
    assert call([*words, "0.1", "--json"]) == 3
    (error,) = events(capsys.readouterr().out)
    assert error["code"] == "memory-short"
    assert error["where"] == "shelter"
    needed = estimated_bytes(
        registry.find("shelter"), validated(registry.find("shelter").inputs, given, "")
    )
    assert f"{needed / MIB:.1f} MiB needed" in error["value"]
    assert "60 × 60 cells, 2 belts; 102.4 MiB may be used" in error["value"]
    assert "--memory-limit" in error["hint"]
    assert [path.name for path in tmp_path.iterdir()] == ["project"]
    assert call([*words, "16"]) == 0


@pytest.mark.parametrize("limit", ["0", "-1", "nan"])
def test_impossible_limits_are_refused(tmp_path, capsys, limit):
    given = project(tmp_path / "project")
    words = ["shelter", *options(given), "--out", tmp_path / "out"]
    assert call([*words, f"--memory-limit={limit}"]) == 2
    assert limit in capsys.readouterr().err
    with pytest.raises(UsageError):
        shelterscape.shelter(**given, out=tmp_path / "out", memory_limit_gib=float(limit))
    assert [path.name for path in tmp_path.iterdir()] == ["project"]


def test_the_default_limit_is_four_fifths_of_the_memory_of_the_machine(tmp_path, monkeypatch):
    given = project(tmp_path / "project")
    process = registry.find("shelter")
    needed = estimated_bytes(process, validated(process.inputs, given, ""))
    monkeypatch.setattr(
        "shelterscape.runs.memory.machine_bytes", lambda: int(needed / MACHINE_SHARE) - 2
    )
    with pytest.raises(InputError) as caught:
        shelterscape.shelter(**given, out=tmp_path / "out")
    assert caught.value.code == "memory-short"
    assert "80 % of the" in caught.value.value
    monkeypatch.setattr(
        "shelterscape.runs.memory.machine_bytes", lambda: int(needed / MACHINE_SHARE) + 2
    )
    shelterscape.shelter(**given, out=tmp_path / "out")
    # Where the memory of the machine is unknown there is no limit.
    monkeypatch.setattr("shelterscape.runs.memory.machine_bytes", lambda: None)
    shelterscape.shelter(**given, out=tmp_path / "out", overwrite=True)


def test_a_container_may_hold_less_than_its_machine(tmp_path):
    whole = machine_bytes(tmp_path)
    assert whole is not None
    assert whole > 2**28
    (tmp_path / "memory.max").write_text("max\n")
    assert machine_bytes(tmp_path) == whole
    (tmp_path / "memory.max").write_text("1048576\n")
    assert machine_bytes(tmp_path) == 1048576
    (tmp_path / "memory").mkdir()
    (tmp_path / "memory" / "memory.limit_in_bytes").write_text("4096\n")
    assert machine_bytes(tmp_path) == 4096


def test_a_huge_model_is_refused_by_its_header(tmp_path):
    """A header may state any size; no memory of that size is used."""
    profile = {"driver": "GTiff", "height": 200_000, "width": 200_000, "count": 1}
    sparse = {"dtype": "float32", "tiled": True, "blockxsize": 8192, "blockysize": 8192}
    dem = tmp_path / "dem.tif"
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    with rasterio.open(
        dem, "w", crs=CRS, transform=affine, SPARSE_OK=True, BIGTIFF="YES", **profile, **sparse
    ):
        pass
    assert dem.stat().st_size < 100_000
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(dem=dem, winds="210", out=tmp_path / "out", memory_limit_gib=64.0)
    assert caught.value.code == "file-unreadable"
    # A plausible file size; a sparse file takes no space on the disk.
    os.truncate(dem, 100_000_000)
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(dem=dem, winds="210", out=tmp_path / "out", memory_limit_gib=64.0)
    assert caught.value.code == "memory-short"
    assert "200,000 × 200,000 cells" in caught.value.value
    assert [path.name for path in tmp_path.iterdir()] == ["dem.tif"]


@pytest.mark.parametrize("name", registry.ids())
def test_larger_inputs_never_need_less_memory(name):
    process = registry.find(name)
    if not issubclass(process.inputs, TerrainInputs):
        return
    fields = {n: "210" for n, f in process.inputs.model_fields.items() if f.is_required()}
    params = process.inputs.model_construct(
        **{
            n: f.get_default(call_default_factory=True)
            for n, f in process.inputs.model_fields.items()
        }
        | fields
    )

    def bytes_for(side, vertices):
        grid = Grid((side, side), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), CRS)
        sizes = InputSizes(grid, side * side, {"belts": LayerSize(1, vertices, 1)}, 8)
        return work_bytes(process, params, sizes)

    assert bytes_for(10, 0) < bytes_for(100, 0) <= bytes_for(100, 10_000) < bytes_for(1000, 10_000)


# ---- sizes from headers of files


def test_the_grid_from_the_header_equals_the_grid_that_is_read(tmp_path):
    """Also for rotated, oblong and reprojected models."""
    profile = {"driver": "GTiff", "height": 30, "width": 50, "count": 1, "dtype": "float32"}
    upright = Affine(10, 0, WEST, 0, -10, NORTH)
    cases = {
        "plain": (upright, CRS, None),
        "oblong": (upright * Affine.scale(1, 2), CRS, None),
        "turned": (upright * Affine.rotation(20), CRS, None),
        "south-up": (upright * Affine.scale(1, -1), CRS, None),
        "elsewhere": (upright, CRS, "EPSG:25833"),
        "degrees": (Affine(0.001, 0, 9, 0, -0.001, 55), "EPSG:4326", CRS),
    }
    for name, (affine, crs, to_crs) in cases.items():
        path = tmp_path / f"{name}.tif"
        with rasterio.open(path, "w", crs=crs, transform=affine, **profile) as data:
            data.write(np.ones((30, 50), "float32"), 1)
        _, read, _ = read_terrain(str(path), to_crs=to_crs)
        reported, cells = grid_of(str(path), to_crs=to_crs)
        assert cells == 1500
        assert reported.shape == read.shape, name
        assert np.allclose(reported.affine, read.affine), name
        assert reported.crs == read.crs, name


def test_the_size_of_a_layer_counts_features_on_the_grid(tmp_path):
    given = project(tmp_path / "project")
    grid, _ = grid_of(given["dem"])
    far = [
        shapely.LineString([(WEST - 9e4 - i, NORTH), (WEST - 9e4, NORTH - 50)]) for i in range(7)
    ]
    near = [shapely.LineString([(WEST + 50 + i, NORTH - 50 - i) for i in range(100)])]
    frame = gpd.GeoDataFrame(geometry=[*far, *near, None], crs=CRS)
    for crs in (CRS, "EPSG:4326"):
        path = tmp_path / "layer.gpkg"
        frame.to_crs(crs).to_file(path, layer="belts", driver="GPKG")
        size = size_of(str(path), "belt layer", grid)
        assert (size.features, size.read_features) == (1, 9)
        assert 100 <= size.vertices <= 101
        assert size_of(str(path), "belt layer").features == 8


def test_a_step_that_reads_an_earlier_output_is_estimated_when_it_starts(tmp_path):
    """Its size is not known before; the record has the largest estimate of all steps."""
    project(tmp_path / "project")

    class Ground(TerrainInputs):
        dem: Dem

    def load(params, reader):
        elevation, grid, _ = reader.terrain(params)
        data = ToyData(params, reader, grid, {"first": Bands(["one"])})
        data.elevation = elevation
        return data

    def write(data):
        yield Block("first", 0, data.elevation)
        return Results()

    seen = []

    def bytes_needed(params, sizes):
        seen.append((params.dem, sizes.cells))
        return 1e6 * sizes.cells

    outputs = (Raster("first", "one", "topex_deg"),)
    options = {"inputs": Ground, "work_bytes": bytes_needed}
    process = toy(write, outputs, "first", load=load, **options)
    later = toy(only(toy_areas=row_of()), process_id="later", **options)
    dem = str(tmp_path / "project" / "dem.tif")
    steps = [
        Step(process, Ground(dem=dem)),
        Step(later, Ground(dem="step:first/first")),
    ]
    with pytest.raises(InputError) as caught:
        run(steps, tmp_path / "out", memory_limit_gib=1.0)
    assert caught.value.where == "first"
    assert len(seen) == 1
    result = run(steps, tmp_path / "out", memory_limit_gib=16.0)
    assert [cells for _, cells in seen[1:]] == [3600, 3600]
    assert seen[-1][0].endswith("first.tif")
    reported = json.loads((result.folder / "timings.json").read_text("utf-8"))
    assert reported["estimated_memory_mib"] == round((LIBRARIES_BYTES + 3.6e9) / 2**20)


SCHEME = """
name = "Hill"
rules_date = 2026-01-01
source = "made up for tests"
status = "invented"
currency = "EUR"
[qualify]
categories = ["shelter priority"]
max_gap_m = 20
[[pay]]
what = "planting"
kind = "capital"
per = "ha"
amount = 6000
"""


@pytest.mark.slow
@pytest.mark.parametrize("count", [30, 3000])
def test_the_estimate_of_grants_is_between_the_peak_and_twice_the_peak(tmp_path, count):
    rng = np.random.default_rng(3)
    start = (WEST, NORTH) + rng.uniform(0, 20_000, (count, 2)) * (1, -1)
    steps = rng.normal(0, 60, (count, 4, 2)).cumsum(axis=1)
    lines = [shapely.LineString(place + step) for place, step in zip(start, steps, strict=True)]
    columns = {"width_m": 12.0, "holding_id": [f"H{n % 40}" for n in range(count)]}
    frame = gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)
    frame.to_file(tmp_path / "belts.gpkg", layer="belts", driver="GPKG")
    area = shapely.box(WEST, NORTH - 20_000, WEST + 20_000, NORTH)
    areas = gpd.GeoDataFrame({"category": ["shelter priority"]}, geometry=[area], crs=CRS)
    areas.to_file(tmp_path / "areas.gpkg", layer="areas", driver="GPKG")
    scheme = tmp_path / "scheme.toml"
    scheme.write_text(SCHEME, encoding="utf-8")
    words = ["--belts", tmp_path / "belts.gpkg", "--scheme", scheme, "--start-year", 2027]
    words += ["--grant-area", tmp_path / "areas.gpkg", "--out", tmp_path / "out"]
    done = subprocess.run(
        command("grant-overlay", *words),
        env=environment(),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    reported = json.loads((tmp_path / "out" / "timings.json").read_text("utf-8"))
    peak, estimate = reported["peak_memory_mib"], reported["estimated_memory_mib"]
    assert peak <= estimate <= 2 * peak, f"estimate {estimate} MiB, peak {peak} MiB"
