"""What grants pay for the lines of `siting`, so that they can be chosen on their true cost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.errors import Notice
from shelterscape.grid import Grid
from shelterscape.process.grant_files import area_layers, check_categories, schemes_of
from shelterscape.process.reading import Reader
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science import grants
from shelterscape.science.grants.scheme import Scheme
from shelterscape.science.siting.candidates import PLANT

PLANTS_PER_HA = 2500.0
"""Plants on a hectare of a line whose design does not say (engineering choice)."""


@dataclass(frozen=True)
class Grants:
    """Schemes and the maps they go by.

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
    standing = None
    if params.agreements:
        standing = reader.layer(
            params.agreements, grid, "layer of agreements", columns["agreements"], keep_outside=True
        )
    areas = area_layers(params.grant_areas, reader, grid, columns["grant_areas"])
    return Grants(schemes_of(params.schemes, reader), areas, standing)


def net_cost_of(
    found: Grants, candidates: gpd.GeoDataFrame, planting_year: int
) -> tuple[Callable[[frozenset[int]], int], list[Notice]]:
    """Cost net of grant of a set of candidates, by their rows, in whole minor units; notices.

    Grants pay for new belts only: what restoration costs is paid in full.
    """
    new = np.flatnonzero((candidates["action"] == PLANT).to_numpy())
    place = {int(row): i for i, row in enumerate(new)}
    belts, notices = grants.complete(candidates.iloc[new], "candidates", PLANTS_PER_HA)
    near = shapely.union_all(belts["outline"].to_numpy())
    areas, more = grants.areas_by_category(found.areas, near, near)
    check_categories(found.schemes, [], areas)
    standing, over = grants.agreements_in_force(found.agreements, planting_year, "agreements")
    net = grants.net_cost(grants.lay_out(belts, areas, standing, found.schemes), planting_year)
    gross = [int(cost) for cost in candidates["cost_minor"]]

    def of_set(rows: frozenset[int]) -> int:
        """Net cost of some rows."""
        planted = [place[row] for row in rows if row in place]
        return net(planted) + sum(gross[row] for row in rows if row not in place)

    return of_set, [*notices, *more, *over]
