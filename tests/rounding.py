"""Tolerances for comparing numbers in files, which are rounded, with calculated numbers."""

from __future__ import annotations

import math

from shelterscape.terms import DECIMALS, SIGNIFICANT, TERMS


def half_digit(name: str, value: float) -> float:
    """Half of the last digit that files carry for a term: the largest error of rounding."""
    term = TERMS[name]
    digits = DECIMALS[term.unit] if term.decimals is None else term.decimals
    if term.decimals is None and term.unit in ("ha", "ha eq.", "m") and value:
        digits = max(digits, SIGNIFICANT - 1 - math.floor(math.log10(abs(value))))
    return 0.5 * 10.0**-digits
