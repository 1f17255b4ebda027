"""Contents of the printed pack for contractors: a map to scale, and sheets of tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MAP_MM = (390.0, 232.0)
"""Width and height of the map on a page of A3, mm."""


@dataclass(frozen=True)
class MapGroup:
    """Features of one kind on a map to scale.

    Parameters
    ----------
    label : str
        In the legend.
    shapes : (n,) array of geometries
        Coordinates in metres.
    colour : str
        Of lines and points, as #rrggbb.
    wide_pt : float
        Width of lines, or half the size of points, points (1/72 inch).
    dashed : bool
    names : tuple of str
        A label for each feature; empty for none.
    """

    label: str
    shapes: NDArray[np.object_]
    colour: str
    wide_pt: float = 0.6
    dashed: bool = False
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class MapPage:
    """One page of a map to scale.

    Parameters
    ----------
    heading : str
    centre : tuple of float
        Coordinates of the middle of the map, m.
    scale : float
        Metres on the ground for one metre on the map.
    """

    heading: str
    centre: tuple[float, float]
    scale: float


@dataclass(frozen=True)
class ScaleMap:
    """A map to scale on A3, with a grid and a scale bar.

    Parameters
    ----------
    title : str
    pages : tuple of MapPage
    groups : tuple of MapGroup
        From bottom to top.
    map_grid : str
        Name of the coordinate system.
    notes : tuple of str
        Lines below the map.
    """

    title: str
    pages: tuple[MapPage, ...]
    groups: tuple[MapGroup, ...]
    map_grid: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class SheetTable:
    """A table of a sheet.

    Parameters
    ----------
    heading : str
    columns : tuple of str
        Headings; no heading is drawn where all are empty.
    widths : tuple of float
        Relative widths of the columns.
    rows : tuple of tuple of str
    """

    heading: str
    columns: tuple[str, ...]
    widths: tuple[float, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class PrintedSheet:
    """One sheet, which starts on a page of its own.

    Parameters
    ----------
    heading : str
    facts : tuple of tuple of str
        Label and value.
    tables : tuple of SheetTable
    """

    heading: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[SheetTable, ...]


@dataclass(frozen=True)
class PrintedSheets:
    """Sheets to print on A4.

    Parameters
    ----------
    title : str
    sheets : tuple of PrintedSheet
    notes : tuple of str
        Lines at the end of each sheet.
    """

    title: str
    sheets: tuple[PrintedSheet, ...]
    notes: tuple[str, ...] = ()
