"""The wind over the cross-section of one belt, for a picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.shelter_curves import DEFAULT_CURVE
from shelterscape.science.belt_profiles import wind_beside
from shelterscape.science.near_ground import near_ground_of, section_relative_wind, without_stems

Array = NDArray[np.float64]

DRAWN_H = (-6.0, 30.0)
DRAWN_HEIGHTS_H = (0.05, 2.0)
"""Distances and heights of a section, H: those of the packaged table near a belt. Below the lowest
the wind is as at that height."""

LIMITS = (
    "Wind across a long belt on flat ground, from the shelter curve and a flow model; its pattern "
    "with height is not verified."
)
"""What limits such a picture, for its note: few published readings state their height."""


@dataclass(frozen=True)
class BeltSection:
    """Relative wind over the cross-section of one belt.

    Parameters
    ----------
    distance_m : (d,) float64
        From the windward face windward (below 0), and from the leeward face leeward, m.
    height_m : (z,) float64
        Above ground, m.
    relative_wind : (d, z) float64
    belt_height_m, width_m, stem_m : float
        Of the belt, m.
    """

    distance_m: Array
    height_m: Array
    relative_wind: Array
    belt_height_m: float
    width_m: float
    stem_m: float


def belt_section(
    height_m: float,
    porosity: float,
    width_m: float,
    *,
    stem_m: float = 0.0,
    porosity_low: float | None = None,
    roughness_m: float = 0.03,
    curve: str = DEFAULT_CURVE,
) -> BeltSection:
    """Relative wind by distance and height beside one belt of trees or shrubs.

    Parameters
    ----------
    height_m : float
        Height of the belt, m, above 0.
    porosity : float
        Optical porosity, 0 to 1.
    width_m : float
        Width, m.
    stem_m : float
        Height of bare stems, m.
    porosity_low : float, optional
        Porosity of the lower half, stems counted as `science.belts` does; by default that of the
        whole without stems.
    roughness_m : float
        Roughness length of the ground, m, above 0.
    curve : str
        A name in `CURVES`.

    Returns
    -------
    BeltSection
        As `shelter` calculates it with ``near_ground="flow"``, wind across the belt.

    Notes
    -----
    Everything comes from the packaged table of `science.near_ground`: no flow is solved.
    """
    x = np.concatenate([np.arange(DRAWN_H[0], 0.0, 0.1), np.arange(0.0, DRAWN_H[1] + 0.05, 0.1)])
    z = np.append(0.0, np.geomspace(*DRAWN_HEIGHTS_H, 40))
    theta = np.array([porosity])
    low = theta
    if porosity_low is not None:
        low = without_stems(np.array([porosity_low]), theta, stem_m / height_m)
    width_h = np.array([width_m / height_m])
    wind = wind_beside(x, curve, theta, low, width_h)
    near = near_ground_of(height_m, stem_m, 1.0, roughness_m)
    found = section_relative_wind(wind, porosity, float(width_h[0]), near, x, z)
    return BeltSection(x * height_m, z * height_m, found, height_m, width_m, stem_m)
