"""What published winds say of the shelter curves: parts of the validation and curve pages."""

from __future__ import annotations

import belt_evidence as evidence
import numpy as np
from page_parts import rows as rows_of

from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE, MEASURED_RATIOS

BANDS = ("less than 3 H", "3 to 8 H", "more than 8, to 15 H", "beyond 15 H")


def band_of(distance_h: float) -> int:
    """Number of the band of distances, leeward."""
    return int(distance_h >= 3.0) + int(distance_h > 8.0) + int(distance_h > 15.0)


FORMS = {
    "neither (`mid`)": "neither: `mid`",
    "tail": "exponential tail",
    "smooth tail": "exponential tail, smoothed: the form of `exponential`",
    "raised minimum": "raised minimum",
    "both": "raised minimum and tail",
}


def lead() -> str:
    """Bias and RMSE of the default curve, on headline rows first."""
    curve = evidence.known(DEFAULT_CURVE)
    rows = evidence.belt_rows()
    headline = evidence.scored(curve, evidence.sets()["headline"])
    all_rows = evidence.score(evidence.left_out_errors(DEFAULT_CURVE, rows), rows)
    texts = evidence.scored(curve, evidence.handbook_rows())
    return (
        f"**Wind beside a tree belt, default curve `{DEFAULT_CURVE}`: bias {headline.bias:+.3f}, "
        f"RMSE {headline.rmse:.3f} in relative wind, over {headline.rows} values of "
        f"{headline.sources} sources about which nothing is assumed.** A negative bias means that "
        "the curve shelters too much. Two sources show the size of the error and prove nothing. "
        f"With doubtful values, {all_rows.rows} values of {all_rows.sources} sources, each left "
        f"out of the fit in turn: bias {all_rows.bias:+.3f}, RMSE {all_rows.rmse:.3f}; handbook "
        f"texts: RMSE {texts.rmse:.3f}. {_aims(headline, all_rows, texts)} Each source has the "
        "same weight. Doubtful values are those with an assumed porosity, with ranges paired by "
        "us, or as listed [below](#doubtful-rows-and-why)."
    )


def _aims(headline: evidence.Score, left_out: evidence.Score, texts: evidence.Score) -> str:
    def met(value: float, aim: float) -> str:
        return "met" if value <= aim else f"missed by {value - aim:.3f}"

    return (
        "Aims set beforehand: RMSE beside tree belts and hedges at most 0.16, "
        f"{met(left_out.rmse, 0.16)} ({met(headline.rmse, 0.16)} on the {headline.rows} values); "
        f"bias within ± 0.05, {met(abs(left_out.bias), 0.05)} ({met(abs(headline.bias), 0.05)}); "
        f"handbook texts at most 0.13, {met(texts.rmse, 0.13)}. An older aim, RMSE at most 0.12: "
        f"{met(left_out.rmse, 0.12)}."
    )


def accuracy_section() -> str:
    """Errors of curves and candidates by set, kind and distance, and every row."""
    return "\n\n".join(
        [
            "## Wind beside a belt: errors of the shelter curves",
            "How the evidence was chosen, what was fitted and how it was decided is declared in "
            "[how the default shelter curve is chosen](curve_evidence.md), written before the "
            "first fit. A value inside a published interval has no error. Bias and RMSE weight "
            "each source equally. `field`, and so half of `mid` and the near side of "
            "`exponential`, was drawn through three of the doubtful rows.",
            "### By kind",
            _by_kind(),
            "### By distance",
            "Tree belts and hedges with a value at a distance, doubtful rows included; shown, not "
            "tested: too few for a claim at any distance.",
            _by_distance(),
            "### Candidates, fitted to each set",
            "RMSE with each source left out of the fit in turn, and bias; in brackets the fitted "
            "parameters on the whole set, L in H.",
            _candidates(),
            "### Headline rows",
            rows_of(ROW_HEAD, [_row(r) for r in evidence.evidence() if r.headline]),
            "### Doubtful rows, and why",
            "Never in the headline; the error is that of the default curve, and of `barrier` for "
            "fences.",
            rows_of(["doubt", *ROW_HEAD], _doubtful()),
            "### Band and coverage",
            _band(),
        ]
    )


