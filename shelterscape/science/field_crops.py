"""Crop, yield and price of fields, and the value of what changes in their yield."""

from __future__ import annotations

import difflib
from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.columns import numbers, words
from shelterscape.science.crops import GAINS
from shelterscape.terms import TERMS

CROP = "crop"
"""Purpose of the places on which crops respond."""

CROP_COLUMNS = ("crop", "crop_yield_t_ha", "crop_price")
"""Columns of a layer of places that only fields with crops use."""


class UsualCrop(NamedTuple):
    """The crop of fields that do not name another one.

    Parameters
    ----------
    crop : str
        A name in `GAINS`; empty where unknown.
    yield_t_ha : float or None
        t/ha.
    price : float or None
        Currency units per tonne.
    """

    crop: str = ""
    yield_t_ha: float | None = None
    price: float | None = None


def crop_columns(
    fields: pd.DataFrame, purposes: NDArray[np.object_], usual: UsualCrop, where: str
) -> dict[str, NDArray[np.object_] | NDArray[np.float64]]:
    """Check crop, yield and price of each place.

    Parameters
    ----------
    fields : DataFrame
        Places as read; all columns of `CROP_COLUMNS` that exist are read, where the purpose is
        `CROP`. Its index holds row numbers of the file, from 0.
    purposes : (n,) array of str
        Purpose of each place.
    usual : UsualCrop
        For fields without a crop; its yield and price also for those with the same crop.
    where : str
        Name of the layer in errors.

    Returns
    -------
    dict
        The columns of `CROP_COLUMNS`, (n,) each: text, and numbers with NaN where unknown.

    Raises
    ------
    InputError
        ``name-unknown`` for a crop without a published response, with the nearest one that has
        one; ``column-bad`` for numbers out of range.
    """
    grown = purposes == CROP
    given = fields[grown]
    names = np.array([name.casefold() for name in words(given, "crop")], dtype=object)
    for row, name in zip(given.index, names, strict=True):
        check_crop(name, f"{where}, feature {row + 1}")
    names[names == ""] = usual.crop
    crop = np.full(len(fields), "", dtype=object)
    crop[grown] = names
    found: dict[str, NDArray[np.object_] | NDArray[np.float64]] = {"crop": crop}
    for column, default in zip(CROP_COLUMNS[1:], usual[1:], strict=True):
        values = numbers(given, column, TERMS[column], where)
        by_default = (names == usual.crop) & np.isnan(values)
        whole = np.full(len(fields), np.nan)
        whole[grown] = np.where(by_default, np.nan if default is None else default, values)
        found[column] = whole
    return found


def check_crop(name: str, where: str) -> None:
    """Refuse a crop without a published response.

    Parameters
    ----------
    name : str
        In small letters; empty for an unknown crop.
    where : str
        Where it was found, in errors.

    Raises
    ------
    InputError
        ``name-unknown``.
    """
    if not name or name in GAINS:
        return
    near = difflib.get_close_matches(name, GAINS, n=1)
    hint = f"Did you mean {near[0]}? " if near else ""
    raise InputError(
        "name-unknown",
        "No response to belts is published for this crop.",
        where=where,
        value=name,
        hint=f"{hint}Use one of: {', '.join(GAINS)}. For another crop give no name: the widest "
        "published range applies.",
    )


def values_per_ha(fields: pd.DataFrame) -> list[Decimal | None]:
    """Value of the full yield of a hectare of each field.

    Parameters
    ----------
    fields : DataFrame
        With the columns that `crop_columns` returns.

    Returns
    -------
    list of Decimal or None
        Currency units; None where yield or price is unknown.

    Examples
    --------
    >>> values_per_ha(pd.DataFrame({"crop_yield_t_ha": [7.5], "crop_price": [180.2]}))
    [Decimal('1351.50')]
    """
    both = fields[["crop_yield_t_ha", "crop_price"]].to_numpy(dtype=float)
    return [
        None if np.isnan(row).any() else Decimal(repr(float(row[0]))) * Decimal(repr(float(row[1])))
        for row in both
    ]


def value_minor(hectares: float, per_ha: Decimal, minor_units: int) -> int:
    """Value of hectares of full yield in whole minor units, halves rounded away from 0.

    Parameters
    ----------
    hectares : float
        ha; below 0 for a loss.
    per_ha : Decimal
        Currency units.
    minor_units : int
        Minor units of money in one unit.

    Returns
    -------
    int

    Examples
    --------
    >>> value_minor(-0.12, Decimal("1351.50"), 100)
    -16218
    """
    exact = Decimal(repr(float(hectares))) * per_ha * minor_units
    return int(exact.quantize(Decimal(1), ROUND_HALF_UP))
