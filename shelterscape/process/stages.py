"""The stages of a process, and the objects they exchange with the runner.

A process is a description (``spec.py``) and a module of functions::

    load(params, reader) -> Data             reads and checks all inputs, in one coordinate system
    whole_map(params, reader) -> WholeMap    optional: results shared by all parts of a batch
    compute(data)                            generator of `Block` and `Progress`; returns `Results`
    summarise(results, params) -> Summary    optional: answer, figures, pictures
    work_bytes(params, sizes) -> float       optional: memory held at most

``compute`` opens no file and draws nothing, so `collect` can run it on arrays alone.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InternalError, Notice

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from shelterscape.grid import Grid
    from shelterscape.process import Process
    from shelterscape.process.unmapped_ground import UnmappedGround
    from shelterscape.science.terrain.ground import Ground

USUAL_MARGIN_M = 2000.0
"""Margin around a part of the map for a process without ``whole_map`` (assumed value)."""


@dataclass(frozen=True)
class Bands:
    """The bands of one raster of a run.

    Parameters
    ----------
    labels : sequence of str
        Label of each band.
    classes : mapping, optional
        Colour by class name, in the order of class codes from 0; for rasters of classes.
    """

    labels: Sequence[str]
    classes: Mapping[str, str] | None = None


class Data(Protocol):
    """Return value of ``load``: at least a grid and the bands of rasters."""

    @property
    def grid(self) -> Grid:
        """Grid of the rasters."""

    @property
    def rasters(self) -> Mapping[str, Bands]:
        """Bands of every raster of this run, by name of the raster."""


class Block(NamedTuple):
    """Rows of one band of a raster, over the whole width of the raster.

    Parameters
    ----------
    name : str
        Name of the raster in the description.
    band : int
        From 0, in the order of `Bands.labels`.
    values : (rows, cols) float32 or uint8
        Missing cells are NaN, or 255 in rasters of classes.
    row : int
        First row.
    """

    name: str
    band: int
    values: NDArray[Any]
    row: int = 0


class Progress(NamedTuple):
    """Share of ``compute`` that is done, 0 to 1, and a description of the next part."""

    share: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Results:
    """Return value of ``compute``; processes add their own fields for ``summarise``.

    Parameters
    ----------
    layers : dict of GeoDataFrame
        By name, with the columns of the description; optional layers may be left out.
    tables : dict of DataFrame
        By name, in the same way.
    notices : sequence of Notice
    """

    layers: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    notices: Sequence[Notice] = ()


@dataclass(frozen=True)
class Summary:
    """What a step reports.

    Parameters
    ----------
    question : str
        What the step answers, in one sentence.
    answer : sequence of str
        Results in sentences, most important first.
    certainty : sequence of str
        How sure the results are.
    figures : mapping
        Values by the names of `Process.figures`; None where unknown.
    pictures : mapping
        Content of each picture by name.
    """

    question: str = ""
    answer: Sequence[str] = ()
    certainty: Sequence[str] = ()
    figures: Mapping[str, float | str | None] = field(default_factory=dict)
    pictures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class WindWork:
    """Terrain wind to calculate for the whole map.

    Parameters
    ----------
    params : UnmappedGround
    ground : Ground
    directions : sequence of float
        Degrees from grid north.
    height_m : float
    """

    params: UnmappedGround
    ground: Ground
    directions: Sequence[float]
    height_m: float


@dataclass(frozen=True)
class WholeMap:
    """Results shared by all parts of a batch.

    Parameters
    ----------
    margin_m : float
        Width of the ground around a part that results depend on, m; may be infinite.
    terrain_wind : WindWork or None
    """

    margin_m: float
    terrain_wind: WindWork | None = None


R = TypeVar("R", bound=Results)
Work = Generator[Block | Progress, None, R]


@dataclass(frozen=True)
class Stages:
    """The functions of a process."""

    load: Callable[[Any, Any], Data]
    compute: Callable[[Any], Work[Any]]
    summarise: Callable[[Any, Any], Summary] | None
    whole_map: Callable[[Any, Any], WholeMap] | None
    work_bytes: Callable[[Any, Any], float] | None
    prepare: Callable[[Any, Sequence[Notice]], Any] | None = None


def stages_of(process: Process) -> Stages:
    """Functions of a process; its module is imported on the first call.

    Raises
    ------
    InternalError
        ``internal`` for a module without ``load`` or ``compute``.
    """
    module = importlib.import_module(process.work)
    found = {name: getattr(module, name, None) for name in Stages.__dataclass_fields__}
    for name in ("load", "compute"):
        if found[name] is None:
            raise InternalError(
                "internal",
                f"The module of a process has no function {name}.",
                where=process.work,
                hint=f"Define {name} in this module, or report this as an error.",
            )
    return Stages(**found)  # type: ignore[arg-type]


def each(work: Work[R], take: Callable[[Block | Progress], None]) -> R:
    """Call a function with every item of a computation; return the results."""
    while True:
        try:
            item = next(work)
        except StopIteration as end:
            results: R = end.value
            return results
        take(item)


def collect(work: Work[R]) -> tuple[dict[str, NDArray[Any]], R]:
    """Run a computation and collect its rasters as arrays.

    Parameters
    ----------
    work : generator
        As ``compute`` returns it.

    Returns
    -------
    rasters : dict
        (bands, rows, cols) by name.
    results : Results
    """
    blocks: dict[str, dict[int, list[Block]]] = {}

    def take(item: Block | Progress) -> None:
        """Copy a block, because the computation may reuse its array."""
        if isinstance(item, Block):
            copied = item._replace(values=item.values.copy())
            blocks.setdefault(item.name, {}).setdefault(item.band, []).append(copied)

    results = each(work, take)
    return {name: np.stack(list(_bands(found))) for name, found in blocks.items()}, results


def _bands(blocks: dict[int, list[Block]]) -> Iterator[NDArray[Any]]:
    for _, band in sorted(blocks.items()):
        yield np.concatenate([block.values for block in sorted(band, key=lambda b: b.row)])
