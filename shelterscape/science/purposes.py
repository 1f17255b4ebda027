"""What places are sheltered for: when, at which height and how much, with the sources."""

from __future__ import annotations

import functools
from dataclasses import dataclass

from shelterscape import data


@dataclass(frozen=True)
class Purpose:
    """Defaults of one purpose; see ``data/purposes.toml`` for the meaning of each.

    Parameters
    ----------
    name : str
    months : tuple of int
    subsets : tuple of str
        Wind-set subsets that fit, best first.
    season : {"in-leaf", "bare"}
    power : float
        Wind-speed exponent.
    at_height_m : float
        Height above ground, m.
    porosity, distance_h : tuple of float
        Lowest and highest recommended value: optical porosity, 0 to 1; belt heights.
    target : float
        Relative wind to aim for.
    head_m2 : float
        Well sheltered ground each animal needs, m²; 0 where it is not for stock.
    sources : dict
        Source of each of these, with its status.
    """

    name: str
    months: tuple[int, ...]
    subsets: tuple[str, ...]
    season: str
    power: float
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
