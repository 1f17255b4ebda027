"""Leaf state of belts from the words of a table."""

from __future__ import annotations

from shelterscape.errors import InputError
from shelterscape.science.belts import SEASONS


def season_from(text: str, where: str) -> str | None:
    """Leaf state from a cell of a table.

    Parameters
    ----------
    text : str
        in leaf, in-leaf or bare.
    where : str
        Place of the cell in errors.

    Returns
    -------
    {"in-leaf", "bare"} or None
        None for an empty cell.

    Raises
    ------
    InputError
        ``column-bad``.
    """
    if not text:
        return None
    word = text.strip().casefold().replace(" ", "-")
    if word not in SEASONS:
        raise InputError(
            "column-bad",
            "The season must be in leaf or bare.",
            where=where,
            value=text,
            hint="Write in leaf, bare, or leave the cell empty.",
        )
    return word
