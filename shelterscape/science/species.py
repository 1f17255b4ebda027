"""The table of woody species of belts and hedges."""

from __future__ import annotations

import difflib
import functools
from collections.abc import Hashable
from typing import Any, NamedTuple

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.kernels.growth_curves import SiteIndex


class Species(NamedTuple):
    """A row of species.csv, which explains each value; the nursery rate in m per year."""

    name: str
    winter: str
    curve: str
    coefficients: tuple[float, float, float]
    years_to_breast_height: float
    site: SiteIndex
    rate: float
    mature_m: float
    bare_porosity: float
    cautions: str


@functools.cache
def species_table() -> dict[str, Species]:
    """All species by name and by alternative name, in small letters.

    Returns
    -------
    dict of Species
    """
    rows = data.table("species.csv")
    words = ["winter", "curve", "same_as", "cautions"]
    rows[words] = rows[words].fillna("")
    records = {row["species"]: row for row in rows.to_dict("records")}
    return {
        name.casefold(): _from_record(records[row["same_as"] or name])
        for name, row in records.items()
    }


def _from_record(row: dict[Hashable, Any]) -> Species:
    return Species(
        name=row["species"],
        winter=row["winter"],
        curve=row["curve"],
        coefficients=(row["c1"], row["c2"], row["c3"]),
        years_to_breast_height=row["age_offset"],
        site=(row["site_height_m"], row["site_age"]),
        rate=row["nursery_rate"],
        mature_m=row["mature_height_m"],
        bare_porosity=row["bare_porosity"],
        cautions=row["cautions"],
    )


def find_species(name: str) -> Species:
    """A species by name.

    Parameters
    ----------
    name : str
        In small or capital letters.

    Returns
    -------
    Species

    Raises
    ------
    InputError
        ``name-unknown``, with the nearest name.
    """
    known = species_table()
    key = str(name).strip().casefold()
    if key in known:
        return known[key]
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    names = dict.fromkeys(species.name for species in known.values())
    hint = f"Did you mean {known[near[0]].name!r}? " if near else ""
    raise InputError(
        "name-unknown",
        "The table of species has no species of this name.",
        value=name,
        hint=f"{hint}Use one of: {', '.join(names)}.",
    )
