"""What belts change in the yield of crops beside them: loss near a belt, gain beyond it.

The unit is hectares of full yield: 1 ha on which half of the yield is lost is -0.5 ha.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GAIN_TO_H, NO_GAIN_FROM_H = 15.0, 20.0
"""Leeward distance up to which crops gain fully, and from which they do not gain, heights (Kort
1988; Cleugh and others 2002; status S). Between them the gain falls linearly (assumed)."""

LOSS_SHARE = (0.25, 0.50)
"""Share of the yield lost within the zone of roots and shade, lowest and highest (assumed)."""

LEAST_GAIN = -0.02
"""Lowest gain reported, for no particular crop, a share of the yield (one review; status S2)."""

GAINS = {
    "winter wheat": 0.23,
    "spring wheat": 0.08,
    "maize": 0.12,
    "soybean": 0.15,
    "potatoes": 0.09,
}
"""Largest gain in the sheltered zone by crop, a share of the yield (texts that cite Kort 1988;
status S2). For soybean they state 13 to 15 %, for potatoes 5 to 9 %, for others one figure."""

LOSS_TO_H = (1.0, 2.0)
"""Distance from a belt within which crops lose to roots and shade, heights, lowest and highest
(Kort 1988; Cleugh and others 2002; status S)."""


@dataclass(frozen=True)
class CropResponse:
    """How the crops of fields respond to a belt.

    Parameters
    ----------
    loss_to_h : float
        Distance from the face of a belt within which crops lose, heights.
    loss_share : float
        Share of the yield lost there, 0 to 1.
    gain_share : (m,) float64
        Share of the yield gained on each field beyond, to leeward, while the wind comes across the
        belt.
    """

    loss_to_h: float
    loss_share: float
    gain_share: Array


def crop_responses(crops: Sequence[str]) -> tuple[CropResponse, CropResponse]:
    """The low and the high response of the crops of fields.

    Parameters
    ----------
    crops : sequence of str
        For each field a name in `GAINS`; empty for an unknown crop, whose high response is that of
        the crop with the largest published gain.

    Returns
    -------
    low, high : CropResponse
        The low response is the same for all crops: of most crops a single mean is published, which
        is no lower end.

    References
    ----------
    Kort 1988, Agriculture, Ecosystems and Environment 22/23; Cleugh and others 2002 (distances,
    status S; gains in texts that cite Kort, status S2). The share lost near the belt is assumed.

    Examples
    --------
    >>> crop_responses(["maize", ""])[1].gain_share.tolist()
    [0.12, 0.23]
    """
    largest = max(GAINS.values())
    most = np.array([GAINS[crop] if crop else largest for crop in crops])
    return (
        CropResponse(LOSS_TO_H[1], LOSS_SHARE[1], np.full(len(most), LEAST_GAIN)),
        CropResponse(LOSS_TO_H[0], LOSS_SHARE[0], most),
    )


def gain_weight(distance_h: Array) -> Array:
    """Share of the full gain at a distance to leeward of a belt.

    Parameters
    ----------
    distance_h : array of float64
        Distance along the wind behind the lee face, heights; below 0 to windward.

    Returns
    -------
    array of float64
        0 to 1. The zone of loss is not part of it: there the crop loses in any wind.

    Examples
    --------
    >>> [float(x) for x in gain_weight(np.array([-1.0, 5.0, 17.5, 20.0]))]
    [0.0, 1.0, 0.5, 0.0]
    """
    falling = (NO_GAIN_FROM_H - distance_h) / (NO_GAIN_FROM_H - GAIN_TO_H)
    found: Array = np.where(distance_h > 0, np.clip(falling, 0.0, 1.0), 0.0)
    return found


def years_until_positive(net: Array) -> int | None:
    """Years from planting until the net is positive and stays so.

    Parameters
    ----------
    net : (years,) float64
        Net by year, the first in the year of planting, ha of full yield or money.

    Returns
    -------
    int or None
        None where the net of the last year is not positive.

    Examples
    --------
    >>> years_until_positive(np.array([-1.0, 0.2, -0.1, 0.3, 0.4]))
    3
    """
    below = np.flatnonzero(net <= 0)
    if not len(below):
        return 0
    last = int(below[-1]) + 1
    return last if last < len(net) else None
