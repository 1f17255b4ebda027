"""Sizes of the inputs of a step, and the memory that it takes.

Both are estimated from the headers of files before large data are read, so that a step too large
for the machine is refused at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shelterscape.address_space import MIB
from shelterscape.files.land_cover import is_raster
from shelterscape.files.tables import directions_in, read_winds
from shelterscape.files.terrain_models import grid_of
from shelterscape.files.vectors import LayerSize, size_of
from shelterscape.grid import Grid
from shelterscape.process.inputs import Inputs, TerrainInputs, named_in, sources

READING_BYTES = 42
"""Bytes for each cell of a terrain model while it is read; this includes two copies as float64."""
FEATURE_BYTES = 1000
"""Bytes for each feature of a layer, with all columns, while it is read (assumed)."""


@dataclass(frozen=True)
class InputSizes:
    """Sizes of all inputs of a step.

    Parameters
    ----------
    grid : Grid or None
        Grid of the terrain model; None where a step has none.
    read_cells : int
        Cells of the terrain model in its file.
    layers : dict of LayerSize
        For each input that is a layer, the size of its part on the grid.
    directions : int
        Number of directions of the largest subset of the wind set.
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
        """Total number of vertices of all layers."""
        return sum(size.vertices for size in self.layers.values())

    @property
    def reading_bytes(self) -> int:
        """Memory needed while files are read, bytes."""
        features = sum(size.read_features for size in self.layers.values())
        return READING_BYTES * self.read_cells + FEATURE_BYTES * features

    def in_words(self) -> str:
        """Sizes as text, for errors."""
        parts = []
        if self.grid:
            parts.append(f"{self.grid.shape[0]:,} × {self.grid.shape[1]:,} cells")
        parts += [f"{size.features:,} {name}" for name, size in self.layers.items()]
        return ", ".join(parts)


def input_sizes(params: Inputs) -> InputSizes:
    """Sizes of all inputs that a step will read.

    Raises
    ------
    InputError
        The errors of the readers of these files.
    """
    grid, read_cells = None, 0
    # Outputs of an earlier step do not exist yet, so they have no size.
    if isinstance(params, TerrainInputs) and params.map_raster:
        grid, read_cells = grid_of(params.map_raster, crs=params.crs, to_crs=params.to_crs)
    layers: dict[str, LayerSize] = {}
    directions = 0
    for name, source in sources(type(params)).items():
        for text in named_in(getattr(params, name)):
            if source.kind == "layer" or (source.kind == "cover" and not is_raster(text)):
                layers[name] = layers.get(name, LayerSize()) + size_of(text, source.what, grid)
            elif source.kind == "winds":
                bare = directions_in(text)
                directions = len(bare) if bare is not None else _most_in_a_subset(text)
    return InputSizes(grid, read_cells, layers, directions)


def _most_in_a_subset(source: str) -> int:
    """Number of rows of the largest subset of a table of winds."""
    frame, _ = read_winds(source)
    if "subset" not in frame or not len(frame):
        return len(frame)
    return int(frame["subset"].astype("string").fillna("").value_counts().max())


def usual_bytes(params: Inputs, sizes: InputSizes) -> float:
    """Memory of a process without an estimate of its own, bytes (assumed, not measured)."""
    return 64.0 * sizes.cells + 20_000.0 * sizes.vertices


def size_text(size: float) -> str:
    """A number of bytes as text, in MiB or GiB."""
    return f"{size / 2**30:,.1f} GiB" if size >= 2**30 else f"{size / MIB:,.1f} MiB"
