"""Summary of a run of `exposure`: findings, figures and pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.files.draw_sheets import MapPanel, MapSheet
from shelterscape.grid import degrees_text
from shelterscape.process.stages import Results, Summary
from shelterscape.processes.exposure.loading import ALL_WINDS, ExposureData, topex_words
from shelterscape.processes.exposure.spec import ExposureInputs
from shelterscape.science.terrain import TerrainWind
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED

Field = NDArray[np.float32]

MOST_NAMED = 3
"""Number of places or holdings that are named."""


@dataclass(frozen=True, kw_only=True)
class ExposureResults(Results):
    """Results that `summarise` needs besides layers and tables.

    Parameters
    ----------
    data : ExposureData
    topex : (rows, cols) float32
        Degrees.
    terrain_wind_ratio : (rows, cols) float32
        Terrain wind ratio over all wind directions.
    modelled : (rows, cols) float32
        Share of the wind for which the theory is valid.
    strongest : int
        Index of the wind direction with the largest weight.
    in_strongest : TerrainWind
    """

    data: ExposureData
    topex: Field
    terrain_wind_ratio: Field
    modelled: Field
    strongest: int
    in_strongest: TerrainWind | None


def summarise(results: ExposureResults, params: ExposureInputs) -> Summary:
    """Answer, figures and pictures."""
    known = results.terrain_wind_ratio[np.isfinite(results.terrain_wind_ratio)]
    return Summary(
        question="Which ground is exposed to wind, and from where?",
        answer=[
            *_most_exposed(results),
            _terrain_wind_text(known, params),
            _topex_text(results, params),
        ],
        certainty=_certainty(results),
        figures={"exposed_share": float((known > 1).mean()) if known.size else None},
        pictures={"topex": _topex_map(results, params), "terrain_wind": _wind_map(results, params)},
    )


def _most_exposed(results: ExposureResults) -> list[str]:
    """The places, or else the holdings, with the largest terrain wind ratio."""
    for layer, what in (("place_exposure", "places"), ("holding_exposure", "holdings")):
        frame = results.layers.get(layer)
        if frame is None:
            continue
        known = frame[frame["terrain_wind_ratio"].notna()]
        windiest = known.sort_values("terrain_wind_ratio", ascending=False, kind="stable")
        named = [
            f"{row.label or 'without a name'} {row.terrain_wind_ratio:.2f} "
            f"(strongest from {row.strongest_from_deg:g}°)"
            for row in windiest.head(MOST_NAMED).rename(columns={"name": "label"}).itertuples()
        ]
        return [f"Most exposed {what} by terrain wind ratio: {'; '.join(named)}"] if named else []
    return []


def _certainty(results: ExposureResults) -> list[str]:
    """Share of the ground on which terrain wind is modelled."""
    known = results.modelled[np.isfinite(results.modelled)]
    if not known.size:
        return []
    share = 100 * float((known >= MODELLED_SHARE).mean())
    return [f"Terrain wind is modelled on {share:.0f} % of the ground; belts are not included"]


def _terrain_wind_text(known: np.ndarray, params: ExposureInputs) -> str:
    low, middle, high = (float(v) for v in np.percentile(known, [5, 50, 95]))
    return (
        f"terrain wind ratio {params.at_height_m:g} m above ground: {middle:.2f} at the median; "
        f"below {low:.2f} on the calmest 5 % of the ground, above {high:.2f} on the windiest 5 %"
    )


def _topex_text(results: ExposureResults, params: ExposureInputs) -> str:
    known = results.topex[np.isfinite(results.topex)]
    if not known.size:
        return "topex: no cell sees known ground in all eight directions"
    low, middle, high = (float(v) for v in np.percentile(known, [5, 50, 95]))
    area_ha = known.size * results.data.grid.cell_area_ha
    return (
        f"topex {topex_words(params)}, known on {area_ha:,.1f} ha: {degrees_text(middle)} at the "
        f"median; below {degrees_text(low)} on the most exposed 5 % of the ground, above "
        f"{degrees_text(high)} on the most sheltered 5 %"
    )


def _topex_map(results: ExposureResults, params: ExposureInputs) -> MapSheet:
    heading = f"sum of eight horizon angles, {topex_words(params)}"
    return MapSheet(
        title="Topex: shelter by the terrain",
        panels=(MapPanel(heading, results.topex, "topex_deg"),),
        grid=results.data.grid,
        notes=("Grey: missing ground, or ground with a view that holds no known ground.",),
        ground=results.data.elevation,
    )


def _wind_map(results: ExposureResults, params: ExposureInputs) -> MapSheet:
    data, winds = results.data, results.data.winds
    known = winds.speeds_known
    term = "terrain_wind_ms" if known else "terrain_wind_ratio"
    height = f"{params.at_height_m:g} m above ground"
    panels = [
        MapPanel(
            f"{ALL_WINDS}; {height}",
            results.terrain_wind_ratio * (data.speed_ms() if known else 1.0),
            term,
            doubtful=results.modelled < MODELLED_SHARE,
            wind_from_deg=winds.most_frequent_deg,
        )
    ]
    over = results.in_strongest
    if over is not None and len(winds.direction_deg) > 1:
        speed_ms = data.speeds_ms()[results.strongest] if known else 1.0
        panels.append(
            MapPanel(
                f"wind {data.labels[results.strongest]}; {height}",
                (1 + over.speed_up) * np.float32(speed_ms),
                term,
                doubtful=np.isfinite(over.speed_up) & ~over.valid,
                wind_from_deg=float(winds.direction_deg[results.strongest]),
            )
        )
    rough = "from the map of roughness" if data.rough_map else f"{params.roughness_m:g} m"
    return MapSheet(
        title=f"Terrain wind {height}",
        panels=tuple(panels),
        grid=data.grid,
        notes=(
            f"Linear theory over low hills, roughness length {rough}, neutral air; without belts, "
            f"woods or buildings. Not modelled: {NOT_MODELLED}.",
        ),
        ground=data.elevation,
    )
