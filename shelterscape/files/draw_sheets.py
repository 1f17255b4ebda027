"""Descriptions of pictures: what goes on them, without any drawing library."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from shelterscape.grid import Grid
from shelterscape.terms import Term

if TYPE_CHECKING:
    import geopandas as gpd


@dataclass(frozen=True)
class MapSheet:
    """What goes on a preview map.

    Parameters
    ----------
    title : str
    panels : dict
        Raster by the heading of its panel.
    grid : Grid
    term : Term
        What the rasters hold.
    notes : tuple of str
        Lines below the maps: season, winds, method, cautions.
    ground : array, optional
        Elevation, drawn as soft relief beneath.
    belts : GeoDataFrame, optional
        Lines drawn on top.
    outlined : GeoDataFrame, optional
        Areas whose outline is drawn.
    marked : GeoDataFrame, optional
        Lines drawn boldly over all others, numbered by ``order`` where they have it.
    labels : dict
        Words by the place (x, y) they are centred on.
    across : int
        How many panels stand side by side; 0 for as many as fit.
    doubtful : dict
        Cells to be dotted over as not to be relied on, by the heading of their panel.
    """

    title: str
    panels: dict[str, NDArray[np.floating]]
    grid: Grid
    term: Term
    notes: tuple[str, ...]
    ground: NDArray[np.floating] | None = None
    belts: gpd.GeoDataFrame | None = None
    outlined: gpd.GeoDataFrame | None = None
    marked: gpd.GeoDataFrame | None = None
    labels: Mapping[tuple[float, float], str] = field(default_factory=dict)
    across: int = 0
    doubtful: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)


@dataclass(frozen=True)
class ChartSheet:
    """What goes on a chart of lines.

    Parameters
    ----------
    title, x_label, y_label : str
    lines : dict
        x and y values by the name of the line.
    levels : dict
        For the same names, what to compare each line with, and its value: a dashed line across.
    notes : tuple of str
        Lines below the chart.
    """

    title: str
    x_label: str
    y_label: str
    lines: dict[str, tuple[list[float], list[float]]]
    levels: dict[str, tuple[str, float]]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Shown:
    """Features drawn alike on a map.

    Parameters
    ----------
    label : str
        What they are, for the legend.
    shapes : array of polygons
    colour : str
    hatch : str
        Pattern of an area that lies beneath; empty for features drawn on top with a firm outline,
        so that strips too narrow for the map still show.
    dashed : bool
        Outline broken, to be told apart without colour.
    """

    label: str
    shapes: NDArray[np.object_]
    colour: str
    hatch: str = ""
    dashed: bool = False


@dataclass(frozen=True)
class FeatureSheet:
    """What goes on a map of areas and strips.

    Parameters
    ----------
    title : str
    shown : tuple of Shown
        From bottom to top.
    grid : Grid
        The ground shown.
    notes : tuple of str
        Lines below the map.
    """

    title: str
    shown: tuple[Shown, ...]
    grid: Grid
    notes: tuple[str, ...]
