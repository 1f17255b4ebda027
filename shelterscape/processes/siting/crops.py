"""What the chosen belts of `siting` change in the yield of crops, by field and year."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.process.money import decimal_amounts
from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.loading import SitingData
from shelterscape.processes.siting.spec import MINOR_UNITS
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case, recovery_distances
from shelterscape.science.crops import crop_responses, years_until_positive
from shelterscape.science.field_crops import CROP, value_minor, values_per_ha
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.candidates import NEW_ACTIONS
from shelterscape.science.siting.crop_fields import CropChange, CropFields, least_and_most

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

YEARS = 30
"""Years after the first planting."""

_BELT = ["height_m", "width_m", "belt_type", "porosity", "porosity_low", "recovery_h", "geometry"]


@dataclass(frozen=True)
class FieldChanges:
    """What the chosen belts change on fields with crops.

    Parameters
    ----------
    fields : GeoDataFrame
        Places with crops.
    years : list of int
        The first year of planting, and the `YEARS` after it.
    low, high : list of CropChange
        Least and most favourable change, by year.
    """

    fields: gpd.GeoDataFrame
    years: list[int]
    low: list[CropChange]
    high: list[CropChange]


def field_changes(data: SitingData, found: SitingDecision) -> FieldChanges | None:
    """The response of crops; None without fields with crops or without chosen belts."""
    chosen = found.planted.iloc[found.choice.rows]
    if data.places is None or not len(chosen):
        return None
    rows = np.flatnonzero((data.places["purpose"] == CROP).to_numpy())
    if not len(rows):
        return None
    existing = len(data.belts)
    frames, heights = zip(*(_in_year(data, chosen, year) for year in _years(data)), strict=True)
    tallest = frames[-1].assign(height_m=np.max(heights, axis=0))
    is_new = np.arange(len(tallest)) >= existing
    planted = is_new.copy()
    planted[existing:] = chosen["action"].isin(NEW_ACTIONS)
    fields = data.places.iloc[rows]
    beside = CropFields(found.context, rows.tolist(), tallest, planted)
    low, high = crop_responses(fields["crop"].tolist())
    work_years = data.params.planting_year + np.asarray(found.choice.phase, np.int64)
    changes = FieldChanges(fields, _years(data), [], [])
    for year, height in zip(changes.years, heights, strict=True):
        after = _in_place(existing, replaced_rows(chosen), work_years <= year)
        least, most = least_and_most(
            beside.change(height, ~is_new, after, low, fences=True),
            beside.change(height, ~is_new, after, high, fences=False),
        )
        changes.low.append(least)
        changes.high.append(most)
    return changes


def _in_place(existing: int, replaced: NDArray[np.int64], done: Flags) -> Flags:
    """Belts that are there once some of the work is done: existing ones, then chosen ones."""
    there = np.r_[np.ones(existing, bool), done]
    there[replaced[done & (replaced >= 0)]] = False
    return there


def _years(data: SitingData) -> list[int]:
    first = data.params.planting_year
    return list(range(first, first + YEARS + 1))


def _in_year(
    data: SitingData, chosen: gpd.GeoDataFrame, year: int
) -> tuple[gpd.GeoDataFrame, Array]:
    """Existing and chosen belts in a year, and their heights, m."""
    parts = [
        belts_at(part, Case(data.case.season, year), local_heights=data.settled.local_heights)
        for part in (data.belts, chosen)
        if len(part)
    ]
    whole = pd.concat(
        [part.assign(recovery_h=recovery_distances(part))[_BELT] for part in parts],
        ignore_index=True,
    )
    frame = gpd.GeoDataFrame(whole, crs=chosen.crs)
    return frame, frame["height_m"].to_numpy(dtype=float)


def crop_tables(found: FieldChanges, currency: str) -> dict[str, pd.DataFrame]:
    """Changes by field and year, and the years from which the net is positive."""
    who = {name: found.fields[name].to_numpy() for name in ("name", "parcel_id")}
    per_ha = values_per_ha(found.fields)
    by_year = [
        pd.DataFrame(
            {
                **who,
                "crop": found.fields["crop"].to_numpy(),
                "year": year,
                "crop_taken_low_ha": high.taken,
                "crop_taken_high_ha": low.taken,
                "crop_lost_low_ha": high.lost,
                "crop_lost_high_ha": low.lost,
                "crop_gained_low_ha": low.gained,
                "crop_gained_high_ha": high.gained,
                "crop_net_low_ha": low.net,
                "crop_net_high_ha": high.net,
                "crop_value_low": _amounts(low.net, per_ha),
                "crop_value_high": _amounts(high.net, per_ha),
                "currency": currency,
            }
        )
        for year, low, high in zip(found.years, found.low, found.high, strict=True)
    ]
    positive = {}
    for name, changes in (("earliest", found.high), ("latest", found.low)):
        nets = np.array([change.net for change in changes]).T
        after = [years_until_positive(net) for net in nets]
        from_year = [pd.NA if n is None else found.years[0] + n for n in after]
        positive[f"crop_positive_{name}"] = pd.array(from_year, "Int64")
    return {
        "crop_response": pd.concat(by_year, ignore_index=True),
        "crop_years": pd.DataFrame({**who, **positive}),
    }


def crops_answer(tables: Mapping[str, pd.DataFrame], year: int | None) -> list[str]:
    """What the chosen belts change in all fields with crops, in a year and until it is positive.

    Empty without fields with crops. For a year that is not in the table, its last one is used.
    """
    if "crop_response" not in tables:
        return []
    table = tables["crop_response"]
    sums = table.groupby("year")[["crop_net_low_ha", "crop_net_high_ha"]].sum()
    year = year if year in sums.index else int(sums.index[-1])
    here = table[table["year"] == year]
    low, high = sums.loc[year]
    latest, earliest = (years_until_positive(sums[name].to_numpy()) for name in sums)
    until = f"net not above 0 within {YEARS} years"
    if earliest is not None:
        late = f"not within {YEARS} years" if latest is None else f"from {sums.index[latest]}"
        until = (
            f"net above 0 from {sums.index[earliest]} with the high response, {late} with the low"
        )
    fields = "1 field" if len(here) == 1 else f"{len(here)} fields"
    return [
        f"Crops on {fields} in {year}: net {low:+,.1f} to {high:+,.1f} ha of full yield"
        f"{_value_text(here)}; {until}"
    ]


def _value_text(here: pd.DataFrame) -> str:
    """Value of the net change on fields whose yield and price are known; empty without any."""
    known = here[here["crop_value_low"].notna()]
    if not len(known):
        return ""
    low, high = (known[f"crop_value_{end}"].astype(float).sum() for end in ("low", "high"))
    where = "" if len(known) == len(here) else f" on {len(known)} of them"
    return f", {low:+,.2f} to {high:+,.2f} {known['currency'].iloc[0]} a year{where}"


def _amounts(hectares: Array, per_ha: list[Decimal | None]) -> pd.Series:
    """Value of hectares of full yield of each field; NaN where its value is unknown."""
    minor = [
        None if value is None else value_minor(float(ha), value, MINOR_UNITS)
        for ha, value in zip(hectares, per_ha, strict=True)
    ]
    return decimal_amounts(pd.Series(minor, dtype="Int64"), MINOR_UNITS)
