"""Simple formulas for wind over flat terrain and simple hills, to check the theory."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shelterscape.kernels.spectral import KARMAN


def short_form_reach_m(height_m: float, roughness_m: float) -> float:
    """Largest length scale L for which a height is above the inner depth, m.

    Parameters
    ----------
    height_m : float
        Height z above ground, m.
    roughness_m : float
        Roughness length z0, m; below the height.

    Returns
    -------
    float
        m.

    Notes
    -----
    ``L = z ln(z/z0) / (2 κ²)``: the equation of the inner depth with l = z.

    References
    ----------
    As for `kernels.spectral.inner_depth` (status M; the rearrangement is D).

    Examples
    --------
    >>> round(short_form_reach_m(10.0, 0.03))
    182
    """
    return float(height_m * np.log(height_m / roughness_m) / (2 * KARMAN**2))


GUIDELINES = {
    "ridge": (2.0, 3.0),
    "escarpment": (0.8, 2.5),
    "round hill": (1.6, 4.0),
}
"""Factor B of the speed-up at the crest and rate A of its decay with height, by shape of hill.
Taylor and Lee 1984, Climatological Bulletin 18:3-32; Walmsley, Taylor and Salmon 1989 (status
S2)."""


def crest_speed_up(
    shape: str, hill_m: float, half_length_m: float, *, height_m: float = 10.0
) -> float:
    """Speed-up at the crest of a simple hill by the usual guideline, to check the theory.

    Parameters
    ----------
    shape : str
        One of `GUIDELINES`.
    hill_m : float
        Height of the hill above its surroundings, m.
    half_length_m : float
        Distance upwind from the crest to where the ground has half that height, m.
    height_m : float
        Height above ground, m.

    Returns
    -------
    float
        Speed-up at the crest.

    Raises
    ------
    KeyError
        When `shape` is not one of `GUIDELINES`.

    Notes
    -----
    ``B (h/L) exp(-A z/L)``, for slopes up to about 0.25 to 0.3.

    References
    ----------
    Taylor and Lee 1984, Climatological Bulletin 18:3-32; Walmsley, Taylor and Salmon 1989 (status
    S2).

    Examples
    --------
    >>> round(crest_speed_up("ridge", 50.0, 250.0), 4)
    0.3548
    """
    factor, fading = GUIDELINES[shape]
    return float(factor * hill_m / half_length_m * np.exp(-fading * height_m / half_length_m))


def log_profile(
    height_m: ArrayLike, reference_m: ArrayLike, roughness_m: float
) -> NDArray[np.float64]:
    """Wind speed over flat, open terrain at one height divided by that at another, by the log law.

    Parameters
    ----------
    height_m, reference_m : array_like
        Heights z and z_ref above ground, m; well above the roughness length.
    roughness_m : float
        Roughness length z0, m.

    Returns
    -------
    ndarray
        Ratio, above 0.

    Notes
    -----
    ``ln(z/z0) / ln(z_ref/z0)``, neutral air.

    References
    ----------
    Logarithmic wind profile, common practice (no single source); values of the formula (status D).

    Examples
    --------
    >>> log_profile([2.0, 10.0], 10.0, 0.03).round(4).tolist()
    [0.7229, 1.0]
    """
    height, reference = (np.asarray(h, dtype=float) for h in (height_m, reference_m))
    return np.asarray(np.log(height / roughness_m) / np.log(reference / roughness_m))
