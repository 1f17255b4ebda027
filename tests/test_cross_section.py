"""Wind on a section through belts: laws of the flow, and how little its mesh decides."""

from __future__ import annotations

import numpy as np
import pytest

from shelterscape.kernels.cross_section import C_MU, KAPPA
from shelterscape.science.cross_section import Domain, Layer, section_wind

pytestmark = pytest.mark.slow

X = np.arange(-5.0, 40.0, 0.25)


def belt(drag, *, hz=300.0, tolerance=1e-5, **domain):
    return section_wind(
        [Layer(0, 0.3, 0, 1, drag)], hz, domain=Domain(**domain), tolerance=tolerance
    )


def lee(found, z=0.25):
    return found.relative_wind(np.where(X > 0, X + 0.3, X), z)


@pytest.mark.parametrize("hz", [30.0, 300.0, 3000.0])
def test_open_wind_stays_the_log_law(hz):
    found = belt(0.0, hz=hz)
    expected = np.log(found.mesh.zc * hz) / 0.4  # in friction velocities
    assert found.air.u == pytest.approx(np.tile(expected, (len(found.air.u), 1)), rel=1e-4)
    assert found.air.w == pytest.approx(0.0, abs=1e-3)
    assert lee(found) == pytest.approx(1.0, abs=1e-4)


def test_momentum_lost_by_the_air_is_the_drag_of_the_belt():
    """Over the whole section: flux and pressure in and out, lid and ground, against the plants."""
    found = belt(2.0, tolerance=1e-6)
    u, w, p, k, _ = found.air
    dx, dz = np.diff(found.x_faces), np.diff(found.z_faces)

    def flux(i):
        return ((0.5 * (u[i] + u[i + 1])) ** 2 + p[i]) @ dz

    first, last = 1, len(dx) - 1
    widths = 0.5 * (dx[:-1] + dx[1:])  # around faces 1 to last
    root = np.sqrt(0.5 * (k[:-1, 0] + k[1:, 0]))  # at the same faces
    wall = KAPPA * C_MU**0.25 / np.log(0.5 * found.z_faces[1] / found.mesh.z0)
    ground = wall * (root * u[1:-1, 0] * widths)[first : last - 1].sum()
    lid = widths[first : last - 1].sum()
    plants = found.mesh.drag * dx[:, None] * dz
    across = 0.25 * (w[:-1, :-1] + w[1:, :-1] + w[:-1, 1:] + w[1:, 1:])
    speed = np.hypot(u[1:-1], across)
    force = (0.5 * (plants[:-1] + plants[1:]) * speed * u[1:-1])[first : last - 1].sum()
    assert plants.sum() == pytest.approx(2.0)
    assert flux(first) - flux(last - 1) + lid - ground == pytest.approx(force, rel=0.01)


@pytest.mark.parametrize(
    "drag, refine, most", [(0.5, 0.5, 0.02), (2.0, 2.0, 0.015), (8.0, 0.5, 0.03)]
)
def test_half_or_twice_the_step_gives_the_same_wind(drag, refine, most):
    changed = belt(drag, refine=refine, tolerance=3e-5)
    assert lee(changed) == pytest.approx(lee(belt(drag)), abs=most)


@pytest.mark.parametrize("larger", [{"upwind_h": 60}, {"leeward_h": 100}, {"top_h": 80}])
def test_a_larger_domain_gives_the_same_wind(larger):
    assert lee(belt(2.0, **larger)) == pytest.approx(lee(belt(2.0)), abs=0.01)


def test_wind_that_has_not_converged_is_refused():
    with pytest.raises(ArithmeticError, match="not converged after 40 iterations"):
        section_wind([Layer(0, 0.3, 0, 1, 2.0)], 300.0, limit=40)


def test_more_drag_gives_a_calmer_lee_and_stems_a_windier_ground():
    drags = [float(lee(belt(drag, tolerance=3e-5)).min()) for drag in (0.2, 1.0, 5.0)]
    assert drags == sorted(drags, reverse=True)
    stems = section_wind([Layer(0, 0.3, 0, 0.3, 0.1), Layer(0, 0.3, 0.3, 1, 4.0)], 300.0)
    even = belt(4.0)
    near = np.array([1.3, 2.3])
    assert (stems.relative_wind(near, 0.1) > even.relative_wind(near, 0.1) + 0.2).all()


def test_later_fences_of_a_row_add_nothing():
    """McAneney and Judd 1991 (seen): behind 15 fences 6 H apart, wind near the ground rises slowly
    down the row."""
    fences = [Layer(6 * i, 6 * i + 0.1, 0, 1, 1.0) for i in range(5)]
    found = section_wind(fences, 300.0, domain=Domain(15, 15, 40, 0.7))
    between = [
        found.relative_wind(np.arange(6 * i + 0.2, 6 * i + 6, 0.2), 0.25).mean() for i in range(4)
    ]
    assert min(between) < between[0]
    assert min(between) < between[3] < between[0]


def test_what_the_flow_says_of_woods_and_of_lower_halves():
    """The numbers that docs/shelter_curves.md states."""

    def back(width_h, drag):
        found = section_wind([Layer(0, width_h, 0, 1, drag)], 450.0)
        x = np.arange(0, 40, 0.05)
        r = found.relative_wind(x + width_h, 0.12)
        return x[r.argmin() :][r[r.argmin() :] >= 0.7][0]

    assert [back(0.3, 2.0), back(10.0, 2.0)] == pytest.approx([10.7, 6.2], abs=0.2)
    at = np.array([2.0, 5.0, 8.0]) + 0.3
    halves = [Layer(0, 0.3, 0, 0.5, 0.3), Layer(0, 0.3, 0.5, 1, 3.0)]
    case, low, mean = (
        section_wind(layers, 450.0).relative_wind(at, 0.12)
        for layers in (halves, [Layer(0, 0.3, 0, 1, 0.3)], [Layer(0, 0.3, 0, 1, 1.65)])
    )
    assert (case - mean) / (low - mean) == pytest.approx([1.0, 0.5, 0.3], abs=0.08)
