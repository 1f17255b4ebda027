"""What a step leaves on the disk, told from the sizes of its inputs before the work begins.

Upper estimates: numbers are taken as if they could not be packed. How well they pack differs with
the ground. Measured: rasters take 75 % of that where every cell differs from the next, 60 % on
smooth ground, and next to nothing where no belt reaches.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from shelterscape.process.inputs import Inputs
from shelterscape.process.memory import Sizes

OVERVIEWS = 4 / 3
"""A raster with its overviews, over the raster alone."""
CELL_BYTES = 4.0
"""Bytes a cell of ground takes in a band of float32; never more."""
CLASS_BYTES = 0.25
"""Bytes a cell of ground takes in a band of classes; such bands pack well everywhere."""
BLANK_BYTES = 0.01
"""Bytes a cell takes on which no result is wanted."""
PLANE_BYTES = 4.0
"""Bytes a cell takes in a plane kept over the whole map."""
ROW_BYTES, VERTEX_BYTES = 600.0, 16.0
"""Bytes a feature takes with its columns, and each of its vertices."""
PANEL_BYTES, PANEL_CELL_BYTES = 800_000.0, 30.0
"""Bytes a map in a picture takes at most, and for each cell where there are few; measured: 660 kB
for 300 × 300 cells, 350 kB for 100 × 100."""


@dataclass(frozen=True)
class Space:
    """Room that work takes on a disk, bytes.

    Parameters
    ----------
    kept : float
        What stays: rasters, layers and tables.
    passing : float
        What is there besides while the largest raster is finished: a second copy of it, and
        rasters of classes before they are packed.
    whole_map : float
        In a batch, what the part over the whole map keeps for all holdings.
    pictures : float
        What stays besides where pictures are drawn.
    """

    kept: float = 0.0
    passing: float = 0.0
    whole_map: float = 0.0
    pictures: float = 0.0

    @property
    def stays(self) -> float:
        """What stays, pictures too."""
        return self.kept + self.pictures

    @property
    def most(self) -> float:
        """What there is at any one time, at most; the whole map apart."""
        return self.stays + self.passing

    def __add__(self, other: Space) -> Space:
        """Both, one after the other."""
        return Space(
            self.kept + other.kept,
            max(self.passing, other.passing),
            self.whole_map + other.whole_map,
            self.pictures + other.pictures,
        )


def space(
    sizes: Sizes,
    bands: Iterable[int] = (),
    *,
    class_bands: Iterable[int] = (),
    other: float = 0.0,
    planes: int = 0,
    panels: int = 0,
) -> Space:
    """Room for rasters and for what stands beside them.

    Parameters
    ----------
    sizes : Sizes
    bands, class_bands : iterable of int
        Bands of each raster of numbers and of each raster of classes.
    other : float
        Bytes of layers and tables.
    planes : int
        Planes kept over the whole map in a batch.
    panels : int
        Maps in all pictures together.
    """
    bands, class_bands = tuple(bands), tuple(class_bands)
    blank = BLANK_BYTES * sizes.cells
    rasters = [
        OVERVIEWS * count * (each * sizes.wanted + blank)
        for each, counts in ((CELL_BYTES, bands), (CLASS_BYTES, class_bands))
        for count in counts
    ]
    # While one raster is finished, others made side by side with it are there too, unpacked.
    unpacked = sum(class_bands) * sizes.cells * (1.0 - CLASS_BYTES)
    panel = min(PANEL_BYTES, PANEL_BYTES / 8 + PANEL_CELL_BYTES * sizes.wanted)
    return Space(
        sum(rasters) + other,
        max(rasters, default=0.0) + unpacked,
        PLANE_BYTES * planes * sizes.cells,
        panel * panels,
    )


def rows_bytes(sizes: Sizes, *layers: str) -> float:
    """Bytes that features of the layers named take when each is written once."""
    found = [sizes.layers[name] for name in layers if name in sizes.layers]
    return sum(ROW_BYTES * one.features + VERTEX_BYTES * one.vertices for one in found)


def usual_space(asked: Inputs, sizes: Sizes) -> Space:
    """Room for a process that has no estimate of its own (engineering choice, not measured)."""
    return space(sizes, [1] * 4, other=rows_bytes(sizes, *sizes.layers))
