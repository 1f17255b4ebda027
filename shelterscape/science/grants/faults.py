"""Rules of a scheme on single belts: which of them a belt does not meet, with the figures."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd

from shelterscape.science.grants.belts import is_planted, mix, shares
from shelterscape.science.grants.scheme import Scheme

ROUNDING = 1e-9
"""Shortfall that is tolerated in widths (m), shares and densities."""


def counted_width(width_m: float, scheme: Scheme) -> float:
    """Width of a belt as a scheme counts it: to the outer stems or, on both sides, to the fence.

    Parameters
    ----------
    width_m : float
        Belt width, m.
    scheme : Scheme

    Returns
    -------
    float
        Width, m.
    """
    return width_m + 2.0 * scheme.fence_m


def belt_faults(belts: gpd.GeoDataFrame, scheme: Scheme) -> list[tuple[str, ...]]:
    """Rules on single belts that each belt does not meet.

    Rules on blocks, grant areas and other grants are tested elsewhere.

    Parameters
    ----------
    belts : GeoDataFrame
        As `grants.belts.complete_belts` returns them.
    scheme : Scheme

    Returns
    -------
    list of tuple of str
        For each belt, the rules it does not meet, with the figures; empty where it meets all.
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
    """Whether a belt is narrower than a scheme requires.

    Parameters
    ----------
    width_m, scheme
        As for `counted_width`.

    Returns
    -------
    bool
    """
    return counted_width(width_m, scheme) < scheme.min_width_m - ROUNDING


def too_few_stems(living_stems_per_ha: float, scheme: Scheme) -> bool:
    """Whether fewer stems live than a scheme requires; False where they were not counted.

    Parameters
    ----------
    living_stems_per_ha : float
        NaN where stems were not counted.
    scheme : Scheme

    Returns
    -------
    bool
    """
    least = scheme.claim.min_stems_per_ha
    return least is not None and living_stems_per_ha < least - ROUNDING


def _of_width(belt: Any, scheme: Scheme) -> list[str]:
    if not too_narrow(belt.width_m, scheme):
        return []
    line = "to the fence" if scheme.fence_m else "to the outer stems"
    width, required = counted_width(belt.width_m, scheme), scheme.min_width_m
    return [f"{width:g} m wide {line}, at least {required:g} m required"]


def _of_species(belt: Any, scheme: Scheme, native: float, evergreen: float) -> list[str]:
    if not is_planted(belt.belt_type):
        return [f"a {belt.belt_type.casefold()} is not planted"]
    found = []
    if not_paid := sorted(set(mix(belt.species)) & scheme.species_not_paid):
        found.append(f"species not paid: {', '.join(not_paid)}")
    low, high = scheme.min_native_share, scheme.max_evergreen_share
    if low > 0 and not native >= low - ROUNDING:
        found.append(f"native share {_percent(native)}, at least {_percent(low)} required")
    if high < 1 and not evergreen <= high + ROUNDING:
        found.append(f"evergreen share {_percent(evergreen)}, at most {_percent(high)} allowed")
    return found


def _of_planting(belt: Any, scheme: Scheme) -> list[str]:
    found = []
    low, high = scheme.min_plants_per_ha, scheme.max_plants_per_ha
    if low is not None and belt.plants_per_ha < low - ROUNDING:
        found.append(f"{belt.plants_per_ha:g} plants per hectare, at least {low:g} required")
    if high is not None and belt.plants_per_ha > high + ROUNDING:
        found.append(f"{belt.plants_per_ha:g} plants per hectare, at most {high:g} allowed")
    if too_few_stems(belt.living_stems_per_ha, scheme):
        living, least = belt.living_stems_per_ha, scheme.claim.min_stems_per_ha
        found.append(f"{living:,.0f} living stems per hectare, at least {least:,.0f} required")
    if belt.open_share > scheme.max_open_share + ROUNDING:
        found.append(
            f"open ground {_percent(belt.open_share)}, "
            f"at most {_percent(scheme.max_open_share)} allowed"
        )
    return found


def _percent(share: float) -> str:
    """A share in percent, as text; the share of unknown species has no number."""
    return "unknown (no species given)" if math.isnan(share) else f"{100 * share:.0f} %"
