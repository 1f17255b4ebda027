"""Preview picture of `grant-overlay`."""

from __future__ import annotations

from collections.abc import Hashable

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.files.draw import FeatureSheet, Shown
from shelterscape.process import Run
from shelterscape.processes.grant_overlay.inputs import Job
from shelterscape.processes.grant_overlay.write import caution
from shelterscape.science.grants.parts import QUALIFIES
from shelterscape.science.grants.paying import Payments
from shelterscape.science.grants.scheme import money

AREA_LOOKS = (("#7d8f9b", "..."), ("#b59a6d", "\\\\\\"), ("#8d7aa8", "///"), ("#6f8f7a", "---"))
PAID_COLOURS = ("#1f5f4a", "#b5561f", "#53318c", "#a8326a", "#2f6f8f")
NONE_COLOUR = "#4a4a4a"


def draw(
    found: gpd.GeoDataFrame, paid: Payments, job: Job, cautions: tuple[str, ...], run: Run
) -> None:
    """Draw which scheme pays for which belt."""
    looks = {name: AREA_LOOKS[i % len(AREA_LOOKS)] for i, name in enumerate(sorted(job.areas))}
    box = shapely.box(*job.grid.bounds)
    areas = [
        Shown(f"grant area: {name}", _clipped(job.areas[name], box), *look)
        for name, look in looks.items()
        if not job.areas[name].is_empty
    ]
    if job.agreements:
        standing = shapely.union_all([agreement.area for agreement in job.agreements])
        areas.append(Shown("under an agreement already", _clipped(standing, box), "#000000", "xxx"))
    amounts = {
        scheme.name: sum(r.amount_minor for r in paid.rows if r.scheme == index)
        for index, scheme in enumerate(paid.ground.schemes)
    }
    money_of = {s.name: money(amounts[s.name], s) for s in paid.ground.schemes}
    run.picture(
        "grant_parts",
        FeatureSheet(
            title=f"What grants would pay for new belts, planted in {paid.start_year}",
            shown=(*areas, *_strips(found, money_of)),
            grid=job.grid,
            notes=(
                "Amounts are sums over all years, after caps. Strips are drawn wider than they "
                "are.",
                caution(paid.ground.schemes),
                *cautions,
            ),
        ),
    )


def _clipped(area: shapely.Geometry, box: shapely.Geometry) -> np.ndarray:
    # Drawn past the frame, so that the frame does not look like the edge of an area.
    return np.array([shapely.intersection(area, shapely.buffer(box, 100.0))], dtype=object)


def _strips(found: gpd.GeoDataFrame, money_of: dict[str, str]) -> list[Shown]:
    """Ground by the schemes that pay for it, what none pays for beneath."""
    good = found[found["result"] == QUALIFIES]
    grounds: dict[Hashable, shapely.Geometry] = {
        name: shapely.union_all(rows.geometry.to_numpy()) for name, rows in good.groupby("scheme")
    }
    every = shapely.union_all(found.geometry.to_numpy())
    unpaid = shapely.difference(every, shapely.union_all(list(grounds.values())))
    # Rounding leaves hair-fine rests along the edge of paid ground.
    unpaid = shapely.buffer(shapely.buffer(unpaid, -0.05), 0.05)
    shown = [Shown("paid for by none", np.array([unpaid], dtype=object), NONE_COLOUR, dashed=True)]
    for i, (name, text) in enumerate(sorted(money_of.items())):
        ground = grounds.get(name, shapely.MultiPolygon())
        colour = PAID_COLOURS[i % len(PAID_COLOURS)]
        shown.append(Shown(f"paid for by “{name}”: {text}", np.array([ground], object), colour))
    return shown
