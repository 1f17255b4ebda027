"""Height of trees and of belts by age.

Heights follow published curves of forest top height, or nursery rates where no curve is published.
Belts are narrow and exposed, so they grow less than forest: the reduction is assumed.
"""

from __future__ import annotations

import functools
import re
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from shelterscape.errors import InputError
from shelterscape.kernels.growth_curves import CURVES, SiteIndex
from shelterscape.science.species import Species, find_species, species_table
from shelterscape.terms import TERMS

SITE_FACTOR = 0.8
"""Height of an exposed narrow belt divided by that of the species curve (assumed)."""

PLANTED_SIZE_M = 0.5
"""Height of a plant when planted, m (assumed)."""

YOUNG_UP_TO_M = 3.0
"""Height below which nursery rates apply and a belt counts as newly planted, m (assumed)."""

BREAST_HEIGHT_M = 1.3
OLDEST_SITE_AGE = 300.0

NO_CURVE = "no published growth curve: nursery rate used"
LOCAL_LINE = "no published growth curve: straight line through the local height used"


def species_names() -> tuple[str, ...]:
    """Names of all species in the order of the table, without alternative names.

    Returns
    -------
    tuple of str
    """
    return tuple(dict.fromkeys(species.name for species in species_table().values()))


def is_evergreen(name: str) -> bool:
    """Whether a species keeps green leaves in winter; dead leaves that stay on do not count.

    Parameters
    ----------
    name : str
        Name of the species, in small or capital letters.

    Returns
    -------
    bool

    Raises
    ------
    InputError
        ``name-unknown`` for a species not in the table.
    """
    return find_species(name).winter == "evergreen"


def curve_note(name: str) -> str:
    """Note on the heights of a species; empty if its growth curve is published.

    Parameters
    ----------
    name : str
        Name of the species, in small or capital letters.

    Returns
    -------
    str

    Raises
    ------
    InputError
        ``name-unknown`` for a species not in the table.
    """
    return "" if find_species(name).curve else NO_CURVE


def _height_nursery(species: Species, age: NDArray[np.float64], site: SiteIndex | None) -> NDArray:
    """A straight line up to the mature height, through the site index where one is given."""
    if site is None:
        return np.minimum(species.rate * age, species.mature_m)
    return np.minimum(site[0] * (age / site[1]), max(species.mature_m, site[0]))


def _height_above_breast(
    species: Species, age: NDArray[np.float64], site: SiteIndex
) -> NDArray[np.float64]:
    """A curve that starts at breast height, with a straight line below it (assumed)."""
    years = species.years_to_breast_height
    above = (site[0] - BREAST_HEIGHT_M, site[1] - years)
    if min(above) <= 0:
        raise InputError(
            "input-refused",
            f"The growth curve of {species.name} starts at {BREAST_HEIGHT_M} m, {years:g} years "
            "after planting.",
            value=f"{site[0]:g} m at {site[1]:g}",
            hint=f"Give a height above {BREAST_HEIGHT_M} m at an age above {years:g} years.",
        )
    curve = CURVES[species.curve](np.maximum(age - years, 0.0), above, *species.coefficients)
    return BREAST_HEIGHT_M * np.minimum(age / years, 1.0) + curve


def checked_site(site: SiteIndex) -> SiteIndex:
    """A local height and its age, checked.

    Parameters
    ----------
    site : tuple of float
        Height, m, and age, years.

    Returns
    -------
    tuple of float

    Raises
    ------
    InputError
        ``input-refused`` for values outside their range.
    """
    height, age = (float(part) for part in site)
    tallest = TERMS["height_m"].high
    if not (0.0 < height <= tallest and 0.0 < age <= OLDEST_SITE_AGE):
        raise InputError(
            "input-refused",
            f"A local height must be above 0 and at most {tallest:g} m, its age above 0 and at "
            f"most {OLDEST_SITE_AGE:g} years.",
            value=f"{height:g} m at {age:g}",
            hint="Give the height of trees nearby in metres and their age in years.",
        )
    return height, age


def height_at(
    species: str, age_years: ArrayLike, *, site_index: SiteIndex | None = None
) -> float | NDArray[np.float64]:
    """Top height of a species at an age in a forest stand; belts grow less.

    Parameters
    ----------
    species : str
        Name of the species, in small or capital letters; "alder" means common alder.
    age_years : array_like
        Years from planting.
    site_index : tuple of float, optional
        Height, m, and the age in years at which it is reached; by default that of the species in
        the table (assumed).

    Returns
    -------
    float or ndarray
        m; 0 at age 0 and below; never falls with age; NaN where the age is NaN.

    Raises
    ------
    InputError
        ``name-unknown`` for a species not in the table. ``input-refused`` for a site index of 0 or
        less, above 80 m or above 300 years; for birch also up to breast height.

    Notes
    -----
    A species without a published curve (see `curve_note`) grows in a straight line up to its
    mature height, at the nursery rate or through the site index, with low accuracy. The curve of
    birch starts at breast height, reached in a straight line over four years (assumed).

    References
    ----------
    Types A and B: Manso, McLean, Arcangeli and Matthews 2020, Forestry 94:181-192 (status S2). Type
    C: Johansson 1999, Scandinavian Journal of Forest Research 14:441-453, and the same form for oak
    (2013) and birch (Eriksson and others 1997) (status S2). The equations are in
    `kernels.growth_curves`. Nursery rates: common practice.

    Examples
    --------
    >>> round(height_at("Sitka spruce", 20, site_index=(18, 50)), 1)
    4.9
    """
    known = find_species(species)
    age = np.maximum(np.asarray(age_years, dtype=float), 0.0)
    site = None if site_index is None else checked_site(site_index)
    if not known.curve:
        height = _height_nursery(known, age, site)
    elif known.years_to_breast_height > 0:
        height = _height_above_breast(known, age, site or known.site)
    else:
        height = CURVES[known.curve](age, site or known.site, *known.coefficients)
    return float(height) if np.ndim(height) == 0 else height


