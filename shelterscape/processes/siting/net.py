"""Grant payments for candidates of `siting`, so that the choice can use cost net of grant."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.process.grant_files import area_layers, check_categories, schemes_of
from shelterscape.process.money import decimal_amounts
from shelterscape.process.reading import Reader
from shelterscape.processes.siting.spec import MINOR_UNITS, SitingInputs
from shelterscape.science import grants
from shelterscape.science.grants.payment_limits import PaymentLimits, payment_limits
from shelterscape.science.grants.scheme import Scheme
from shelterscape.science.siting.candidates import PLANT

PLANTS_PER_HA = 2500.0
"""Plants per hectare of a candidate whose design gives none (assumed value)."""


@dataclass(frozen=True)
class Grants:
    """Grant schemes and the maps they use.

    Parameters
    ----------
    schemes : list of Scheme
    areas : dict of GeoDataFrame
        Layers of grant areas by name.
    agreements : GeoDataFrame or None
    """

    schemes: list[Scheme]
    areas: dict[str, gpd.GeoDataFrame]
    agreements: gpd.GeoDataFrame | None


def read_grants(
    params: SitingInputs, reader: Reader, grid: Grid, columns: dict[str, dict[str, str]]
) -> Grants | None:
    """Schemes, grant areas and agreements; None where no scheme is given."""
    if not params.schemes:
        return None
    agreements = None
    if params.agreements:
        agreements = reader.layer(
            params.agreements, grid, "layer of agreements", columns["agreements"], keep_outside=True
        )
    areas = area_layers(params.grant_areas, reader, grid, columns["grant_areas"])
    return Grants(_schemes(params, reader), areas, agreements)


def _schemes(params: SitingInputs, reader: Reader) -> list[Scheme]:
    """Schemes from files; their minor units must be those of the costs."""
    schemes = schemes_of(params.schemes, reader)
    for scheme in schemes:
        if scheme.minor_per_major != MINOR_UNITS:
            raise InputError(
                "input-refused",
                f"Costs are calculated with {MINOR_UNITS} minor units in one unit of the currency.",
                where=f"scheme “{scheme.name}”, minor_per_major",
                value=scheme.minor_per_major,
                hint="Choose the belts by cost with siting, then run grant-overlay on them.",
            )
    return schemes


def net_cost_of(
    found: Grants, candidates: gpd.GeoDataFrame, planting_year: int
) -> tuple[Callable[[frozenset[int]], int], PaymentLimits, list[Notice]]:
    """Cost net of grant of a set of candidates, by their rows, in whole minor units.

    Also limits on the payments, by rows of candidates, and notices.

    Grants pay for new belts only; restoration counts at its full cost.
    """
    new = np.flatnonzero((candidates["action"] == PLANT).to_numpy())
    place = {int(row): i for i, row in enumerate(new)}
    ground, notices = _ground(found, candidates.iloc[new], planting_year)
    net = grants.net_cost(ground, planting_year)
    limits = _by_row(payment_limits(ground, planting_year), new)
    gross = [int(cost) for cost in candidates["cost_minor"]]

    def cost_of(rows: frozenset[int]) -> int:
        """Net cost of a set of candidates."""
        belts_of_set = [place[row] for row in rows if row in place]
        return net(belts_of_set) + sum(gross[row] for row in rows if row not in place)

    return cost_of, limits, notices


def grants_by_year(found: Grants, chosen: gpd.GeoDataFrame, planting_year: int) -> dict[int, int]:
    """Payments for the new belts among the chosen ones by calendar year, whole minor units."""
    new = chosen[(chosen["action"] == PLANT).to_numpy()].reset_index(drop=True)
    by_year: dict[int, int] = defaultdict(int)
    if len(new):
        for row in grants.payments(_ground(found, new, planting_year)[0], planting_year).rows:
            by_year[row.year] += row.amount_minor
    return by_year


def _ground(
    found: Grants, planted: gpd.GeoDataFrame, planting_year: int
) -> tuple[grants.Ground, list[Notice]]:
    """Ground of new belts divided by grant areas and agreements, and notices."""
    planted = planted.assign(cost=decimal_amounts(planted["cost_minor"], MINOR_UNITS))
    belts, notices = grants.complete_belts(planted, "candidates", PLANTS_PER_HA, MINOR_UNITS)
    near = shapely.union_all(belts["outline"].to_numpy())
    areas, area_notices = grants.areas_by_category(found.areas, near, near)
    check_categories(found.schemes, [], areas)
    agreements, ended = grants.agreements_in_force(found.agreements, planting_year, "agreements")
    ground = grants.divide_ground(belts, areas, agreements, found.schemes)
    return ground, [*notices, *area_notices, *ended]


def _by_row(limits: PaymentLimits, new: NDArray[np.intp]) -> PaymentLimits:
    """The same limits with rows of candidates as belts."""
    beside = [(amount, new[belts].tolist()) for amount, belts in limits.neighbours]
    return replace(limits, belt=new[limits.belt], neighbours=beside)
