"""Belt designs by name, and restoration works with their costs.

Money is calculated with decimals and kept in whole minor units (hundredths), so that no sum
depends on the rounding of binary fractions.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from shelterscape.errors import InputError
from shelterscape.science.planting.design import BeltDesign

MINOR_UNITS = 100
"""Minor units of money in one unit."""

ACTIONS = ("gap up", "lay", "coppice", "underplant", "thin")
"""Works that restore an existing belt."""


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
    designs : dict of BeltDesign
    restoration : dict of Restoration
        By action.
    currency : str
        Three-letter code of the currency of all costs.
    """

    designs: dict[str, BeltDesign]
    restoration: dict[str, Restoration]
    currency: str

    def design_for(self, purpose: str, where: str = "designs") -> BeltDesign:
        """The first design that suits a purpose.

        Parameters
        ----------
        purpose : str
        where : str
            Name of the designs in errors.

        Returns
        -------
        BeltDesign

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
            "No design suits this purpose, by its porosity and its height after 20 years.",
            where=where,
            value=purpose,
            hint=f"Set design to one of: {', '.join(self.designs)}.",
        )

    def design(self, name: str, where: str = "designs") -> BeltDesign:
        """A design by name.

        Parameters
        ----------
        name : str
        where : str
            Name of the designs in errors.

        Returns
        -------
        BeltDesign

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
