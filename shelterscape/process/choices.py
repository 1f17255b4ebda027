"""Inputs of a shelter calculation after purpose and defaults are applied."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from shelterscape.errors import Notice
from shelterscape.process.cases import (
    DEFAULT_EXPONENT,
    DEFAULT_HEIGHT_M,
    DEFAULT_SEASONS,
    CaseInputs,
)
from shelterscape.science.belts import Case
from shelterscape.science.growth import SiteIndex, parse_local_height
from shelterscape.science.near_ground import flow_table
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.purposes import Purpose, purposes
from shelterscape.science.wind import WindSet, choose_subset, directions_of


@dataclass(frozen=True)
class ResolvedOptions:
    """Inputs of a shelter calculation after purpose and defaults are applied.

    Parameters
    ----------
    purpose : Purpose or None
    seasons : tuple of str
    years : tuple of int or None
        None, which comes first, is belts as surveyed.
    winds : dict
        Wind set by season.
    options : ShelterOptions
    speed_exponent : float
    local_heights : dict
        Site index by species.
    """

    purpose: Purpose | None
    seasons: tuple[str, ...]
    years: tuple[int | None, ...]
    winds: dict[str, WindSet]
    options: ShelterOptions
    speed_exponent: float
    local_heights: dict[str, SiteIndex]

    def cases(self, year: int | None) -> list[Case]:
        """Cases (season, year) of one year."""
        return [Case(season, year) for season in self.seasons]

    def directions(self) -> list[tuple[float, float, list[float]]]:
        """Wind directions, degrees from true north, with sector and weight in each season."""
        return directions_of([self.winds[season] for season in self.seasons], self.speed_exponent)


def seasons_of(params: CaseInputs) -> tuple[str, ...]:
    """Seasons of the calculation: those given, that of the purpose, or both."""
    usual = (purposes()[params.purpose].season,) if params.purpose else DEFAULT_SEASONS
    return params.seasons or usual


def resolve_options(
    params: CaseInputs,
    sets: dict[str, WindSet],
    notice: Callable[[Notice], None],
    roughness_m: float = 0.03,
) -> ResolvedOptions:
    """Apply purpose and defaults to the inputs; a notice states the values from the purpose."""
    purpose = purposes()[params.purpose] if params.purpose else None
    seasons = seasons_of(params)
    height = params.at_height_m or (purpose.at_height_m if purpose else DEFAULT_HEIGHT_M)
    speed_exponent = params.speed_exponent or (
        purpose.speed_exponent if purpose else DEFAULT_EXPONENT
    )
    fitting = purpose.subsets if purpose else ()
    winds = {s: choose_subset(sets, params.subset, (*fitting, s), "winds") for s in seasons}
    for one in dict.fromkeys(wind.subset for wind in winds.values()):
        if calm := sets[one].calm:
            text = f"{sets[one].label}: calm {100 * calm:.0f} % of the time, left out of all means"
            notice(Notice("calm-left-out", text))
    if purpose:
        notice(_purpose_notice(purpose, params))
    if params.near_ground == "flow":
        notice(_flow_notice(roughness_m))
    numbers = sorted(year for year in params.years if isinstance(year, int))
    return ResolvedOptions(
        purpose=purpose,
        seasons=seasons,
        years=((None, *numbers) if "surveyed" in params.years else tuple(numbers)),
        winds=winds,
        options=ShelterOptions(
            params.curve,
            params.combine,
            params.ends,
            height,
            near_ground=params.near_ground,
            roughness_m=roughness_m,
        ),
        speed_exponent=speed_exponent,
        local_heights=dict(parse_local_height(text) for text in params.local_heights),
    )


def _flow_notice(roughness_m: float) -> Notice:
    """Which table corrects shelter for the height above ground."""
    table = flow_table()
    return Notice(
        "near-ground-table",
        f"wind close to the ground by table {table.version} of the flow model (SHA-256 "
        f"{table.sha256}), over a roughness length of {roughness_m:g} m",
    )


def _purpose_notice(purpose: Purpose, params: CaseInputs) -> Notice:
    """Values from the purpose, with their sources, and inputs that replace them."""
    used, given = [], []
    for name, field in (
        ("season", "seasons"),
        ("at_height_m", "at_height_m"),
        ("speed_exponent", "speed_exponent"),
        ("subsets", "subset"),
    ):
        if getattr(params, field):
            given.append(field)
        else:
            value = getattr(purpose, name)
            shown = " or ".join(value) if isinstance(value, tuple) else value
            used.append(f"{name} {shown} ({purpose.sources[name]})")
    text = f"purpose “{purpose.name}”: {'; '.join(used) or 'all values given as inputs'}"
    return Notice(
        "purpose-used", text + (f"; given as inputs: {', '.join(given)}" if given else "")
    )
