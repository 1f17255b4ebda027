"""The accuracy set: how far the curves are from published wind beside belts."""

from __future__ import annotations

import re
from pathlib import Path

import accuracy
import pytest

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.science.scene import How

PAGE = Path(__file__).resolve().parents[1] / "docs" / "validation.md"

EVIDENCE = [
    ("Bird and others 2007", "porosity 0.16, where 80 % is back"),
    ("Bird and others 2007", "porosity 0.35, where 80 % is back"),
    ("Bird and others 2007", "porosity 0.53, where 80 % is back"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0, smallest wind from 2 to 6 H"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0.155, smallest wind from 2 to 6 H"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0.31, smallest wind from 2 to 6 H"),
]
"""Written out here too, so that no figure joins or leaves the evidence unseen."""


@pytest.mark.parametrize("name", CURVES)
def test_what_captions_say_of_the_error_is_what_the_set_gives(name):
    seen = [figure for figure in accuracy.figures(name) if figure.seen]
    _, rmse = accuracy.bias_and_rmse(seen)
    assert CURVES[name].rmse == pytest.approx(rmse, abs=0.005)


def test_the_default_curve_beside_the_aim():
    """Aim set beforehand: bias up to .05, RMSE up to .12; .08 to .12 is fair untuned (a model tuned
    to its site reached .04: He, Jones and Rayment 2017, seen). On evidence alone the bias misses
    it, mostly by dense belts that shelter less than the curve says (Loeffler and others, seen); a
    miss that becomes a hit must be taken off here."""
    found = accuracy.figures(accuracy.DEFAULT_CURVE)
    parts = {
        "all": found,
        "seen": [figure for figure in found if figure.seen],
        "evidence": [figure for figure in found if figure.evidence],
    }
    missed = set()
    for name, part in parts.items():
        bias, rmse = accuracy.bias_and_rmse(part)
        missed |= {(name, "bias")} if abs(bias) > 0.05 else set()
        missed |= {(name, "RMSE")} if rmse > 0.12 else set()
    assert missed == {("evidence", "bias")}


def test_the_set_is_whole():
    found = accuracy.figures("mid")
    assert len({(f.source, f.what) for f in found}) == len(found) == 53


def test_the_first_line_of_the_page_is_the_default_curve_on_evidence():
    """Worked out here from the errors themselves, on the figures named above."""
    default = How().curve
    assert default == accuracy.DEFAULT_CURVE
    errors = [
        figure.error
        for figure in accuracy.figures(default)
        for source, what in EVIDENCE
        if figure.source == source and figure.what.startswith(what)
    ]
    bias = sum(errors) / len(errors)
    rmse = (sum(e * e for e in errors) / len(errors)) ** 0.5
    first = PAGE.read_text(encoding="utf-8").split("\n\n")[2]
    assert f"default curve `{default}`: bias {bias:+.3f}, RMSE {rmse:.3f}" in first
    assert f"over {len(errors)} figures seen in their source" in first
    assert len(errors) == len(EVIDENCE)


def test_nothing_assumed_or_true_by_construction_is_evidence():
    """Every seen figure is evidence by name, or excluded with a kind and a reason."""
    for figure in accuracy.figures("mid"):
        named = any(figure.source == s and figure.what.startswith(w) for s, w in EVIDENCE)
        assert figure.evidence == named
        assert figure.evidence or not figure.seen or (figure.not_evidence and figure.reason)
        assert "assumed" not in figure.what or figure.not_evidence == "assumed"
    kinds = {f.not_evidence for f in accuracy.figures("mid") if f.seen and not f.evidence}
    assert kinds == {"assumed", "by construction", "used to draw the curve"}


@pytest.mark.parametrize("name", ["mid", "barrier", "field"])
def test_what_holds_by_construction_is_marked_so(name):
    """These curves have .80 at -1 H whatever the belt is: no figure there can show anything of
    them. At porosity .53 `field` is the barrier at .8035, just past .8, where it begins to open:
    .0035 of the rest of the way to 1."""
    marked = [f for f in accuracy.figures(name) if f.not_evidence == "by construction"]
    assert [f.ours for f in marked] == pytest.approx([0.8] * 3, abs=0.0036)


def test_each_exclusion_is_listed_on_the_page_with_its_reason():
    section = PAGE.read_text(encoding="utf-8").partition("### Not evidence, and why")[2]
    section = section.partition("\n## ")[0]
    listed = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|", section, re.MULTILINE)[2:]
    excluded = [f for f in accuracy.figures("mid") if f.seen and not f.evidence]
    assert listed == [(f"{f.not_evidence}: {f.reason}", f.source, f.what) for f in excluded]
