"""The accuracy set: error of the shelter curves against published wind behind belts."""

from __future__ import annotations

import re
from pathlib import Path

import accuracy
import pytest

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.science.prepared_belts import ShelterOptions

PAGE = Path(__file__).resolve().parents[1] / "docs" / "validation.md"

EVIDENCE = [
    ("Bird and others 2007", "porosity 0.16, where 80 % is back"),
    ("Bird and others 2007", "porosity 0.35, where 80 % is back"),
    ("Bird and others 2007", "porosity 0.53, where 80 % is back"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0, smallest wind from 2 to 6 H"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0.155, smallest wind from 2 to 6 H"),
    ("Loeffler, Gordon and Gillespie 1992", "porosity 0.31, smallest wind from 2 to 6 H"),
]
"""Repeated here, so that no change of the evidence goes unnoticed."""


@pytest.mark.parametrize("name", CURVES)
def test_errors_in_captions_equal_those_of_the_set(name):
    seen = [figure for figure in accuracy.figures(name) if figure.seen]
    _, rmse = accuracy.bias_and_rmse(seen)
    assert CURVES[name].rmse == pytest.approx(rmse, abs=0.005)


def test_the_default_curve_against_the_target():
    """Target set beforehand: bias up to 0.05, RMSE up to 0.12; 0.08 to 0.12 is fair without tuning
    (a model tuned to its site reached 0.04: He, Jones and Rayment 2017, seen). On evidence alone
    the bias misses the target, mostly because dense belts shelter less than the curve (Loeffler and
    others, seen). Remove a miss from this list when it becomes a hit."""
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


def test_the_set_is_complete():
    found = accuracy.figures("mid")
    assert len({(f.source, f.what) for f in found}) == len(found) == 53


def test_the_page_states_the_error_of_the_default_curve_on_evidence():
    """Calculated here from the errors of the figures named above."""
    default = ShelterOptions().curve
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


def test_assumed_values_and_those_met_by_construction_are_not_evidence():
    """Every seen figure is named as evidence, or excluded with a kind and a reason."""
    for figure in accuracy.figures("mid"):
        named = any(figure.source == s and figure.what.startswith(w) for s, w in EVIDENCE)
        assert figure.evidence == named
        assert figure.evidence or not figure.seen or (figure.not_evidence and figure.reason)
        assert "assumed" not in figure.what or figure.not_evidence == "assumed"
    kinds = {f.not_evidence for f in accuracy.figures("mid") if f.seen and not f.evidence}
    assert kinds == {"assumed", "by construction", "used to draw the curve"}


@pytest.mark.parametrize("name", ["mid", "barrier", "field"])
def test_values_met_by_construction_are_marked(name):
    """These curves have 0.80 at -1 H for every belt, so a figure there is no evidence. At porosity
    0.53 `field` equals the barrier at 0.8035, just above 0.8, where its effect starts to fall:
    0.0035 of the remaining way to 1."""
    marked = [f for f in accuracy.figures(name) if f.not_evidence == "by construction"]
    assert [f.ours for f in marked] == pytest.approx([0.8] * 3, abs=0.0036)


def test_each_exclusion_is_listed_on_the_page_with_its_reason():
    section = PAGE.read_text(encoding="utf-8").partition("### Not evidence, and why")[2]
    section = section.partition("\n## ")[0]
    listed = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|", section, re.MULTILINE)[2:]
    excluded = [f for f in accuracy.figures("mid") if f.seen and not f.evidence]
    assert listed == [(f"{f.not_evidence}: {f.reason}", f.source, f.what) for f in excluded]
