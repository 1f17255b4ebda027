"""Curve tables of belts whose properties vary from run to run, shared between runs."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from shelterscape.science.belt_profiles import ProfileTables, belt_profile, share_at_height
from shelterscape.science.belts import HARD_TYPES, recovery_distances
from shelterscape.science.near_ground import NearGround, near_ground_of, without_stems
from shelterscape.science.prepared_belts import ShelterOptions

Field = NDArray[np.float32]
Numbers = NDArray[np.int64]

POROSITY_STEP, SHARE_STEP = 0.02, 0.05
"""Rounding steps of porosity, and of width and height shares, in Monte Carlo runs: much smaller
than their variation, so that runs share curve tables."""

MOST_CURVES = 4000
"""Most curve tables kept between runs, about 55 MB."""


class CurveTables:
    """Curve tables shared by Monte Carlo runs, calculated when first needed."""

    def __init__(self) -> None:
        self._tables = ProfileTables(1)
        self._count = 0

    def rows(
        self, belts: gpd.GeoDataFrame, options: ShelterOptions, more: Sequence[tuple[float, ...]]
    ) -> Numbers:
        """Indices of the curve tables of belts, then of additional properties.

        Parameters
        ----------
        belts : GeoDataFrame
        options : ShelterOptions
        more : sequence of tuple
            Porosity, that of the lower half, width and height in m, 1 for a wall or fence, and
            recovery distance in H.

        Returns
        -------
        (belts + more,) int64
        """
        if self._count > MOST_CURVES:
            self._tables, self._count = ProfileTables(1), 0
        columns = ["porosity", "porosity_low", "width_m", "height_m"]
        figures = belts[columns].to_numpy(dtype=float).reshape(len(belts), 4)
        others = np.array(more, dtype=float).reshape(len(more), 6)
        figures = np.vstack([figures, others[:, :4]])
        hard = np.array([*belts["belt_type"].isin(HARD_TYPES), *(others[:, 4] > 0)], dtype=bool)
        height = np.maximum(figures[:, 3], 1e-9)
        share = share_at_height(height, options.at_height_m)
        nears: list[NearGround | None] = [None] * len(figures)
        if options.near_ground == "flow":
            stem_m = np.append(belts["bare_stem_m"].to_numpy(dtype=float), np.zeros(len(more)))
            low = without_stems(figures[:, 1], figures[:, 0], stem_m / height)
            figures[:, 1] = np.where(hard, figures[:, 1], low)
            share = np.where(hard, share, 1.0)
            place = (options.at_height_m, options.roughness_m)
            nears = [
                None if wall else near_ground_of(h, stem, *place)
                for wall, h, stem in zip(hard, height, stem_m, strict=True)
            ]
        porosity = np.round(figures[:, :2] / POROSITY_STEP) * POROSITY_STEP
        share[~hard] *= options.shelter_ratio
        shade = np.round(share / SHARE_STEP) * SHARE_STEP
        width = np.round((1.0 - np.exp(-0.5 * figures[:, 2] / height)) / SHARE_STEP) * SHARE_STEP
        width_h = -2.0 * np.log(np.maximum(1.0 - width, 1e-3))
        recovery = [*recovery_distances(belts), *others[:, 5]]
        found = np.empty(len(figures), np.int64)
        rows = np.column_stack([porosity, width_h, shade])
        for i, (row, near) in enumerate(zip(rows, nears, strict=True)):
            curve = "barrier" if hard[i] else options.curve
            profile = belt_profile(row[:1], row[1:2], row[2], row[3], curve, recovery[i], near)
            found[i] = self._tables.index(profile)
        self._count = max(self._count, int(found.max(initial=0)))
        return found

    def tables(self) -> Field:
        """Relative wind of all tables so far."""
        tables: Field = self._tables.tables()[0]
        return tables
