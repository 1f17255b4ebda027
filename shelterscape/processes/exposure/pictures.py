"""Preview pictures of `exposure`."""

from __future__ import annotations

import numpy as np

from shelterscape.files.draw import MapSheet
from shelterscape.processes.exposure.figures import Views, topex_band
from shelterscape.processes.exposure.over_winds import ALL_WINDS, Found, Job
from shelterscape.science.terrain.validity import MODELLED_SHARE, NOT_MODELLED
from shelterscape.terms import TERMS


def draw(found: Found, views: Views, job: Job, cautions: tuple[str, ...]) -> None:
    """Draw the map of topex and that of open wind."""
    job.run.picture(
        "topex",
        MapSheet(
            title="How exposed the ground is: topex",
            panels={f"horizon angles {topex_band(job)}, summed over eight points": views.topex},
            grid=job.grid,
            term=TERMS["topex"],
            notes=(
                "Dark ground stands above what surrounds it and is exposed; light ground is "
                "sheltered by the land. Grey: nothing known in some direction.",
                *cautions,
            ),
            ground=job.elevation,
        ),
    )
    job.run.picture("open_wind", _open_wind(found, job, cautions))


def _open_wind(found: Found, job: Job, cautions: tuple[str, ...]) -> MapSheet:
    asked, winds = job.asked, job.winds
    plain = asked.at_height_m, asked.roughness_m
    known = winds.speeds_known
    all_winds = found.open_wind * (winds.power_mean_ms(1.0, *plain) if known else 1.0)
    panels, doubtful = {ALL_WINDS: all_winds}, {ALL_WINDS: found.modelled < MODELLED_SHARE}
    if found.in_strongest is not None and len(winds.direction_deg) > 1:
        over, heading = found.in_strongest, f"wind {job.bands[found.strongest]}"
        speed_ms = winds.plain_speed_ms(*plain)[found.strongest] if known else 1.0
        panels[heading] = (1 + over.speed_up) * np.float32(speed_ms)
        doubtful[heading] = np.isfinite(over.speed_up) & ~over.valid
    rough = "by the map of roughness" if np.ndim(job.roughness_m) else f"{asked.roughness_m:g} m"
    return MapSheet(
        title=f"Wind over the ground with its hills, {asked.at_height_m:g} m above it",
        panels=panels,
        grid=job.grid,
        term=TERMS["open_wind" if known else "open_wind_relative"],
        notes=(
            f"Linear theory of wind over low hills, roughness length {rough}; neutral air; no "
            "belts, woods or buildings. Tried on one measured hill (docs/askervein.md).",
            f"Dotted: not modelled ({NOT_MODELLED}); the colour there is no more than a hint.",
            *cautions,
        ),
        ground=job.elevation,
        doubtful=doubtful,
    )
