"""The stages of a process, and what passes between them and the runner.

A process is a description (``spec.py``) and a module of plain functions::

    load(params, reader) -> Data             everything read and checked, in one coordinate system
    whole_map(params, reader) -> WholeMap    optional: what all parts of a batch share
    compute(data)                            generator of `Block` and `Progress`; returns `Results`
    summarise(results, params) -> Summary    optional: findings, figures, pictures
    work_bytes(params, sizes) -> float       optional: memory held at most

``compute`` opens no file and draws nothing: `collect` runs it on arrays alone.
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
    from shelterscape.process.inputs import RoughGround
    from shelterscape.science.terrain.ground import Ground

USUAL_MARGIN_M = 2000.0
"""Margin around a part of the map for a process without ``whole_map`` (assumed value)."""


@dataclass(frozen=True)
class Bands:
    """The bands of one raster of a run.

    Parameters
    ----------
    labels : sequence of str
        What each band shows.
    relative : bool
        Whether the raster holds its ``relative_term``, because wind speeds are unknown.
    classes : mapping, optional
        Colour by class name, in the order of their codes from 0; makes a raster of classes.
    """

    labels: Sequence[str]
    relative: bool = False
    classes: Mapping[str, str] | None = None


class Data(Protocol):
    """What ``load`` returns: at least a grid and the rasters to be written."""

    @property
    def grid(self) -> Grid:
        """Grid of the rasters."""

    @property
    def rasters(self) -> Mapping[str, Bands]:
        """Bands of every raster of this run, by its name."""


class Block(NamedTuple):
    """Rows of one band of a raster, over its whole width.

    Parameters
    ----------
    name : str
        Raster, as declared in the description.
    band : int
        From 0, in the order of `Bands.labels`.
    values : (rows, cols) float32 or uint8
        NaN, or 255 in class rasters, where missing.
    row : int
        First row.
    """

    name: str
    band: int
    values: NDArray[Any]
    row: int = 0


class Progress(NamedTuple):
    """How much of ``compute`` is done, 0 to 1, and what comes next."""

    share: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Results:
    """What ``compute`` returns; processes add fields of their own for ``summarise``.

    Parameters
    ----------
    layers : dict of GeoDataFrame
        By name, with the columns declared; optional ones may be left out.
    tables : dict of DataFrame
        Likewise.
    notices : sequence of Notice
    """

    layers: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    notices: Sequence[Notice] = ()


@dataclass(frozen=True)
class Summary:
    """What a run says of itself.

    Parameters
    ----------
    findings : sequence of str
        Results in sentences.
    figures : mapping
        Values by the names of `Process.figures`; None where unknown.
    pictures : mapping
        Description of each picture by its name.
    """

    findings: Sequence[str] = ()
    figures: Mapping[str, float | str | None] = field(default_factory=dict)
    pictures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class WindWork:
    """Terrain wind to be calculated over the whole map, and kept for its parts.

    Parameters
    ----------
    params : RoughGround
    ground : Ground
    directions : sequence of float
        Degrees from grid north.
    height_m : float
    """

    params: RoughGround
    ground: Ground
    directions: Sequence[float]
    height_m: float


@dataclass(frozen=True)
class WholeMap:
    """What all parts of a batch share.

    Parameters
    ----------
    margin_m : float
        Width of the ground around a part that its results depend on, m; may be infinite.
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


def stages_of(process: Process) -> Stages:
    """The functions of a process, imported when first needed.

    Raises
    ------
    InternalError
        When the module lacks ``load`` or ``compute``.
    """
    module = importlib.import_module(process.work)
    found = {name: getattr(module, name, None) for name in Stages.__dataclass_fields__}
    for name in ("load", "compute"):
        if found[name] is None:
            raise InternalError("internal", f"A process has no {name}.", where=process.work)
    return Stages(**found)  # type: ignore[arg-type]


def each(work: Work[R], take: Callable[[Block | Progress], None]) -> R:
    """Hand every item of a computation to a function, and return its results."""
    while True:
        try:
            item = next(work)
        except StopIteration as end:
            results: R = end.value
            return results
        take(item)


def collect(work: Work[R]) -> tuple[dict[str, NDArray[Any]], R]:
    """Run a computation and gather its rasters as arrays.

    Parameters
    ----------
    work : generator
        What ``compute`` returns.

    Returns
    -------
    rasters : dict
        (bands, rows, cols) by name.
    results : Results
    """
    blocks: dict[str, dict[int, list[Block]]] = {}

    def take(item: Block | Progress) -> None:
        """Keep a block: the computation may use its array again."""
        if isinstance(item, Block):
            copied = item._replace(values=item.values.copy())
            blocks.setdefault(item.name, {}).setdefault(item.band, []).append(copied)

    results = each(work, take)
    return {name: np.stack(list(_bands(found))) for name, found in blocks.items()}, results


def _bands(blocks: dict[int, list[Block]]) -> Iterator[NDArray[Any]]:
    for _, band in sorted(blocks.items()):
        yield np.concatenate([block.values for block in sorted(band, key=lambda b: b.row)])
