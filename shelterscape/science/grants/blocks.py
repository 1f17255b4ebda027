"""Ground of a set of belts that one scheme pays for: joins belts into blocks and tests these."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from shelterscape.science.grants.ground import Ground
from shelterscape.science.grants.scheme import Scheme

ROUNDING_M = 0.005
"""Shortfall of a block that is tolerated, m² of area or m of length (assumed value)."""


@dataclass
class Block:
    """Qualifying ground of belts joined into one block.

    Parameters
    ----------
    area_m2 : float
        Area, m².
    length_m : float
        Length of belt, m.
    faults : tuple of str
        Rules on blocks that it does not meet, with the figures.
    """

    area_m2: float = 0.0
    length_m: float = 0.0
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Qualification:
    """Ground of a set of belts that qualifies for one scheme.

    Parameters
    ----------
    owner : dict
        Belt to which each qualifying piece of ground is assigned.
    block_of : dict
        Block of each of those pieces, identified by its first piece.
    blocks : dict of Block
        Blocks by that first piece.
    paid : frozenset of int
        Pieces that the scheme pays for.
    paid_by_others : frozenset of int
        Pieces that an incompatible scheme pays for.
    closed : str
        Reason why the scheme accepts no application in this year; empty where it does.
    """

    owner: dict[int, int] = field(default_factory=dict)
    block_of: dict[int, int] = field(default_factory=dict)
    blocks: dict[int, Block] = field(default_factory=dict)
    paid: frozenset[int] = frozenset()
    paid_by_others: frozenset[int] = frozenset()
    closed: str = ""


class PaidQuantities(NamedTuple):
    """Quantities of one belt that payments are calculated from, rounded half up to whole units.

    Parameters
    ----------
    m2 : int
        Area to the stems or to the fence, as the scheme counts it, m².
    decimetres : int
        Length of belt, dm.
    plants : int
        Number of plants.
    cost_minor : int or None
        Planting cost, minor units of the currency; None where it is unknown.
    """

    m2: int
    decimetres: int
    plants: int
    cost_minor: int | None


def assess(
    ground: Ground, index: int, belts: Sequence[int], year: int, paid_by_others: frozenset[int]
) -> Qualification:
    """Ground of a set of belts that qualifies for one scheme.

    Parameters
    ----------
    ground : Ground
    index : int
        Position of the scheme in `ground.schemes`.
    belts : sequence of int
        The set of belts, in the order of `ground.order`.
    year : int
        The start year.
    paid_by_others : frozenset of int
        Pieces that an incompatible scheme pays for.

    Returns
    -------
    Qualification
    """
    scheme = ground.schemes[index]
    if closed := scheme.closed_in(year):
        return Qualification(closed=closed, paid_by_others=paid_by_others)
    owner: dict[int, int] = {}
    for belt in belts:
        for piece in ground.eligible[index][belt]:
            if piece in paid_by_others:
                continue
            first = owner.setdefault(piece, belt)
            # A belt whose stems cover the piece goes before one whose fence encloses it.
            if first != belt and ground.covers[piece][belt] < ground.covers[piece][first]:
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
    return Qualification(owner, block_of, blocks, paid, paid_by_others)


def _joined(owner: dict[int, int], ground: Ground, index: int) -> dict[int, int]:
    """Block of each piece, identified by its first piece; a block spans gaps up to the largest."""
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
    """Length of belt on a piece, m, in proportion to the piece's share of the stem area."""
    if ground.covers[piece][belt] > 0:
        return 0.0
    return ground.length_m[belt] * ground.area_m2[piece] / ground.stems_m2[belt]


def _block_faults(block: Block, scheme: Scheme) -> tuple[str, ...]:
    found = []
    if block.area_m2 < scheme.min_block_m2 - ROUNDING_M:
        found.append(
            f"block of {block.area_m2 / 1e4:.4f} ha, at least {scheme.min_block_m2 / 1e4:g} ha "
            "required"
        )
    if block.length_m < scheme.min_length_m - ROUNDING_M:
        found.append(
            f"block {block.length_m:.1f} m long, at least {scheme.min_length_m:g} m required"
        )
    return tuple(found)


def quantities_by_belt(
    ground: Ground, pieces: Iterable[int], owner: dict[int, int]
) -> dict[int, PaidQuantities]:
    """Areas, lengths, plants and costs of pieces of ground, by belt.

    Parameters
    ----------
    ground : Ground
    pieces : iterable of int
    owner : dict
        Belt to which each of these pieces is assigned.

    Returns
    -------
    dict of PaidQuantities
        By belt.
    """
    sums: dict[int, tuple[float, float]] = {}
    for piece in sorted(pieces):
        belt, area = owner[piece], ground.area_m2[piece]
        total, stems = sums.get(belt, (0.0, 0.0))
        under_stems = area if ground.covers[piece][belt] == 0 else 0.0
        sums[belt] = (total + area, stems + under_stems)
    return {belt: _quantities(ground, belt, *areas) for belt, areas in sums.items()}


def _quantities(ground: Ground, belt: int, total_m2: float, stems_m2: float) -> PaidQuantities:
    share = stems_m2 / ground.stems_m2[belt] if ground.stems_m2[belt] else 0.0
    cost = ground.cost_minor[belt]
    return PaidQuantities(
        m2=_rounded_half_up(total_m2),
        decimetres=_rounded_half_up(10.0 * ground.length_m[belt] * share),
        plants=_rounded_half_up(ground.plants_per_ha[belt] * stems_m2 / 1e4),
        cost_minor=None if cost is None else _rounded_half_up(cost * share),
    )


def _rounded_half_up(value: float) -> int:
    """The nearest integer, halves up; 1e-6 below a half counts as a half, as sums are inexact."""
    return int(value + 0.5 + 1e-6)
