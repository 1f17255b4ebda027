"""Why a whole belt does not qualify for a scheme, with the figure that fails."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd

from shelterscape.science.grants.belts import is_planted, mix, shares
from shelterscape.science.grants.scheme import Scheme

ROUNDING = 1e-9


def counted_width(width_m: float, scheme: Scheme) -> float:
    """Width of a belt as a scheme counts it: to the outer stems, or to the fence on both sides.

    Parameters
    ----------
    width_m : float
        Belt width, m.
    scheme : Scheme

    Returns
    -------
    float
        m.
    """
    return width_m + 2.0 * scheme.fence_m


def belt_faults(belts: gpd.GeoDataFrame, scheme: Scheme) -> list[tuple[str, ...]]:
    """Rules for single belts that each belt fails; not those on blocks, areas or other grants.

    Parameters
    ----------
    belts : GeoDataFrame
        As `grants.belts.complete` returns them.
    scheme : Scheme

    Returns
    -------
    list of tuple of str
        For each belt, in words with the figures; empty where it fails none.
    """
    native, evergreen = shares(belts, scheme.native_species)
    rows = belts.itertuples(index=False)
    return [
        (
            *_of_width(row, scheme),
            *_of_species(row, scheme, n, e),
            *_of_planting(row, scheme),
        )
        for row, n, e in zip(rows, native, evergreen, strict=True)
    ]


def too_narrow(width_m: float, scheme: Scheme) -> bool:
    """Whether a belt is narrower than a scheme's least width.

    Parameters
    ----------
    width_m, scheme
        As for `counted_width`.

    Returns
    -------
    bool
    """
    return counted_width(width_m, scheme) < scheme.least_width_m - ROUNDING


def _of_width(belt: Any, scheme: Scheme) -> list[str]:
    if not too_narrow(belt.width_m, scheme):
        return []
    line = "to the fence" if scheme.fence_m else "to the outer stems"
    width, least = counted_width(belt.width_m, scheme), scheme.least_width_m
    return [f"{width:g} m wide {line}, at least {least:g} m asked"]


def _of_species(belt: Any, scheme: Scheme, native: float, evergreen: float) -> list[str]:
    if not is_planted(belt.belt_type):
        return [f"a {belt.belt_type.casefold()} is not planted"]
    found = []
    if refused := sorted(set(mix(belt.species)) & scheme.species_not_paid):
        found.append(f"species not paid: {', '.join(refused)}")
    least, most = scheme.least_native_share, scheme.most_evergreen_share
    if least > 0 and not native >= least - ROUNDING:
        found.append(f"native share {_percent(native)}, at least {least:.0%} asked")
    if most < 1 and not evergreen <= most + ROUNDING:
        found.append(f"evergreen share {_percent(evergreen)}, at most {most:.0%} allowed")
    return found


def _of_planting(belt: Any, scheme: Scheme) -> list[str]:
    found = []
    least, most = scheme.least_plants_per_ha, scheme.most_plants_per_ha
    if least is not None and belt.plants_per_ha < least - ROUNDING:
        found.append(f"{belt.plants_per_ha:g} plants per hectare, at least {least:g} asked")
    if most is not None and belt.plants_per_ha > most + ROUNDING:
        found.append(f"{belt.plants_per_ha:g} plants per hectare, at most {most:g} allowed")
    if belt.open_share > scheme.most_open_share + ROUNDING:
        found.append(
            f"open ground {belt.open_share:.0%}, at most {scheme.most_open_share:.0%} allowed"
        )
    return found


def _percent(share: float) -> str:
    return "unknown (no species given)" if math.isnan(share) else f"{share:.0%}"
