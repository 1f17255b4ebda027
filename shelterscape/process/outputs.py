"""What a process writes, declared once: names, quantities, columns, colours.

An optional output is written only when what it needs was given.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from shelterscape.terms import TERMS, Term


@dataclass(frozen=True)
class Raster:
    """A raster in ``rasters/NAME.tif``.

    Parameters
    ----------
    name : str
    term : str
        Name of the quantity in `TERMS`.
    bands : str
        What its bands are, in words.
    optional : bool
    classed : bool
        Whether its cells are codes of classes.
    relative_term : str
        Name of the quantity it holds where wind speeds are not known.
    """

    name: str
    term: str
    bands: str
    optional: bool = False
    classed: bool = False
    relative_term: str = ""

    @property
    def quantity(self) -> Term:
        """The term its cells hold."""
        return TERMS[self.term]

    @property
    def relative_quantity(self) -> Term:
        """The term its cells hold where wind speeds are not known."""
        return TERMS[self.relative_term]

    @property
    def files(self) -> tuple[str, ...]:
        """Files it makes, relative to the run folder."""
        return (f"rasters/{self.name}.tif", f"rasters/{self.name}.sld")

    @property
    def title(self) -> str:
        """What it shows, in one sentence."""
        return f"{self.quantity.meaning} Bands: {self.bands}."


@dataclass(frozen=True)
class Layer:
    """A layer of features in ``layers.gpkg``.

    Parameters
    ----------
    name : str
    kind : {"point", "line", "polygon", "any"}
    columns : dict
        Term of each column, in order.
    title : str
        What it shows, in one sentence.
    colour_by : str
        Column whose words set the colour; empty for one colour.
    colours : dict
        Colour of each of those words.
    optional : bool
    """

    name: str
    kind: str
    columns: dict[str, str]
    title: str
    colour_by: str = ""
    colours: dict[str, str] = field(default_factory=dict)
    optional: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files it makes or shares, relative to the run folder."""
        return ("layers.gpkg", f"layers.{self.name}.sld")


@dataclass(frozen=True)
class Table:
    """A table in ``tables/NAME.csv``.

    Parameters
    ----------
    name : str
    columns : dict
        Term of each column, in order.
    title : str
        What it shows, in one sentence.
    optional : bool
    """

    name: str
    columns: dict[str, str]
    title: str
    optional: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files it makes, relative to the run folder."""
        return (f"tables/{self.name}.csv",)


@dataclass(frozen=True)
class Picture:
    """A map or a chart for a quick look in ``preview-NAME.png``.

    Parameters
    ----------
    name : str
        Unique among pictures; usually that of the raster it shows.
    title : str
        What it shows, in one sentence.
    optional : bool
    """

    name: str
    title: str
    optional: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Files it makes, relative to the run folder."""
        return (f"preview-{self.name}.png",)


Output = Raster | Layer | Table | Picture


@dataclass(frozen=True)
class Figure:
    """One value that a process reports for a holding of a batch.

    Parameters
    ----------
    name : str
        Column in the table of holdings.
    term : str
        Name of the quantity in `TERMS`.
    role : {"", "benefit", "cost"}
        Holdings are ranked by benefit divided by cost.
    map_term : str
        Name of the quantity that the map of holdings shows; empty for none.
    map_heading : str
        Heading of its panel.
    per_area : bool
        Whether the map shows the value divided by the area of the holding.
    """

    name: str
    term: str
    role: str = ""
    map_term: str = ""
    map_heading: str = ""
    per_area: bool = False