def parse_local_height(text: str) -> tuple[str, SiteIndex]:
    """Species and site index from a height measured nearby, such as "ash 9 m at 25".

    Parameters
    ----------
    text : str
        Species, height in metres, the word "at", age in years.

    Returns
    -------
    species : str
        Name as in the table of species.
    site_index : tuple of float
        Height, m, and age in years.

    Raises
    ------
    InputError
        ``input-refused`` for text of another form or numbers out of range, ``name-unknown`` for an
        unknown species.

    Examples
    --------
    >>> parse_local_height("ash 9 m at 25")
    ('ash', (9.0, 25.0))
    """
    number = r"(\d+(?:\.\d+)?)"
    form = rf"\s*(\D*[^\d\s])\s+{number}\s*m\s+at\s+{number}\s*(?:years?)?\s*"
    found = re.fullmatch(form, text)
    if not found:
        raise InputError(
            "input-refused",
            "A local height must give species, height in metres and age in years.",
            value=text,
            hint='Write it as in "ash 9 m at 25".',
        )
    species, height, age = found.groups()
    return find_species(species).name, checked_site((float(height), float(age)))


def belt_heights(
    name: str, age_years: ArrayLike, local_height: SiteIndex | None = None
) -> NDArray[np.float64]:
    """Height of an exposed narrow belt of a species, as `projected_growth` calculates it.

    Parameters
    ----------
    name : str
    age_years : array_like
        Years from planting, 0 or more; NaN where unknown.
    local_height : tuple of float, optional
        Height of a belt nearby and its age, as for `projected_growth`.

    Returns
    -------
    float64
        m; NaN where the age is NaN.

    Raises
    ------
    InputError
        ``name-unknown`` for a species not in the table.
    """
    return _belt_height(find_species(name), np.asarray(age_years, dtype=float), local_height)


def _belt_height(
    species: Species, age: NDArray[np.float64], local: SiteIndex | None
) -> NDArray[np.float64]:
    """Height of an exposed narrow belt of a species (assumed); NaN where the age is NaN."""
    factor = SITE_FACTOR if local is None else 1.0
    joined = _joined_curve(species.name, local)
    by_curve = factor * height_at(species.name, age + joined.gained, site_index=joined.site)
    young = np.minimum(PLANTED_SIZE_M + species.rate * np.maximum(age, 0.0), YOUNG_UP_TO_M)
    # A comparison with an unknown age is false: the minimum keeps it unknown.
    return np.where(age >= joined.from_age, np.fmax(by_curve, young), young)


class _JoinedCurve(NamedTuple):
    """A species curve as a nursery plant follows it.

    `gained` are the years by which the plant is ahead of the curve; the curve with the index `site`
    applies from the age `from_age` on.
    """

    gained: float
    from_age: float
    site: SiteIndex | None


@functools.cache
def _joined_curve(name: str, local: SiteIndex | None) -> _JoinedCurve:
    """The curve of a species continued from the nursery rate.

    A local height is that of a belt, planted as this one: the moved curve goes through it.
    """
    nursery_years = (YOUNG_UP_TO_M - PLANTED_SIZE_M) / find_species(name).rate
    if local is None:
        gained = _age_at_join(name, SITE_FACTOR, None) - nursery_years
        return _JoinedCurve(gained, nursery_years, None)
    height, age = local
    # A local height below the join, or before it, says nothing of growth after it.
    if height <= YOUNG_UP_TO_M or age <= nursery_years:
        return _JoinedCurve(0.0, 0.0, local)

    def _difference(gained: float) -> float:
        return _age_at_join(name, 1.0, (height, age + gained)) - nursery_years - gained

    low, high = nursery_years - age, OLDEST_SITE_AGE - age
    # A curve far above the nursery rate, or far below it, is not moved.
    if _difference(low) <= 0 or _difference(high) >= 0:
        return _JoinedCurve(0.0, 0.0, local)
    gained = float(brentq(_difference, low, high))
    return _JoinedCurve(gained, nursery_years, (height, age + gained))


def _age_at_join(name: str, factor: float, site: SiteIndex | None) -> float:
    """Age at which a curve, times a factor, reaches the height up to which nursery rates apply."""

    def _above(age: float) -> float:
        return factor * float(height_at(name, age, site_index=site)) - YOUNG_UP_TO_M

    return float(brentq(_above, 0.0, OLDEST_SITE_AGE))
