r"""Steady neutral wind through belts, on a vertical section along the wind: the iteration.

Lengths are in belt heights, speeds in friction velocities of the open wind; pressure is divided by
air density. Velocities are on the faces of cells, all else at their centres::

               w[i, j+1]
              +----^----+
      u[i,j]  >  p,k,e  >  u[i+1,j]       i counts downwind, j upward
              +----^----+
                w[i, j]

Mass and momentum with the drag of plants, and the k-epsilon closure without plant terms
(`science.cross_section` has equations and sources). No run uses this module: it makes the packaged
table of `science.near_ground`, and takes half a minute to compile.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel
from shelterscape.kernels.flow_lines import Faces, Stencil, solve_column, solve_pressure, transport

Array = NDArray[np.float64]

KAPPA, C_1, C_2, C_MU, SIGMA_K = 0.40, 1.44, 1.92, 0.09, 1.0
SIGMA_E = KAPPA**2 / (math.sqrt(C_MU) * (C_2 - C_1))
"""Constants of the closure: the standard set, with the diffusion of epsilon that the log law
demands (identity, status D)."""

MOST_PRODUCTION, MOST_LENGTH = 10.0, 2.0
"""Bounds that keep the first iterations stable: production of turbulence over its dissipation, and
turbulent length over that of the log law."""

SMALLEST = 1e-4
PRESSURE_CYCLES = 3
FIRST_CHECK = 20


class Mesh(NamedTuple):
    """Cells of a section and the drag in them.

    Parameters
    ----------
    dx, dz : (nx,), (nz,) float64
        Sizes of cells.
    xc, zc : (nx,), (nz,) float64
        Their centres.
    z0 : float
        Roughness length.
    drag : (nx, nz) float64
        Drag coefficient times leaf area density.
    balance : (nz,) float64
        Source of dissipation, per height of cell, that keeps the log law exactly on this mesh.
    """

    dx: Array
    dz: Array
    xc: Array
    zc: Array
    z0: float
    drag: Array
    balance: Array


class Air(NamedTuple):
    """State of the air: u (nx + 1, nz), w (nx, nz + 1), and p, k, e (nx, nz)."""

    u: Array
    w: Array
    p: Array
    k: Array
    e: Array


class Work(NamedTuple):
    """Working memory of the iteration.

    Parameters
    ----------
    nu, nu_z : (nx, nz), (nx, nz + 1) float64
        Eddy viscosity at centres and on horizontal faces.
    production : (nx, nz) float64
    give_u, give_w : (nx + 1, nz), (nx, nz + 1) float64
        Change of velocity by a difference of pressure.
    q : (nx, nz) float64
        Correction of pressure.
    carry, value : float64 array
    faces : Faces
    stencil : Stencil
    """

    nu: Array
    nu_z: Array
    production: Array
    give_u: Array
    give_w: Array
    q: Array
    carry: Array
    value: Array
    faces: Faces
    stencil: Stencil


class Steps(NamedTuple):
    """How the iteration proceeds.

    Parameters
    ----------
    limit : int
        Most iterations.
    tolerance : float
        Largest change of u in an iteration, over the open wind at height 1.
    relax, relax_k : float
        Under-relaxation of velocities and of turbulence, 0 to 1.
    """

    limit: int
    tolerance: float
    relax: float
    relax_k: float


@kernel
def _find_viscosity(mesh, air, work):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    for i in range(nx):
        for j in range(nz):
            work.nu[i, j] = C_MU * air.k[i, j] ** 2 / air.e[i, j]
        for j in range(1, nz):
            # The logarithmic mean keeps the log law exact on any mesh.
            low, high = work.nu[i, j - 1], work.nu[i, j]
            close = abs(high / low - 1.0) < 1e-3
            work.nu_z[i, j] = 0.5 * (low + high) if close else (high - low) / math.log(high / low)


@kernel
def _wall_factor(mesh):  # type: ignore[no-untyped-def]
    """Stress at the ground over sqrt(k) u in the lowest cell, by the log law."""
    return KAPPA * C_MU**0.25 / math.log(mesh.zc[0] / mesh.z0)


@kernel
def _faces_of_u(mesh, air, work):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    faces = work.faces
    for i in range(1, nx + 1):
        for j in range(nz):
            faces.along[i, j] = 0.5 * (air.u[i - 1, j] + air.u[i, j]) * mesh.dz[j]
            faces.mix_x[i, j] = 2.0 * work.nu[i - 1, j] * mesh.dz[j] / mesh.dx[i - 1]
    for j in range(1, nz):
        apart = mesh.zc[j] - mesh.zc[j - 1]
        for end in (0, nx):
            faces.up[end, j] = faces.mix_z[end, j] = 0.0
        for i in range(1, nx):
            before, after = mesh.dx[i - 1], mesh.dx[i]
            faces.up[i, j] = 0.5 * (air.w[i - 1, j] * before + air.w[i, j] * after)
            mixed = work.nu_z[i - 1, j] * before + work.nu_z[i, j] * after
            faces.mix_z[i, j] = 0.5 * mixed / apart


@kernel
def _slope_stress(air, work, i, j):  # type: ignore[no-untyped-def]
    """Stress nu dw/dx times width, on the horizontal face below cell j of u."""
    mixed = 0.5 * (work.nu_z[i - 1, j] + work.nu_z[i, j])
    return mixed * (air.w[i, j] - air.w[i - 1, j])


@kernel
def _equation_of_u(mesh, air, work, wall, relax, i, j):  # type: ignore[no-untyped-def]
    """Complete the equation of u[i, j]: pressure, drag, ground, lid, under-relaxation."""
    s, u, w = work.stencil, air.u, air.w
    nz = air.p.shape[1]
    width = mesh.xc[i] - mesh.xc[i - 1]
    near = s.west[i, j] + s.east[i, j] + s.below[i, j] + s.above[i, j]
    across = 0.25 * (w[i - 1, j] + w[i, j] + w[i - 1, j + 1] + w[i, j + 1])
    plants = mesh.drag[i - 1, j] * mesh.dx[i - 1] + mesh.drag[i, j] * mesh.dx[i]
    sink = 0.5 * plants * mesh.dz[j] * math.hypot(u[i, j], across)
    gain = (air.p[i - 1, j] - air.p[i, j]) * mesh.dz[j]
    if j == 0:
        sink += wall * math.sqrt(0.5 * (air.k[i - 1, 0] + air.k[i, 0])) * width
    else:
        gain -= _slope_stress(air, work, i, j)
    # The stress of the open wind, 1, acts on the lid.
    gain += width if j == nz - 1 else _slope_stress(air, work, i, j + 1)
    own = (near + sink) / relax
    s.own[i, j] = own
    s.source[i, j] += gain + (own - near - sink) * u[i, j]
    work.give_u[i, j] = mesh.dz[j] / (own - near)


@kernel
def _solve_u(mesh, air, work, relax):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    wall, u = _wall_factor(mesh), air.u
    _faces_of_u(mesh, air, work)
    transport(u, work.faces, work.stencil)
    for i in range(1, nx):
        for j in range(nz):
            _equation_of_u(mesh, air, work, wall, relax, i, j)
    for i in range(1, nx):
        solve_column(i, work.stencil, u, 0, nz, work.carry, work.value)
    for i in range(nx - 2, 0, -1):
        solve_column(i, work.stencil, u, 0, nz, work.carry, work.value)
    outflow, inflow = 0.0, 0.0
    for j in range(nz):
        outflow += u[nx - 1, j] * mesh.dz[j]
        inflow += u[0, j] * mesh.dz[j]
        work.give_u[nx, j] = work.give_u[nx - 1, j]
    for j in range(nz):
        u[nx, j] = u[nx - 1, j] * inflow / outflow


@kernel
def _faces_of_w(mesh, air, work):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    faces = work.faces
    for i in range(1, nx):
        apart = mesh.xc[i] - mesh.xc[i - 1]
        faces.along[i, 0] = faces.mix_x[i, 0] = 0.0
        faces.along[i, nz] = faces.mix_x[i, nz] = 0.0
        for j in range(1, nz):
            low, high = air.u[i, j - 1] * mesh.dz[j - 1], air.u[i, j] * mesh.dz[j]
            faces.along[i, j] = 0.5 * (low + high)
            mixed = 0.5 * (work.nu_z[i - 1, j] + work.nu_z[i, j])
            faces.mix_x[i, j] = mixed * (mesh.zc[j] - mesh.zc[j - 1]) / apart
    for i in range(nx):
        for j in range(1, nz + 1):
            faces.up[i, j] = 0.5 * (air.w[i, j - 1] + air.w[i, j]) * mesh.dx[i]
            faces.mix_z[i, j] = 2.0 * work.nu[i, j - 1] * mesh.dx[i] / mesh.dz[j - 1]


@kernel
def _equation_of_w(mesh, air, work, relax, i, j):  # type: ignore[no-untyped-def]
    """Complete the equation of w[i, j]: pressure, drag, shear, under-relaxation."""
    s, u, w = work.stencil, air.u, air.w
    near = s.west[i, j] + s.east[i, j] + s.below[i, j] + s.above[i, j]
    across = 0.25 * (u[i, j] + u[i + 1, j] + u[i, j - 1] + u[i + 1, j - 1])
    plants = mesh.drag[i, j - 1] * mesh.dz[j - 1] + mesh.drag[i, j] * mesh.dz[j]
    sink = 0.5 * plants * mesh.dx[i] * math.hypot(w[i, j], across)
    gain = (air.p[i, j - 1] - air.p[i, j]) * mesh.dx[i]
    if i < air.p.shape[0] - 1:  # the shear of the open wind cancels; only its change acts
        mixed = 0.5 * (work.nu_z[i, j] + work.nu_z[i + 1, j])
        gain += mixed * (u[i + 1, j] - u[i + 1, j - 1])
        mixed = 0.5 * (work.nu_z[i - 1, j] + work.nu_z[i, j])
        gain -= mixed * (u[i, j] - u[i, j - 1])
    own = (near + sink) / relax
    s.own[i, j] = own
    s.source[i, j] += gain + (own - near - sink) * w[i, j]
    work.give_w[i, j] = mesh.dx[i] / (own - near)


@kernel
def _solve_w(mesh, air, work, relax):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    _faces_of_w(mesh, air, work)
    transport(air.w, work.faces, work.stencil)
    for i in range(1, nx):
        for j in range(1, nz):
            _equation_of_w(mesh, air, work, relax, i, j)
    for i in range(1, nx):
        solve_column(i, work.stencil, air.w, 1, nz, work.carry, work.value)


@kernel
def _correct_pressure(mesh, air, work):  # type: ignore[no-untyped-def]
    """Restore the balance of mass; return the sum of its errors before."""
    nx, nz = air.p.shape
    s, u, w, q = work.stencil, air.u, air.w, work.q
    missing = 0.0
    for i in range(nx):
        for j in range(nz):
            s.west[i, j] = work.give_u[i, j] * mesh.dz[j] if i > 0 else 0.0
            s.east[i, j] = work.give_u[i + 1, j] * mesh.dz[j]
            s.below[i, j] = work.give_w[i, j] * mesh.dx[i] if j > 0 else 0.0
            s.above[i, j] = work.give_w[i, j + 1] * mesh.dx[i] if j < nz - 1 else 0.0
            s.own[i, j] = s.west[i, j] + s.east[i, j] + s.below[i, j] + s.above[i, j]
            along = (u[i, j] - u[i + 1, j]) * mesh.dz[j]
            s.source[i, j] = along + (w[i, j] - w[i, j + 1]) * mesh.dx[i]
            missing += abs(s.source[i, j])
    solve_pressure(s, q, PRESSURE_CYCLES, work.carry, work.value)
    for i in range(nx):
        for j in range(nz):
            air.p[i, j] += q[i, j]
            if i > 0:
                u[i, j] += work.give_u[i, j] * (q[i - 1, j] - q[i, j])
            if j > 0:
                w[i, j] += work.give_w[i, j] * (q[i, j - 1] - q[i, j])
    for j in range(nz):  # beyond the outlet the correction is 0
        u[nx, j] += work.give_u[nx, j] * q[nx - 1, j]
    return missing


@kernel
def _find_production(mesh, air, work):  # type: ignore[no-untyped-def]
    """Turbulence made by shear, at most 10 times what dissipates."""
    nx, nz = air.p.shape
    u, w = air.u, air.w
    wall = _wall_factor(mesh)
    for i in range(1, nx):
        after = min(i + 1, nx - 1)
        below = wall * math.sqrt(air.k[i, 0]) * 0.5 * (u[i, 0] + u[i + 1, 0])
        for j in range(nz):
            above = 1.0
            if j < nz - 1:
                rise = 0.5 * (u[i, j + 1] + u[i + 1, j + 1] - u[i, j] - u[i + 1, j])
                above = work.nu_z[i, j + 1] * rise / (mesh.zc[j + 1] - mesh.zc[j])
            turn = 0.5 * (w[after, j] + w[after, j + 1] - w[i - 1, j] - w[i - 1, j + 1])
            nu = work.nu[i, j]
            stress = 0.5 * (below + above) + nu * turn / (mesh.xc[after] - mesh.xc[i - 1])
            stretch = ((u[i + 1, j] - u[i, j]) / mesh.dx[i]) ** 2
            stretch += ((w[i, j + 1] - w[i, j]) / mesh.dz[j]) ** 2
            made = stress**2 / nu + 2.0 * nu * stretch
            work.production[i, j] = min(made, MOST_PRODUCTION * air.e[i, j])
            below = above


@kernel
def _faces_of_turbulence(mesh, air, work, sigma):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    faces = work.faces
    for i in range(1, nx):
        apart = sigma * (mesh.xc[i] - mesh.xc[i - 1])
        for j in range(nz):
            faces.along[i, j] = air.u[i, j] * mesh.dz[j]
            mixed = 0.5 * (work.nu[i - 1, j] + work.nu[i, j])
            faces.mix_x[i, j] = mixed * mesh.dz[j] / apart
    for i in range(nx):
        for j in range(1, nz):
            faces.up[i, j] = air.w[i, j] * mesh.dx[i]
            apart = sigma * (mesh.zc[j] - mesh.zc[j - 1])
            faces.mix_z[i, j] = work.nu_z[i, j] * mesh.dx[i] / apart


@kernel
def _complete(mesh, stencil, q, plus, minus, relax, i, j):  # type: ignore[no-untyped-def]
    """Add a source and a sink, both per volume, and under-relaxation."""
    s, cell = stencil, mesh.dx[i] * mesh.dz[j]
    kept = s.west[i, j] + s.east[i, j] + s.below[i, j] + s.above[i, j] + minus * cell
    s.own[i, j] = kept / relax
    s.source[i, j] += plus * cell + (s.own[i, j] - kept) * q[i, j]


@kernel
def _hold(stencil, i, j, value):  # type: ignore[no-untyped-def]
    """Make the equation of one cell state its value."""
    s = stencil
    s.west[i, j] = s.east[i, j] = s.below[i, j] = s.above[i, j] = 0.0
    s.own[i, j], s.source[i, j] = 1.0, value


@kernel
def _solve_k(mesh, air, work, relax):  # type: ignore[no-untyped-def]
    nx, nz = air.p.shape
    _faces_of_turbulence(mesh, air, work, SIGMA_K)
    transport(air.k, work.faces, work.stencil)
    for i in range(1, nx):
        for j in range(nz):
            rate = air.e[i, j] / air.k[i, j]
            _complete(mesh, work.stencil, air.k, work.production[i, j], rate, relax, i, j)
    for i in range(1, nx):
        solve_column(i, work.stencil, air.k, 0, nz, work.carry, work.value)
    for i in range(1, nx):
        for j in range(nz):
            air.k[i, j] = max(air.k[i, j], SMALLEST)


@kernel
def _solve_e(mesh, air, work, relax):  # type: ignore[no-untyped-def]
    """Dissipation; the lowest and highest cells have that of the log law."""
    nx, nz = air.p.shape
    _faces_of_turbulence(mesh, air, work, SIGMA_E)
    transport(air.e, work.faces, work.stencil)
    for i in range(1, nx):
        for j in range(1, nz - 1):
            rate = air.e[i, j] / air.k[i, j]
            plus = rate * C_1 * work.production[i, j] + mesh.balance[j]
            _complete(mesh, work.stencil, air.e, plus, C_2 * rate, relax, i, j)
        at_ground = C_MU**0.75 * air.k[i, 0] ** 1.5 / (KAPPA * mesh.zc[0])
        _hold(work.stencil, i, 0, at_ground)
        _hold(work.stencil, i, nz - 1, 1.0 / (KAPPA * mesh.zc[nz - 1]))
    for i in range(1, nx):
        solve_column(i, work.stencil, air.e, 0, nz, work.carry, work.value)
    for i in range(1, nx):
        for j in range(nz):
            longest = MOST_LENGTH * KAPPA * mesh.zc[j]
            least = max(SMALLEST, C_MU**0.75 * air.k[i, j] ** 1.5 / longest)
            air.e[i, j] = max(air.e[i, j], least)


@kernel(error_model="numpy")
def settle(mesh, air, work, steps, scale):  # type: ignore[no-untyped-def]
    """Iterate until the wind no longer changes.

    Parameters
    ----------
    mesh : Mesh
    air : Air
        First guess; changed in place. The first column stays as it is: the inflow.
    work : Work
    steps : Steps
    scale : float
        Open wind at height 1.

    Returns
    -------
    iterations : int
    change, missing : float
        In the last iteration: largest change of u, and sum of the errors of mass, over `scale`.
        The wind has converged when the change is below the tolerance and the other below 100 times
        the tolerance.

    References
    ----------
    Van Doormaal and Raithby 1984, Numerical Heat Transfer 7:147-163, SIMPLEC (status M).
    """
    nx, nz = air.p.shape
    old = air.u.copy()
    change, missing = np.inf, np.inf
    for count in range(1, steps.limit + 1):
        _find_viscosity(mesh, air, work)
        _solve_u(mesh, air, work, steps.relax)
        _solve_w(mesh, air, work, steps.relax)
        missing = _correct_pressure(mesh, air, work) / scale
        _find_production(mesh, air, work)
        _solve_k(mesh, air, work, steps.relax_k)
        _solve_e(mesh, air, work, steps.relax_k)
        change = 0.0
        for i in range(nx + 1):
            for j in range(nz):
                change = max(change, abs(air.u[i, j] - old[i, j]))
                old[i, j] = air.u[i, j]
        change /= scale
        settled = change < steps.tolerance and missing < 100.0 * steps.tolerance
        if not np.isfinite(missing) or (count > FIRST_CHECK and settled):
            return count, change, missing
    return steps.limit, change, missing
