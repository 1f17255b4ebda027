"""Days of sheep chill and windy hours on the places of a run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.process.choices import ResolvedOptions
from shelterscape.process.hourly_inputs import HourlyInputs
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.science.hours_on_places import (
    BLOCK_VALUES,
    COLUMNS,
    HourRules,
    hour_notices,
    hours_on_places,
)
from shelterscape.science.places import Coverage, purpose_of
from shelterscape.science.wind import WindSet
from shelterscape.science.wind_sectors import Hours

Field = NDArray[np.float32]


@dataclass(frozen=True)
class PlaceHours:
    """Hours of a weather record, and how they are counted.

    Parameters
    ----------
    hours : Hours
    rules : HourRules
    check_stop : callable
    """

    hours: Hours
    rules: HourRules
    check_stop: Callable[[], None]

    def counted(
        self,
        places: gpd.GeoDataFrame,
        covered: Coverage,
        winds: WindSet,
        relative_wind: Field | None,
        known: NDArray[np.bool_],
    ) -> pd.DataFrame:
        """Counts of one case, see `hours_on_places`; `known` are the cells of the map."""
        return hours_on_places(
            self.hours,
            places,
            covered,
            winds,
            relative_wind,
            self.rules,
            known=known.ravel()[covered.cell],
            stop_if_requested=self.check_stop,
        )


def read_place_hours(
    params: HourlyInputs,
    reader: Reader,
    resolved: ResolvedOptions,
    *,
    places: str | None,
    roughness_m: float,
) -> PlaceHours | None:
    """Read the table of hours; None without one.

    Raises
    ------
    InputError
        ``input-refused`` for hours without places to count them on.
    """
    if not params.hourly:
        return None
    if not places:
        raise InputError(
            "input-refused",
            "Hours are counted on places, and there are none.",
            where="hourly",
            value=params.hourly,
            hint="Give the layer of places as places, or leave hourly out.",
        )
    hours = reader.hourly(params.hourly)
    usual = HourRules()
    rules = HourRules(
        params.chill_above,
        params.windy_ms,
        roughness_m,
        resolved.options.at_height_m,
        resolved.purpose.months if resolved.purpose else usual.months,
    )
    reader.notices(hour_notices(hours, list(resolved.winds.values()), rules))
    return PlaceHours(hours, rules, reader.check_stop)


def without_hours(places: gpd.GeoDataFrame) -> pd.DataFrame:
    """Empty counts, where no hours are given."""
    return pd.DataFrame(np.nan, index=range(len(places)), columns=list(COLUMNS))


def work_bytes(params: HourlyInputs, sizes: InputSizes, cases: int) -> float:
    """Memory of the counts, bytes: relative wind by direction on cells of places, and blocks."""
    if not params.hourly:
        return 0.0
    return 4.0 * sizes.cells * (sizes.directions * cases + 8) + 100.0 * BLOCK_VALUES


def hours_answer(
    frame: pd.DataFrame, params: HourlyInputs, case: str, less: str, more: str
) -> list[str]:
    """A sentence on the stock places of one case; empty where nothing was counted.

    Parameters
    ----------
    frame : DataFrame
        Rows of the layer of places in that case, with and without counts.
    params : HourlyInputs
    case : str
        Season and year.
    less, more : str
        What there is without and with the belts, such as “without belts”.
    """
    stock = frame[[bool(p and p.head_m2) for p in map(purpose_of, frame["purpose"])]]
    parts: list[str] = []
    for column, words in (
        ("chill_days", f"sheep chill above {params.chill_above:g} on {{}} days a year"),
        ("windy_hours", f"wind above {params.windy_ms:g} m/s in {{}} hours a year"),
    ):
        before, after = stock[f"{column}_without"].mean(), stock[column].mean()
        if np.isfinite(before) and np.isfinite(after):
            digits = 1 if column == "chill_days" else 0
            beside = "" if parts else f" {less}"
            parts.append(f"{words.format(f'{after:,.{digits}f}')} ({before:,.{digits}f}{beside})")
    if not parts:
        return []
    return [f"Mean of {len(stock)} stock places {more}, {case}: {'; '.join(parts)}"]
