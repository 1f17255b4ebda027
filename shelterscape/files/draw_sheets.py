"""Descriptions of preview pictures; they need no drawing library."""

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
class MapPanel:
    """One map of a sheet.

    Parameters
    ----------
    heading : str
        Season, year, wind subset and height, where they matter.
    values : array, optional
        Raster over the whole grid; relief and features alone without it.
    term : str
        Name of its quantity.
    view : tuple of float, optional
        West, south, east, north of the ground shown; the whole grid by default.
    doubtful : array of bool, optional
        Cells whose values are unreliable, marked with dots.
    wind_from_deg : float, optional
        Main wind direction, degrees from true north, drawn as an arrow.
    """

    heading: str
    values: NDArray[np.floating] | None = None
    term: str = ""
    view: tuple[float, float, float, float] | None = None
    doubtful: NDArray[np.bool_] | None = None
    wind_from_deg: float | None = None


@dataclass(frozen=True)
class MapSheet:
    """Contents of a preview map.

    Parameters
    ----------
    title : str
    panels : tuple of MapPanel
    grid : Grid
        The whole ground.
    notes : tuple of str
        Lines below the maps: wind conditions, method.
    ground : array, optional
        Elevation, drawn as pale relief beneath the values.
    groups : tuple of FeatureGroup
        Areas and strips, from bottom to top.
    belts : GeoDataFrame, optional
        Existing belts.
    outlined : GeoDataFrame, optional
        Areas whose outline is drawn.
    outline_label : str
        What they are.
    marked : GeoDataFrame, optional
        Bold lines, drawn over all others and numbered by ``choice_order`` if they have it.
    marked_label : str
        What they are.
    labels : mapping
        Text by the point (x, y) beside which it is written, most important first.
    boxes : mapping
        Outline of each view by its letter, drawn on panels that show more.
    across : int
        Number of panels side by side; 0 for as many as fit.
    """

    title: str
    panels: tuple[MapPanel, ...]
    grid: Grid
    notes: tuple[str, ...]
    ground: NDArray[np.floating] | None = None
    groups: tuple[FeatureGroup, ...] = ()
    belts: gpd.GeoDataFrame | None = None
    outlined: gpd.GeoDataFrame | None = None
    outline_label: str = "places"
    marked: gpd.GeoDataFrame | None = None
    marked_label: str = "chosen belts, in order of choice"
    labels: Mapping[tuple[float, float], str] = field(default_factory=dict)
    boxes: Mapping[str, tuple[float, float, float, float]] = field(default_factory=dict)
    across: int = 0


@dataclass(frozen=True)
class ChartSheet:
    """Contents of a chart of lines.

    Parameters
    ----------
    title, x_label, y_label : str
    lines : dict
        x and y values by name of the line.
    levels : dict
        Label and value of a dashed horizontal line to compare a line with, by name of the line.
    notes : tuple of str
        Lines below the chart.
    points, curves, steps : tuple of str
        Names of lines drawn as points alone, without points, and as steps.
    between : tuple of str
        Names of the two lines whose gap is shaded; empty for none.
    categories : tuple of str
        Names of x = 0, 1, 2, …; the chart then has columns instead of lines.
    ranges : mapping
        Low and high ends of each column, by name of the line.
    below : tuple of sequence of float
        x and y values of steps in a second panel, such as counts; empty for none.
    below_label : str
        Of its y axis.
    """

    title: str
    x_label: str
    y_label: str
    lines: dict[str, tuple[list[float], list[float]]]
    levels: dict[str, tuple[str, float]]
    notes: tuple[str, ...]
    points: tuple[str, ...] = ()
    curves: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    between: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()
    ranges: Mapping[str, tuple[list[float], ...]] = field(default_factory=dict)
    below: tuple[list[float], ...] = ()
    below_label: str = ""


@dataclass(frozen=True)
class FeatureGroup:
    """Features drawn in the same style on a map.

    Parameters
    ----------
    label : str
        Name of the group in the legend.
    shapes : array of polygons
    colour : str
    hatch : str
        Pattern of areas in the background. If empty, features are filled and have a thick outline,
        so that narrow strips remain visible.
    dashed : bool
        Whether the outline is dashed, so that it can be distinguished without colour.
    """

    label: str
    shapes: NDArray[np.object_]
    colour: str
    hatch: str = ""
    dashed: bool = False


