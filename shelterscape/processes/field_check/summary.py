"""What a run of `field-check` reports."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shelterscape.files.draw_sheets import ChartSheet
from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE
from shelterscape.process.stages import Summary
from shelterscape.processes.field_check.layers import FieldCheckResults, by_curve
from shelterscape.processes.field_check.spec import FieldCheckInputs
from shelterscape.science import curve_fit


def summarise(results: FieldCheckResults, params: FieldCheckInputs) -> Summary:
    """Errors of the curve and the fit of each belt."""
    table = results.tables["curve_errors"].set_index("belt")
    answer = []
    for name, fit in results.fits.items():
        row = table.loc[name]
        low, high = fit.porosity_range
        near, far = fit.recovery_range_h
        answer.append(
            f"{name}: the curve is off by {row['relative_wind_bias']:+.2f} (bias), RMSE "
            f"{row['relative_wind_rmse']:.2f} in relative wind; fitted porosity {fit.porosity:.2f} "
            f"({low:.2f}–{high:.2f}), recovery {fit.recovery_h:.1f} H ({near:.1f}–{far:.1f})"
        )
    out = results.tables["readings_left_out"]
    unused = int(out["value_count"].sum())
    used = int(results.tables["reading_means"]["reading_count"].sum())
    means = sum(fit.means for fit in results.fits.values())
    return Summary(
        question="How do wind readings beside belts compare with the shelter curve?",
        answer=answer,
        certainty=[
            f"{used:,} of {used + unused:,} readings count, {means:,} hourly means; ranges are "
            "95 % confidence intervals",
        ],
        pictures={"shelter_curve": _chart(results)},
    )


def _chart(results: FieldCheckResults) -> ChartSheet:
    """Means of the belt with most of them, its curve before and after the fit, and the band."""
    name = max(results.fits, key=lambda n: results.fits[n].means)
    here = results.means[results.means["belt"] == name]
    first, fit = here.iloc[0], results.fits[name]
    x = np.arange(0.0, 30.1, 1.0)
    share, width_h = np.full(len(x), here["height_share"].mean()), float(first["width_h"])

    def _curve(porosity: float, recovery_h: float) -> list[float]:
        return [float(r) for r in curve_fit.predicted(x, share, width_h, porosity, recovery_h)]

    same = pd.DataFrame([first] * len(x)).assign(distance_h=x, height_share=share)
    plain = by_curve(same)
    low, high = CURVES[DEFAULT_CURVE].shelter_range(1.0 - plain)
    distance = [float(v) for v in x]
    points = results.tables["reading_means"]
    points = points[points["belt"] == name].sort_values("distance_h")
    return ChartSheet(
        title=f"Wind readings beside {name}",
        x_label="distance leeward along the wind (belt heights)",
        y_label="relative wind",
        lines={
            "measured": (list(points["distance_h"]), list(points["measured_relative_wind"])),
            "shelter curve": (distance, list(plain)),
            "fitted curve": (distance, _curve(fit.porosity, fit.recovery_h)),
            "band, low": (distance, list(np.maximum(1.0 - high, 0.0))),
            "band, high": (distance, list(1.0 - low)),
        },
        levels={},
        points=("measured",),
        curves=("shelter curve", "fitted curve", "band, low", "band, high"),
        between=("band, low", "band, high"),
        notes=(
            "Points: mean of each instrument. Band: typical error of the curve at published belts. "
            "Neutral, windy weather.",
        ),
    )
