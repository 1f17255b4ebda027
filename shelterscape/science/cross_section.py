"""Wind through belts on a vertical section along the wind, by a model of turbulent flow.

It solves steady, neutral, two-dimensional flow over flat ground::

    div u = 0
    u . grad u = - grad p + div(nu (grad u + grad u^T)) - a |u| u,        nu = C_mu k^2 / eps
    u . grad k   = div(nu grad k) + P - eps
    u . grad eps = div(nu / s_eps grad eps) + (eps / k) (C1 P - C2 eps)

where a is the drag coefficient times leaf area density, and P the production by shear. Lengths
are in heights H of the belt, speeds in friction velocities of the open wind, so results depend on
H/z0 and on drag alone. It recovers the wind far behind a belt too slowly, and must not replace a
shelter curve; it is used for differences between sections (`science.near_ground`).

Ground: log law. Inflow: the logarithmic wind. Lid: stress of the open wind. Outlet: pressure 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ive

from shelterscape.kernels.cross_section import (
    C_1,
    C_2,
    C_MU,
    KAPPA,
    SIGMA_E,
    Air,
    Mesh,
    Steps,
    Work,
    settle,
)
from shelterscape.kernels.flow_lines import Faces, Stencil

Array = NDArray[np.float64]

HORIZONTAL = 0.857
"""Variance of each horizontal component of velocity over k: standard deviations of 2.4, 1.9 and
1.25 friction velocities (Panofsky and Dutton 1984, status M)."""

STEADY_DRAG = 2.5
"""Drag of a belt above which the iteration is damped more."""


class Layer(NamedTuple):
    """A rectangle of plants with even drag.

    Parameters
    ----------
    start_h, end_h : float
        Windward and leeward face, H.
    low_h, high_h : float
        Lowest and highest point above ground, H.
    drag : float
        Drag coefficient times leaf area density, integrated from face to face: the loss of pressure
        over air density times speed squared.
    """

    start_h: float
    end_h: float
    low_h: float
    high_h: float
    drag: float


class Domain(NamedTuple):
    """Extent of a section, and how fine its cells are.

    Parameters
    ----------
    upwind_h, leeward_h, top_h : float
        Windward and leeward of the plants, and height, H.
    refine : float
        Number by which sizes of cells are divided.
    """

    upwind_h: float = 30.0
    leeward_h: float = 50.0
    top_h: float = 40.0
    refine: float = 1.0


@dataclass(frozen=True)
class SectionWind:
    """Wind on a section.

    Parameters
    ----------
    x_faces, z_faces : (nx + 1,), (nz + 1,) float64
        Faces of cells, H; x is 0 where the first belt begins, and z at the ground.
    mesh : Mesh
    air : Air
    iterations : int
    """

    x_faces: Array
    z_faces: Array
    mesh: Mesh
    air: Air
    iterations: int

    def relative_wind(self, distance_h: ArrayLike, height_h: float) -> Array:
        """Wind speed divided by that of the open wind at the same height.

        Parameters
        ----------
        distance_h : array_like
            x, H.
        height_h : float
            Height above ground, H; below the centre of the lowest cell, the value there.

        Returns
        -------
        ndarray
            Ratio of mean horizontal speeds, as a cup anemometer reads them, gusts included.

        References
        ----------
        Mean of a vector with normal errors: Rice 1945, Bell System Technical Journal 24:46-156
        (status M).
        """
        zc = self.mesh.zc
        low = int(np.clip(np.searchsorted(zc, height_h) - 1, 0, len(zc) - 2))
        k = self.air.k[:, low : low + 2]
        at_faces = np.vstack([k[:1], 0.5 * (k[1:] + k[:-1]), k[-1:]])
        speed = _mean_speed(self.air.u[:, low : low + 2], np.sqrt(HORIZONTAL * at_faces))
        ratio = speed / speed[0]
        share = math.log(max(height_h, zc[low]) / zc[low]) / math.log(zc[low + 1] / zc[low])
        wind: Array = np.interp(
            np.asarray(distance_h, dtype=float),
            self.x_faces,
            (1.0 - share) * ratio[:, 0] + share * ratio[:, 1],
        )
        return wind

    def mean_below(self, distance_h: float, height_h: float = 1.0) -> float:
        """Wind along x averaged from the ground to a height, divided by that of the open wind.

        Parameters
        ----------
        distance_h, height_h : float
            x and height, H.

        Returns
        -------
        float
        """
        depth = np.diff(np.minimum(self.z_faces, height_h))
        here = np.array([np.interp(distance_h, self.x_faces, column) for column in self.air.u.T])
        return float(here @ depth / (self.air.u[0] @ depth))


def _mean_speed(u: Array, sigma: Array) -> Array:
    """Mean length of a vector (u, 0) with normal errors of `sigma` in both directions."""
    h = 0.25 * (u / sigma) ** 2
    mean: Array = (
        sigma * math.sqrt(math.pi / 2.0) * ((1.0 + 2.0 * h) * ive(0, h) + 2.0 * h * ive(1, h))
    )
    return mean


def section_wind(
    layers: Sequence[Layer],
    h_over_z0: float,
    *,
    domain: Domain | None = None,
    tolerance: float = 3e-5,
    limit: int = 3000,
) -> SectionWind:
    """Wind on a section through plants, perpendicular to their rows.

    Parameters
    ----------
    layers : sequence of Layer
        At least one; the first begins farthest windward.
    h_over_z0 : float
        Height of the belt divided by the roughness length of the ground, at least 20.
    domain : Domain, optional
    tolerance : float
        See `kernels.cross_section.Steps`.
    limit : int
        Most iterations.

    Returns
    -------
    SectionWind

    Raises
    ------
    ArithmeticError
        When the wind has not converged.

    Notes
    -----
    Valid for neutral air, flat ground of one roughness, an endless belt of rigid plants, and wind
    perpendicular to it. A belt narrower than 0.1 H is given that width by its maker.

    References
    ----------
    Closure: Launder and Spalding 1974, Computer Methods in Applied Mechanics and Engineering
    3:269-289, standard constants (status M); no source of turbulence by plants, because terms made
    for deep woods raise turbulence behind a belt where measurements find it lowered (E).
    """
    extent = domain or Domain()
    z0 = 1.0 / h_over_z0
    spans = sorted({(layer.start_h, layer.end_h) for layer in layers})
    x_faces, z_faces = _x_faces(spans, extent), _z_faces(extent, z0)
    mesh = _mesh(x_faces, z_faces, z0, layers)
    air = _open_wind(mesh)
    dense = max(layer.drag for layer in layers) > STEADY_DRAG
    steps = Steps(limit, tolerance, 0.75 if dense else 0.92, 0.6)
    scale = math.log(h_over_z0) / KAPPA
    count, change, missing = settle(mesh, air, _work(air.p.shape), steps, scale)
    if not (change < tolerance and missing < 100.0 * tolerance):
        raise ArithmeticError(
            f"the wind on a section has not converged after {count} iterations: "
            f"change {change:.1e}, error of mass {missing:.1e}"
        )
    return SectionWind(x_faces, z_faces, mesh, air, count)


def _x_faces(spans: Sequence[tuple[float, float]], domain: Domain) -> Array:
    """Faces along the wind: 0.1 H near belts, growing away from them."""
    fine, growth = 0.1 / domain.refine, 1.09 ** (1.0 / domain.refine)
    x = [spans[0][0] - 0.5]
    while x[-1] < spans[-1][1] + domain.leeward_h:
        apart = min(max(low - 0.5 - x[-1], x[-1] - high - 1.0, 0.0) for low, high in spans)
        x.append(x[-1] + min(fine + (growth - 1.0) * apart, 1.5 / domain.refine))
    before, step = [x[0]], fine
    while x[0] - before[-1] < domain.upwind_h:
        step = min(step * growth, 2.0 / domain.refine)
        before.append(before[-1] - step)
    return np.array(before[:0:-1] + x)


def _z_faces(domain: Domain, z0: float) -> Array:
    """Faces upward, fine below 1.3 H; the lowest cell is at least 6 roughness lengths deep, so that
    the log law holds at its centre."""
    low = max(0.04 / domain.refine, 6.0 * z0)
    z = [0.0, low]
    while z[-1] < domain.top_h:
        beyond = max(z[-1] - 1.3, 0.0)
        step = 0.09 / domain.refine + (1.16 ** (1.0 / domain.refine) - 1.0) * beyond
        z.append(z[-1] + max(min(0.04 / domain.refine + 0.12 * z[-1], step), low))
    return np.array(z)


def _mesh(x_faces: Array, z_faces: Array, z0: float, layers: Sequence[Layer]) -> Mesh:
    dx, dz = np.diff(x_faces), np.diff(z_faces)
    xc, zc = 0.5 * (x_faces[1:] + x_faces[:-1]), 0.5 * (z_faces[1:] + z_faces[:-1])
    drag = np.zeros((len(dx), len(dz)))
    for layer in layers:
        wide = _overlap(x_faces, layer.start_h, layer.end_h) / (layer.end_h - layer.start_h)
        high = _overlap(z_faces, layer.low_h, layer.high_h)
        drag += layer.drag * (wide / dx)[:, None] * (high / dz)
    # What the open wind lacks in dissipation on this mesh.
    open_e = 1.0 / (KAPPA * zc)
    mixed = np.zeros(len(z_faces))
    mixed[1:-1] = np.diff(open_e) / np.diff(np.log(zc)) * KAPPA / SIGMA_E
    balance = -np.diff(mixed) / dz - open_e**2 * math.sqrt(C_MU) * (C_1 - C_2)
    return Mesh(dx, dz, xc, zc, z0, drag, balance)


def _overlap(faces: Array, low: float, high: float) -> Array:
    """Length that each cell has in common with an interval."""
    shared: Array = np.maximum(np.minimum(faces[1:], high) - np.maximum(faces[:-1], low), 0.0)
    return shared


def _open_wind(mesh: Mesh) -> Air:
    nx, nz = mesh.drag.shape
    return Air(
        np.tile(np.log(mesh.zc / mesh.z0) / KAPPA, (nx + 1, 1)),
        np.zeros((nx, nz + 1)),
        np.zeros((nx, nz)),
        np.full((nx, nz), 1.0 / math.sqrt(C_MU)),
        np.tile(1.0 / (KAPPA * mesh.zc), (nx, 1)),
    )


def _work(shape: tuple[int, ...]) -> Work:
    nx, nz = shape
    around = (nx + 1, nz + 1)
    return Work(
        np.zeros((nx, nz)),
        np.zeros((nx, nz + 1)),
        np.zeros((nx, nz)),
        np.zeros((nx + 1, nz)),
        np.zeros((nx, nz + 1)),
        np.zeros((nx, nz)),
        np.zeros(nx + nz),
        np.zeros(nx + nz),
        Faces(*(np.zeros(around) for _ in Faces._fields)),
        Stencil(*(np.zeros(around) for _ in Stencil._fields)),
    )
