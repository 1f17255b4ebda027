"""Pages of the Python interface, made from the signatures and docstrings of public functions."""

from __future__ import annotations

import importlib
import inspect
import re
from collections.abc import Iterator
from types import ModuleType
from typing import Any

MODULES = {
    "grid": "Position of cells, and compass directions.",
    "process.stages": "Run the stages of a process on arrays.",
    "science.terrain": "Horizons, topex, upwind slope and terrain wind.",
    "science.belts": "Belts: columns, defaults and leaf states.",
    "science.growth": "Heights of trees and belts by age.",
    "science.belt_growth": "Heights and porosities of belts in future years.",
    "science.shelter": "Relative wind beside belts.",
    "science.site_wind": "Site wind: terrain wind and belts together.",
    "science.zones": "Zones of relative wind.",
    "science.places": "Means over places, and sheltered corners for stock.",
    "science.wind": "Wind sets and their weights.",
    "science.grants": "Grant payments for belts.",
    "kernels.shelter_curves": "Shelter curves: relative wind beside one belt.",
}
"""Modules of the interface and their purpose, in reading order."""

SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)


def api_pages() -> dict[str, str]:
    """Every page of the interface by its path below docs/."""
    made = {f"api/{name.replace('.', '_')}.md": _page(name, MODULES[name]) for name in MODULES}
    rows = [f"- [{n}]({n.replace('.', '_')}.md): {text}" for n, text in MODULES.items()]
    made["api/index.md"] = (
        "# From Python\n\n"
        "Every process is a function of the package: `shelterscape.exposure(...)`, "
        "`shelterscape.shelter(...)`; see [processes](../processes/index.md). "
        "`state = shelterscape.prepare_siting(...)` reads the inputs of `siting` once; "
        "`state.evaluate(lines)` then returns what drawn lines add: benefit, places that reach "
        "their target, cost, and what was removed from the lines. The functions below "
        "work on arrays, a `Grid` and tables, and open no file. Renamed names are listed in the "
        "[changelog](../../CHANGELOG.md).\n\n" + "\n".join(rows) + "\n\n" + EXAMPLE
    )
    return made


EXAMPLE = """## Arrays in, arrays out

```python
import geopandas as gpd
import numpy as np
from affine import Affine
from shapely import LineString

from shelterscape.grid import Grid
from shelterscape.science.belts import complete
from shelterscape.science.shelter import relative_wind

grid = Grid((100, 100), Affine(10, 0, 388_000, 0, -10, 6_124_000), "EPSG:25832")
line = LineString([(388_300, 6_123_500), (388_700, 6_123_500)])
drawn = gpd.GeoDataFrame({"height_m": [10.0]}, geometry=[line], crs=grid.crs)
belts, notices = complete(drawn, "belts")
wind = relative_wind(belts, grid, 180.0)
print(np.round(wind[40:55:5, 50], 2))
```
"""


def _page(name: str, what: str) -> str:
    module = importlib.import_module(f"shelterscape.{name}")
    text = [f"# {name}", what, f"```python\nfrom shelterscape.{name} import ...\n```"]
    return "\n\n".join([*text, *(_entry(n, thing) for n, thing in _public(module))])


def _public(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """Public functions and classes that a module defines or offers by ``__all__``."""
    offered = getattr(module, "__all__", None)
    for name, thing in vars(module).items():
        if name.startswith("_") or not (inspect.isfunction(thing) or inspect.isclass(thing)):
            continue
        if name in offered if offered else thing.__module__ == module.__name__:
            yield name, thing


def _entry(name: str, thing: Any) -> str:
    doc = inspect.getdoc(thing) or ""
    head, *rest = SECTION.split(doc)
    sections = [_section(title, body) for title, body in zip(rest[::2], rest[1::2], strict=True)]
    signature = "" if inspect.isclass(thing) else _signature(name, thing)
    return "\n\n".join(p for p in (f"## {name}", signature, head.strip(), *sections) if p)


def _signature(name: str, function: Any) -> str:
    empty = inspect.Signature.empty
    whole = inspect.signature(function)
    bare = [_short(p.replace(annotation=empty)) for p in whole.parameters.values()]
    text = str(whole.replace(parameters=bare, return_annotation=empty))
    text = re.sub(r"<function ([\w.<>]+) at 0x[0-9a-f]+>", r"\1", text)
    return f"```python\n{name}{text}\n```"


class _Dots:
    """Takes the place of a default value too long to show."""

    def __repr__(self) -> str:
        return "..."


def _short(parameter: inspect.Parameter) -> inspect.Parameter:
    long = parameter.default is not parameter.empty and len(repr(parameter.default)) > 60
    return parameter.replace(default=_Dots()) if long else parameter


def _section(title: str, body: str) -> str:
    """A section of a docstring: lists of parameters as bullets, the rest as it is."""
    body = inspect.cleandoc("\n" + body)
    if title not in ("Parameters", "Attributes", "Returns", "Yields", "Raises"):
        return f"**{title}**\n\n{body}"
    items: list[str] = []
    for line in body.splitlines():
        if line.startswith("    ") and items:
            items[-1] += " " + line.strip()
        elif line.strip():
            kind = line.partition(" : ")
            items.append(f"- `{kind[0].strip()}`" + (f" ({kind[2]})." if kind[1] else "."))
    return f"**{title}**\n\n" + "\n".join(items)
