"""Species kept or excluded for each belt, with the reason; unknown ground is never a reason."""

from __future__ import annotations

import functools
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from shelterscape import data
from shelterscape.science.planting.belt_sites import EXPOSED_CLASSES
from shelterscape.science.planting.design import NONE, BeltDesign, protection
from shelterscape.science.species import find_species, species_table

KEPT, EXCLUDED, NOT_CHECKED = "kept", "excluded", "not checked"

EXPOSED_WIND_MS = 6.0
"""Mean terrain wind from which exposed ground excludes species that suffer from wind, m/s
(assumed)."""

SUITABILITY_COLUMNS = (
    "belt",
    "species",
    "design_share",
    "suitability",
    "reason",
    "not_checked",
    "plant_health",
    "fact_date",
    "source",
)


class Fact(NamedTuple):
    """A property of a species, with the origin and status of the statement.

    Parameters
    ----------
    value, note : str
        The property as species_sites.csv defines it, and its reason in words.
    source, status : str
        Origin, and whether it was verified.
    fact_date : str
        Date on which it was written down.
    """

    value: str
    note: str
    source: str
    status: str
    fact_date: str

    @property
    def origin(self) -> str:
        """Source and status in words."""
        return f"{self.source} ({self.status})"


@functools.cache
def species_facts() -> dict[str, dict[str, Fact]]:
    """Facts by species and property, as species_sites.csv explains them.

    Returns
    -------
    dict of dict of Fact
    """
    rows = data.table("species_sites.csv").fillna("").astype(str)
    found: dict[str, dict[str, Fact]] = {}
    for row in rows.to_dict("records"):
        fact = Fact(*(row[name] for name in Fact._fields))
        found.setdefault(row["species"], {})[row["property"]] = fact
    return found


@dataclass(frozen=True)
class SpeciesRules:
    """Rules that the planner sets.

    Parameters
    ----------
    native : tuple of str
        Species that count as native; all others are excluded. Empty: not checked.
    peat_allowed : bool
        Whether deep peat may be planted.
    exposed_wind_ms : float
        m/s; see `EXPOSED_WIND_MS`.
    """

    native: tuple[str, ...] = ()
    peat_allowed: bool = False
    exposed_wind_ms: float = EXPOSED_WIND_MS


class _Verdict(NamedTuple):
    """Result of one test: what it excludes, keeps under a condition, or could not check."""

    kind: str
    text: str
    origin: str = ""


def species_suitability(
    sites: pd.DataFrame,
    belts: gpd.GeoDataFrame,
    designs: Mapping[str, BeltDesign],
    rules: SpeciesRules,
) -> pd.DataFrame:
    """Species kept or excluded for each belt.

    Parameters
    ----------
    sites : DataFrame
        As `belt_sites` returns them.
    belts : GeoDataFrame
        With ``belt`` and ``design``, in the same order.
    designs : dict of BeltDesign
    rules : SpeciesRules

    Returns
    -------
    DataFrame
        `SUITABILITY_COLUMNS`, a row for each belt and species of the table, those of the design
        first. Species that are kept are not graded. A species that needs to be far from drains is
        not checked where there is no layer of drains, however well it suits the ground.
    """
    native = frozenset(find_species(name).name for name in rules.native)
    rows = []
    for site, name in zip(sites.to_dict("records"), belts["design"], strict=True):
        design = designs[name]
        shares = _shares(design)
        for species in [*shares, *(s for s in species_facts() if s not in shares)]:
            verdicts = list(_tests(species, site, design, rules, native))
            rows.append(_row(site["belt"], species, shares.get(species, 0.0), verdicts))
    return pd.DataFrame(rows, columns=list(SUITABILITY_COLUMNS))


def _shares(design: BeltDesign) -> dict[str, float]:
    plants = design.plants_per_m()
    found: dict[str, float] = {}
    for name, number in plants.items():
        known = find_species(name).name if name.casefold() in species_table() else name
        found[known] = found.get(known, 0.0) + float(number / sum(plants.values()))
    return found


def _row(belt: str, species: str, share: float, verdicts: Sequence[_Verdict]) -> dict[str, Any]:
    by = {kind: [v for v in verdicts if v.kind == kind] for kind in (EXCLUDED, NOT_CHECKED, KEPT)}
    # Without a layer of drains nobody knows whether roots would block one.
    decisive = any(v.text == _NO_DRAINS for v in by[NOT_CHECKED])
    result = EXCLUDED if by[EXCLUDED] else NOT_CHECKED if decisive else KEPT
    shown = by[EXCLUDED] or by[KEPT]
    health = species_facts().get(species, {}).get("plant_health", _NO_FACT)
    return {
        "belt": belt,
        "species": species,
        "design_share": share,
        "suitability": result,
        "reason": "; ".join(v.text for v in shown),
        "not_checked": "; ".join(v.text for v in by[NOT_CHECKED]),
        "plant_health": health.note,
        "fact_date": health.fact_date,
        "source": "; ".join(dict.fromkeys(v.origin for v in shown if v.origin)),
    }


