"""A toy process that copies the terrain and fails where a trap file says so, and a batch of it."""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
from batch_helpers import TOP, square, write_holdings
from run_helpers import write_dem

from shelterscape.errors import InputError
from shelterscape.grid import Grid
from shelterscape.process import Figure, Layer, Process, Raster
from shelterscape.process.inputs import TerrainInputs
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands, Block, Results, Summary, WholeMap, Work


class GroundInputs(TerrainInputs):
    """Inputs of the toy: a terrain model, and a folder of trap files."""

    traps: str = ""
    ranked: bool = False


@dataclass
class GroundData:
    """Data of the toy: elevations, and the reader of a part of the map."""

    params: GroundInputs
    reader: Reader
    elevation: Any
    grid: Grid
    rasters: dict[str, Bands]


def load(params: GroundInputs, reader: Reader) -> GroundData:
    """Read the terrain model; fail or wait where a trap file says so."""
    elevation, grid, _ = reader.terrain(params)
    _act_on_traps(Path(params.traps), reader)
    return GroundData(params, reader, elevation, grid, {"topex_deg": Bands(["one"])})


def compute(data: GroundData) -> Work[Results]:
    """Elevations inside the area, written as topex, and the outline of the area."""
    yield Block("topex_deg", 0, data.elevation)
    outline = gpd.GeoDataFrame(
        {"reason": ["here"], "area_ha": [1.0]}, geometry=[data.reader.outline], crs=data.grid.crs
    )
    return Results(layers={"not_modelled": outline[:0] if _empty(data) else outline})


def summarise(results: Results, params: GroundInputs) -> Summary:
    """Invented figures: a benefit by area, at the same cost for all."""
    if not params.ranked:
        return Summary()
    area_ha = float(results.layers["not_modelled"].area.sum()) / 1e4
    return Summary(figures={"own_benefit_ha": area_ha / 4, "cost": 1000.0 + 1e-3})


def _empty(data: GroundData) -> bool:
    area = data.reader.area
    return area is not None and (Path(data.params.traps) / f"{area.name[:60]}.empty").exists()


def _act_on_traps(traps: Path, reader: Reader) -> None:
    # Names of holdings may not be valid as file names.
    name = quote(reader.area.name, safe="")[:60] if reader.area else ""
    if (traps / f"{name}.once").exists():
        (traps / f"{name}.once").unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    if (traps / f"{name}.die").exists():
        os.kill(os.getpid(), signal.SIGKILL)
    if (traps / f"{name}.break").exists():
        raise RuntimeError("the toy broke")
    if (traps / f"{name}.refuse").exists():
        raise InputError("layer-empty", "Nothing here.", where=name, hint="Remove the trap.")
    (traps / f"{name}.{os.getpid()}.seen").touch()
    while (traps / f"{name}.wait").exists():
        reader.check_stop()
        time.sleep(0.02)


def whole_map(params: GroundInputs, reader: Reader) -> WholeMap:
    """Share nothing; the margin is three cells."""
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
        Raster("topex_deg", "one"),
        Layer("not_modelled", "polygon", ("reason", "area_ha"), "Outline."),
    ),
    ("A toy.",),
    (),
    work=__name__,
)

RANKED = replace(
    TOY,
    id="ground-ranked",
    figures=(Figure("cost", role="cost"), Figure("own_benefit_ha", role="benefit")),
)
"""The toy with figures by which holdings are ranked."""

BUILT_IN = {"ground-copy": "batch_toys:TOY", "ground-ranked": "batch_toys:RANKED"}


def toy_catchment(folder: Path, count: int = 3, **columns: Any) -> tuple[Path, Path]:
    """Write a plan of the toy and its holdings; return the paths of the plan and of the traps."""
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
    """Run the toy over its holdings, as the main function of a process."""
    from shelterscape import registry
    from shelterscape.batch import BatchOptions, run_batch

    registry.BUILT_IN.update(BUILT_IN)
    result = run_batch(
        Path(folder) / "plan.toml",
        out,
        holdings=str(Path(folder) / "holdings.gpkg"),
        options=BatchOptions(workers=int(workers), cluster=cluster or None),
    )
    sys.exit(result.exit_code)
