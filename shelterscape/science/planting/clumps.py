"""Which species each plant of a row is: clumps from a seeded field, with the shares of the design.

The field is calculated with integers only, from a hash of the seed and of places on a lattice. No
generator of random numbers is used, so that a seed gives the same plan on every machine and with
every version of the libraries.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

FRACTION = 1024
"""Steps between two points of the lattice."""


def counts_by_share(number: int, shares: Mapping[str, float]) -> dict[str, int]:
    """A whole number divided by shares, by the method of largest remainders.

    Parameters
    ----------
    number : int
        Plants, 0 or more.
    shares : dict of str to float
        Share of each species; they need not add up to exactly 1.

    Returns
    -------
    dict of str to int
        Each within one of its exact share; they add up to `number`. Of equal remainders the first
        species gets the plant.

    Examples
    --------
    >>> counts_by_share(10, {"hawthorn": 0.55, "hazel": 0.35, "holly": 0.1})
    {'hawthorn': 6, 'hazel': 3, 'holly': 1}
    """
    whole = sum(shares.values())
    # Rounding removes the error of binary fractions, which would decide between equal remainders.
    exact = [round(number * share / whole, 9) for share in shares.values()]
    counts = [int(value) for value in exact]
    order = sorted(range(len(exact)), key=lambda i: (counts[i] - exact[i], i))
    for i in order[: number - sum(counts)]:
        counts[i] += 1
    return dict(zip(shares, counts, strict=True))


FRAGMENTED = 0.7
"""Exponent on the number of species beyond the first, by which the lattice widens: where several
fields meet, clumps are cut. Fitted so that clumps of 2 to 5 species have the size of the design."""


def species_of_plants(
    distance_m: NDArray[np.float64],
    offset_m: float,
    clump_m: float,
    shares: Mapping[str, float],
    key: str,
) -> NDArray[np.int64]:
    """Species of each plant of a row.

    Parameters
    ----------
    distance_m : (n,) float64
        Distance of each plant along its row, m, to the millimetre.
    offset_m : float
        Offset of the row, m; clumps of neighbouring rows adjoin.
    clump_m : float
        Length of a clump, m.
    shares : dict of str to float
        Share of each species.
    key : str
        Seed and belt; another key gives another plan.

    Returns
    -------
    (n,) int64
        Index of the species in `shares`; the number of each is that of `counts_by_share`.

    Notes
    -----
    Species take their plants one after the other, the most frequent last, where a field of their
    own is highest among the plants that remain.
    """
    counts = counts_by_share(len(distance_m), shares)
    names = list(shares)
    # The field of one of two species crosses its median once in two steps of the lattice or so.
    step = max(round(clump_m * 500 * max(len(names) - 1, 1) ** FRAGMENTED), 1)
    along = np.rint(distance_m * 1000).astype(np.int64) * FRACTION // step
    across = np.full_like(along, round(offset_m * 1000) * FRACTION // step)
    found = np.full(len(distance_m), -1, dtype=np.int64)
    for index in sorted(range(len(names)), key=lambda i: (counts[names[i]], i)):
        free = np.flatnonzero(found < 0)
        height = _field(along[free], across[free], f"{key}|{names[index]}")
        order = np.argsort(-height, kind="stable")
        found[free[order[: counts[names[index]]]]] = index
    return found


def _field(along: NDArray[np.int64], across: NDArray[np.int64], key: str) -> NDArray[np.int64]:
    """A field between hashed points of a lattice, interpolated in both directions."""
    i, j = along // FRACTION, across // FRACTION
    u, v = along % FRACTION, across % FRACTION
    seed = zlib.crc32(key.encode())
    near = _hashed(i, j, seed) * (FRACTION - u) + _hashed(i + 1, j, seed) * u
    far = _hashed(i, j + 1, seed) * (FRACTION - u) + _hashed(i + 1, j + 1, seed) * u
    return np.asarray(near * (FRACTION - v) + far * v, dtype=np.int64)


def _hashed(i: NDArray[np.int64], j: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
    """A number of 31 bits for each point of the lattice (unsigned arithmetic wraps by rule)."""
    x = i.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    x ^= j.astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    x ^= np.uint64(seed * 0x165667B19E3779F9 % 2**64)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        x = (x ^ (x >> np.uint64(shift))) * np.uint64(factor)
    return (x >> np.uint64(33)).astype(np.int64)
