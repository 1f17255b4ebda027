"""Belt designs and ways of restoration: what they are made of and what they cost.

Money is kept in whole minor units (hundredths), calculated in decimals, so that no sum depends on
how a binary fraction rounds.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from typing import Any

from shelterscape import data
from shelterscape.errors import InputError
from shelterscape.science.belts import BELT_TYPES
from shelterscape.science.growth import is_evergreen, species_names
from shelterscape.science.purposes import purposes
from shelterscape.terms import TERMS

MINOR_UNITS = 100
"""Minor units of money in one unit."""

ACTIONS = ("gap up", "lay", "coppice", "underplant", "thin")
"""Ways to restore an existing belt."""

DEAREST_PER_M = 100_000
"""A cost above this many units a metre is taken for an error (assumed value)."""


@dataclass(frozen=True)
class Design:
    """How a new belt is planted; see ``data/designs/belts.toml`` for the meaning of each.

    Parameters
    ----------
    name : str
    rows : int
    width_m : float
        m.
    species : str
    belt_type : str
    porosity, bare_porosity : float
        Optical porosity once closed, in leaf and without leaves, 0 to 1.
    closing_years : float
        Years from planting until it is closed.
    cost_per_m : Decimal
        Units of money.
    suits : tuple of str
        Purposes.
    """

    name: str
    rows: int
    width_m: float
    species: str
    belt_type: str
    porosity: float
    bare_porosity: float
    closing_years: float
    cost_per_m: Decimal
    suits: tuple[str, ...] = ()


@dataclass(frozen=True)
class Restoration:
    """What one way of restoration does, and its cost.

    Parameters
    ----------
    action : str
        One of `ACTIONS`.
    cost_per_m : Decimal
        Units of money.
    closing_years : float
        Years until the belt is closed again.
    figures : dict
        The other figures of its part of the file.
    """

    action: str
    cost_per_m: Decimal
    closing_years: float
    figures: dict[str, float]


@dataclass(frozen=True)
class Designs:
    """All designs and ways of restoration, by name.

    Parameters
    ----------
    designs : dict of Design
    mending : dict of Restoration
        By action.
    """

    designs: dict[str, Design]
    mending: dict[str, Restoration]

    def design_for(self, purpose: str, where: str = "designs") -> Design:
        """The first design that suits a purpose.

        Parameters
        ----------
        purpose : str
        where : str
            What to call the designs in errors.

        Returns
        -------
        Design

        Raises
        ------
        InputError
            ``name-unknown`` when none does.
        """
        for design in self.designs.values():
            if purpose in design.suits:
                return design
        raise InputError(
            "name-unknown",
            "No design suits this purpose.",
            where=where,
            value=purpose,
            mend=f"Name one of: {', '.join(self.designs)}.",
        )

    def find(self, name: str, where: str = "designs") -> Design:
        """A design by its name.

        Parameters
        ----------
        name : str
        where : str
            What to call the designs in errors.

        Returns
        -------
        Design

        Raises
        ------
        InputError
            ``name-unknown``.
        """
        if name in self.designs:
            return self.designs[name]
        raise InputError(
            "name-unknown",
            "There is no design of this name.",
            where=where,
            value=name,
            mend=f"Use one of: {', '.join(self.designs)}.",
        )


@functools.cache
def packaged() -> Designs:
    """The designs that come with the package.

    Returns
    -------
    Designs
    """
    return designs_of(data.toml("designs/belts.toml"), "designs/belts.toml")


def cost_minor(length_m: float, cost_per_m: Decimal) -> int:
    """Cost of some metres in whole minor units, halves rounded up.

    Parameters
    ----------
    length_m : float
        m; counted to the centimetre.
    cost_per_m : Decimal
        Units of money.

    Returns
    -------
    int
        Minor units of money.

    Examples
    --------
    >>> cost_minor(10.01, Decimal("16.50"))
    16517
    """
    # Lengths count to the centimetre: finer figures of a drawn line mean nothing.
    metres = Decimal(f"{length_m:.2f}")
    cost = metres * cost_per_m * MINOR_UNITS
    return int(cost.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def designs_of(raw: Mapping[str, Any], where: str) -> Designs:
    """Check the content of a file of designs.

    Parameters
    ----------
    raw : mapping
        As read from TOML: tables ``design`` and ``mending``; a file without ``mending`` keeps the
        packaged one.
    where : str
        What to call it in errors.

    Returns
    -------
    Designs

    Raises
    ------
    InputError
        ``designs-bad``, ``name-unknown``.
    """
    unknown = set(raw) - {"design", "mending"}
    if unknown or not raw.get("design") or not isinstance(raw["design"], Mapping):
        raise InputError(
            "designs-bad",
            "A file of designs holds tables [design.NAME] and, if wanted, [mending.ACTION].",
            where=where,
            value=", ".join(sorted(unknown)) or None,
        )
    designs = {str(n): _design(str(n), row, where) for n, row in raw["design"].items()}
    ways = raw.get("mending")
    mending = packaged().mending if ways is None else _ways(ways, where)
    return Designs(designs, mending)


_DESIGN_KEYS = {
    "rows": 1,
    "width_m": None,
    "species": None,
    "porosity": None,
    "cost_per_m": None,
    "belt_type": "tree belt",
    "bare_porosity": None,
    "closing_years": 10.0,
    "suits": (),
}
"""Keys of a design and their defaults; None where a value is required."""


def _design(name: str, row: Any, where: str) -> Design:
    here = f"{where}, design {name}"
    _check_keys(row, set(_DESIGN_KEYS), here)
    needed = [k for k in ("width_m", "species", "porosity", "cost_per_m") if k not in row]
    if needed:
        raise InputError("designs-bad", "The design lacks figures.", where=here, value=needed[0])
    porosity = _number(row, "porosity", here, 0.0, 1.0)
    if str(row["species"]).casefold() not in {n.casefold() for n in species_names()}:
        raise InputError(
            "name-unknown",
            "There is no species of this name in the table of species.",
            where=here,
            value=row["species"],
            mend=f"Use one of: {', '.join(species_names())}.",
        )
    kind = str(row.get("belt_type", _DESIGN_KEYS["belt_type"]))
    suits = tuple(row.get("suits", ()))
    for word, known in [(kind, BELT_TYPES), *((s, tuple(purposes())) for s in suits)]:
        if word not in known:
            raise InputError(
                "designs-bad",
                "The design holds a word that is not known.",
                where=here,
                value=word,
                mend=f"Use one of: {', '.join(known)}.",
            )
    bare = porosity if is_evergreen(str(row["species"])) else max(porosity, 0.60)
    return Design(
        name=name,
        rows=int(_number({"rows": 1} | dict(row), "rows", here, 1, 100)),
        width_m=_number(row, "width_m", here, 0.1, TERMS["belt_width"].high),
        species=str(row["species"]),
        belt_type=kind,
        porosity=porosity,
        bare_porosity=_number({"bare_porosity": bare} | dict(row), "bare_porosity", here, 0, 1),
        closing_years=_number({"closing_years": 10} | dict(row), "closing_years", here, 0, 100),
        cost_per_m=_money(row["cost_per_m"], here),
        suits=suits,
    )


_MENDING_KEYS: dict[str, dict[str, tuple[float, float]]] = {
    "gap up": {"shortest_gap_m": (0.0, 1000.0), "longest_gap_m": (0.0, 1000.0)},
    "lay": {
        "height_m": (0.05, 80.0),
        "porosity": (0.0, 1.0),
        "bare_porosity": (0.0, 1.0),
        "tallest_m": (0.05, 80.0),
    },
    "coppice": {
        "height_m": (0.05, 80.0),
        "porosity": (0.0, 1.0),
        "bare_porosity": (0.0, 1.0),
        "tallest_m": (0.05, 80.0),
    },
    "underplant": {"porosity_low": (0.0, 1.0)},
    "thin": {},
}
"""Figures each way of restoration needs, with their range."""


def _ways(raw: Any, where: str) -> dict[str, Restoration]:
    _check_keys(raw, set(ACTIONS), where)
    return {str(name): _mending(str(name), row, where) for name, row in raw.items()}


def _mending(action: str, row: Any, where: str) -> Restoration:
    here = f"{where}, mending {action}"
    wanted = _MENDING_KEYS[action]
    _check_keys(row, {*wanted, "cost_per_m", "closing_years"}, here)
    missing = [key for key in (*wanted, "cost_per_m") if key not in row]
    if missing:
        raise InputError("designs-bad", "A figure is missing.", where=here, value=missing[0])
    figures = {key: _number(row, key, here, *span) for key, span in wanted.items()}
    years = _number({"closing_years": 10} | dict(row), "closing_years", here, 0, 100)
    return Restoration(action, _money(row["cost_per_m"], here), years, figures)


def _check_keys(row: Any, known: set[str], where: str) -> None:
    if not isinstance(row, Mapping):
        raise InputError("designs-bad", "A table was looked for here.", where=where, value=row)
    for key in row:
        if key not in known:
            raise InputError(
                "designs-bad",
                "The file of designs has a part that means nothing here.",
                where=where,
                value=key,
                mend=f"Use one of: {', '.join(sorted(known))}.",
            )


def _number(row: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float:
    value = row[key]
    is_number = isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)
    fits = is_number and low <= float(value) <= high
    if not fits:
        raise InputError(
            "designs-bad",
            f"{key} must be a number from {low:g} to {high:g}.",
            where=where,
            value=value,
        )
    return float(value)


def _money(value: Any, where: str) -> Decimal:
    """A cost; written as words or as a number, it is read by its digits."""
    try:
        cost = Decimal(str(value))
    except InvalidOperation:
        cost = Decimal("NaN")
    # A fraction of a minor unit a metre is no money anybody can be billed.
    if not (cost.is_finite() and 0 <= cost <= DEAREST_PER_M) or cost != round(cost, 2):
        raise InputError(
            "designs-bad",
            "cost_per_m must be an amount of money with at most two decimals.",
            where=where,
            value=value,
            mend='Write it like "16.50".',
        )
    return cost
