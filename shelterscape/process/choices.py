"""Inputs of a shelter calculation with purpose and defaults applied."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from shelterscape.errors import Notice
from shelterscape.process.cases import (
    DEFAULT_HEIGHT_M,
    DEFAULT_POWER,
    DEFAULT_SEASONS,
    CaseInputs,
)
from shelterscape.science.belts import Case
from shelterscape.science.growth import SiteIndex, parse_local_height
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.scene import How
from shelterscape.science.wind import WindSet, choose, directions_of


@dataclass(frozen=True)
class Choices:
    """Inputs with purpose and defaults applied.

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


def seasons_of(params: CaseInputs) -> tuple[str, ...]:
    """Seasons that are examined: those given, that of the purpose, or both."""
    usual = (purposes()[params.purpose].season,) if params.purpose else DEFAULT_SEASONS
    return params.seasons or usual


def choices(
    params: CaseInputs, sets: dict[str, WindSet], notice: Callable[[Notice], None]
) -> Choices:
    """Apply purpose and defaults to the inputs; report what the purpose settled."""
    purpose = purposes()[params.purpose] if params.purpose else None
    seasons = seasons_of(params)
    height = params.at_height_m or (purpose.at_height_m if purpose else DEFAULT_HEIGHT_M)
    power = params.power or (purpose.power if purpose else DEFAULT_POWER)
    fitting = purpose.subsets if purpose else ()
    winds = {s: choose(sets, params.subset, (*fitting, s), "winds") for s in seasons}
    for one in dict.fromkeys(wind.subset for wind in winds.values()):
        if calm := sets[one].calm:
            text = f"{sets[one].label}: calm {calm:.0%} of the time, in which belts change nothing"
            notice(Notice("calm-left-out", text))
    if purpose:
        notice(_told(purpose, params))
    numbers = sorted(year for year in params.years if isinstance(year, int))
    return Choices(
        purpose=purpose,
        seasons=seasons,
        years=((None, *numbers) if "surveyed" in params.years else tuple(numbers)),
        winds=winds,
        how=How(params.curve, params.combine, params.ends, height),
        power=power,
        local_heights=dict(parse_local_height(text) for text in params.local_heights),
    )


def _told(purpose: Purpose, params: CaseInputs) -> Notice:
    """What the purpose settled and what was given beside it, with sources."""
    settled, given = [], []
    for name, field in (
        ("season", "seasons"),
        ("at_height_m", "at_height_m"),
        ("power", "power"),
        ("subsets", "subset"),
    ):
        if getattr(params, field):
            given.append(field)
        else:
            value = getattr(purpose, name)
            shown = " or ".join(value) if isinstance(value, tuple) else value
            settled.append(f"{name} {shown} ({purpose.sources[name]})")
    text = f"purpose “{purpose.name}”: {'; '.join(settled) or 'nothing left to settle'}"
    return Notice("purpose-used", text + (f"; given instead: {', '.join(given)}" if given else ""))
