"""Parts of belts by scheme: whether they qualify, and the reason where they do not."""

from __future__ import annotations

from collections import defaultdict

import geopandas as gpd
import shapely

from shelterscape.science.grants.blocks import PaidQuantities, Qualification, quantities_by_belt
from shelterscape.science.grants.paying import Payments, divided_by_weight
from shelterscape.science.grants.scheme import are_compatible

QUALIFIES, FAILS = "qualifies", "does not qualify"
OUTSIDE = "outside grant areas of"
"""First words of the reason of ground that no area of a scheme covers."""


def parts(paid: Payments) -> gpd.GeoDataFrame:
    """Parts of every belt of a set, for every scheme: those that qualify and those that do not.

    Parameters
    ----------
    paid : Payments

    Returns
    -------
    GeoDataFrame
        ``name, holding_id, parcel_id, scheme, qualification, reason, block, part_area_ha,
        part_length_m, plants, payment_minor``. A belt has one part for each block it is in and
        for each reason why ground does not qualify. Areas (ha) count to the stems or the fence,
        as the scheme does. ``payment_minor`` is the sum over all years, minor units of the
        currency, divided by area where a belt is in several blocks.
    """
    ground, blocks = paid.ground, _block_numbers(paid)
    records, shapes = [], []
    for belt in paid.belts:
        for index, scheme in enumerate(ground.schemes):
            pieces_of = _pieces_by_part(paid, belt, index)
            quantities = {
                part: quantities_by_belt(ground, pieces, dict.fromkeys(pieces, belt))[belt]
                for part, pieces in pieces_of.items()
            }
            payment = _payment_by_part(paid, belt, index, quantities)
            for part, pieces in pieces_of.items():
                (reason, block), count = part, quantities[part]
                records.append(
                    {
                        "name": ground.belts["name"].iloc[belt],
                        "holding_id": ground.belts["holding_id"].iloc[belt],
                        "parcel_id": ground.belts["parcel_id"].iloc[belt],
                        "scheme": scheme.name,
                        "qualification": FAILS if reason else QUALIFIES,
                        "reason": reason,
                        "block": blocks.get((index, block), 0),
                        "part_area_ha": count.m2 / 1e4,
                        "part_length_m": count.decimetres / 10,
                        "plants": count.plants,
                        "payment_minor": payment.get(part, 0),
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
    "qualification",
    "reason",
    "block",
    "part_area_ha",
    "part_length_m",
    "plants",
    "payment_minor",
)


Part = tuple[str, int]
"""Reason why a part does not qualify, empty where it does; and its block, -1 for none."""


def _payment_by_part(
    paid: Payments, belt: int, index: int, quantities: dict[Part, PaidQuantities]
) -> dict[Part, int]:
    """Payment for a belt by a scheme, divided by area between its parts that qualify."""
    qualifying = [part for part in quantities if not part[0]]
    amount = paid.by_belt.get((belt, index), 0)
    amounts = divided_by_weight(amount, [quantities[part].m2 for part in qualifying])
    return dict(zip(qualifying, amounts, strict=True))


def _block_numbers(paid: Payments) -> dict[tuple[int, int], int]:
    """Number of each block, from 1 for each scheme, in the order of the first belt in each."""
    numbers: dict[tuple[int, int], int] = {}
    for index, found in enumerate(paid.found):
        first: dict[int, int] = {}
        for piece, root in found.block_of.items():
            place = paid.ground.rank[found.owner[piece]]
            first[root] = min(place, first.get(root, place))
        ordered = sorted(first, key=lambda root: (first[root], root))
        numbers |= {(index, root): i + 1 for i, root in enumerate(ordered)}
    return numbers


def _pieces_by_part(paid: Payments, belt: int, index: int) -> dict[Part, list[int]]:
    """Pieces of a belt by the reason why they do not qualify for a scheme, and by block."""
    ground, found = paid.ground, paid.found[index]
    pieces: dict[Part, list[int]] = defaultdict(list)
    for piece in ground.of_belt[belt]:
        if ground.covers[piece][belt] <= ground.levels[index]:
            reason = _reason(paid, belt, index, piece)
            mine = found.owner.get(piece) == belt
            pieces[reason, found.block_of[piece] if mine else -1].append(piece)
    return pieces


def _reason(paid: Payments, belt: int, index: int, piece: int) -> str:
    """Reason why a scheme does not pay for a piece of a belt; empty where it does."""
    ground, found = paid.ground, paid.found[index]
    if piece not in ground.in_category[index]:
        return f"{OUTSIDE}: {', '.join(ground.schemes[index].categories)}"
    if found.closed:
        return found.closed
    if piece in ground.blocked_by[index]:
        return f"already under an agreement: {ground.blocked_by[index][piece].label}"
    if ground.faults[index][belt]:
        return "; ".join(ground.faults[index][belt])
    if piece in found.paid_by_others:
        return f"paid for by the incompatible scheme “{_paying_scheme(paid, index, piece)}”"
    if found.owner[piece] != belt:
        other = ground.belts["name"].iloc[found.owner[piece]]
        return f"ground shared with {other} and counted for that belt"
    return "; ".join(_block_faults(found, piece))


def _block_faults(found: Qualification, piece: int) -> tuple[str, ...]:
    return found.blocks[found.block_of[piece]].faults


def _paying_scheme(paid: Payments, index: int, piece: int) -> str:
    """The scheme that pays for a piece and is incompatible with another."""
    schemes = paid.ground.schemes
    return next(
        schemes[other].name
        for other in paid.order
        if piece in paid.found[other].paid and not are_compatible(schemes[index], schemes[other])
    )