@dataclass(frozen=True)
class Rose:
    """One wind rose.

    Parameters
    ----------
    heading : str
    direction_deg, sector_deg : (n,) array
        Middle and width of each sector, degrees from true north.
    share : (n, m) array
        Share of the time by sector and speed class.
    calm : float
        Share of the time.
    low, high : (n,) array, optional
        Bounds of the share of each sector.
    """

    heading: str
    direction_deg: NDArray[np.floating]
    sector_deg: NDArray[np.floating]
    share: NDArray[np.floating]
    calm: float
    low: NDArray[np.floating] | None = None
    high: NDArray[np.floating] | None = None


@dataclass(frozen=True)
class PhotographPanel:
    """One photograph of a belt.

    Parameters
    ----------
    heading : str
    shown : (rows, cols, 3) uint8
    sky : (rows, cols) float32
        Share of sky; NaN outside the outline of the belt.
    faults : str
        What makes it doubtful; empty for nothing.
    """

    heading: str
    shown: NDArray[np.uint8]
    sky: NDArray[np.floating]
    faults: str = ""


@dataclass(frozen=True)
class PhotographSheet:
    """Contents of a sheet of photographs, each beside what was taken for sky.

    Parameters
    ----------
    title : str
    panels : tuple of PhotographPanel
    notes : tuple of str
        Lines below the photographs.
    """

    title: str
    panels: tuple[PhotographPanel, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class FormColumn:
    """A column of a form.

    Parameters
    ----------
    heading : str
    width : float
        Relative to other columns.
    """

    heading: str
    width: float


@dataclass(frozen=True)
class FormPage:
    """What is filled in on a page of a form.

    Parameters
    ----------
    name : str
        Of the belt; empty on a blank page.
    about : str
        What is known of it.
    firsts : tuple of str
        First cells of the lines.
    """

    name: str
    about: str
    firsts: tuple[str, ...]


@dataclass(frozen=True)
class FormSheet:
    """Contents of a form to print on A4, with a comparison chart.

    Parameters
    ----------
    title : str
    pages : tuple of FormPage
    columns : tuple of FormColumn
    lines : int
        Lines to write on.
    chart : str
        Title of the chart.
    patch_labels, patch_rows : tuple of str
        Labels of its columns and rows.
    patches : tuple of tuple of (n, n) bool
        Patches by row and column; True is white.
    steps : tuple of str
        How to measure.
    notes : tuple of str
        Lines below.
    """

    title: str
    pages: tuple[FormPage, ...]
    columns: tuple[FormColumn, ...]
    lines: int
    chart: str
    patch_labels: tuple[str, ...]
    patch_rows: tuple[str, ...]
    patches: tuple[tuple[NDArray[np.bool_], ...], ...]
    steps: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RoseSheet:
    """What goes on a sheet of wind roses.

    Parameters
    ----------
    title : str
    roses : tuple of Rose
    classes : tuple of str
        Speed classes in words, slowest first.
    notes : tuple of str
        Lines below the roses.
    """

    title: str
    roses: tuple[Rose, ...]
    classes: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SectionRow:
    """A row of plants in the cross-section of a belt.

    Parameters
    ----------
    offset_m : float
        Distance from the leeward face, m; below 0 inside the belt.
    height_m : float
    label : str
    """

    offset_m: float
    height_m: float
    label: str


@dataclass(frozen=True)
class SectionSheet:
    """Contents of a picture of the wind over the cross-section of a belt.

    Parameters
    ----------
    title : str
    distance_m : (d,) array
        From the windward face (below 0) and from the leeward face, m.
    height_m : (z,) array
        Above ground, m.
    values : (d, z) array
    term : Term
        Quantity of the values.
    belt_m : tuple of float
        Height, width and height of bare stems of the belt, m.
    notes : tuple of str
        Lines below the picture.
    rows : tuple of SectionRow
        From windward to leeward, drawn to scale below the wind.
    """

    title: str
    distance_m: NDArray[np.floating]
    height_m: NDArray[np.floating]
    values: NDArray[np.floating]
    term: Term
    belt_m: tuple[float, float, float]
    notes: tuple[str, ...]
    rows: tuple[SectionRow, ...] = ()
