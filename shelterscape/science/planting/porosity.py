"""Optical porosity of a belt of several species, without leaves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from shelterscape.science.planting.design import PlantedRow
from shelterscape.science.species import find_species

LEAST_POROSITY = 0.01
"""Porosity as which a solid belt counts, because 0 has no logarithm (assumed)."""


def mixed_porosity(shares: Mapping[str, float], porosity: Mapping[str, float]) -> float:
    """Optical porosity of a row in which species are mixed.

    Parameters
    ----------
    shares : dict of str to float
        Share of each species.
    porosity : dict of str to float
        Optical porosity of a row of each species alone, 0 to 1.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    ln θ is the mean of ln θ by share (assumed): light passes plants one after the other. A
    scattered tenth of evergreens closes a bare belt little. No measurements of mixed belts were
    found, so the error is not known.

    Examples
    --------
    >>> round(mixed_porosity({"oak": 0.9, "holly": 0.1}, {"oak": 0.6, "holly": 0.2}), 2)
    0.54
    """
    total = sum(shares.values())
    logs = (s * math.log(max(porosity[name], LEAST_POROSITY)) for name, s in shares.items())
    return math.exp(sum(logs) / total)


def bare_porosity_of_rows(rows: Sequence[PlantedRow], porosity: float) -> float:
    """Optical porosity without leaves of a belt with several rows.

    Parameters
    ----------
    rows : sequence of PlantedRow
    porosity : float
        Of the belt in leaf, 0 to 1; evergreen plants keep it.

    Returns
    -------
    float
        At least `porosity`.

    Notes
    -----
    Porosities of rows are multiplied. Porosities of the table of species are those of whole belts:
    a row of n has the n-th root.
    """
    found = 1.0
    for row in rows:
        species = {name: find_species(name) for name in row.species}
        alone = {
            name: (porosity if one.winter == "evergreen" else one.bare_porosity) ** (1 / len(rows))
            for name, one in species.items()
        }
        found *= mixed_porosity(row.species, alone)
    return max(found, porosity)
