"""How large the work of a step is, and what memory that takes.

Told from the heads of files before anything large is read, so that work beyond a machine is refused
at once and not after an hour.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shelterscape.files.land_cover import is_raster
from shelterscape.files.tables import directions_in, read_winds
from shelterscape.files.terrain_models import grid_of
from shelterscape.files.vectors import LayerSize, size_of
from shelterscape.grid import Grid
from shelterscape.process.inputs import Inputs, TerrainInputs, named_in, sources

MIB = 2**20
LIBRARIES_BYTES = 620 * MIB
"""What Python, the libraries and the compiler of kernels take; measured: 390 MiB in use, and up to
590 MiB when all kernels are compiled again."""

READING_BYTES = 42
"""Bytes for each cell of a terrain model while it is read, twice as doubles among them."""
FEATURE_BYTES = 1000
"""Bytes for each feature of a layer while it is read, columns and all (assumed value)."""


@dataclass(frozen=True)
class Sizes:
    """How much a step has to work on.

    Parameters
    ----------
    grid : Grid or None
        Grid of the terrain model; None where a step has none.
    read_cells : int
        Cells of the terrain model as its file holds it.
    layers : dict of LayerSize
        For each input that is a layer, what of it is on the grid.
    directions : int
        Most directions a subset of the wind set can have.
    """

    grid: Grid | None = None
    read_cells: int = 0
    layers: dict[str, LayerSize] = field(default_factory=dict)
    directions: int = 0

    @property
    def cells(self) -> int:
        """Cells of the grid."""
        return self.grid.shape[0] * self.grid.shape[1] if self.grid else 0

    @property
    def vertices(self) -> int:
        """Vertices of all layers together."""
        return sum(size.vertices for size in self.layers.values())

    @property
    def reading_bytes(self) -> int:
        """Bytes held while the files are read."""
        features = sum(size.read_features for size in self.layers.values())
        return READING_BYTES * self.read_cells + FEATURE_BYTES * features

    def in_words(self) -> str:
        """What counts, for a person."""
        parts = []
        if self.grid:
            parts.append(f"{self.grid.shape[0]:,} × {self.grid.shape[1]:,} cells")
        parts += [f"{size.features:,} {name}" for name, size in self.layers.items()]
        return ", ".join(parts)


def sizes_of(params: Inputs) -> Sizes:
    """Sizes of all that a step will read.

    Raises
    ------
    InputError
        As the readers of the same files.
    """
    grid, read_cells = None, 0
    # What an earlier step will write has no size yet.
    if isinstance(params, TerrainInputs) and params.dem:
        grid, read_cells = grid_of(params.dem, crs=params.crs, to_crs=params.to_crs)
    layers: dict[str, LayerSize] = {}
    directions = 0
    for name, source in sources(type(params)).items():
        for text in named_in(getattr(params, name)):
            if source.kind == "layer" or (source.kind == "cover" and not is_raster(text)):
                layers[name] = layers.get(name, LayerSize()) + size_of(text, source.what, grid)
            elif source.kind == "winds":
                bare = directions_in(text)
                directions = len(bare) if bare is not None else _most_in_a_subset(text)
    return Sizes(grid, read_cells, layers, directions)


def _most_in_a_subset(source: str) -> int:
    """Most rows that a subset of a table of winds has."""
    frame, _ = read_winds(source)
    if "subset" not in frame or not len(frame):
        return len(frame)
    return int(frame["subset"].astype("string").fillna("").value_counts().max())


def usual_bytes(params: Inputs, sizes: Sizes) -> float:
    """Bytes for a process that has no estimate of its own (assumed value, not measured)."""
    return 64.0 * sizes.cells + 20_000.0 * sizes.vertices


def in_words(size: float) -> str:
    """A number of bytes for a person."""
    return f"{size / 2**30:,.1f} GiB" if size >= 2**30 else f"{size / MIB:,.1f} MiB"
