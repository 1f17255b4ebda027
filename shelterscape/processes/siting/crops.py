"""What the chosen belts of `siting` change in the yield of crops, by field and year."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.loading import SitingData
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case, recovery_distances
from shelterscape.science.crops import crop_responses, years_until_positive
from shelterscape.science.siting.benefit import replaced_rows
from shelterscape.science.siting.candidates import NEW_ACTIONS
from shelterscape.science.siting.crop_fields import CropChange, CropFields

Array = NDArray[np.float64]

CROP = "crop"
"""Purpose of the places on which crops respond."""

YEARS = 30
"""Years after the first planting."""

_BELT = ["height_m", "width_m", "belt_type", "porosity", "porosity_low", "recovery_h", "geometry"]


def crop_tables(data: SitingData, found: SitingDecision) -> dict[str, pd.DataFrame]:
    """Tables of the response of crops; none without fields with crops or without chosen belts."""
    chosen = found.planted.iloc[found.choice.rows]
    if data.places is None or not len(chosen):
        return {}
    rows = np.flatnonzero((data.places["purpose"] == CROP).to_numpy())
    if not len(rows):
        return {}
    existing = len(data.belts)
    frames, heights = zip(*(_in_year(data, chosen, year) for year in _years(data)), strict=True)
    tallest = frames[-1].assign(height_m=np.max(heights, axis=0))
    is_new = np.arange(len(tallest)) >= existing
    planted = is_new.copy()
    planted[existing:] = chosen["action"].isin(NEW_ACTIONS)
    replaced = replaced_rows(chosen)
    after = np.ones(len(tallest), bool)
    after[replaced[replaced >= 0]] = False
    fields = CropFields(found.context, rows.tolist(), tallest, planted)
    low, high = crop_responses()
    changes = [
        (
            fields.change(height, ~is_new, after, low, fences=True),
            fields.change(height, ~is_new, after, high, fences=False),
        )
        for height in heights
    ]
    return _tables(data.places.iloc[rows], _years(data), changes)


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


def _tables(
    places: gpd.GeoDataFrame, years: list[int], changes: list[tuple[CropChange, CropChange]]
) -> dict[str, pd.DataFrame]:
    """By field and year, and the years from which the net is positive."""
    who = {name: places[name].to_numpy() for name in ("name", "parcel_id")}
    by_year = [
        pd.DataFrame(
            {
                **who,
                "year": year,
                "crop_taken_low_ha": high.taken,
                "crop_taken_high_ha": low.taken,
                "crop_lost_low_ha": np.minimum(high.lost, low.lost),
                "crop_lost_high_ha": np.maximum(high.lost, low.lost),
                "crop_gained_low_ha": low.gained,
                "crop_gained_high_ha": high.gained,
                "crop_net_low_ha": low.net,
                "crop_net_high_ha": high.net,
            }
        )
        for year, (low, high) in zip(years, changes, strict=True)
    ]
    table = pd.concat(by_year, ignore_index=True)
    positive = {}
    for name, end in (("earliest", 1), ("latest", 0)):
        nets = np.array([pair[end].net for pair in changes]).T
        after = [years_until_positive(net) for net in nets]
        from_year = [pd.NA if n is None else years[0] + n for n in after]
        positive[f"crop_positive_{name}"] = pd.array(from_year, "Int64")
    return {"crop_response": table, "crop_years": pd.DataFrame({**who, **positive})}
