"""Outputs of a process: names, quantities, columns and styles.

An optional output is written only if the inputs it needs are given.
"""

from __future__ import annotations

from dataclasses import dataclass

from shelterscape.files.styles import ONE_COLOUR, LayerStyle
from shelterscape.terms import TERMS, Term


@dataclass(frozen=True)
class Raster:
    """A raster in ``rasters/NAME.tif``.

    Parameters
    ----------
    name : str
    bands : str
        Description of its bands.
    term : str
        Name of its quantity in `TERMS`; empty where it equals the name of the raster.
    optional : bool
    classed : bool
        Whether its cells are class codes.
    """

    name: str
    bands: str
    term: str = ""
    optional: bool = False
    classed: bool = False

    @property
    def quantity(self) -> Term:
        """Term of its cells."""
        return TERMS[self.term or self.name]

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the raster, relative to the run folder."""
        return tuple(f"rasters/{self.name}.{kind}" for kind in ("tif", "qml", "sld"))

    @property
    def title(self) -> str:
        """Description of the raster."""
        return f"{self.quantity.meaning} Bands: {self.bands}."


@dataclass(frozen=True)
class Layer:
    """A layer of features in ``layers.gpkg``.

    Parameters
    ----------
    name : str
    kind : {"point", "line", "polygon", "any"}
    columns : tuple of str
        Its columns in order, each a name in `TERMS`.
    title : str
        Description, in one sentence.
    style : LayerStyle
        How a GIS draws it.
    optional : bool
    ends_at_parts : bool
        Whether features of a part of a map end at its edge, so that a later step would lack those
        beside it.
    """

    name: str
    kind: str
    columns: tuple[str, ...]
    title: str
    style: LayerStyle = ONE_COLOUR
    optional: bool = False
    ends_at_parts: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the layer, relative to the run folder; layers share the first."""
        return ("layers.gpkg", f"layers.{self.name}.sld")


@dataclass(frozen=True)
class Table:
    """A table in ``tables/NAME.csv``.

    Parameters
    ----------
    name : str
    columns : tuple of str
        Its columns in order, each a name in `TERMS`.
    title : str
        Description, in one sentence.
    optional : bool
    """

    name: str
    columns: tuple[str, ...]
    title: str
    optional: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the table, relative to the run folder."""
        return (f"tables/{self.name}.csv",)


@dataclass(frozen=True)
class Picture:
    """A map or a chart in ``preview-NAME.png``, or a form to print in ``NAME.pdf``.

    Parameters
    ----------
    name : str
        Unique among pictures; usually the name of the raster it shows.
    title : str
        Description, in one sentence.
    optional : bool
    chart : bool
        Whether it is a chart, not a map.
    printed : bool
        Whether it is a form to print.
    """

    name: str
    title: str
    optional: bool = False
    chart: bool = False
    printed: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the picture, relative to the run folder."""
        return (f"{self.name}.pdf" if self.printed else f"preview-{self.name}.png",)


@dataclass(frozen=True)
class Workbook:
    """Tables of the process as the sheets of ``NAME.xlsx``.

    Parameters
    ----------
    name : str
    tables : tuple of str
        Names of its tables, in order; those that are not written are left out.
    title : str
        Description, in one sentence.
    optional : bool
    """

    name: str
    tables: tuple[str, ...]
    title: str
    optional: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the workbook, relative to the run folder."""
        return (f"{self.name}.xlsx",)


@dataclass(frozen=True)
class Waypoints:
    """Points of a layer of the process in ``NAME.gpx``.

    Parameters
    ----------
    name : str
    layer : str
        Name of its layer; without it nothing is written.
    label : str
        Column of the layer with the name of each point.
    title : str
        Description, in one sentence.
    optional : bool
    """

    name: str
    layer: str
    label: str
    title: str
    optional: bool = True

    @property
    def files(self) -> tuple[str, ...]:
        """Files of the points, relative to the run folder."""
        return (f"{self.name}.gpx",)


Output = Raster | Layer | Table | Picture | Workbook | Waypoints


@dataclass(frozen=True)
class Figure:
    """One value that a process reports for a holding of a batch.

    Parameters
    ----------
    name : str
        Column in the table of holdings, a name in `TERMS`.
    role : {"", "places", "benefit", "cost"}
        Holdings are ranked by places that reach their target divided by cost, then by benefit
        divided by cost.
    map_term : str
        Name of the quantity shown on the map of holdings; empty if it is not shown.
    map_heading : str
        Heading of its panel on that map.
    per_area : bool
        Whether the map shows the value divided by the area of the holding.
    """

    name: str
    role: str = ""
    map_term: str = ""
    map_heading: str = ""
    per_area: bool = False