_NO_FACT = Fact("", "", "", "", "")
_NO_DRAINS = "no layer of drains, which it blocks within 30 m"
FAR_M = 30.0
"""Distance from drains of species whose roots seek water, m."""


def _tests(
    species: str,
    site: Mapping[Hashable, Any],
    design: BeltDesign,
    rules: SpeciesRules,
    native: frozenset[str],
) -> Iterator[_Verdict]:
    facts = species_facts().get(species, {})
    yield from _ground("wet ground", site["wet"], facts.get("wet_ground"))
    yield from _ground("salt", site["salt"], facts.get("salt"))
    yield from _exposure(site, facts.get("exposure"), rules.exposed_wind_ms)
    yield from _drains(site["drain_distance_m"], facts.get("drain_m"))
    yield from _peat(site["deep_peat"], rules.peat_allowed)
    yield from _height(site["height_limit_m"], species)
    yield from _deer(site["deer"], facts.get("deer"), design)
    if not native:
        yield _Verdict(NOT_CHECKED, "no list of native species")
    elif species not in native:
        yield _Verdict(EXCLUDED, "not in the list of native species", "your list")
    health = facts.get("plant_health")
    if health and health.value == "exclude":
        yield _Verdict(EXCLUDED, f"plant health: {health.note}", health.origin)


def _ground(name: str, there: bool | None, fact: Fact | None) -> Iterator[_Verdict]:
    """Special ground, which a species tolerates or not."""
    if there is None:
        yield _Verdict(NOT_CHECKED, f"no layer of {name}")
    elif there and fact is None:
        yield _Verdict(NOT_CHECKED, f"{name}: not known for this species")
    elif there and fact is not None:
        kind = EXCLUDED if fact.value == "fails" else KEPT
        yield _Verdict(kind, f"{name}: {fact.note}", fact.origin)


def _exposure(
    site: Mapping[Hashable, Any], fact: Fact | None, exposed_wind_ms: float
) -> Iterator[_Verdict]:
    """Exposed ground: an exposed topex class with a fast terrain wind."""
    number, wind = float(site["topex_class"]), float(site["terrain_wind_ms"])
    if number > EXPOSED_CLASSES or wind < exposed_wind_ms:
        return
    if np.isnan(number) or np.isnan(wind):
        yield _Verdict(NOT_CHECKED, "exposure: topex or terrain wind is not known")
        return
    where = f"exposed (topex {site['topex_deg']:.0f}°, {wind:.1f} m/s)"
    if fact is None:
        yield _Verdict(NOT_CHECKED, f"{where}: not known for this species")
    else:
        kind = EXCLUDED if fact.value == "fails" else KEPT
        yield _Verdict(kind, f"{where}: {fact.note}", fact.origin)


def _drains(distance_m: float | None, fact: Fact | None) -> Iterator[_Verdict]:
    if fact is None:
        yield _Verdict(NOT_CHECKED, "drains: not known for this species")
        return
    required = float(fact.value)
    if distance_m is None:
        yield _Verdict(NOT_CHECKED, _NO_DRAINS if required >= FAR_M else "no layer of drains")
    elif distance_m < required:
        yield _Verdict(EXCLUDED, f"{distance_m:.0f} m from a drain: {fact.note}", fact.origin)


def _peat(there: bool | None, allowed: bool) -> Iterator[_Verdict]:
    if there is None:
        yield _Verdict(NOT_CHECKED, "no layer of deep peat")
    elif there and not allowed:
        origin = "common practice (no source)"
        yield _Verdict(EXCLUDED, "deep peat: planting dries it out, and trees fall there", origin)


def _height(limit_m: float | None, species: str) -> Iterator[_Verdict]:
    known = species.casefold() in species_table()
    if limit_m is None:
        yield _Verdict(NOT_CHECKED, "no layer of height limits: under lines, ask the operator")
    elif np.isnan(limit_m):
        yield _Verdict(NOT_CHECKED, "height limit not stated: ask the operator")
    elif np.isfinite(limit_m) and not known:
        yield _Verdict(NOT_CHECKED, "mature height: not known for this species")
    elif np.isfinite(limit_m) and (mature := find_species(species).mature_m) > limit_m:
        text = f"grows to {mature:.0f} m, limit {limit_m:.0f} m"
        yield _Verdict(EXCLUDED, text, "table of species (not verified)")


def _deer(there: bool | None, fact: Fact | None, design: BeltDesign) -> Iterator[_Verdict]:
    if there is None:
        yield _Verdict(NOT_CHECKED, "deer: the design names no browsers")
    elif there and fact is None:
        yield _Verdict(NOT_CHECKED, "deer: not known for this species")
    elif there and fact is not None and fact.value == "browsed":
        chosen = protection(design)
        safe = chosen.way != NONE
        means = f"{chosen.way}, {chosen.height_m:.1f} m high" if safe else "no protection"
        yield _Verdict(KEPT if safe else EXCLUDED, f"deer: {fact.note}; {means}", fact.origin)
