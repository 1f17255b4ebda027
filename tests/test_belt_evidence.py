"""The evidence for the shelter curves: what it holds, what was decided on it, what is stated."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import belt_evidence as evidence
import numpy as np
import pytest
from affine import Affine
from test_shelter import belts_of, one_ray

from shelterscape.grid import Grid
from shelterscape.kernels import shelter_curves as kernel
from shelterscape.science.belts import belts_in_season
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.shelter import relative_wind
from shelterscape.science.siting.input_uncertainty import CURVES_VARIED

DOCS = Path(__file__).resolve().parents[1] / "docs"

HEADLINE = {
    ("Southern Moravia", 0.1, 3.0),
    ("Southern Moravia", 0.1, 9.1),
    ("Bird and others 2007", 0.16, 13.4),
    ("Bird and others 2007", 0.345, 13.4),
    ("Bird and others 2007", 0.53, 13.4),
}
"""Written out here too, so that no row joins or leaves the headline unseen."""


def row(**changes):
    first = next(r for r in evidence.belt_rows() if r.headline)
    return replace(first, **changes)


def straight(x, theta):
    """A curve that is known by heart: 0.1 for each height of distance."""
    return 0.1 * np.asarray(x, dtype=float) + 0 * theta


# What the evidence holds


def test_the_evidence_is_whole():
    rows = evidence.evidence()
    assert len(rows) == 63
    kinds = {kind: sum(r.kind == kind for r in rows) for kind in ("tree belt", "hedge", "fence")}
    assert kinds == {"tree belt": 26, "hedge": 2, "fence": 9}
    assert len(evidence.sources(rows)) == 17
    assert [len(found) for found in evidence.sets().values()] == [5, 12, 13, 18]
    assert [len(evidence.sources(f)) for f in evidence.sets().values()] == [2, 3, 5, 7]


def test_headline_rows_are_those_declared():
    """Nothing assumed, paired by us, ambiguous, extrapolated or true by construction."""
    found = {
        (next(s for s, *_ in HEADLINE if r.source.startswith(s)), r.porosity, r.distance_h)
        for r in evidence.sets()["headline"]
    }
    assert found == HEADLINE
    texts = evidence.sources(evidence.handbook_rows(headline=True))
    assert sorted(text[:6] for text in texts) == ["French", "Japane", "Te Ara"]


def test_every_doubt_has_a_reason():
    for found in evidence.evidence():
        assert bool(found.doubt) == bool(found.reason)
        assert found.low <= found.high
        assert found.status in ("S", "S2", "D")
        if "assumed porosity" not in found.doubt:
            assert "not stated" not in found.reason


@pytest.mark.parametrize("name", ["exponential", "mid", "barrier", "field"])
def test_what_holds_by_construction_is_marked_so(name):
    marked = [r for r in evidence.evidence() if "by construction" in r.doubt]
    assert [r.ours(evidence.known(name)) for r in marked] == pytest.approx([0.8])


# Errors and fits


@pytest.mark.parametrize(
    "changes, error",
    [
        ({"distance_h": 5.0, "low": 0.6, "high": 0.7}, -0.1),
        ({"distance_h": 5.0, "low": 0.4, "high": 0.6}, 0.0),
        ({"distance_h": 5.0, "low": 0.2, "high": 0.3}, 0.2),
        ({"measure": "mean", "distance_h": 2.0, "to_h": 6.0, "low": 0.5, "high": 0.5}, -0.1),
        ({"measure": "ratio", "distance_h": 2.0, "to_h": 8.0, "low": 0.3, "high": 0.3}, -0.05),
        ({"measure": "back by", "distance_h": 7.0, "to_h": 9.0, "low": 0.8, "high": 0.8}, 0.0),
        ({"measure": "back by", "distance_h": 5.0, "to_h": 7.0, "low": 0.8, "high": 0.8}, -0.1),
        ({"measure": "back by", "distance_h": 9.0, "to_h": 9.5, "low": 0.8, "high": 0.8}, 0.1),
    ],
)
def test_an_error_is_what_misses_the_published_interval(changes, error):
    assert row(**changes).error(straight) == pytest.approx(error)


def test_each_source_counts_the_same():
    rows = [row(source="a", distance_h=1.0), row(source="a"), row(source="b")]
    found = evidence.score(np.array([0.1, 0.3, -0.4]), rows)
    assert found.bias == pytest.approx((0.2 - 0.4) / 2)
    assert found.rmse == pytest.approx(np.sqrt(((0.01 + 0.09) / 2 + 0.16) / 2))
    assert (found.rows, found.sources) == (3, 2)


def test_a_fit_finds_the_recovery_that_made_the_values():
    """And, with a source of other belts left out, that of the rest."""

    def made(source, recovery_h, theta):
        return [
            row(source=source, porosity=theta, distance_h=x, low=r, high=r)
            for x in (6.0, 9.0, 14.0, 20.0)
            for r in [float(evidence.tail(np.array(x), np.array(theta), recovery_h=recovery_h))]
        ]

    rows = [*made("a", 10.0, 0.3), *made("b", 10.0, 0.5), *made("c", 5.0, 0.4)]
    fits = evidence.Fits("tail", rows)
    assert fits.params[fits.best("c")] == (10.0,)
    assert 5.0 < fits.params[fits.best()][0] < 10.0
    left_out = fits.left_out()
    assert np.abs(left_out[8:]).max() > 0.1
    assert np.abs(fits.errors[fits.best("c"), :8]).max() == 0


@pytest.mark.parametrize("theta", [0.0, 0.1, 0.25, 0.4, 0.53, 0.7, 0.9, 1.0])
def test_candidates_are_the_curves_offered(theta):
    """Written out apart from the kernel."""
    x, porosity = np.arange(0.0, 50.0, 0.25), np.array(theta)
    mid = evidence.mid(x, porosity)
    np.testing.assert_allclose(mid, evidence.known("mid")(x, porosity), atol=1e-12)
    tail = evidence.smooth_tail(x, porosity, recovery_h=kernel.RECOVERY_H)
    # The calmest point is searched in steps of 0.01 H here: 0.005 H / 8 H of the shelter there.
    np.testing.assert_allclose(tail, evidence.known("exponential")(x, porosity), atol=7e-4)


# What was decided


def five(curve):
    return evidence.scored(curve, evidence.sets()["five sources"])


def tail_8(x, theta):
    return evidence.tail(x, theta, recovery_h=8.0)


def test_the_tail_is_better_on_the_five_sources():
    """The decision of docs/curve_evidence.md, except for the two biases (next test)."""
    mid, tail = five(evidence.mid), five(tail_8)
    assert mid.rmse == pytest.approx(0.157, abs=0.01)
    assert tail.rmse == pytest.approx(0.116, abs=0.01)
    raised, left_out = (
        evidence.fits(name, "five sources") for name in ("raised minimum", "smooth tail")
    )
    assert evidence.score(raised.left_out(), raised.rows).rmse > mid.rmse
    assert evidence.score(left_out.left_out(), left_out.rows).rmse < mid.rmse - 0.03
    bird = evidence.belt_rows([evidence.BIRD])
    assert evidence.scored(tail_8, bird).rmse < evidence.scored(evidence.mid, bird).rmse
    assert five(evidence.known("exponential")).rmse < mid.rmse - 0.03


def test_the_biases_stated_beforehand_are_those_of_belts_half_a_height_wide():
    """Without width, as declared, bias is -0.05 and -0.01, 0.02 below the values stated beforehand
    by another calculation; with 0.5 H all of its values come out."""

    def wide(x, theta):
        return kernel.mid(x, theta, np.array(0.5))

    def wide_tail(x, theta):
        fine = np.arange(0.0, 12.0, 0.01)
        r = wide(fine, theta)
        away = 1 - (1 - r.min()) * np.exp(-(x - fine[r.argmin()]) / 8)
        return np.where(x > fine[r.argmin()], away, wide(x, theta))

    assert (five(evidence.mid).bias, five(tail_8).bias) == pytest.approx((-0.05, -0.01), abs=0.005)
    assert (five(wide).bias, five(wide).rmse) == pytest.approx((-0.03, 0.157), abs=0.005)
    assert (five(wide_tail).bias, five(wide_tail).rmse) == pytest.approx((0.01, 0.116), abs=0.006)


def test_sources_with_a_stated_porosity_support_a_raised_minimum_instead():
    """Three sources, one of them paired by us: the question is open, and the page says so."""
    left_out = {
        name: evidence.score(found.left_out(), found.rows).rmse
        for name in evidence.CANDIDATES
        if (found := evidence.fits(name, "stated porosity"))
    }
    assert left_out["raised minimum"] < left_out["smooth tail"] < left_out["neither (`mid`)"]


def test_aims_set_beforehand():
    """Missed: RMSE 0.16 by 0.005 and, with the curve as it is, bias 0.05 by 0.004; beside headline
    rows alone bias too. A miss that becomes a hit must be removed here."""
    rows = evidence.belt_rows()
    whole = evidence.scored(evidence.known("exponential"), rows)
    left_out = evidence.score(evidence.left_out_errors("exponential", rows), rows)
    headline = evidence.scored(evidence.known("exponential"), evidence.sets()["headline"])
    texts = evidence.scored(evidence.known("exponential"), evidence.handbook_rows())
    found = {
        "RMSE": left_out.rmse <= 0.16,
        "bias": abs(left_out.bias) <= 0.05,
        "bias as it is": abs(whole.bias) <= 0.05,
        "headline RMSE": headline.rmse <= 0.16,
        "headline bias": abs(headline.bias) <= 0.05,
        "handbook texts": texts.rmse <= 0.13,
        "first aim": left_out.rmse <= 0.12,
    }
    missed = {aim for aim, met in found.items() if not met}
    assert missed == {"RMSE", "bias as it is", "headline bias", "first aim"}


# What is stated


def test_the_default_is_the_curve_chosen():
    assert ShelterOptions().curve == kernel.DEFAULT_CURVE == "exponential"


@pytest.mark.parametrize("name", kernel.CURVES)
def test_what_captions_say_of_the_error_is_what_the_evidence_gives(name):
    curve = kernel.CURVES[name]
    assert curve.rmse == pytest.approx(evidence.rmse_by_kind(name), abs=0.005)
    factors = (curve.shelter_factor, curve.distance_factor)
    assert factors == pytest.approx(evidence.band_factors(name), abs=0.005)


@pytest.mark.parametrize("name", kernel.MEASURED_RATIOS)
def test_ratios_drawn_are_those_of_the_sources(name):
    ratios = evidence.left_out_ratios().values()
    if name != "exponential":
        parts = [
            [r for r in evidence.belt_rows() if r.source == s]
            for s in evidence.sources(evidence.belt_rows())
        ]
        ratios = [evidence.shelter_ratio(evidence.known(name), part) for part in parts]
    assert kernel.MEASURED_RATIOS[name] == pytest.approx(sorted(ratios), abs=0.005)
    assert name in CURVES_VARIED


def test_coverage_is_counted_source_by_source():
    """A source within the root mean square of the others; few sources, so no percentage."""
    assert evidence.coverage({"a": 0.1, "b": -0.1, "c": 0.5}) == (2, 3)
    ratios = {name: np.log(ratio) for name, ratio in evidence.left_out_ratios().items()}
    assert evidence.coverage(ratios) == (4, 7)
    assert evidence.coverage(evidence.left_out_distances()) == (2, 4)


def test_the_first_lines_of_the_page_are_the_default_curve_on_headline_rows():
    """Worked out here from the errors themselves, on the rows named above."""
    curve = evidence.known(kernel.DEFAULT_CURVE)
    errors = {source: [] for source, *_ in HEADLINE}
    for found in evidence.evidence():
        for source, theta, x in HEADLINE:
            same = (found.porosity, found.distance_h) == (theta, x)
            if found.source.startswith(source) and same and not found.doubt:
                errors[source].append(found.error(curve))
    bias = np.mean([np.mean(e) for e in errors.values()])
    rmse = np.sqrt(np.mean([np.mean(np.square(e)) for e in errors.values()]))
    first = (DOCS / "validation.md").read_text(encoding="utf-8").split("\n\n")[2]
    assert f"default curve `exponential`: bias {bias:+.3f}, RMSE {rmse:.3f}" in first
    assert "5 values of 2 sources" in first


def test_each_doubtful_row_is_listed_on_the_page_with_its_reason():
    section = (DOCS / "validation.md").read_text(encoding="utf-8")
    section = section.partition("### Doubtful rows, and why")[2].partition("\n### ")[0]
    listed = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \|", section, re.MULTILINE)[2:]
    doubtful = [r for r in evidence.evidence() if r.doubt]
    assert listed == [("; ".join(r.doubt) + ": " + r.reason, r.source, r.what) for r in doubtful]


# Facts beside the curve


def values(topic):
    return {row["what"]: (float(row["low"]), float(row["high"])) for row in evidence.facts(topic)}


@pytest.mark.parametrize("porosity", [0.3, 0.5])
def test_protected_width_in_oblique_wind(porosity):
    """25, 21 and 18 H at 0, 30 and 45° (textbook, seen in a page citing it: S2), within 10 %. The
    level of wind it counts to is not stated; widths are compared as shares of the first, and at a
    relative wind of 0.95 as they are."""
    published = [low for low, _ in values("protected width").values()]
    grid = Grid((601, 101), Affine(1, 0, 0, 0, -1, 601))
    belts = belts_of([(-4000, 500.5), (4800, 500.5)], height=8.0, porosity=porosity)
    for level in (0.8, 0.9, 0.95):
        columns = [relative_wind(belts, grid, d)[101:, 50] for d in (0.0, 30.0, 45.0)]
        widths = np.array([np.flatnonzero(c < level).max() / 8.0 for c in columns])
        assert widths / widths[0] == pytest.approx(np.array(published) / published[0], rel=0.1)
        if level == 0.95:
            assert widths == pytest.approx(np.array(published), rel=0.1)


def test_from_leaf_to_bare():
    """Deciduous belts: porosity 0.10 in leaf, up to 0.50 bare (Southern Moravia, seen). Ours is
    bare by 0.60 where nothing is known: within 0.15. A known miss: without leaves the wind was
    reduced a third as much (ambiguous wording), by our curve 0.6 as much near by, and far behind a
    belt hardly less."""
    season = values("season")
    in_leaf, bare = (low for low, _ in list(season.values())[:2])
    assert (in_leaf, bare) == (0.1, 0.5)
    belts = belts_of([(0, 0), (100, 0)], porosity=in_leaf)
    default = belts_in_season(belts, "bare")
    assert float(default["porosity"].iloc[0]) == pytest.approx(bare, abs=0.15)
    curve = evidence.known("exponential")
    shares = {}
    for x in (3.0, 9.1):
        leaf, open_ = (1 - curve(np.array(x), np.array(theta)) for theta in (in_leaf, bare))
        assert open_ < leaf
        shares[x] = float(open_ / leaf)
    published = [low for low, _ in list(season.values())[2:]]
    assert published == [0.333, 0.333]
    assert shares[3.0] == pytest.approx(0.57, abs=0.05)
    assert shares[9.1] == pytest.approx(0.9, abs=0.1)


def test_rows_in_series():
    """15 fences of porosity 0.6, 6 H apart (McAneney and Judd 1991, seen): later fences add nothing
    to the first; the wind near the ground rises slowly down the row. Ours stays the same from the
    second bay on, but there is 0.06 below the first, a miss; a product of their winds would fall to
    a quarter of it."""
    grid = Grid((840, 40), Affine(0.25, 0, 0, 0, -0.25, 210))
    lines = [[(-400, 200.125 - 12 * i), (500, 200.125 - 12 * i)] for i in range(15)]
    fences = belts_of(*lines, height=2.0, porosity=0.6, width=0.1, belt_type="fence")

    def bays(**options):
        column = one_ray(fences, grid, 0.0, at_height_m=0.5, **options)[:, 20]
        x = (np.arange(840) * 0.25 + 0.125 - 9.875) / 2.0
        return np.array([column[(x > 6 * i + 0.1) & (x < 6 * i + 5.9)].mean() for i in range(15)])

    wind = bays()
    np.testing.assert_allclose(wind[1:], wind[1], atol=2e-3)
    assert 0.05 < wind[0] - wind[1] < 0.08
    assert bays(combine="product")[5] < 0.3 * wind[0]


def test_the_calmest_point_is_where_it_is_published():
    """Ours, at the porosities of each source, within its range; 1 H of a single distance."""
    published = values("calmest point")
    assert len(evidence.facts("calmest point")) == 4 > len(published)
    for fact in evidence.facts("calmest point"):
        low, high = float(fact["low"]), float(fact["high"])
        slack = 1.5 if low == high else 0.0
        thetas = {"Southern": [0.1], "Bird and": [0.16, 0.345, 0.53], "Loeffler": [0.0, 0.31]}
        for theta in thetas.get(fact["source"][:8], []):
            x = np.arange(0.0, 12.0, 0.01)
            at = x[evidence.known("exponential")(x, np.array(theta)).argmin()]
            assert low - slack <= at <= high + slack
