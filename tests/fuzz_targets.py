"""The targets of fuzz tests: functions that read input from people, files and other programs.

Each target takes bytes and a folder. It may succeed, or end with one of our own errors with all
fields. Anything else is a finding. `test_fuzz` chooses inputs with hypothesis, `fuzz` by coverage.
"""

from __future__ import annotations

import contextlib
import io
import os
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

from affine import Affine
from run_helpers import CRS, NORTH, WEST, project

from shelterscape import cli, runs
from shelterscape.errors import CODES, InputError, InternalError, ShelterscapeError
from shelterscape.files.tables import directions_in, read_winds
from shelterscape.files.terrain_models import grid_of, read_terrain
from shelterscape.files.vectors import read_layer, size_of
from shelterscape.grid import Grid
from shelterscape.plan import read_plan
from shelterscape.science import belts, places
from shelterscape.science.growth import parse_local_height
from shelterscape.science.wind import choose_subset, equal_winds
from shelterscape.science.wind_tables import wind_sets

GRID = Grid((60, 60), Affine(10, 0, WEST, 0, -10, NORTH), CRS)
LARGEST_CELLS = 4_000_000
"""Largest terrain model that is read; a file may claim any size, and a run checks its memory."""


def outcome(target: Callable[[bytes, Path], None], data: bytes, folder: Path) -> str:
    """The error code with which a target ended, ``done`` without an error; findings are raised.

    Raises
    ------
    AssertionError
        When one of our errors lacks a field.
    """
    try:
        with warnings.catch_warnings():
            # A warning of a library about a malformed file is not a finding.
            warnings.simplefilter("ignore")
            target(data, folder)
    except InternalError:
        raise
    except ShelterscapeError as error:
        assert error.code in CODES
        assert error.what
        assert str(error)
        error.fields()
        return error.code
    return "done"


def _kept(data: bytes, folder: Path, name: str) -> str:
    path = folder / name
    path.write_bytes(data)
    return str(path)


def plan(data: bytes, folder: Path) -> None:
    """A plan file."""
    read_plan(_kept(data, folder, "plan.toml"))


def winds(data: bytes, folder: Path) -> None:
    """A wind table, with its subsets and their weights."""
    frame, _ = read_winds(_kept(data, folder, "winds.csv"))
    sets, _ = wind_sets(frame, "winds.csv")
    for one in sets.values():
        assert abs(one.weights(2.0).sum() - 1.0) < 1e-6
        assert (one.sector_deg() >= 0).all()
    choose_subset(sets, "", ("winter",), "winds")


def words(data: bytes, folder: Path) -> None:
    """Short texts of options: wind directions, local heights."""
    text = data.decode("utf-8", "replace")
    directions = directions_in(text)
    if directions is not None:
        equal_winds(directions, "winds").weights()
    parse_local_height(text)


def _features(data: bytes, folder: Path, name: str) -> None:
    source = _kept(data, folder, name)
    size_of(source, "belt layer", GRID)
    frame, _ = read_layer(source, GRID, "belt layer")
    with contextlib.suppress(InputError):
        places.complete(frame, "places")
    belts.belts_in_season(belts.complete(frame, "belts")[0], "bare")


def geojson(data: bytes, folder: Path) -> None:
    """Belts and places from text."""
    _features(data, folder, "belts.geojson")


def geopackage(data: bytes, folder: Path) -> None:
    """Belts and places from a database."""
    _features(data, folder, "belts.gpkg")


def _terrain(source: str) -> None:
    grid, cells = grid_of(source)
    if max(cells, grid.shape[0] * grid.shape[1]) > LARGEST_CELLS:
        return
    elevation, read, _ = read_terrain(source)
    assert elevation.shape == read.shape == grid.shape


def text_grid(data: bytes, folder: Path) -> None:
    """A terrain model as text, its coordinate system beside it."""
    (folder / "dem.prj").write_text(GRID.crs.to_wkt("WKT1_ESRI"), encoding="utf-8")
    _terrain(_kept(data, folder, "dem.asc"))


def geotiff(data: bytes, folder: Path) -> None:
    """A terrain model as an image."""
    _terrain(_kept(data, folder, "dem.tif"))


WORDS = (
    "shelter", "exposure", "run", "list", "describe", "check-setup", "demo", "--dem", "--winds",
    "--belts", "--places", "--season", "--year", "--out", "--overwrite", "--json", "--field",
    "--memory-limit", "--at-height-m", "--speed-exponent", "--curve", "--combine", "--ends",
    "--no-ends", "--purpose", "--subset", "--local-height", "--limit-m", "--crs", "--to-crs",
    "--z-unit", "--by-direction", "--help", "--version", "dem.tif", "belts.gpkg",
    "belts.gpkg:belts", "210,240", "in-leaf", "bare", "2040", "surveyed", "out", "lambing", "mid",
    "EPSG:25832", "EPSG:4326", "belts.height_m=HGT", "ash 9 m at 25", "16", "0", "-1", "nan",
    "1e999", "plan.toml", "--", "=", "--no-pictures",
)  # fmt: skip
"""Words of `command_line` that one byte below 128 selects."""


