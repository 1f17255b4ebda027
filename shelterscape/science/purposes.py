"""Purposes of places: defaults of each, with their sources."""

from __future__ import annotations

import functools
from dataclasses import dataclass

from shelterscape import data


@dataclass(frozen=True)
class Purpose:
    """Defaults of one purpose; ``data/purposes.toml`` explains each.

    Parameters
    ----------
    name : str
    months : tuple of int
        Months in which the wind matters.
    subsets : tuple of str
        Wind-set subsets that fit, best first.
    season : {"in-leaf", "bare"}
    speed_exponent : float
        Wind-speed exponent.
    at_height_m : float
        Height above ground, m.
    porosity, distance_h : tuple of float
        Lowest and highest recommended value: optical porosity, 0 to 1; distance leeward, H.
    target : float
        Target relative wind.
    head_m2 : float
        Well sheltered ground per animal, m²; 0 for purposes other than stock.
    sources : dict
        Source of each default, with its status.
    """

    name: str
    months: tuple[int, ...]
    subsets: tuple[str, ...]
    season: str
    speed_exponent: float
    at_height_m: float
    porosity: tuple[float, float]
    distance_h: tuple[float, float]
    target: float
    head_m2: float
    sources: dict[str, str]


@functools.cache
def purposes() -> dict[str, Purpose]:
    """All purposes by name.

    Returns
    -------
    dict of Purpose
    """
    return {name: _purpose(name, rows) for name, rows in data.toml("purposes.toml").items()}


def _purpose(name: str, rows: dict[str, dict[str, object]]) -> Purpose:
    values = {
        key: tuple(row["value"]) if isinstance(row["value"], list) else row["value"]
        for key, row in rows.items()
    }
    sources = {key: str(row["source"]) for key, row in rows.items()}
    return Purpose(name, **{"head_m2": 0.0, **values}, sources=sources)  # type: ignore[arg-type]