ROW_HEAD = ["source", "quantity", "published", "calculated", "error"]


def _score(found: evidence.Score) -> str:
    return f"{found.bias:+.2f} / {found.rmse:.2f}"


def _by_kind() -> str:
    parts = {
        "tree belts, headline": [r for r in evidence.sets()["headline"] if r.kind == "tree belt"],
        "tree belts": evidence.belt_rows(kinds=("tree belt",)),
        "hedges": evidence.belt_rows(kinds=("hedge",)),
        "handbook texts, headline": evidence.handbook_rows(headline=True),
        "handbook texts": evidence.handbook_rows(),
        "fences": evidence.belt_rows(kinds=("fence",)),
    }
    body = []
    for label, rows in parts.items():
        scores = [_score(evidence.scored(evidence.known(name), rows)) for name in CURVES]
        body.append([label, str(len(rows)), str(len(evidence.sources(rows))), *scores])
    note = (
        "Fences follow `barrier`; eight of their nine rows are a formula for the far wake, one a "
        "fence only 10.7 H long."
    )
    return f"Bias / RMSE.\n\n{rows_of(['kind', 'values', 'sources', *_names()], body)}\n\n{note}"


def _names() -> list[str]:
    return [f"`{name}`" for name in CURVES]


def _by_band(number: int, name: str) -> evidence.Score:
    """Errors of a curve over rows of one band of distances."""
    rows = [r for r in evidence.belt_rows() if band_of(r.distance_h) == number]
    return evidence.scored(evidence.known(name), rows)


def _by_distance() -> str:
    body = []
    for number, label in enumerate(BANDS):
        found = [_by_band(number, name) for name in CURVES]
        counts = [str(found[0].rows), str(found[0].sources)]
        body.append([label, *counts, *(_score(score) for score in found)])
    return rows_of(["distance", "values", "sources", *_names()], body)


def _candidates() -> str:
    names = list(evidence.sets())
    body = []
    for form, words in FORMS.items():
        cells = []
        for which in names:
            fits = evidence.fits(form, which)
            found = evidence.score(fits.left_out(), fits.rows)
            best = ", ".join(f"{value:g}" for value in fits.params[fits.best()])
            cells.append(f"{found.rmse:.3f}, {found.bias:+.3f}" + (f" ({best})" if best else ""))
        body.append([words, *cells])
    fixed = [evidence.scored(evidence.known(DEFAULT_CURVE), r) for r in evidence.sets().values()]
    cells = [f"{found.rmse:.3f}, {found.bias:+.3f}" for found in fixed]
    body.append([f"`{DEFAULT_CURVE}`, L = 8 as it is", *cells])
    head = [f"{n}, {len(evidence.sources(r))} sources" for n, r in evidence.sets().items()]
    return rows_of(["form", *head], body)


def _row(row: evidence.Row, name: str = DEFAULT_CURVE) -> list[str]:
    low, high = f"{row.low:.2f}", f"{row.high:.2f}"
    span = low if low == high else f"{low}–{high}"
    curve = evidence.known(name)
    return [row.source, row.what, span, f"{row.ours(curve):.2f}", f"{row.error(curve):+.2f}"]


def _doubtful() -> list[list[str]]:
    return [
        [
            f"{'; '.join(row.doubt)}: {row.reason}",
            *_row(row, "barrier" if row.kind == "fence" else DEFAULT_CURVE),
        ]
        for row in evidence.evidence()
        if row.doubt
    ]


