"""Belt designs and restoration works: their properties and costs.

Money is calculated with decimals and kept in whole minor units (hundredths), so that no sum
depends on the rounding of binary fractions.
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
"""Works that restore an existing belt."""

HIGHEST_COST_PER_M = 100_000
"""Highest accepted cost, currency units per metre (assumed)."""


@dataclass(frozen=True)
class Design:
    """How a new belt is planted; ``data/designs/belts.toml`` explains each value.

    Parameters
    ----------
    name : str
    rows : int
    width_m : float
        m.
    species : str
    belt_type : str
    porosity, bare_porosity : float
        Optical porosity once the belt has closed, in leaf and without leaves, 0 to 1.
    closing_years : float
        Years from planting until the belt has closed.
    cost_per_m : Decimal
        Currency units per metre.
    suits : tuple of str
        Purposes for which it is the default.
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
    """Effect and cost of one restoration work.

    Parameters
    ----------
    action : str
        One of `ACTIONS`.
    cost_per_m : Decimal
        Currency units per metre.
    closing_years : float
        Years until the belt has closed again.
    figures : dict
        The other values of its table in the file.
    """

    action: str
    cost_per_m: Decimal
    closing_years: float
    figures: dict[str, float]


@dataclass(frozen=True)
class Designs:
    """All designs and restoration works, by name.

    Parameters
    ----------
    designs : dict of Design
    restoration : dict of Restoration
        By action.
    currency : str
        Currency of all costs; empty where the file does not state it.
    """

    designs: dict[str, Design]
    restoration: dict[str, Restoration]
    currency: str = ""

    def design_for(self, purpose: str, where: str = "designs") -> Design:
        """The first design that suits a purpose.

        Parameters
        ----------
        purpose : str
        where : str
            Name of the designs in errors.

        Returns
        -------
        Design

        Raises
        ------
        InputError
            ``name-unknown`` when no design suits it.
        """
        for design in self.designs.values():
            if purpose in design.suits:
                return design
        raise InputError(
            "name-unknown",
            "No design suits this purpose.",
            where=where,
            value=purpose,
            hint=f"Set design to one of: {', '.join(self.designs)}.",
        )

    def design(self, name: str, where: str = "designs") -> Design:
        """A design by name.

        Parameters
        ----------
        name : str
        where : str
            Name of the designs in errors.

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
            hint=f"Use one of: {', '.join(self.designs)}.",
        )


@functools.cache
def packaged_designs() -> Designs:
    """The packaged designs.

    Returns
    -------
    Designs
    """
    return parse_designs(data.toml("designs/belts.toml"), "designs/belts.toml")


def cost_minor(length_m: float, cost_per_m: Decimal) -> int:
    """Cost of a length in whole minor units, halves rounded up.

    Parameters
    ----------
    length_m : float
        m; rounded to the centimetre.
    cost_per_m : Decimal
        Currency units per metre.

    Returns
    -------
    int
        Minor units of money.

    Examples
    --------
    >>> cost_minor(10.01, Decimal("16.50"))
    16517
    """
    # A drawn line is never more accurate than a centimetre.
    metres = Decimal(f"{length_m:.2f}")
    cost = metres * cost_per_m * MINOR_UNITS
    return int(cost.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def parse_designs(raw: Mapping[str, Any], where: str) -> Designs:
    """Check and convert the content of a file of designs.

    Parameters
    ----------
    raw : mapping
        As read from TOML: ``currency`` and the tables ``design`` and ``restoration``. Without
        ``restoration`` the packaged works apply.
    where : str
        Name of the file in errors.

    Returns
    -------
    Designs

    Raises
    ------
    InputError
        ``designs-bad``, ``name-unknown``.
    """
    unknown = set(raw) - {"currency", "design", "restoration"}
    if unknown or not raw.get("design") or not isinstance(raw["design"], Mapping):
        raise InputError(
            "designs-bad",
            "A file of designs needs tables [design.NAME] and may have currency and "
            "[restoration.ACTION].",
            where=where,
            # A file without any known key may be a private one, named by mistake.
            value=", ".join(sorted(unknown if unknown < set(raw) else ())) or "no design",
            hint="Remove other keys and tables, and give at least one table [design.NAME].",
        )
    designs = {str(n): _design(str(n), row, where) for n, row in raw["design"].items()}
    given = raw.get("restoration")
    restoration = packaged_designs().restoration if given is None else _restorations(given, where)
    return Designs(designs, restoration, str(raw.get("currency", "")))


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
        raise InputError(
            "designs-bad",
            "The design lacks a value.",
            where=here,
            value=needed[0],
            hint=f"Add {needed[0]} to the table of this design.",
        )
    porosity = _number(row, "porosity", here, 0.0, 1.0)
    if str(row["species"]).casefold() not in {n.casefold() for n in species_names()}:
        raise InputError(
            "name-unknown",
            "The species is unknown.",
            where=here,
            value=row["species"],
            hint=f"Use one of: {', '.join(species_names())}.",
        )
    kind = str(row.get("belt_type", _DESIGN_KEYS["belt_type"]))
    suits = tuple(row.get("suits", ()))
    for word, known in [(kind, BELT_TYPES), *((s, tuple(purposes())) for s in suits)]:
        if word not in known:
            raise InputError(
                "designs-bad",
                "The design has an unknown belt type or purpose.",
                where=here,
                value=word,
                hint=f"Use one of: {', '.join(known)}.",
            )
    bare = porosity if is_evergreen(str(row["species"])) else max(porosity, 0.60)
    return Design(
        name=name,
        rows=int(_number({"rows": 1} | dict(row), "rows", here, 1, 100)),
        width_m=_number(row, "width_m", here, 0.1, TERMS["width_m"].high),
        species=str(row["species"]),
        belt_type=kind,
        porosity=porosity,
        bare_porosity=_number({"bare_porosity": bare} | dict(row), "bare_porosity", here, 0, 1),
        closing_years=_number({"closing_years": 10} | dict(row), "closing_years", here, 0, 100),
        cost_per_m=_money(row["cost_per_m"], here),
        suits=suits,
    )


_RESTORATION_KEYS: dict[str, dict[str, tuple[float, float]]] = {
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
"""Values each restoration work needs, with their ranges."""


def _restorations(raw: Any, where: str) -> dict[str, Restoration]:
    _check_keys(raw, set(ACTIONS), where)
    return {str(name): _restoration(str(name), row, where) for name, row in raw.items()}


def _restoration(action: str, row: Any, where: str) -> Restoration:
    here = f"{where}, restoration {action}"
    wanted = _RESTORATION_KEYS[action]
    _check_keys(row, {*wanted, "cost_per_m", "closing_years"}, here)
    missing = [key for key in (*wanted, "cost_per_m") if key not in row]
    if missing:
        raise InputError(
            "designs-bad",
            "The restoration lacks a value.",
            where=here,
            value=missing[0],
            hint=f"Add {missing[0]} to the table of this restoration.",
        )
    figures = {key: _number(row, key, here, *span) for key, span in wanted.items()}
    years = _number({"closing_years": 10} | dict(row), "closing_years", here, 0, 100)
    return Restoration(action, _money(row["cost_per_m"], here), years, figures)


def _check_keys(row: Any, known: set[str], where: str) -> None:
    if not isinstance(row, Mapping):
        raise InputError(
            "designs-bad",
            "This part of the file must be a table.",
            where=where,
            value=row,
            hint="Write it as [design.NAME] or [restoration.ACTION] with its values below.",
        )
    for key in row:
        if key not in known:
            raise InputError(
                "designs-bad",
                "The file of designs has an unknown key.",
                where=where,
                value=key,
                hint=f"Use one of: {', '.join(sorted(known))}.",
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
            hint=f"Set {key} to a number from {low:g} to {high:g}.",
        )
    return float(value)


def _money(value: Any, where: str) -> Decimal:
    """A cost given as text or as a number, exact to its decimals."""
    try:
        cost = Decimal(str(value))
    except InvalidOperation:
        cost = Decimal("NaN")
    # Nobody can be billed for a fraction of a minor unit.
    if not (cost.is_finite() and 0 <= cost <= HIGHEST_COST_PER_M) or cost != round(cost, 2):
        raise InputError(
            "designs-bad",
            "cost_per_m must be an amount of money with at most two decimals.",
            where=where,
            value=value,
            hint=f'Set it to an amount from 0 to {HIGHEST_COST_PER_M}, such as "16.50".',
        )
    return cost
