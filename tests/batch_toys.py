"""A process that copies the ground and walks into traps laid for it, and a batch of it."""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
from batch_helpers import TOP, square, write_holdings
from run_helpers import write_dem

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process import Layer, Process, Raster
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands, Block, Results, WholeMap, Work


class GroundInputs(TerrainInputs):
    """What the toy asks for: ground, and a folder of traps."""

    traps: str = ""


@dataclass
class GroundData:
    """Ground, the traps, and the part of the map."""

    params: GroundInputs
    reader: Reader
    elevation: Any
    grid: Grid
    rasters: dict[str, Bands]


def load(params: GroundInputs, reader: Reader) -> GroundData:
    """Read the ground; do what the traps say."""
    elevation, grid, _ = reader.terrain(params)
    _walk_into(Path(params.traps), reader)
    return GroundData(params, reader, elevation, grid, {"topex": Bands(["one"])})


def compute(data: GroundData) -> Work[Results]:
    """The ground inside as if it were topex, and its outline."""
    yield Block("topex", 0, data.elevation)
    outline = gpd.GeoDataFrame(
        {"reason": ["here"], "area_ha": [1.0]}, geometry=[data.reader.outline], crs=data.grid.crs
    )
    return Results(layers={"not_modelled": outline[:0] if _empty(data) else outline})


def _empty(data: GroundData) -> bool:
    area = data.reader.area
    return area is not None and (Path(data.params.traps) / f"{area.name[:60]}.empty").exists()


def _walk_into(traps: Path, reader: Reader) -> None:
    # Names of holdings may be no names of files.
    name = quote(reader.area.name, safe="")[:60] if reader.area else ""
    if (traps / f"{name}.once").exists():
        (traps / f"{name}.once").unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    if (traps / f"{name}.die").exists():
        os.kill(os.getpid(), signal.SIGKILL)
    if (traps / f"{name}.break").exists():
        raise RuntimeError("the toy broke")
    if (traps / f"{name}.refuse").exists():
        raise InputError("layer-empty", "Nothing here.", where=name)
    (traps / f"{name}.{os.getpid()}.seen").touch()
    while (traps / f"{name}.wait").exists():
        reader.check_stop()
        time.sleep(0.02)


def whole_map(params: GroundInputs, reader: Reader) -> WholeMap:
    """Nothing is shared; the margin is three cells."""
    for trap in Path(params.traps).glob("prepare.*"):
        if trap.suffix == ".once":
            trap.unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    return WholeMap(30.0)


TOY = Process(
    "ground-copy",
    "1.0.0",
    "A toy",
    "A toy.",
    GroundInputs,
    (
        Raster("topex", "topex", "one"),
        Layer("not_modelled", "polygon", {"reason": "reason", "area_ha": "area"}, "Outline."),
    ),
    ("A toy.",),
    (),
    work=__name__,
)

BUILT_IN = {"ground-copy": "batch_toys:TOY"}


def toy_catchment(folder: Path, count: int = 3, **columns: Any) -> tuple[Path, Path]:
    """A plan of the toy with its holdings and traps; paths of the plan and of the traps."""
    traps = folder / "traps"
    traps.mkdir(parents=True, exist_ok=True)
    write_dem(folder / "dem.tif")
    outlines = [square(*place) for place in TOP.values()]
    ids = list(TOP)
    if count != len(TOP):
        outlines = [square(2 + 2 * (n // 28), 2 + 2 * (n % 28), 2, 2) for n in range(count)]
        ids = [f"h-{n + 1}" for n in range(count)]
    write_holdings(folder / "holdings.gpkg", outlines, ids, **columns)
    text = f'[inputs]\ndem = "dem.tif"\n[[step]]\nprocess = "ground-copy"\ntraps = "{traps}"\n'
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    return folder / "plan.toml", traps


def main(folder: str, out: str, workers: str, cluster: str = "") -> None:
    """Run the toy over its holdings as a program of its own."""
    from shelterscape import registry
    from shelterscape.batch import How, run_batch

    registry.BUILT_IN.update(BUILT_IN)
    result = run_batch(
        Path(folder) / "plan.toml",
        out,
        holdings=str(Path(folder) / "holdings.gpkg"),
        how=How(workers=int(workers), cluster=cluster or None),
    )
    sys.exit(result.exit_code)
