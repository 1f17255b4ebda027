"""Example inputs of every process, for attacks: the sample, cut to a map of 40 × 40 cells.

The steps are those of ``sample_gis/plan.toml``, where a test requires every process to be. So a new
process is attacked without a line here.
"""

from __future__ import annotations

import gzip
import shutil
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import rasterio
import shapely
from rasterio.windows import Window, from_bounds

from shelterscape import registry, runs
from shelterscape.cli.process_command import option_name
from shelterscape.files.local import split_layer
from shelterscape.plan import read_plan
from shelterscape.process import Process
from shelterscape.process.inputs import WITH_LAYERS, named_in, sources
from shelterscape.runs import STEP_PREFIX

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"
INPUTS = "in"
"""Name of the folder of inputs, in the folder of each case."""

FIRST_ROW, FIRST_COL, SIDE = 380, 428, 40
"""The part of the sample: a lambing field with belts, a line drawn on it and a river."""

HOURS = 8760
CHEAPER: dict[str, Any] = {
    "seasons": ["bare"],
    "years": ["surveyed"],
    "monte_carlo_runs": 2,
    "sectors": 8,
    "limit_m": 200,
    # Existing belts of the part shelter sufficient ground: nothing would be chosen.
    "stock_benefit": "whole area",
}
"""Inputs of all processes that have them, so that a run takes a fraction of a second."""


MEASURED_BELTS = (
    "Quennock tree belt 5",
    "Orrelby hedge 2",
    "Orrelby hedge 3",
    "Orrelby hedge 4",
    "Orrelby hedge 6",
)
"""Belts of the readings, the photographs and the survey, which name them."""


def write_inputs(folder: Path) -> None:
    """Write the plan of the sample and what it names, cut to the map."""
    folder.mkdir(parents=True)
    with rasterio.open(SAMPLE / "dem.tif") as data:
        box = shapely.box(*data.window_bounds(Window(FIRST_COL, FIRST_ROW, SIDE, SIDE)))
    for path in SAMPLE.glob("*.tif"):
        _cut_raster(path, folder / path.name, box)
    plan = whole_plan()
    for path in SAMPLE.iterdir():
        if path.suffix == ".gpkg":
            named = [n for n, _ in pyogrio.list_layers(path) if f'"{path.name}:{n}"' in plan]
            for layer in named:
                whole = gpd.read_file(path, layer=layer)
                cut = _cut(whole, box)
                if layer == "belts":
                    measured = [_moved(whole[whole["name"] == n], box) for n in MEASURED_BELTS]
                    cut = pd.concat([cut, *measured], ignore_index=True)
                cut.to_file(folder / path.name, layer=layer, driver="GPKG")
        elif path.suffix == ".gz":
            with gzip.open(path, "rt") as stream:
                lines = stream.readlines()[: HOURS + 2]
            with gzip.open(folder / path.name, "wt") as stream:
                stream.writelines(lines)
        elif path.suffix in (".toml", ".csv", ".jpg"):
            shutil.copy(path, folder)
    (folder / "plan.toml").write_text(plan, encoding="utf-8")


def _cut_raster(source: Path, target: Path, box: shapely.Polygon) -> None:
    """The cells of a raster on the map."""
    with rasterio.open(source) as data:
        window = from_bounds(*box.bounds, data.transform).round()
        profile = {
            **{key: data.profile[key] for key in ("driver", "dtype", "count", "crs", "nodata")},
            "width": window.width,
            "height": window.height,
            "transform": data.window_transform(window),
        }
        with rasterio.open(target, "w", **profile) as part:
            part.write(data.read(window=window))
            part.scales = data.scales


def _cut(frame: gpd.GeoDataFrame, box: shapely.Polygon) -> gpd.GeoDataFrame:
    """The features on the map; where there is none, one of them is moved there."""
    found = frame[frame.intersects(box)]
    if found.empty:
        found = _moved(frame.iloc[:1], box)
    return found.set_geometry(found.intersection(box.buffer(50.0)))


def _moved(feature: gpd.GeoDataFrame, box: shapely.Polygon) -> gpd.GeoDataFrame:
    """One feature in the middle of the map."""
    there, here = feature.geometry.iloc[0].centroid, box.centroid
    return feature.set_geometry(feature.translate(here.x - there.x, here.y - there.y))


