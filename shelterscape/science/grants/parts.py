"""Parts of belts by scheme: what qualifies, and why the rest does not."""

from __future__ import annotations

from collections import defaultdict

import geopandas as gpd
import shapely

from shelterscape.science.grants.blocks import Counted, Found, counted
from shelterscape.science.grants.paying import Payments, shared_out
from shelterscape.science.grants.scheme import may_share

QUALIFIES, FAILS = "qualifies", "does not qualify"


def parts(paid: Payments) -> gpd.GeoDataFrame:
    """Every belt of a set cut into parts that share one answer, for every scheme.

    Parameters
    ----------
    paid : Payments

    Returns
    -------
    GeoDataFrame
        ``name, holding_id, parcel_id, scheme, result, reason, block, area_ha, length_m, plants,
        payment_minor``; parts of a belt that fail for different reasons are apart. Area counts to
        the line the scheme counts to; ``payment_minor`` is the sum over all years, divided by
        area where a belt is in several blocks.
    """
    ground, blocks = paid.ground, _block_numbers(paid)
    records, shapes = [], []
    for belt in paid.belts:
        for index, scheme in enumerate(ground.schemes):
            answers = _by_answer(paid, belt, index)
            counts = {
                answer: counted(ground, pieces, dict.fromkeys(pieces, belt))[belt]
                for answer, pieces in answers.items()
            }
            money = _money_by_part(paid, belt, index, counts)
            for answer, pieces in answers.items():
                (reason, block), count = answer, counts[answer]
                records.append(
                    {
                        "name": ground.belts["name"].iloc[belt],
                        "holding_id": ground.belts["holding_id"].iloc[belt],
                        "parcel_id": ground.belts["parcel_id"].iloc[belt],
                        "scheme": scheme.name,
                        "result": FAILS if reason else QUALIFIES,
                        "reason": reason,
                        "block": blocks.get((index, block), 0),
                        "area_ha": count.m2 / 1e4,
                        "length_m": count.decimetres / 10,
                        "plants": count.plants,
                        "payment_minor": money.get(answer, 0),
                    }
                )
                shapes.append(shapely.union_all(ground.pieces[pieces]))
    columns = [*_COLUMNS] if not records else None
    return gpd.GeoDataFrame(records, columns=columns, geometry=shapes, crs=ground.belts.crs)


_COLUMNS = (
    "name",
    "holding_id",
    "parcel_id",
    "scheme",
    "result",
    "reason",
    "block",
    "area_ha",
    "length_m",
    "plants",
    "payment_minor",
)


Answer = tuple[str, int]
"""Why a part fails, empty where it qualifies; and the block it belongs to."""


def _money_by_part(
    paid: Payments, belt: int, index: int, counts: dict[Answer, Counted]
) -> dict[Answer, int]:
    """What a belt is paid by a scheme, shared out by area over its parts that qualify."""
    good = [answer for answer in counts if not answer[0]]
    amount = paid.by_belt.get((belt, index), 0)
    return dict(zip(good, shared_out(amount, [counts[a].m2 for a in good]), strict=True))


def _block_numbers(paid: Payments) -> dict[tuple[int, int], int]:
    """Number of each block, from 1 for each scheme, in the order of the belts they begin with."""
    numbers: dict[tuple[int, int], int] = {}
    for index, found in enumerate(paid.found):
        first: dict[int, int] = {}
        for piece, root in found.block_of.items():
            place = paid.ground.rank[found.owner[piece]]
            first[root] = min(place, first.get(root, place))
        ordered = sorted(first, key=lambda root: (first[root], root))
        numbers |= {(index, root): i + 1 for i, root in enumerate(ordered)}
    return numbers


def _by_answer(paid: Payments, belt: int, index: int) -> dict[Answer, list[int]]:
    """Pieces of a belt by why they fail a scheme, and by block."""
    ground, found = paid.ground, paid.found[index]
    answers: dict[Answer, list[int]] = defaultdict(list)
    for piece in ground.of_belt[belt]:
        if ground.covers[piece][belt] <= ground.levels[index]:
            reason = _why_not(paid, belt, index, piece)
            mine = found.owner.get(piece) == belt
            answers[reason, found.block_of[piece] if mine else -1].append(piece)
    return answers


def _why_not(paid: Payments, belt: int, index: int, piece: int) -> str:
    """Why a scheme does not pay for a piece of a belt; empty where it does."""
    ground, found = paid.ground, paid.found[index]
    if piece not in ground.inside[index]:
        return f"outside grant areas of: {', '.join(ground.schemes[index].categories)}"
    if found.closed:
        return found.closed
    if piece in ground.barred[index]:
        return f"under an agreement with {ground.barred[index][piece].label}"
    if ground.faults[index][belt]:
        return "; ".join(ground.faults[index][belt])
    if piece in found.taken:
        return f"paid for by “{_taker(paid, index, piece)}”, and not beside it"
    if found.owner[piece] != belt:
        other = ground.belts["name"].iloc[found.owner[piece]]
        return f"ground shared with {other}, counted there"
    return "; ".join(_block_faults(found, piece))


def _block_faults(found: Found, piece: int) -> tuple[str, ...]:
    return found.blocks[found.block_of[piece]].faults


def _taker(paid: Payments, index: int, piece: int) -> str:
    """The scheme that pays for a piece and bars another from it."""
    schemes = paid.ground.schemes
    return next(
        schemes[other].name
        for other in paid.order
        if piece in paid.found[other].paid and not may_share(schemes[index], schemes[other])
    )
