"""The stages of `field-check`: pairs of readings, errors of the curve, and fits."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from shelterscape.errors import InputError, Notice
from shelterscape.process.stages import Progress, Work
from shelterscape.processes.field_check.layers import (
    FieldCheckResults,
    checked_belts,
    curve_errors,
    instrument_means,
    with_curve,
    with_fits,
)
from shelterscape.processes.field_check.loading import FieldCheckData, load, work_bytes
from shelterscape.processes.field_check.summary import summarise
from shelterscape.science import curve_fit, field_readings
from shelterscape.science.curve_fit import FittedCurve

__all__ = ["compute", "load", "summarise", "work_bytes"]


def compute(data: FieldCheckData) -> Work[FieldCheckResults]:
    """Pair the readings, compare them with the curve, and fit it to each belt."""
    yield Progress(0.1, "pairs of readings")
    pairs = field_readings.with_reasons(
        field_readings.paired(data.readings, data.params.site_roughness_m), data.bearing_deg
    )
    means = with_curve(field_readings.hourly_means(pairs[pairs["reason"] == ""]), data)
    fits, refused = {}, {}
    for i, name in enumerate(data.bearing_deg.index):
        yield Progress(0.2 + 0.7 * i / len(data.bearing_deg), f"fit of {name}")
        here = means[means["belt"] == name]
        try:
            fits[name] = _fit(here, str(name))
        except InputError as error:
            refused[name] = _with_left_out(error, pairs[pairs["belt"] == name])
    if not fits:
        raise next(iter(refused.values()), _no_readings(data))
    notices = [
        Notice("belt-not-fitted", f"{name}: {error.what} {error.value}")
        for name, error in refused.items()
    ]
    means = with_fits(means, fits)
    tables = {
        "curve_errors": curve_errors(means, data, fits, refused),
        "reading_means": instrument_means(means),
        "readings_left_out": field_readings.left_out(pairs),
    }
    layers = {"checked_belts": checked_belts(data, fits)}
    return FieldCheckResults(tables=tables, layers=layers, notices=notices, fits=fits, means=means)


def _no_readings(data: FieldCheckData) -> InputError:
    return InputError(
        "readings-few",
        "No reading beside a belt was found.",
        where=Path(data.params.readings).name,
        hint="Give distance_m for each instrument that is not in the open.",
    )


def _with_left_out(error: InputError, pairs: pd.DataFrame) -> InputError:
    """The error, with the reasons for which readings of the belt do not count."""
    counts = pairs.loc[pairs["reason"] != "", "reason"].value_counts()
    if error.code != "readings-few" or counts.empty:
        return error
    reasons = "; ".join(f"{reason} ({count})" for reason, count in counts.items())
    value = f"{error.value}; {counts.sum()} of {len(pairs)} readings left out: {reasons}"
    return InputError(error.code, error.what, where=error.where, value=value, hint=error.hint)


def _fit(here: pd.DataFrame, name: str) -> FittedCurve:
    if here["hard"].any():
        raise InputError(
            "input-refused",
            "Walls and fences follow the curve for barriers, which has no recovery distance.",
            where=name,
            value="a wall or fence",
            hint="Fit readings beside hedges and tree belts; correct belt_type if it is wrong.",
        )
    width_h = float(here["width_h"].iloc[0]) if len(here) else 0.0
    x, share, ratio = (
        here[column].to_numpy(dtype=float) for column in ("distance_h", "height_share", "ratio")
    )
    hour = pd.factorize(here["hour"])[0]
    return curve_fit.fit_curve(x, share, ratio, hour, width_h, name)
