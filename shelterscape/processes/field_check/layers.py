"""Layers and tables of `field-check`."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.kernels.shelter_curves import DEFAULT_CURVE
from shelterscape.process.stages import Results
from shelterscape.processes.field_check.loading import FieldCheckData
from shelterscape.science import belts as belt_layers
from shelterscape.science.belt_profiles import share_at_height, wind_beside
from shelterscape.science.curve_fit import FittedCurve
from shelterscape.science.value_sources import DEFAULT, SURVEY, sources_of, text_of


@dataclass(frozen=True)
class FieldCheckResults(Results):
    """Results, with the fit of each belt by its name."""

    fits: dict[str, FittedCurve] = field(default_factory=dict)
    means: pd.DataFrame = field(default_factory=pd.DataFrame)


def with_curve(means: pd.DataFrame, data: FieldCheckData) -> pd.DataFrame:
    """Hourly means with distance in H, share at their height, and the wind of the curve."""
    in_season = belt_layers.belts_in_season(data.belts, data.params.season)
    belts = in_season.set_index("name").loc[means["belt"]]
    height = belts["height_m"].to_numpy(dtype=float)
    share = [
        float(share_at_height(np.array(h), z)) if h == h else np.nan
        for h, z in zip(height, means["at_height_m"], strict=True)
    ]
    found = means.assign(
        distance_h=means["along_wind_m"].to_numpy() / height,
        height_share=share,
        width_h=belts["width_m"].to_numpy(dtype=float) / height,
        porosity=belts["porosity"].to_numpy(dtype=float),
        porosity_low=belts["porosity_low"].to_numpy(dtype=float),
        recovery_h=belt_layers.recovery_distances(belts),
        hard=belts["belt_type"].isin(belt_layers.HARD_TYPES).to_numpy(),
    )
    return found.assign(relative_wind=by_curve(found))


def by_curve(means: pd.DataFrame) -> NDArray[np.float64]:
    """Relative wind as `shelter` calculates it: walls and fences follow the curve for barriers."""
    wind = np.empty(len(means))
    hard = means["hard"].to_numpy(dtype=bool)
    for curve, chosen in ((DEFAULT_CURVE, ~hard), ("barrier", hard)):
        if chosen.any():
            columns = ("distance_h", "porosity", "porosity_low", "width_h", "recovery_h")
            x, *rest = (means.loc[chosen, c].to_numpy(dtype=float) for c in columns)
            wind[chosen] = wind_beside(x, curve, *rest)
    reduced: NDArray[np.float64] = 1.0 - means["height_share"].to_numpy() * (1.0 - wind)
    return reduced


def with_fits(means: pd.DataFrame, fits: dict[str, FittedCurve]) -> pd.DataFrame:
    """Hourly means with the relative wind of the fitted curve of their belt."""
    theta, recovery = (
        means["belt"].map({n: getattr(f, attribute) for n, f in fits.items()}).astype(float)
        for attribute in ("porosity", "recovery_h")
    )
    fitted = np.full(len(means), np.nan)
    known = theta.notna().to_numpy()
    fitted[known] = by_curve(
        means[known].assign(
            porosity=theta[known], porosity_low=theta[known], recovery_h=recovery[known]
        )
    )
    return means.assign(fitted_relative_wind=fitted)


def curve_errors(
    means: pd.DataFrame,
    data: FieldCheckData,
    fits: dict[str, FittedCurve],
    refused: dict[str, InputError],
) -> pd.DataFrame:
    """Errors of the curve at each belt, before and after the fit, or why there is none."""
    rows = []
    for name in data.bearing_deg.index:
        here = means[means["belt"] == name]
        error = here["relative_wind"] - here["ratio"]
        fit = fits.get(name)
        rows.append(
            {
                "belt": name,
                "season": belt_layers.SEASONS[data.params.season],
                "hour_count": here["hour"].nunique(),
                "relative_wind_bias": error.mean() if len(here) else np.nan,
                "relative_wind_rmse": np.sqrt((error**2).mean()) if len(here) else np.nan,
                "fitted_bias": fit.bias if fit else np.nan,
                "fitted_rmse": fit.rmse if fit else np.nan,
                "reason": "" if fit else f"{refused[name].what} {refused[name].value}",
            }
        )
    return pd.DataFrame(rows)


def instrument_means(means: pd.DataFrame) -> pd.DataFrame:
    """Means over hours of each instrument."""
    groups = means.groupby(["belt", "distance_m", "at_height_m"], sort=True)
    return pd.DataFrame(
        {
            "distance_h": groups["distance_h"].mean(),
            "hour_count": groups.size(),
            "reading_count": groups["reading_count"].sum(),
            "measured_relative_wind": groups["ratio"].mean(),
            "relative_wind": groups["relative_wind"].mean(),
            "fitted_relative_wind": groups["fitted_relative_wind"].mean(),
        }
    ).reset_index()


def checked_belts(data: FieldCheckData, fits: dict[str, FittedCurve]) -> gpd.GeoDataFrame:
    """All belts; those fitted act with the measured porosity over their whole height."""
    belts = data.belts.copy()
    fitted = belts["name"].isin(fits).to_numpy()
    theta = belts["name"].map({n: f.porosity for n, f in fits.items()}).to_numpy(dtype=float)
    if data.params.season == "bare":
        belts["bare_porosity"] = np.where(fitted, theta, belts["bare_porosity"])
    else:
        same = np.isclose(belts["bare_porosity"], belts["porosity"])
        belts["bare_porosity"] = np.where(fitted & same, theta, belts["bare_porosity"])
        belts["porosity"] = np.where(fitted, theta, belts["porosity"])
    belts["porosity_low"] = np.where(fitted, belts["porosity"], belts["porosity_low"])
    low = belt_layers.BARE_LOW
    belts[low] = belts[low].mask(fitted)
    belts["bare_stem_m"] = np.where(fitted, 0.0, belts["bare_stem_m"])
    columns = {
        "recovery_h": lambda f: f.recovery_h,
        "porosity_interval_low": lambda f: f.porosity_range[0],
        "porosity_interval_high": lambda f: f.porosity_range[1],
        "recovery_interval_low_h": lambda f: f.recovery_range_h[0],
        "recovery_interval_high_h": lambda f: f.recovery_range_h[1],
    }
    for column, value in columns.items():
        new = belts["name"].map({n: value(f) for n, f in fits.items()}).astype(float)
        belts[column] = new.fillna(belts[column]) if column in belts else new
    hours = belts["name"].map({n: f.hours for n, f in fits.items()})
    measured = "bare_porosity" if data.params.season == "bare" else "porosity"
    sources = [sources_of(text) for text in belts["assumed"]]
    for column in ("porosity", "bare_porosity", "width_m"):
        # Empty again, so that the process which reads the layer reports its own default.
        default = np.array([one.get(column) == DEFAULT for one in sources], dtype=bool)
        belts[column] = belts[column].mask(default & ~(fitted & (column == measured)))
    # Fitted on the ground, they must not be replaced by photographs.
    surveyed = dict.fromkeys((measured, "bare_stem_m", "recovery_h"), SURVEY)
    if measured == "porosity":
        surveyed["porosity_low"] = SURVEY
    belts["assumed"] = [
        text_of(one | surveyed if fit else one) for one, fit in zip(sources, fitted, strict=True)
    ]
    return belts.drop(columns="porosity_spread").assign(hour_count=hours.astype("Int64"))
