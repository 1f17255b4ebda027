"""Coefficients of transport on a rectangular mesh, and solvers along its lines.

Each cell of a quantity q has the equation ``own q = west q_w + east q_e + below q_b + above q_a +
source``, where coefficients are flows through its faces. Used by `kernels.cross_section`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shelterscape.kernels.cache import kernel

Array = NDArray[np.float64]


class Stencil(NamedTuple):
    """Coefficients of the equations of one quantity; see the module.

    Parameters
    ----------
    west, east, below, above, own, source : (nx + 1, nz + 1) float64
        A quantity on fewer cells uses the first ones.
    """

    west: Array
    east: Array
    below: Array
    above: Array
    own: Array
    source: Array


class Faces(NamedTuple):
    """Flows through the faces between cells: face i, j is on the low side of cell i, j.

    Parameters
    ----------
    along, up : (nx + 1, nz + 1) float64
        Volume of air per time along x and z.
    mix_x, mix_z : (nx + 1, nz + 1) float64
        Conductance of turbulence along x and z.
    """

    along: Array
    up: Array
    mix_x: Array
    mix_z: Array


@kernel
def _limited(flow, upwind, near, downwind):  # type: ignore[no-untyped-def]
    """Flow of what the limiter of van Leer adds to upwind values."""
    one, two = near - upwind, downwind - near
    return flow * one * two / (one + two) if one * two > 0.0 else 0.0


@kernel
def transport(q, faces, stencil):  # type: ignore[no-untyped-def]
    """Fill all but `own` for convection and mixing of `q`: upwind, corrected in the source.

    Parameters
    ----------
    q : (n, m) float64
        The quantity, as it is.
    faces : Faces
    stencil : Stencil
        Changed in place.

    Notes
    -----
    Convection is of second order: upwind values are corrected by the limiter of van Leer 1974,
    Journal of Computational Physics 14:361-370 (status M).
    """
    n, m = q.shape
    west, east, below, above, _, source = stencil
    for i in range(n):
        for j in range(m):
            west[i, j] = east[i, j] = below[i, j] = above[i, j] = source[i, j] = 0.0
    for i in range(1, n):
        for j in range(m):
            flow, mix = faces.along[i, j], faces.mix_x[i, j]
            east[i - 1, j], west[i, j] = mix + max(-flow, 0.0), mix + max(flow, 0.0)
            if flow > 0.0:
                more = _limited(flow, q[max(i - 2, 0), j], q[i - 1, j], q[i, j])
            else:
                more = _limited(flow, q[min(i + 1, n - 1), j], q[i, j], q[i - 1, j])
            source[i - 1, j] -= more
            source[i, j] += more
    for i in range(n):
        for j in range(1, m):
            flow, mix = faces.up[i, j], faces.mix_z[i, j]
            above[i, j - 1], below[i, j] = mix + max(-flow, 0.0), mix + max(flow, 0.0)
            if flow > 0.0:
                more = _limited(flow, q[i, max(j - 2, 0)], q[i, j - 1], q[i, j])
            else:
                more = _limited(flow, q[i, min(j + 1, m - 1)], q[i, j], q[i, j - 1])
            source[i, j - 1] -= more
            source[i, j] += more


@kernel
def solve_column(i, stencil, q, first, last, carry, value):  # type: ignore[no-untyped-def]
    """Solve cells `first` to `last` − 1 of column `i` exactly, with its neighbours as they are.

    Parameters
    ----------
    i : int
    stencil : Stencil
    q : (n, m) float64
        Changed in place.
    first, last : int
    carry, value : (m,) float64
        Working memory.
    """
    n, m = q.shape
    west, east, below, above, own, source = stencil
    for j in range(first, last):
        right, pivot = source[i, j], own[i, j]
        if i > 0:
            right += west[i, j] * q[i - 1, j]
        if i < n - 1:
            right += east[i, j] * q[i + 1, j]
        if j > first:
            right += below[i, j] * value[j - 1]
            pivot -= below[i, j] * carry[j - 1]
        elif j > 0:
            right += below[i, j] * q[i, j - 1]
        if j == last - 1 and last < m:
            right += above[i, j] * q[i, last]
        carry[j], value[j] = above[i, j] / pivot, right / pivot
    q[i, last - 1] = value[last - 1]
    for j in range(last - 2, first - 1, -1):
        q[i, j] = value[j] + carry[j] * q[i, j + 1]


@kernel
def _solve_row(j, stencil, q, carry, value):  # type: ignore[no-untyped-def]
    """The same for a row."""
    n, m = q.shape
    west, east, below, above, own, source = stencil
    for i in range(n):
        right, pivot = source[i, j], own[i, j]
        if j > 0:
            right += below[i, j] * q[i, j - 1]
        if j < m - 1:
            right += above[i, j] * q[i, j + 1]
        if i > 0:
            right += west[i, j] * value[i - 1]
            pivot -= west[i, j] * carry[i - 1]
        carry[i], value[i] = east[i, j] / pivot, right / pivot
    q[n - 1, j] = value[n - 1]
    for i in range(n - 2, -1, -1):
        q[i, j] = value[i] + carry[i] * q[i + 1, j]


@kernel
def _move_columns(stencil, q, carry, value):  # type: ignore[no-untyped-def]
    """Add one number to each column, so that the equations of every column hold in sum."""
    n, m = q.shape
    west, east, below, above, own, source = stencil
    for i in range(n):
        right, pivot, from_west, from_east = 0.0, 0.0, 0.0, 0.0
        for j in range(m):
            left = source[i, j] - own[i, j] * q[i, j]
            if i > 0:
                left += west[i, j] * q[i - 1, j]
                from_west += west[i, j]
            if i < n - 1:
                left += east[i, j] * q[i + 1, j]
                from_east += east[i, j]
            if j > 0:
                left += below[i, j] * q[i, j - 1]
            if j < m - 1:
                left += above[i, j] * q[i, j + 1]
            right += left
            pivot += own[i, j] - below[i, j] - above[i, j]
        if i > 0:
            pivot -= from_west * carry[i - 1]
            right += from_west * value[i - 1]
        carry[i], value[i] = from_east / pivot, right / pivot
    move = 0.0
    for i in range(n - 1, -1, -1):
        move = value[i] + carry[i] * move
        for j in range(m):
            q[i, j] += move


@kernel
def solve_pressure(stencil, q, cycles, carry, value):  # type: ignore[no-untyped-def]
    """Approximate solution of an equation of pressure.

    Parameters
    ----------
    stencil : Stencil
        ``above`` is 0 in the highest row, ``below`` in the lowest.
    q : (n, m) float64
        Overwritten.
    cycles : int
        Each: whole columns, then every column, then every row from the lid down.
    carry, value : float64 array
        Working memory, as long as the longer side.
    """
    n, m = q.shape
    q[:] = 0.0
    for _ in range(cycles):
        _move_columns(stencil, q, carry, value)
        for i in range(n):
            solve_column(i, stencil, q, 0, m, carry, value)
        for j in range(m - 1, -1, -1):
            _solve_row(j, stencil, q, carry, value)
