"""What `shelter` asks for, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, field_validator

from shelterscape.errors import Notice
from shelterscape.process.inputs import (
    Belts,
    FieldNames,
    Places,
    RoughGround,
    TerrainInputs,
    Winds,
    quantity,
)
from shelterscape.science.belts import Case
from shelterscape.science.growth import SiteIndex, parse_local_height
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.scene import How
from shelterscape.science.wind import WindSet, choose, directions_of

Season = Literal["in-leaf", "bare"]
PurposeName = Literal[
    "lambing",
    "outwintering stock",
    "crop",
    "bare soil",
    "orchard",
    "yard and house",
    "young trees",
    "old trees",
    "road snow",
]

DEFAULT_SEASONS: tuple[Season, ...] = ("in-leaf", "bare")
DEFAULT_HEIGHT_M, DEFAULT_POWER = 1.5, 1.0


def _of_our_age(year: int) -> int:
    if not 1900 <= year <= 2200:
        raise ValueError("a year must lie between 1900 and 2200")
    return year


# Each year by itself, so that an error shows the one at fault.
Year = Annotated[int, AfterValidator(_of_our_age)]


class CaseInputs(TerrainInputs):
    """Inputs of every process that looks at belts through seasons and years."""

    winds: Winds
    belts: Belts
    places: Places = None
    purpose: PurposeName | None = Field(
        None,
        description="What the shelter is for; it settles wind subset, season, height and power "
        "where these are not given.",
    )
    subset: str = Field(
        "",
        description="Subset of the wind set to use; by default the one named for the purpose or "
        "the season, else all winds.",
    )
    seasons: tuple[Season, ...] | None = Field(
        None,
        description="State of the belts: in-leaf, bare or both. Both by default, or that of the "
        "purpose.",
    )
    years: tuple[Year | Literal["surveyed"], ...] = Field(
        ("surveyed",),
        description="Calendar years to grow the belts to, or the word surveyed.",
        min_length=1,
    )
    local_heights: tuple[str, ...] = Field(
        (),
        description="Height seen on the spot, as species, metres and years, such as "
        '"ash 9 m at 25"; used for that species instead of its usual height.',
    )
    curve: Literal["mid", "barrier", "field", "handbook"] = Field(
        "mid", description="Shelter curve: relative wind against distance behind one belt."
    )
    combine: Literal["smallest", "product"] = Field(
        "smallest",
        description="Where several belts act: the smallest relative wind, or the hopeful product.",
    )
    ends: bool = Field(True, description="Let the wind rise outside the ends of belts.")
    at_height_m: float | None = quantity(
        "at_height", None, f"{DEFAULT_HEIGHT_M:g} m by default, or that of the purpose."
    )
    power: float | None = quantity("wind_power", None, "1 by default, or that of the purpose.")
    fields: FieldNames = Field(default_factory=dict)

    @field_validator("seasons", "years", "local_heights")
    @classmethod
    def _each_once(cls, several: tuple[Any, ...] | None) -> tuple[Any, ...] | None:
        return several if several is None else tuple(dict.fromkeys(several))


class ShelterInputs(CaseInputs, RoughGround):
    """What `shelter` asks for."""

    by_direction: bool = Field(
        False, description="Also write relative wind and zones for every direction."
    )
    terrain: bool = Field(
        True,
        description="Also work out wind over hills: site wind, and means over places in which each "
        "wind counts by what hills make of it there. Relative wind and zones never change by it.",
    )


@dataclass(frozen=True)
class Choices:
    """What the inputs come to, purpose and defaults worked in.

    Parameters
    ----------
    purpose : Purpose or None
    seasons : tuple of str
    years : tuple of int or None
        None as surveyed, first.
    winds : dict
        Wind set of each season.
    how : How
    power : float
    local_heights : dict
        Site index by species.
    """

    purpose: Purpose | None
    seasons: tuple[str, ...]
    years: tuple[int | None, ...]
    winds: dict[str, WindSet]
    how: How
    power: float
    local_heights: dict[str, SiteIndex]

    def cases(self, year: int | None) -> list[Case]:
        """Cases of one year."""
        return [Case(season, year) for season in self.seasons]

    def directions(self) -> list[tuple[float, float, list[float]]]:
        """Every wind direction: degrees from true north, sector, and its weight in each season."""
        return directions_of([self.winds[season] for season in self.seasons], self.power)


def seasons_of(asked: CaseInputs) -> tuple[str, ...]:
    """Seasons that are looked at: those given, that of the purpose, or both."""
    usual = (purposes()[asked.purpose].season,) if asked.purpose else DEFAULT_SEASONS
    return asked.seasons or usual


def choices(
    asked: CaseInputs, sets: dict[str, WindSet], notice: Callable[[Notice], None]
) -> Choices:
    """Work purpose and defaults into the inputs, telling what the purpose settled."""
    purpose = purposes()[asked.purpose] if asked.purpose else None
    seasons = seasons_of(asked)
    height = asked.at_height_m or (purpose.at_height_m if purpose else DEFAULT_HEIGHT_M)
    power = asked.power or (purpose.power if purpose else DEFAULT_POWER)
    fitting = purpose.subsets if purpose else ()
    winds = {s: choose(sets, asked.subset, (*fitting, s), "winds") for s in seasons}
    for one in dict.fromkeys(wind.subset for wind in winds.values()):
        if calm := sets[one].calm:
            text = f"{sets[one].label}: calm {calm:.0%} of the time, in which belts change nothing"
            notice(Notice("calm-left-out", text))
    if purpose:
        notice(_told(purpose, asked))
    numbers = sorted(year for year in asked.years if isinstance(year, int))
    return Choices(
        purpose=purpose,
        seasons=seasons,
        years=((None, *numbers) if "surveyed" in asked.years else tuple(numbers)),
        winds=winds,
        how=How(asked.curve, asked.combine, asked.ends, height),
        power=power,
        local_heights=dict(parse_local_height(text) for text in asked.local_heights),
    )


def _told(purpose: Purpose, asked: CaseInputs) -> Notice:
    """What the purpose settled and what was given beside it, with sources."""
    settled, given = [], []
    for name, field in (
        ("season", "seasons"),
        ("at_height_m", "at_height_m"),
        ("power", "power"),
        ("subsets", "subset"),
    ):
        if getattr(asked, field):
            given.append(field)
        else:
            value = getattr(purpose, name)
            shown = " or ".join(value) if isinstance(value, tuple) else value
            settled.append(f"{name} {shown} ({purpose.sources[name]})")
    text = f"purpose “{purpose.name}”: {'; '.join(settled) or 'nothing left to settle'}"
    return Notice("purpose-used", text + (f"; given instead: {', '.join(given)}" if given else ""))
