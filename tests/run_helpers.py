"""A small terrain model with two belts, toy processes, and functions that run them."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import types
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from shapely import LineString

from shelterscape.grid import Grid
from shelterscape.process import Inputs, Output, Process, Table
from shelterscape.process.inputs import Source
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands, Progress, Results, Work
from shelterscape.runs import Result, Step, run

CRS = "EPSG:25832"
WEST, NORTH, CELL_M, CELLS = 388_000.0, 6_124_000.0, 10.0, 60
WINDS = "210,240"


def write_dem(path: Path) -> Path:
    """A 600 m square with one round hill."""
    row, col = np.mgrid[:CELLS, :CELLS]
    height = 20.0 + 15.0 * np.exp(-((row - 25.0) ** 2 + (col - 35.0) ** 2) / 120.0)
    profile = {"driver": "GTiff", "height": CELLS, "width": CELLS, "count": 1, "dtype": "float32"}
    affine = Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH)
    with rasterio.open(path, "w", crs=CRS, transform=affine, **profile) as data:
        data.write(height.astype("float32"), 1)
    return path


def write_belts(path: Path, height_column: str = "height_m") -> Path:
    """Two belts on that terrain, 12 m and 8 m high, in the layer ``belts``."""
    lines = [
        LineString([(WEST + 150, NORTH - 450), (WEST + 300, NORTH - 300)]),
        LineString([(WEST + 350, NORTH - 150), (WEST + 500, NORTH - 150)]),
    ]
    columns = {"name": ["low", "top"], height_column: [12.0, 8.0]}
    gpd.GeoDataFrame(columns, geometry=lines, crs=CRS).to_file(path, layer="belts", driver="GPKG")
    return path


def project(folder: Path, height_column: str = "height_m") -> dict[str, Any]:
    """Write inputs of `shelter` into a folder, and return them."""
    folder.mkdir(parents=True, exist_ok=True)
    return {
        "dem": str(write_dem(folder / "dem.tif")),
        "belts": str(write_belts(folder / "belts.gpkg", height_column)),
        "winds": WINDS,
        "seasons": ("in-leaf",),
    }


def options(inputs: dict[str, Any]) -> list[str]:
    """Inputs of `shelter` as words of its command."""
    words = []
    for name, value in inputs.items():
        text = ",".join(value) if isinstance(value, tuple) else value
        words += [f"--{'season' if name == 'seasons' else name}", text]
    return words


class ToyInputs(Inputs):
    """Inputs of the toy: a word, and optionally a layer and a raster."""

    word: str = "hedge"
    belts: Annotated[str | None, Source("layer", "belt layer")] = None
    ground: Annotated[str | None, Source("raster", "terrain model")] = None


TOY_TABLE = Table("toy_areas", ("season", "area_ha"), "A table of one row.")


TINY = Grid((4, 4), Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), None)


@dataclass
class ToyData:
    """Data of a toy."""

    params: Any
    reader: Reader
    grid: Grid = TINY
    rasters: dict[str, Bands] = field(default_factory=dict)


def write_toy(data: ToyData) -> Work[Results]:
    """The one table the toy declares."""
    yield Progress(0.5, "toying")
    return Results(tables={"toy_areas": row_of(data.params.word)})


def row_of(season: str = "x", area_ha: float = 1.5) -> pd.DataFrame:
    """A table of one row."""
    return pd.DataFrame({"season": [season], "area_ha": [area_ha]})


def only(**tables: pd.DataFrame) -> Callable[[ToyData], Work[Results]]:
    """A function ``compute`` that returns the given tables."""

    def compute(data: ToyData) -> Work[Results]:
        yield Progress(0.5, "toying")
        return Results(tables=tables)

    return compute


def toy(
    compute: Callable[[ToyData], Work[Results]] = write_toy,
    outputs: tuple[Output, ...] = (TOY_TABLE,),
    process_id: str = "toy",
    *,
    inputs: type[Inputs] = ToyInputs,
    load: Callable[[Any, Reader], Any] = ToyData,
    **stages: Any,
) -> Process:
    """A process that writes one small table."""
    work = types.ModuleType(f"toy_{process_id}_{len(sys.modules)}")
    vars(work).update(load=load, compute=compute, **stages)
    sys.modules[work.__name__] = work
    return Process(process_id, "1.0.0", "A toy", "A toy.", inputs, outputs, (), (), work.__name__)


def run_toy(
    out: str | Path, process: Process | None = None, word: str = "hedge", **options: Any
) -> Result:
    """Run a toy into a folder."""
    return run([Step(process or toy(), ToyInputs(word=word))], out, **options)


def checksums(folder: Path) -> dict[str, str]:
    """Checksum of every file below a folder by its relative path."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def leftovers(folder: Path) -> list[str]:
    """Names of temporary files and folders of staging, which must not remain."""
    return sorted(path.name for path in folder.iterdir() if ".shelterscape-" in path.name)


def environment(**changes: str) -> dict[str, str]:
    """The environment for a child process that imports these helpers."""
    places = [str(Path(__file__).parent), *filter(None, [os.environ.get("PYTHONPATH")])]
    return os.environ | {"PYTHONPATH": os.pathsep.join(places)} | changes


def child(code: str, *words: object, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run Python code in another process."""
    command = [sys.executable, "-c", code, *map(str, words)]
    settings = {"env": environment(), "timeout": 120} | options
    return subprocess.run(command, capture_output=True, text=True, check=False, **settings)


def command(*words: object) -> list[str]:
    """Words that start a command in another process."""
    return [sys.executable, "-m", "shelterscape", *map(str, words)]


def events(text: str) -> list[dict[str, Any]]:
    """The events of ``--json``; fails where a line is not JSON."""
    return [json.loads(line) for line in text.splitlines()]


def call(words: Sequence[object]) -> int:
    """Run a command in this process; return its exit code."""
    from shelterscape.cli import main

    try:
        main([str(word) for word in words])
    except SystemExit as left:
        return 0 if left.code is None else int(left.code)
    return 0


def _break(*_: Any) -> None:
    raise RuntimeError("the toy broke")


TOY = toy()
BROKEN = toy(_break, process_id="broken")
IDLE = toy(only(), process_id="idle")