def as_toml(value: Any) -> str:
    """A value as TOML; the standard library reads TOML but does not write it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        plain = "".join(
            c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in value
        )
        return f'"{plain}"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(as_toml(one) for one in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_toml(k)} = {as_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)


def plan_text(steps: list[dict[str, Any]]) -> str:
    """A plan of some steps, each with all its inputs."""
    return "".join(
        "[[step]]\n" + "".join(f"{key} = {as_toml(value)}\n" for key, value in step.items())
        for step in steps
    )


def whole_plan() -> str:
    """The plan of the sample, with cheaper inputs."""
    plan = tomllib.loads((SAMPLE / "plan.toml").read_text(encoding="utf-8"))
    shared = plan["inputs"] | plan["cases"]
    steps = []
    for step in plan["step"]:
        fields = registry.find(step["process"]).inputs.model_fields
        cheaper = {key: value for key, value in CHEAPER.items() if key in fields}
        steps.append({k: v for k, v in shared.items() if k in fields} | step | cheaper)
    return plan_text(steps)


@dataclass(frozen=True)
class Named:
    """A data set that an input names: its file below the folder of a case, and its layer."""

    field: str
    kind: str
    file: str
    layer: str = ""


@dataclass(frozen=True)
class Example:
    """A process with inputs; paths are relative to the folder of a case.

    Parameters
    ----------
    process : Process
    values : dict
        Inputs by name, as in a plan.
    """

    process: Process
    values: dict[str, Any]

    @property
    def words(self) -> list[str]:
        """The command without its output folder."""
        words, named = [self.process.id], sources(self.process.inputs)
        for field, value in self.values.items():
            option = option_name(field)
            if isinstance(value, bool):
                words.append(option if value else f"--no-{option[2:]}")
            elif isinstance(value, (list, tuple)) and field not in named:
                words += [option, ",".join(map(str, value))]
            elif isinstance(value, dict):
                words += [word for k, v in value.items() for word in (option, f"{k}={v}")]
            else:
                several = value if isinstance(value, (list, tuple)) else [value]
                words += [word for one in several for word in (option, str(one))]
        return words

    @property
    def step(self) -> dict[str, Any]:
        """The step of a plan."""
        return {"process": self.process.id, **self.values}

    @cached_property
    def named(self) -> list[Named]:
        """All data sets of the inputs."""
        found = []
        for field, source in sources(self.process.inputs).items():
            for text in named_in(self.values.get(field)):
                if source.kind in WITH_LAYERS and "/" in text:
                    file, layer = split_layer(text)
                    found.append(Named(field, source.kind, file, layer))
                elif "/" in text:
                    found.append(Named(field, source.kind, text))
        return found

    def of_kind(self, *kinds: str) -> list[Named]:
        """Data sets of some kinds of source."""
        return [one for one in self.named if one.kind in kinds]

    def changed(self, **values: Any) -> Example:
        """The same with other values; None removes an input."""
        both = self.values | values
        return Example(self.process, {k: v for k, v in both.items() if v is not None})


def examples(inputs: Path, results: Path) -> dict[str, Example]:
    """An example of each process, from the plan and its results.

    Parameters
    ----------
    inputs : Path
        Folder with the plan. Outputs that later steps read are copied into it.
    results : Path
        Results of the plan.
    """
    steps = read_plan(inputs / "plan.toml").steps
    found = {}
    for step in steps:
        fed = sources(type(step.params))
        params = runs._resolved(step, steps, results)
        values = params.model_dump(mode="python", include=params.model_fields_set)
        for field in fed:
            if isinstance(values.get(field), tuple):
                values[field] = tuple(_inside(t, inputs, results) for t in values[field])
            elif field in values:
                values[field] = _inside(values[field], inputs, results)
        found[step.process.id] = Example(step.process, values)
    return found


def _inside(text: str, inputs: Path, results: Path) -> str:
    """A path of the plan, relative to the folder of a case."""
    assert not text.startswith(STEP_PREFIX)
    file, layer = split_layer(text)
    path = Path(file)
    if path.is_relative_to(results):
        copied = inputs / f"made-{path.name}"
        shutil.copy(path, copied)
        path = copied
    if not path.is_relative_to(inputs):
        return text
    return f"{INPUTS}/{path.relative_to(inputs)}" + (f":{layer}" if layer else "")
