"""Exposure of places and holdings, and of each wind, as layers and a table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.processes.exposure.over_winds import Found, Job
from shelterscape.science.places import Coverage, means
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED

Field = NDArray[np.float32]


@dataclass(frozen=True)
class Views:
    """What is seen from each cell.

    Parameters
    ----------
    topex, upwind_slope : (rows, cols) float32
        Degrees.
    complete : (rows, cols) float32
        Share of the eight views that stay on the map.
    """

    topex: Field
    upwind_slope: Field
    complete: Field


def write_layers(found: Found, views: Views, job: Job) -> None:
    """The layer of places and that of holdings, where there are such."""
    for name, (frame, covered) in job.covered.items():
        job.run.layer(name, frame.assign(**_figures(name, covered, found, views, job)))


def _figures(
    name: str, covered: Coverage, found: Found, views: Views, job: Job
) -> dict[str, NDArray[np.float64]]:
    relative = means(found.open_wind, covered)
    by_wind = np.array(found.by_feature[name]) * job.winds.weights()[:, None]
    strongest = np.asarray(job.winds.direction_deg)[np.nan_to_num(by_wind).argmax(axis=0)]
    modelled = np.where(np.isnan(found.modelled), np.nan, found.modelled >= MODELLED_SHARE)
    speed_ms = job.winds.power_mean_ms(1.0, job.asked.at_height_m, job.asked.roughness_m)
    return {
        "topex": means(views.topex, covered),
        "weighted_horizon": means(found.horizon, covered),
        "upwind_slope": means(views.upwind_slope, covered),
        "speed_up": relative - 1,
        "open_wind": relative * speed_ms,
        "strongest_from_deg": np.where(np.isnan(relative), np.nan, strongest),
        "modelled_share": means(modelled.astype(np.float32), covered),
        "views_complete": means(views.complete, covered),
    }


def write_winds(found: Found, job: Job) -> None:
    """The table of winds."""
    speeds = job.winds.plain_speed_ms(job.asked.at_height_m, job.asked.roughness_m)
    frame = pd.DataFrame(
        {
            "direction_deg": job.winds.direction_deg,
            "frequency": job.winds.frequency,
            "mean_speed_ms": job.winds.mean_speed_ms,
            **found.by_wind,
        }
    )
    frame["open_wind"] = speeds * (1 + frame["speed_up"])
    job.run.table("winds_over_ground", frame)


def tell(found: Found, views: Views, job: Job) -> None:
    """Say what was found, and what was not."""
    _tell_topex(views.topex, job)
    known = found.open_wind[np.isfinite(found.open_wind)]
    low, middle, high = (float(v) for v in np.percentile(known, [5, 50, 95]))
    job.run.finding(
        f"open wind {job.asked.at_height_m:g} m above ground, over that over the plain: half the "
        f"ground above {middle:.2f}, the windiest twentieth above {high:.2f}, the calmest "
        f"twentieth below {low:.2f}"
    )
    lost = float((found.modelled < MODELLED_SHARE).sum() * job.grid.cell_area_ha)
    if lost:
        whole = job.known.sum() * job.grid.cell_area_ha
        text = (
            f"open wind not modelled on {lost:,.1f} of {whole:,.1f} ha for half of the wind or "
            f"more: {NOT_MODELLED}"
        )
        job.run.notice(Notice("not-modelled", text))


def _tell_topex(total: Field, job: Job) -> None:
    known, form = total[np.isfinite(total)], topex_band(job)
    if not known.size:
        job.run.finding("topex: no cell sees known ground in all eight directions")
        return
    low, middle, high = np.percentile(known, [5, 50, 95])
    job.run.finding(
        f"topex {form} over {known.size * job.grid.cell_area_ha:,.0f} ha: half the ground lies "
        f"below {middle:.0f}°, the most exposed twentieth below {low:.0f}°, the most sheltered "
        f"twentieth above {high:.0f}°"
    )


def topex_band(job: Job) -> str:
    """Which form of topex was taken, in words."""
    asked = job.asked
    if asked.topex_form == "unlimited":
        return "without limit, angles below the horizontal as nothing"
    to = f"to {asked.limit_m:g} m"
    return to if asked.topex_form == "signed" else f"{to}, angles below the horizontal as nothing"
