"""Pages that compare results with published values: validation and shelter curves."""

from __future__ import annotations

from pathlib import Path

import askervein_masts
import near_ground_pages
import published_checks
from curve_drawing import panel_points
from curve_error_pages import accuracy_section, choice_section, lead
from page_parts import STATUS, bullets, rows

from shelterscape.kernels.shelter_curves import CURVES

DOCS = Path(__file__).resolve().parent

STATUS_IN_WORDS = (
    "Each source has a status. *Seen in the source*: we read the figure in the work itself. *Seen "
    "in a text that cites it*: we read it in another work that quotes it. *Not verified against "
    "the source*: we have not checked the figure in the work. *Arithmetic*: worked out from a "
    "listed formula; this tests the code, not nature. *Assumed*: our own choice, without a source."
)


def validation() -> str:
    """The default curve's errors on evidence first, the measured hill next, then the rest."""
    found = published_checks.tables()
    independent = [t for t in found if t.independent]
    not_counted = [t for t in found if t.status == "M" or t.not_evidence]
    arithmetic = [t for t in found if t.status == "D"]
    return "\n\n".join(
        [
            "# Validation: published values beside ours",
            lead(),
            STATUS_IN_WORDS,
            askervein_section(),
            accuracy_section(),
            near_ground_pages.validation_section(),
            "## Other independent sources",
            "A shelter curve in these comparisons is the default one.",
            summary(independent),
            *(details(t) for t in independent),
            "## Not counted: sources not verified, and comparisons that assume something",
            summary(not_counted),
            *(details(t) for t in not_counted),
            "## Arithmetic: tests of the code, not of nature",
            summary(arithmetic),
        ]
    )


HILL = "## Wind over a measured hill: Askervein"


def askervein_section() -> str:
    """Measured and calculated speed-up; without the data, as the page has it."""
    if not askervein_masts.FOLDER.is_dir():
        page = (DOCS / "validation.md").read_text(encoding="utf-8")
        return HILL + page.partition(HILL)[2].partition("\n## ")[0].rstrip()
    _, found = askervein_masts.ours()
    top = askervein_masts.masts()["HT"]
    masts = (*askervein_masts.UPWIND, *askervein_masts.CREST)
    errors = [found[n] - askervein_masts.masts()[n].speed_up for n in masts]
    measured = f"{top.speed_up:.2f} ± {top.scatter:.2f}"
    body = [
        ["speed-up at the hilltop", measured, f"{found['HT']:.2f}"],
        [f"bias, {len(masts)} upwind and crest masts", "", f"{sum(errors) / len(errors):+.3f}"],
        [f"RMSE, {len(masts)} upwind and crest masts", "", f"{askervein_masts.rmse(found):.3f}"],
        [
            f"RMSE, {len(askervein_masts.LEE)} lee masts, where the theory fails",
            "",
            f"{askervein_masts.rmse(found, askervein_masts.LEE):.2f}",
        ],
    ]
    return "\n\n".join(
        [
            HILL,
            "One hill, measured on 3 October 1983 (Taylor and Teunissen 1987, data seen). The "
            "inputs are the terrain, the roughness and the height above ground, nothing else. "
            "Results for each mast: [Askervein](askervein.md).",
            rows(["speed-up 10 m above ground", "measured", "calculated"], body),
        ]
    )


WEAK_SPOTS = (
    "The published equation is for barriers. Measured tree belts shelter less than it predicts. "
    "The default `exponential` starts from the mean of the equation and of `field`, which follows "
    "measured belts, and recovers as published belts do.",
    "On the windward side the equation predicts more shelter than handbooks give (relative wind "
    "0.56 against 0.84 at −1 H for a porosity of 0.4). We use 0.80 at −1 H, 0.95 at −3 H and 1 at "
    "−6 H, joined to the wind at the windward face (assumed, close to handbook values).",
    "The equation rates a wall nearly as good as a porous belt. Below a porosity of 0.25 we "
    "therefore pass, between 3 and 7 H, to the handbook row of a solid belt (not verified against "
    "the source).",
    "The equation does not return to 1 as porosity approaches 1. Every curve here is extended in a "
    "straight line to 1 at porosity 1, from the upper end of its range: 0.8 for `barrier`, 0.53 "
    "for `field`, 0.7 for `handbook` (assumed).",
    "Behind dense tree belts, from 3 to 6 H, the wind is stronger than in any of the curves.",
    "All curves are valid for neutral, windy weather over open ground of uniform roughness.",
)

