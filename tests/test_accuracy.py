"""The accuracy set: how far the curves are from published wind beside belts."""

from __future__ import annotations

import accuracy
import pytest

from shelterscape.kernels.shelter_curves import CURVES


@pytest.mark.parametrize("name", CURVES)
def test_what_captions_say_of_the_error_is_what_the_set_gives(name):
    seen = [figure for figure in accuracy.figures(name) if figure.status == "S"]
    _, rmse = accuracy.bias_and_rmse(seen)
    assert CURVES[name].rmse == pytest.approx(rmse, abs=0.005)


def test_the_default_curve_meets_the_aim():
    """Aim set beforehand: bias up to .05, RMSE up to .12; .08 to .12 is fair untuned (a model tuned
    to its site reached .04: He, Jones and Rayment 2017, seen)."""
    found = accuracy.figures("mid")
    for part in (found, [figure for figure in found if figure.status == "S"]):
        bias, rmse = accuracy.bias_and_rmse(part)
        assert abs(bias) <= 0.05
        assert rmse <= 0.12


def test_the_set_is_whole():
    found = accuracy.figures("mid")
    assert len({(f.source, f.what) for f in found}) == len(found) == 53
