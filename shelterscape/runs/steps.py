"""Steps of a run, and everything their results follow from."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import rasterio

import shelterscape
from shelterscape.errors import InputError
from shelterscape.files.local import existing_file, split_layer
from shelterscape.files.record import PROGRAM, files_of
from shelterscape.files.tables import directions_in
from shelterscape.files.unchanged import InputWatch
from shelterscape.process import Inputs, Process
from shelterscape.process.area import Area
from shelterscape.process.inputs import WITH_LAYERS, Source, named_in, sources

LIBRARIES = ("numpy", "scipy", "numba", "pandas", "geopandas", "shapely", "pyproj", "rasterio")
STEP_PREFIX = "step:"


@dataclass(frozen=True)
class Step:
    """A process with checked inputs.

    Parameters
    ----------
    process : Process
    params : Inputs
    id : str
        Name by which later steps refer to it; the id of the process by default.
    """

    process: Process
    params: Inputs
    id: str = ""

    @property
    def name(self) -> str:
        """Its id, else the id of its process."""
        return self.id or self.process.id


def fed_inputs(step: Step) -> frozenset[str]:
    """Names of the inputs that an earlier step of the same run writes."""
    return frozenset(
        field
        for field in sources(type(step.params))
        if any(t.startswith(STEP_PREFIX) for t in named_in(getattr(step.params, field)))
    )


def is_fed(step: Step) -> bool:
    """Whether a step reads an output of an earlier step of the same run."""
    return bool(fed_inputs(step))


def without_references(step: Step) -> Step:
    """The step without inputs that refer to earlier steps, which are not written yet."""
    changes: dict[str, object] = {}
    for field in sources(type(step.params)):
        value = getattr(step.params, field)
        kept = tuple(text for text in named_in(value) if not text.startswith(STEP_PREFIX))
        if len(kept) < len(named_in(value)):
            changes[field] = kept if isinstance(value, tuple) else None
    return Step(step.process, step.params.model_copy(update=changes), step.id)


FilesRead = list[dict[str, Any]]


def files_read(steps: Sequence[Step], watch: InputWatch | None = None) -> FilesRead:
    """Name and checksums of every data set, by step and input.

    Parameters
    ----------
    steps : sequence of Step
    watch : InputWatch, optional
        Watches the files from now on.

    Raises
    ------
    InputError
        ``file-missing``, ``file-unreadable``, ``not-local``.
    """
    watch = InputWatch() if watch is None else watch
    return [_files_read(step, watch) for step in steps]


def key_of(steps: Sequence[Step], read: FilesRead, area: Area, pictures: bool = False) -> str:
    """Checksum of everything the results on an area follow from; equal keys, equal results."""
    content = program() | {
        "steps": [given(step, files) for step, files in zip(steps, read, strict=True)],
        "area": area.fields(),
        "pictures": pictures,
    }
    text = json.dumps(content, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


@functools.cache
def program() -> dict[str, Any]:
    """Versions of this program and of the libraries that affect its results."""
    libraries = {name: version(name) for name in LIBRARIES} | {"gdal": rasterio.gdal_version()}
    return {"program": PROGRAM, "version": shelterscape.__version__, "libraries": libraries}


def given(step: Step, files: dict[str, Any]) -> dict[str, Any]:
    """Everything the results of one step follow from; no path, date or machine."""
    return {
        "id": step.name,
        "process": step.process.id,
        "process_version": step.process.version,
        "inputs": _plain_inputs(step, files),
        "files_read": files,
    }


def _files_read(step: Step, watch: InputWatch) -> dict[str, Any]:
    """Name and checksums of every data set a step reads, by input."""
    found: dict[str, Any] = {}
    for field, source in sources(type(step.params)).items():
        value = getattr(step.params, field)
        if isinstance(value, tuple):
            found[field] = [_file_read(text, source, watch) for text in value]
        elif value is not None and (entry := _file_read(value, source, watch)):
            found[field] = entry
    return found


def _file_read(text: str, source: Source, watch: InputWatch) -> dict[str, Any] | None:
    """Name and checksums of one data set; None where it is not a file."""
    if text.startswith(STEP_PREFIX):
        return None
    if source.kind == "winds" and directions_in(text) is not None:
        return None
    path_text, layer = split_layer(text) if source.kind in WITH_LAYERS else (text, "")
    path = existing_file(path_text, source.what)
    try:
        sums = {p.name: watch.sha256(p) for p in files_of(path)}
    except OSError as error:
        raise InputError(
            "file-unreadable",
            f"The {source.what} could not be read.",
            where=str(path),
            value=error.strerror,
            hint="Check that you have permission to read the file.",
        ) from error
    return {"name": path.name, "layer": layer, "sha256": sums}


def _plain_inputs(step: Step, files: dict[str, Any]) -> dict[str, Any]:
    """Inputs as JSON; files by name alone, so that a moved project gives the same record."""
    plain = step.params.model_dump(mode="json")
    for field, found in files.items():
        if isinstance(found, list):
            pairs = zip(found, plain[field], strict=True)
            plain[field] = [_plain_name(entry) if entry else text for entry, text in pairs]
        else:
            plain[field] = _plain_name(found)
    return plain


def _plain_name(entry: dict[str, Any]) -> str:
    return f"{entry['name']}:{entry['layer']}" if entry["layer"] else str(entry["name"])