def _band() -> str:
    ratios = evidence.left_out_ratios()
    distances = evidence.left_out_distances()
    shelter, distance = evidence.band_factors(DEFAULT_CURVE)
    inside, of = evidence.coverage({name: float(np.log(r)) for name, r in ratios.items()})
    near, among = evidence.coverage(distances)
    body = [
        [name, f"{ratio:.2f}", f"{np.exp(distances[name]):.2f}" if name in distances else "–"]
        for name, ratio in sorted(ratios.items(), key=lambda item: item[1])
    ]
    by_kind = ", ".join(
        f"{kind} {np.exp(evidence.rms(np.log(list(found.values())))):.2f} ({len(found)} sources)"
        for kind, kinds in list(evidence.KINDS.items())[:2]
        if (found := evidence.left_out_ratios(kinds))
    )
    return "\n\n".join(
        [
            "Published wind reduction divided by that of the default curve, summed over the "
            "distances of a source, itself left out of the fit; and the typical factor between "
            "the published distance of a wind and ours.",
            rows_of(["source", "shelter ratio", "factor of distance"], body),
            f"Band of wind reduction and of equivalent sheltered area: from ÷ {shelter:.2f} to "
            f"× {shelter:.2f} (root mean square over sources). {inside} of {of} sources are within "
            f"the band of the others. Sheltered distance: from ÷ {distance:.2f} to × "
            f"{distance:.2f}; {near} of {among}. With so few sources no percentage is claimed. By "
            f"kind the factor of wind reduction is: {by_kind}; that of tree belts is one value of "
            "Fu and others at 25 H, where hardly any shelter remains to compare with. The other "
            "curves have bands of their own.",
            "Monte Carlo runs of `siting` draw, for each run, one of the forms "
            + " and ".join(f"`{name}`" for name in MEASURED_RATIOS)
            + " and the shelter ratio of one source.",
        ]
    )


WHAT = (
    "**What changed.** The default for tree belts and hedges is now `exponential`. Up to the "
    "calmest point it is the former default, `mid`. Beyond it the wind recovers at once, fast at "
    "first and then ever more slowly; `mid` stays calm to about 8 H and then rises steeply. At a "
    "porosity of 0.4 relative wind rises from {mid_8} to {new_8} at 8 H, from {mid_12} to "
    "{new_12} at 12 H and from {mid_18} to {new_18} at 18 H; at 25 H it falls from {mid_25} to "
    "{new_25}: far behind, some shelter remains for longer. Walls and fences still follow "
    "`barrier`.",
    "**Why.** Beside published tree belts and hedges `mid` shelters too much from 3 to 15 H. On "
    "the five sources chosen beforehand the RMSE falls from {mid:.3f} to {tail:.3f} and the bias "
    "from {mid_bias:+.3f} to {tail_bias:+.3f}, each source left out of the fit in turn; a raised "
    "minimum alone does not help there ({raised:.3f}). Handbook texts agree a little less than "
    "before and still well. The rule for this choice was written before the fit: [how the default "
    "shelter curve is chosen](curve_evidence.md).",
    "**How sure.** Not very. Three of the five sources do not state a porosity, and on the others "
    "we paired ends of ranges. Rows about which nothing is assumed come from two sources. The "
    "three sources that state a porosity, one of which is not among the five, support a raised "
    "minimum ({stated_raised:.3f}) more than the exponential recovery ({stated_tail:.3f}; `mid` "
    "{stated_mid:.3f}): whether `mid` is too calm at its calmest point, recovers too late, or "
    "both, is open. Only sources with a stated porosity and several distances beside one belt can "
    "settle it. Until then the default still shelters too much from 3 to 8 H, where most of the "
    "choice between lines is decided: bias {near_new:+.2f} there over {near} values of 4 sources, "
    "{near_mid:+.2f} with `mid`. The aim of an RMSE of 0.16 over all seven sources is missed by a "
    "little; see [validation](validation.md).",
    "**The 8 H** were stated beforehand, from an earlier fit to much of the same evidence: they "
    "are not independent of it. Our own fits give {five_h:g} H on the five and {all_h:g} H on the "
    "seven sources. Left-out errors are those of such fits; at 8 H the error is much the same.",
    "**Differences from what was declared.** By the letter of the declaration one condition "
    "fails: two of the four values stated beforehand, the biases, come out 0.02 lower without "
    "belt width, as declared. They come out as stated, like the other two, with belts 0.5 H wide; "
    "so we take the calculation as confirmed, and this is a judgement. The raised minimum alone "
    "is better than `mid` on the values it is fitted to ({raised_in:.3f}) and worse on a source "
    "left out. Dense belts approach the handbook row once, from the mean before `mid` does so by "
    "half: otherwise the sum of shelter dipped by 0.1 % between porosities "
    "of 0.12 and 0.14, against a declared constraint. The calmest winds of Bird and of Loeffler "
    "are not counted as distances of recovery in the band.",
    "**The band.** Relative wind of the default curve at a porosity of 0.4, between the edges of "
    "what published belts gave typically (root mean square over {of} sources, {inside} of them "
    "within the band of the others), the other form that evidence allows, `mid`, and the error of "
    "the default found at such distances. Far behind a belt the band is too narrow: Fu and others "
    "found 0.80 at 25 H.",
)

