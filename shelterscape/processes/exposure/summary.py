"""What a run of `exposure` says of itself: findings, figures and pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.files.draw_sheets import MapSheet
from shelterscape.process.stages import Results, Summary
from shelterscape.processes.exposure.loading import ALL_WINDS, ExposureData, topex_form
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.science.terrain import OpenWind
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED
from shelterscape.terms import TERMS

Field = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class ExposureResults(Results):
    """What `summarise` needs besides layers and tables.

    Parameters
    ----------
    data : ExposureData
    topex : (rows, cols) float32
        Degrees.
    open_wind : (rows, cols) float32
        Wind over all directions, relative to flat, open terrain.
    modelled : (rows, cols) float32
        Share of the wind for which the theory holds.
    strongest : int
        Number of the wind direction that counts most.
    in_strongest : OpenWind
    """

    data: ExposureData
    topex: Field
    open_wind: Field
    modelled: Field
    strongest: int
    in_strongest: OpenWind | None


def summarise(results: ExposureResults, params: ExposureInputs) -> Summary:
    """Findings, figures and pictures."""
    known = results.open_wind[np.isfinite(results.open_wind)]
    return Summary(
        findings=[_open_wind_text(known, params), _topex_text(results, params)],
        figures={"exposed_share": float((known > 1).mean()) if known.size else None},
        pictures={"topex": _topex_map(results, params), "open_wind": _wind_map(results, params)},
    )


def _open_wind_text(known: np.ndarray, params: ExposureInputs) -> str:
    low, middle, high = (float(v) for v in np.percentile(known, [5, 50, 95]))
    return (
        f"open wind {params.at_height_m:g} m above ground, divided by that over flat, open "
        f"terrain: half the ground above {middle:.2f}, the windiest twentieth above {high:.2f}, "
        f"the calmest twentieth below {low:.2f}"
    )


def _topex_text(results: ExposureResults, params: ExposureInputs) -> str:
    known = results.topex[np.isfinite(results.topex)]
    if not known.size:
        return "topex: no cell sees known ground in all eight directions"
    low, middle, high = np.percentile(known, [5, 50, 95])
    return (
        f"topex {topex_form(params)} over {known.size * results.data.grid.cell_area_ha:,.0f} ha: "
        f"half the ground is below {middle:.0f}°, the most exposed twentieth below {low:.0f}°, "
        f"the most sheltered twentieth above {high:.0f}°"
    )


def _topex_map(results: ExposureResults, params: ExposureInputs) -> MapSheet:
    heading = f"horizon angles {topex_form(params)}, summed over eight points"
    return MapSheet(
        title="How exposed the ground is: topex",
        panels={heading: results.topex},
        grid=results.data.grid,
        term=TERMS["topex"],
        notes=(
            "Dark ground rises above its surroundings and is exposed; light ground is sheltered "
            "by the land. Grey: unknown in some direction.",
        ),
        ground=results.data.elevation,
    )


def _wind_map(results: ExposureResults, params: ExposureInputs) -> MapSheet:
    data, winds = results.data, results.data.winds
    known = winds.speeds_known
    panels = {ALL_WINDS: results.open_wind * (data.speed_ms() if known else 1.0)}
    doubtful = {ALL_WINDS: results.modelled < MODELLED_SHARE}
    over = results.in_strongest
    if over is not None and len(winds.direction_deg) > 1:
        heading = f"wind {data.labels[results.strongest]}"
        speed_ms = data.speeds_ms()[results.strongest] if known else 1.0
        panels[heading] = (1 + over.speed_up) * np.float32(speed_ms)
        doubtful[heading] = np.isfinite(over.speed_up) & ~over.valid
    rough = "by the map of roughness" if data.rough_map else f"{params.roughness_m:g} m"
    return MapSheet(
        title=f"Wind over the terrain, {params.at_height_m:g} m above ground",
        panels=panels,
        grid=data.grid,
        term=TERMS["open_wind" if known else "open_wind_relative"],
        notes=(
            f"Linear theory of wind over low hills, roughness length {rough}; neutral air; no "
            "belts, woods or buildings. Compared with one measured hill (docs/askervein.md).",
            f"Dotted: not modelled ({NOT_MODELLED}); the colour there is no more than a hint.",
        ),
        ground=data.elevation,
        doubtful=doubtful,
    )
