"""Drawn lines evaluated again and again, on inputs that are read and prepared once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError, Notice
from shelterscape.grid import Grid
from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.process.money import decimal_amounts
from shelterscape.processes.siting.decide import context_and_notices
from shelterscape.processes.siting.layers import places_with_belts
from shelterscape.processes.siting.lines import drawn_belts
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.place_hours import evaluated_with_hours
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case
from shelterscape.science.siting.full_evaluation import existing_winds

Field = NDArray[np.float32]


@dataclass(frozen=True)
class DrawnBelts:
    """What a set of drawn lines adds.

    Parameters
    ----------
    case : Case
        Season and year of the results.
    benefit_ha, benefit_low_ha, benefit_high_ha : float
        Equivalent sheltered area that the set adds, weighted by priority, ha eq., and its typical
        range (docs/shelter_curves.md).
    own_benefit_ha, neighbours_benefit_ha, public_benefit_ha : float
        Parts of it on the holdings that plant, on other holdings, and on public land.
    length_m : float
        Length that can be planted, m.
    cost : Decimal
        Cost without grants, in `currency`.
    currency : str
    belts : GeoDataFrame
        The lines as they can be planted, with design, width, height in the year, length, cost and
        flags.
    exclusions : DataFrame
        ``candidate``, ``reason`` and ``excluded_m``: what was removed from the lines.
    places : GeoDataFrame or None
        Places as in the layer ``places_with_belts``; None without places.
    relative_wind_with_belts : (rows, cols) float32
        Relative wind with existing belts and the set, on the cells of `SitingState.grid`; NaN where
        elevation is unknown.
    """

    case: Case
    benefit_ha: float
    benefit_low_ha: float
    benefit_high_ha: float
    own_benefit_ha: float
    neighbours_benefit_ha: float
    public_benefit_ha: float
    length_m: float
    cost: Decimal
    currency: str
    belts: gpd.GeoDataFrame
    exclusions: pd.DataFrame
    places: gpd.GeoDataFrame | None
    relative_wind_with_belts: Field


class SitingState:
    """Inputs of `siting`, prepared for drawn lines; `prepare` returns it.

    It holds the wind with existing belts for each direction, 4 bytes a cell and direction, their
    shelter curves, and nothing else from one evaluation to the next.

    Parameters
    ----------
    data : SitingData
    notices : sequence of Notice
        What was assumed or left out while the inputs were read.

    Attributes
    ----------
    notices : list of Notice
        These, and where terrain wind is not modelled.
    """

    def __init__(self, data: SitingData, notices: Sequence[Notice] = ()) -> None:
        self._data = data
        self._context, more = context_and_notices(data)
        self.notices = [*notices, *more]
        self._existing = existing_winds(self._context, stop_if_requested=data.check_stop)

    @property
    def grid(self) -> Grid:
        """Cells of the results."""
        return self._data.grid

    @property
    def case(self) -> Case:
        """Season and year of the results: those in which `siting` compares lines."""
        return self._data.case

    def evaluate(self, lines: gpd.GeoDataFrame) -> DrawnBelts:
        """What a set of drawn lines adds, evaluated in full as `siting` does with its choice.

        Parameters
        ----------
        lines : GeoDataFrame
            Lines along the middle of each belt, in any coordinate system; optional columns ``name``
            and ``design``. Ground on which no belt may be planted is removed from them. Without any
            line the result is that of the existing belts.

        Returns
        -------
        DrawnBelts

        Raises
        ------
        InputError
            ``crs-missing`` for lines without a coordinate system, ``column-bad`` for shapes other
            than lines, ``name-unknown`` for a design that does not exist.
        """
        data = self._data
        belts, exclusions = drawn_belts(data, _on_grid(lines, data.grid))
        grown = belts_at(belts, data.case, local_heights=data.settled.local_heights)
        every = range(len(grown))
        found = evaluated_with_hours(
            data, data.case, self._context, grown, every, existing=self._existing
        )
        low, high = CURVES[data.settled.options.curve].shelter_range(found.benefit_ha)
        places = None
        if data.places is not None:
            places = places_with_belts(data, {data.case: found})
        return DrawnBelts(
            case=data.case,
            benefit_ha=found.benefit_ha,
            benefit_low_ha=float(low),
            benefit_high_ha=float(high),
            own_benefit_ha=found.own_benefit_ha,
            neighbours_benefit_ha=found.neighbours_benefit_ha,
            public_benefit_ha=found.public_benefit_ha,
            length_m=float(belts["length_m"].sum()),
            cost=Decimal(int(belts["cost_minor"].sum())) / MINOR_UNITS,
            currency=data.currency,
            belts=_described(belts, grown, data.currency),
            exclusions=exclusions,
            places=places,
            relative_wind_with_belts=np.where(
                np.isfinite(data.elevation), found.relative_wind_with_belts, np.float32(np.nan)
            ),
        )


def _on_grid(lines: gpd.GeoDataFrame, grid: Grid) -> gpd.GeoDataFrame:
    """Lines in the coordinate system of the grid."""
    if lines.crs is None:
        raise InputError(
            "crs-missing",
            "The lines have no coordinate system.",
            where="lines",
            hint="Set it: lines.set_crs(...), or lines.set_crs(state.grid.crs) for lines on the "
            "terrain model.",
        )
    return lines.to_crs(grid.crs).reset_index(drop=True)


def _described(belts: gpd.GeoDataFrame, grown: gpd.GeoDataFrame, currency: str) -> gpd.GeoDataFrame:
    """The belts with what a planner asks of each."""
    columns = ["candidate", "name", "design", "species", "holding_id", "width_m", "length_m"]
    return belts[[*columns, "geometry"]].assign(
        height_m=grown["height_m"].to_numpy(dtype=float),
        porosity=grown["porosity"].to_numpy(dtype=float),
        cost=decimal_amounts(belts["cost_minor"], MINOR_UNITS),
        currency=currency,
        flags=belts["flags"].to_numpy(dtype=object),
    )