def words_of(data: bytes) -> list[str]:
    """Words of a command: lines of text, or entries of `WORDS` by number."""
    found = []
    for line in data.split(b"\n")[:24]:
        if len(line) == 1 and line[0] < 128:
            found.append(WORDS[line[0] % len(WORDS)])
        else:
            found.append(line.decode("utf-8", "surrogateescape"))
    return found


def _not_computed(*_: object) -> None:
    raise InputError("input-refused", "Not calculated.", hint="Nothing.")


def _as_it_is(error: Exception) -> None:
    raise error


@contextlib.contextmanager
def _inside(folder: Path) -> Iterator[None]:
    """Work in a folder, without calculating, and raise unexpected errors."""
    here, unexpected, work = Path.cwd(), cli._unexpected, runs._run_steps
    os.chdir(folder)
    cli._unexpected, runs._run_steps = _as_it_is, _not_computed
    try:
        yield
    finally:
        cli._unexpected, runs._run_steps = unexpected, work
        os.chdir(here)


def command_line(data: bytes, folder: Path) -> None:
    """A command, up to the point where the calculation would start."""
    here = folder / "here"
    if not here.exists():
        project(here)
    before = sorted(path.name for path in here.iterdir())
    with (
        _inside(here),
        contextlib.redirect_stdout(io.StringIO()),
        contextlib.redirect_stderr(io.StringIO()),
    ):
        try:
            cli.main(words_of(data))
        except SystemExit as left:
            # 1 is allowed for check-setup, which checks the machine, not the words.
            allowed = (0, 1, 2, 3, 4) if "check-setup" in words_of(data) else (0, 2, 3, 4)
            assert (left.code or 0) in allowed, left.code
    assert sorted(path.name for path in here.iterdir()) == before


TARGETS = (plan, winds, words, geojson, geopackage, text_grid, geotiff, command_line)


def seeds(folder: Path) -> dict[str, list[bytes]]:
    """Valid inputs for each target."""
    import geopandas as gpd

    given = project(folder / "seeds")
    frame = gpd.read_file(given["belts"])
    rows = "\n".join(f"winter,{d},{f},{u},2" for d, f, u in ((0, 0.3, 4), (90, 0.3, 6)))
    table = (
        f"# measuring height: 10\nsubset,direction_deg,frequency,mean_speed_ms,weibull_k\n{rows}"
    )
    grid = (
        "ncols 4\nnrows 3\nxllcorner 388000\nyllcorner 6123000\ncellsize 10\nnodata_value -9999\n"
    )
    numbered = {word: bytes([i]) for i, word in enumerate(WORDS)}

    def encoded(text: str) -> bytes:
        return b"\n".join(numbered.get(word, word.encode()) for word in text.split())

    return {
        "plan": [(Path(__file__).parents[1] / "sample_gis" / "plan.toml").read_bytes()],
        "winds": [f"{table}\nwinter,calm,0.4,,\n".encode()],
        "words": [b"210,240,270", b"ash 9 m at 25", b"beech 12.5 m at 40"],
        "geojson": [frame.to_crs(4326).to_json().encode(), frame.to_json().encode()],
        "geopackage": [Path(given["belts"]).read_bytes()],
        "text_grid": [f"{grid}1 2 3 4\n5 -9999 7 8\n9 10 11 12\n".encode()],
        "geotiff": [_small_tiff(folder)],
        "command_line": [
            encoded("shelter --dem dem.tif --winds 210,240 --belts belts.gpkg:belts --out out"),
            encoded("exposure --dem dem.tif --winds 210,240 --limit-m 16 --out out --json"),
            encoded("describe shelter --json"),
            encoded("shelter --dem dem.tif --winds 210,240 --belts belts.gpkg --year 2040 "
                 "--season bare --memory-limit 16 --field belts.height_m=HGT --out out"),
        ],
    }  # fmt: skip


def _small_tiff(folder: Path) -> bytes:
    import numpy as np
    import rasterio

    path = folder / "small.tif"
    profile = {"driver": "GTiff", "height": 3, "width": 4, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", crs=CRS, transform=GRID.affine, nodata=-9999, **profile) as data:
        data.write(np.arange(12, dtype="float32").reshape(1, 3, 4))
    return path.read_bytes()
