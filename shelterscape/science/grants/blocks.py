"""Which ground of a set of belts one scheme pays for: belts joined into blocks, blocks tested."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.scheme import Scheme

ROUNDING_M = 0.005
"""Areas (m²) and lengths (m) that fall short by less do not fail (assumed value)."""


@dataclass
class Block:
    """Belts joined, as far as they qualify.

    Parameters
    ----------
    area_m2, length_m : float
    faults : tuple of str
        Rules on blocks that fail, in words with the figures.
    """

    area_m2: float = 0.0
    length_m: float = 0.0
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Found:
    """What one scheme makes of a set of belts.

    Parameters
    ----------
    owner : dict
        Belt that each piece of qualifying ground counts for.
    block_of : dict
        Block of each of those pieces, named by its first piece.
    blocks : dict of Block
    paid : frozenset of int
        Pieces that are paid for.
    taken : frozenset of int
        Pieces another scheme pays for, beside which this one may not be paid.
    closed : str
        Why the scheme pays nothing in this year at all; empty where it may.
    """

    owner: dict[int, int] = field(default_factory=dict)
    block_of: dict[int, int] = field(default_factory=dict)
    blocks: dict[int, Block] = field(default_factory=dict)
    paid: frozenset[int] = frozenset()
    taken: frozenset[int] = frozenset()
    closed: str = ""


class Counted(NamedTuple):
    """What is paid for on one belt, in whole counted units, rounded half up.

    Parameters
    ----------
    m2 : int
        Area to the line the scheme counts to, m².
    decimetres : int
        Length of belt, dm.
    plants : int
    cost_minor : int or None
        Planting cost, minor money units; None where it is not known.
    """

    m2: int
    decimetres: int
    plants: int
    cost_minor: int | None


def assess(
    ground: Ground, index: int, belts: Sequence[int], year: int, taken: frozenset[int]
) -> Found:
    """What one scheme pays for.

    Parameters
    ----------
    ground : Ground
    index : int
        Which of its schemes.
    belts : sequence of int
        The set of belts, in the order of the ground.
    year : int
        The start year.
    taken : frozenset of int
        Pieces that are paid by a scheme beside which this one may not be paid.

    Returns
    -------
    Found
    """
    scheme = ground.schemes[index]
    if closed := scheme.closed_in(year):
        return Found(closed=closed, taken=taken)
    owner: dict[int, int] = {}
    for belt in belts:
        for piece in ground.eligible[index][belt]:
            if piece in taken:
                continue
            held = owner.setdefault(piece, belt)
            # Ground under the stems of one belt is more its own than another's to the fence.
            if held != belt and ground.covers[piece][belt] < ground.covers[piece][held]:
                owner[piece] = belt
    block_of = _joined(owner, ground, index)
    blocks: dict[int, Block] = {}
    for piece, root in block_of.items():
        block = blocks.setdefault(root, Block())
        block.area_m2 += ground.area_m2[piece]
        block.length_m += _length(ground, piece, owner[piece])
    for block in blocks.values():
        block.faults = _block_faults(block, scheme)
    paid = frozenset(piece for piece, root in block_of.items() if not blocks[root].faults)
    return Found(owner, block_of, blocks, paid, taken)


def _joined(owner: dict[int, int], ground: Ground, index: int) -> dict[int, int]:
    """Pieces that reach each other within the largest gap, by their first piece."""
    near = ground.near[index]
    across = ground.schemes[index].join_across_holdings
    holding = ground.holding
    block_of: dict[int, int] = {}
    for start in sorted(owner):
        if start in block_of:
            continue
        block_of[start] = start
        waiting = [start]
        while waiting:
            piece = waiting.pop()
            for other in near[piece]:
                if other not in owner or other in block_of:
                    continue
                if across or holding[owner[other]] == holding[owner[piece]]:
                    block_of[other] = start
                    waiting.append(other)
    return block_of


def _length(ground: Ground, piece: int, belt: int) -> float:
    """Metres of a belt on a piece: its length in proportion to the ground under its stems."""
    if ground.covers[piece][belt] > 0:
        return 0.0
    return ground.length_m[belt] * ground.area_m2[piece] / ground.stems_m2[belt]


def _block_faults(block: Block, scheme: Scheme) -> tuple[str, ...]:
    found = []
    if block.area_m2 < scheme.least_block_m2 - ROUNDING_M:
        found.append(
            f"block of {block.area_m2 / 1e4:.4f} ha, at least {scheme.least_block_m2 / 1e4:g} ha "
            "asked"
        )
    if block.length_m < scheme.least_length_m - ROUNDING_M:
        found.append(
            f"block {block.length_m:.1f} m long, at least {scheme.least_length_m:g} m asked"
        )
    return tuple(found)


def counted(ground: Ground, pieces: Iterable[int], owner: dict[int, int]) -> dict[int, Counted]:
    """Areas, lengths, plants and costs of some pieces, by belt.

    Parameters
    ----------
    ground : Ground
    pieces : iterable of int
    owner : dict
        Belt that each of these pieces counts for.

    Returns
    -------
    dict of Counted
        By belt.
    """
    sums: dict[int, tuple[float, float]] = {}
    for piece in sorted(pieces):
        belt, area = owner[piece], ground.area_m2[piece]
        every, stems = sums.get(belt, (0.0, 0.0))
        under = area if ground.covers[piece][belt] == 0 else 0.0
        sums[belt] = (every + area, stems + under)
    return {belt: _count(ground, belt, *both) for belt, both in sums.items()}


def _count(ground: Ground, belt: int, every_m2: float, stems_m2: float) -> Counted:
    share = stems_m2 / ground.stems_m2[belt] if ground.stems_m2[belt] else 0.0
    cost = ground.cost_minor[belt]
    return Counted(
        m2=_whole(every_m2),
        decimetres=_whole(10.0 * ground.length_m[belt] * share),
        plants=_whole(ground.plants_per_ha[belt] * stems_m2 / 1e4),
        cost_minor=None if cost is None else _whole(cost * share),
    )


def _whole(value: float) -> int:
    """Rounded half up; a hair below the half, as sums of measured pieces come out, counts as it."""
    return int(value + 0.5 + 1e-6)
