"""The linear theory of wind over low hills, applied to one part of the terrain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.kernels import spectral
from shelterscape.kernels.wind_speed import speed_and_turning
from shelterscape.science.terrain.roughness import LOWEST_Z0, RoughnessClasses

Field = NDArray[np.float32]
Mask = NDArray[np.bool_]

THEORIES = {
    "full": {},
    "short": {"bessel": False},
    "potential": {"profile": False},
}
"""Forms of the theory: the full formula; without its Bessel factor, for heights at or above the
inner depth; and, for comparison, flow without friction and with wind speed constant with height."""


@dataclass(frozen=True)
class Edges:
    """How the terrain is continued past the edges of the map.

    Parameters
    ----------
    pad_m : float
        Width of the strip that joins one edge to the opposite one, m.
    taper_m : float
        Width inside the map over which the ground descends to the plane, m. By default the map
        is not changed.
    level : bool
        Whether the best-fitting plane is subtracted first; only without a base elevation.
    """

    pad_m: float = 2500.0
    taper_m: float = 0.0
    level: bool = True


USUAL_EDGES = Edges()


@dataclass(frozen=True, eq=False)
class TerrainWind:
    """Wind over the terrain without belts in one direction, relative to flat, open terrain.

    Parameters
    ----------
    speed_up : (rows, cols) float32
        Terrain wind ratio − 1, at the same height; NaN where the elevation is missing.
    turning_deg : (rows, cols) float32 or None
        Change of wind direction, degrees, positive clockwise; NaN where the elevation is missing.
        None if not requested.
    valid : (rows, cols) bool
        Where the theory is valid: not on steep ground, in the lee of steep crests, where too much
        of the surrounding ground is unknown, or where ground is missing.
    reason : (rows, cols) uint8 or None
        Why it is not valid, one of `validity.REASONS`; None if not requested.
    """

    speed_up: Field
    turning_deg: Field | None
    valid: Mask
    reason: NDArray[np.uint8] | None = None


@dataclass(frozen=True)
class LinearTheory:
    """The theory at one height over some roughnesses, with the continuation past the edges.

    Parameters
    ----------
    cell_m : float
        Side of a cell, m.
    height_m : float
        Height above ground, m.
    classes : RoughnessClasses
        Roughness lengths for which it is calculated.
    theory : str
        One of `THEORIES`.
    base_m : float or None
        Elevation of the flat terrain around, m.
    edges : Edges

    Raises
    ------
    InputError
        ``input-refused`` when the height is too low for the roughness.
    ValueError
        When `theory` is unknown.
    """

    cell_m: float
    height_m: float
    classes: RoughnessClasses
    theory: str
    base_m: float | None
    edges: Edges

    def __post_init__(self) -> None:
        roughest = max(self.classes.roughness_m)
        if not self.height_m >= LOWEST_Z0 * roughest * (1 - 1e-6):
            raise InputError(
                "input-refused",
                f"{self.height_m:g} m above ground is too low over a roughness of {roughest:g} m.",
                where="height above ground",
                value=self.height_m,
                hint=f"Use {LOWEST_Z0 * roughest:g} m or higher.",
            )
        if self.theory not in THEORIES:
            raise ValueError(f"theory is {self.theory!r}; use one of {', '.join(THEORIES)}")

    def padded_shape(self, shape: tuple[int, ...]) -> tuple[int, int]:
        """Rows and columns of a part of the terrain with its continuation past the edges.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns of the part.

        Returns
        -------
        tuple of int
        """
        pad = int(np.ceil(self.edges.pad_m / self.cell_m))
        rows, cols = (spectral.padded_size(n, pad) for n in shape)
        return rows, cols

    def waves(self, ground: NDArray[np.float32]) -> spectral.Spectrum:
        """Spectrum of the padded ground.

        Parameters
        ----------
        ground : (rows, cols) float32
            Elevation, m; finite everywhere.

        Returns
        -------
        Spectrum
        """
        rows, cols = self.padded_shape(ground.shape)
        plane = spectral.best_plane(ground)
        if not self.edges.level:
            plane = (plane[0], 0.0, 0.0)
        if self.base_m is not None:
            plane = (self.base_m, 0.0, 0.0)
        padded = spectral.padded_ground(
            ground,
            (rows, cols),
            plane,
            taper=int(self.edges.taper_m / self.cell_m),
            sink=self.base_m is not None,
        )
        return spectral.spectrum_of(padded)

    def tables(self, cells: int) -> list[spectral.WaveTables]:
        """The theory over each roughness, for maps up to a given size.

        Parameters
        ----------
        cells : int
            Longest side of a padded map, cells.

        Returns
        -------
        list of WaveTables
        """
        return [
            spectral.wave_tables(self.cell_m, cells, self.height_m, z0, **THEORIES[self.theory])
            for z0 in self.classes.roughness_m
        ]

    def change(
        self,
        waves: spectral.Spectrum,
        crop: tuple[int, int],
        wind: tuple[float, float],
        tables: list[spectral.WaveTables],
        at: Field | None,
        work: NDArray[np.complex64] | None = None,
    ) -> Field:
        """Change of the wind over a part of the terrain.

        Parameters
        ----------
        waves : Spectrum
            Spectrum of the padded part.
        crop : tuple of int
            Rows and columns of the part.
        wind : tuple of float
            Unit step (columns, rows) in which the wind blows.
        tables : list of WaveTables
            The theory over each roughness.
        at : (rows, cols) float32 or None
            Position of each cell among the roughness lengths (`RoughnessClasses.at`).
        work : (crop rows, padded cols) complex64, optional
            Working array.

        Returns
        -------
        (rows, cols, 2) float32
            Along the wind and to its right, per unit of the wind over flat, open terrain.

        References
        ----------
        As for `terrain_wind.speed_up`.
        """
        changes = (
            spectral.apply_wind(waves, crop, self.cell_m, wind, table, work) for table in tables
        )
        return self.classes.blended(changes, at)


def finished(
    change: Field, known: Mask, reason: NDArray[np.uint8], turning: bool = True
) -> TerrainWind:
    """Terrain wind from the change of the wind.

    Parameters
    ----------
    change : (rows, cols, 2) float32
        Along the wind and to its right, per unit of the wind over flat, open terrain.
    known : (rows, cols) bool
        Where there is ground.
    reason : (rows, cols) uint8
        Why the theory is not valid; 0 where it is.
    turning : bool
        Whether the change of wind direction is calculated too.

    Returns
    -------
    TerrainWind
    """
    speed = np.empty(known.shape, np.float32)
    angle = np.empty(known.shape if turning else (0, 0), np.float32)
    valid = reason == 0
    speed_and_turning(change, known, speed, angle, valid)
    return TerrainWind(speed, angle if turning else None, valid, reason)