OTHERS = (
    "**Other choices.** `mid` is an edge of the band and stays by name. Readers of handbooks "
    "choose `handbook`; `barrier` is right for fences and walls."
)


def choice_section() -> str:
    """What changed in the default curve, why, and how sure it is."""
    values = _winds() | _left_out() | _near()
    return "\n\n".join(
        [
            "## The default curve: what changed, why, and how sure it is",
            *(text.format(**values) for text in WHAT),
            _band_by_distance(),
            OTHERS,
        ]
    )


def _wind(name: str, x: float) -> float:
    return float(evidence.known(name)(np.array(x), np.array(0.4)))


def _winds() -> dict[str, object]:
    return {
        f"{short}_{x}": f"{_wind(name, float(x)):.2f}"
        for short, name in (("mid", "mid"), ("new", DEFAULT_CURVE))
        for x in (8, 12, 18, 25)
    }


def _left_out() -> dict[str, object]:
    """Errors of the forms with sources left out, and what was fitted."""

    def score(form: str, which: str) -> evidence.Score:
        fits = evidence.fits(form, which)
        return evidence.score(fits.left_out(), fits.rows)

    def fitted_h(which: str) -> float:
        fits = evidence.fits("smooth tail", which)
        return fits.params[fits.best()][0]

    mid, tail = (score(form, "five sources") for form in ("neither (`mid`)", "smooth tail"))
    fits = evidence.fits("raised minimum", "five sources")
    return {
        "mid": mid.rmse,
        "mid_bias": mid.bias,
        "tail": tail.rmse,
        "tail_bias": tail.bias,
        "raised": score("raised minimum", "five sources").rmse,
        "raised_in": evidence.score(fits.errors[fits.best()], fits.rows).rmse,
        "stated_raised": score("raised minimum", "stated porosity").rmse,
        "stated_tail": score("smooth tail", "stated porosity").rmse,
        "stated_mid": score("neither (`mid`)", "stated porosity").rmse,
        "five_h": fitted_h("five sources"),
        "all_h": fitted_h("all seven"),
    }


def _near() -> dict[str, object]:
    """Bias from 3 to 8 H, and coverage of the band."""
    new, mid = (_by_band(1, name) for name in (DEFAULT_CURVE, "mid"))
    ratios = {name: float(np.log(r)) for name, r in evidence.left_out_ratios().items()}
    inside, of = evidence.coverage(ratios)
    return {
        "near": new.rows,
        "near_new": new.bias,
        "near_mid": mid.bias,
        "inside": inside,
        "of": of,
    }


def _band_by_distance() -> str:
    factor = CURVES[DEFAULT_CURVE].shelter_factor
    found = [_by_band(number, DEFAULT_CURVE) for number in range(len(BANDS))]
    body = []
    for x in (1.0, 3.0, 5.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0):
        r = _wind(DEFAULT_CURVE, x)
        low, high = max(1.0 - (1.0 - r) * factor, 0.0), 1.0 - (1.0 - r) / factor
        cells = [f"{r:.2f}", f"{low:.2f} to {high:.2f}", f"{_wind('mid', x):.2f}"]
        body.append([f"{x:g} H", *cells, f"{found[band_of(x)].rmse:.2f}"])
    return rows_of(["distance", "relative wind", "band", "`mid`", "RMSE there"], body)
