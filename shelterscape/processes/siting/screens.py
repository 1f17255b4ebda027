"""Temporary screens of `siting`: their options, and what notices and the answer state."""

from __future__ import annotations

from decimal import Decimal

import geopandas as gpd

from shelterscape.errors import Notice
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.science.siting.candidates import SCREENED
from shelterscape.science.siting.screens import Screen


def screen_of(params: SitingInputs) -> Screen:
    """The temporary screen of a run."""
    price = params.screen_cost_per_m
    return Screen(
        params.screen_height_m,
        params.screen_porosity,
        params.screen_years,
        Decimal(price) if price else None,
    )


def screens_gone(data: SitingData) -> list[Notice]:
    """A notice where no screen is in place in the year in which lines are compared."""
    until, year = data.params.planting_year + data.params.screen_years, data.case.year
    if year is None or year < until:
        return []
    text = (
        f"temporary screens are moved in {until} and add nothing in {year}, in which lines are "
        f"compared: to compare them, give only years before {until}"
    )
    return [Notice("screens-gone", text)]


def screens_answer(data: SitingData, chosen: gpd.GeoDataFrame) -> list[str]:
    """Length of temporary screens among the chosen belts, the years they count in, and their cost.

    Parameters
    ----------
    data : SitingData
    chosen : GeoDataFrame
        The layer of chosen belts.

    Returns
    -------
    list of str
        Empty without screens.
    """
    screened = chosen[(chosen["candidate_type"] == SCREENED).to_numpy()]
    if not len(screened):
        return []
    years = data.params.screen_years
    until = sorted({int(year) + years for year in screened["planting_year"]})
    price = data.params.screen_cost_per_m
    cost = f"{price} {data.currency or 'currency units'} per metre" if price else "not priced"
    return [
        f"Belts with a temporary screen: {len(screened)} ({screened['length_m'].sum():,.0f} m of "
        f"screen, {cost}); it is moved in {' to '.join(str(year) for year in until)}, and only the "
        "belts shelter from then on"
    ]