RULES = (
    "**Angle.** Distance is measured along the wind direction: from the leeward face on the "
    "leeward side, from the windward face on the windward side. The sheltered distance "
    "perpendicular to the belt therefore falls with the cosine of the angle.",
    "**Spread.** A wind direction is the mean of 15 rays, spread by its sector and by the "
    "variation of gusts (10°, Panofsky and Dutton 1984, not verified against the source).",
    "**Several belts.** The smallest relative wind applies (Vigiak and others 2003, seen in texts "
    "that cite it). Belts closer than 3 times the lower height, with heights within a factor of "
    "1.5, act as one: porosities are multiplied, and the width is from outer face to outer face "
    "(assumed).",
    "**Ends and gaps.** Within 2 H outside an end, up to 5 H behind it, relative wind rises by up "
    "to 0.10 × the density of the belt (assumed, within the 20 % published by Reid and Bird 1990).",
    "**Woods.** From a depth of 2 to 5 H along the wind, a belt gradually counts as a wood. The "
    "part of its lee with relative wind below 0.7 is half as long; then the wind recovers slowly, "
    "to 1 at 40 H. Inside a wood the wind falls over 5 H (assumed).",
    "**Height above ground.** Full shelter up to 0.5 H, none above 1.2 H, linear between "
    "(assumed). With `--near-ground flow`, the wind reduction of tree belts and hedges is "
    "multiplied by that of a flow model at the height, roughness and bare stems of the case, "
    "divided by that behind an even belt of the same drag at 0.12 H and H/z0 450; see "
    "[validation](validation.md).",
    "**Lower half.** The porosity of the lower half applies up to 8 H, the mean from 10 H. "
    "Loeffler and others 1992 found that the lower half determines the smallest wind (seen); the "
    "distances are assumed. Bare stems make the lower half more open; a bank below a hedge halves "
    "its porosity (assumed).",
    "**Walls and fences** follow `barrier` in every case.",
)


CURVE_HEAD = [
    "curve", "use", "porosity", "source", "status", "RMSE, tree belts", "RMSE, hedges",
    "RMSE, handbook texts", "factor of error of shelter",
]  # fmt: skip


def shelter_curves() -> str:
    """The curves to choose from, drawn and described, with their known weaknesses."""
    table = [
        [f"`{c.name}`", c.meaning, f"{c.porosity[0]:g}–{c.porosity[1]:g}", c.source,
         STATUS[c.status], *(f"{c.rmse[kind]:.2f}" for kind in c.rmse), f"{c.shelter_factor:.2f}"]
        for c in CURVES.values()
    ]  # fmt: skip
    points = [
        [p.source, STATUS[p.status], f"{p.theta:g}", f"{p.x:g}", f"{p.r:.2f}"]
        for p in panel_points()
    ]
    return "\n\n".join(
        [
            "# Shelter curves: the wind beside one belt",
            "A shelter curve is relative wind against distance, with the wind perpendicular to the "
            "belt, near the ground. Distance is in belt heights H, positive leeward.",
            "![All curves for porosities from 0 to 0.8, with handbook rows and measured "
            "belts](images/shelter_curves.svg)",
            rows(CURVE_HEAD, table),
            "RMSE of relative wind at published values, by kind, and the typical factor between "
            "the calculated wind reduction and the published one: see "
            "[validation](validation.md). " + STATUS_IN_WORDS,
            choice_section(),
            "## Known weaknesses",
            bullets(WEAK_SPOTS),
            "## From one curve to a map",
            bullets(RULES),
            near_ground_pages.curves_section(),
            "## Points in the figure",
            rows(["source", "status", "porosity", "distance (H)", "relative wind"], points),
        ]
    )


def counted(found: list[published_checks.Table]) -> tuple[int, int]:
    """Rows within their tolerance, and all rows."""
    return (
        sum(r.hit for t in found for r in t.rows),
        sum(len(t.rows) for t in found),
    )


def summary(found: list[published_checks.Table]) -> str:
    """A row for each table of published values."""
    body = []
    for t in found:
        hits, total = counted([t])
        worst = max(abs(r.ours - r.published) for r in t.rows)
        body.append(
            [t.title, t.source, STATUS[t.status], t.units, f"{hits} of {total}", f"{worst:.3g}"]
        )
    return rows(["table", "source", "status", "units", "within tolerance", "largest error"], body)


def details(table: published_checks.Table) -> str:
    """Every row of a table of published values beside the calculated one."""
    body = [
        [
            r.label,
            f"{r.published:.3g}",
            f"{r.ours:.3g}",
            f"{r.tolerance:g}",
            "yes" if r.hit else f"**no**: {table.known_misses.get(r.label, 'not explained')}",
        ]
        for r in table.rows
    ]
    head = ["", "published", "calculated", "tolerance", "within"]
    source = f"{table.source} ({STATUS[table.status]})."
    if table.not_evidence:
        source += f" Not counted as evidence ({table.not_evidence}): {table.reason}."
    return f"### {table.title}\n\n{source}\n\n{rows(head, body)}"
