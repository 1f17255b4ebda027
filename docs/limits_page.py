"""The page of limits: what is not modelled, how accurate results are, and when to ask others."""

from __future__ import annotations

import belt_evidence as evidence
from page_parts import bullets, rows, span

from shelterscape import registry
from shelterscape.kernels.shelter_curves import CURVES, DEFAULT_CURVE
from shelterscape.process import SCREENING
from shelterscape.science.growth import SITE_FACTOR
from shelterscape.science.not_modelled import STEEP_DEG
from shelterscape.terms import TERMS


def limits() -> str:
    """Everything that limits the results, on one page."""
    return "\n\n".join(
        [
            "# Limits",
            "shelterscape is a screening tool. It ranks ground and belts so that people know where "
            "to examine further. It gives no wind loads for structures, no yield of wind turbines, "
            "no assurance that a tree will not fall, and no decision on a permit or a grant.",
            "## Accuracy",
            rows(["result", "known error", "evidence"], _accuracy()),
            "Use results to compare places and belts with each other. Differences much smaller "
            "than these errors may not be real. Errors in the inputs (heights, porosities, wind "
            "set) add to them; `siting` shows their effect on the choice by the selection share.",
            "## Range of validity",
            rows(["quantity", "range", "outside it"], _ranges()),
            "## Not modelled",
            *_not_modelled(),
            "## Safety",
            bullets(SAFETY),
            "## Cautions of each process",
            *_cautions(),
        ]
    )


def _accuracy() -> list[list[str]]:
    curve, published = CURVES[DEFAULT_CURVE], evidence.belt_rows()
    found = evidence.score(evidence.left_out_errors(DEFAULT_CURVE, published), published)
    return [
        [
            "relative wind beside one belt, default curve",
            f"bias {found.bias:+.2f}, RMSE {found.rmse:.2f} in relative wind",
            f"{found.rows} published values of {found.sources} sources, each left out of the fit "
            "in turn, most without a stated porosity; see [validation](validation.md)",
        ],
        [
            "sheltered distance; equivalent sheltered area",
            f"typical factors {curve.distance_factor:.1f} and {curve.shelter_factor:.1f}",
            "[shelter curves](shelter_curves.md), [validation](validation.md)",
        ],
        [
            "terrain wind",
            "one hill only; large errors in the lee",
            "[Askervein](askervein.md)",
        ],
        [
            "site wind, several belts, ends and gaps, woods",
            "not known: no measurements compared",
            "rules in [shelter curves](shelter_curves.md)",
        ],
        [
            "height and porosity in future years",
            f"not known; heights are {SITE_FACTOR:g} × the growth curve from 3 m on (assumed)",
            "[file reference](file_reference.md#table-of-species)",
        ],
        [
            "choice of belts",
            "the best possible benefit is bounded in `benefit_curve`; the selection share shows "
            "the effect of uncertain inputs",
            "[siting](processes/siting.md)",
        ],
        [
            "grant payments",
            "exact for the rules as written in the scheme file, which may be out of date",
            "[grants](grants.md)",
        ],
    ]


def _ranges() -> list[list[str]]:
    refused = "refused"
    named = [
        ("belt height", "height_m"),
        ("optical porosity", "porosity"),
        ("height above ground of the wind", "at_height_m"),
        ("mean wind speed in a wind set", "mean_speed_ms"),
        ("limit distance of topex", "limit_m"),
        ("roughness length", "roughness_m"),
    ]
    body = [
        [what, f"{span(TERMS[name].low, TERMS[name].high)} {TERMS[name].symbol}".strip(), refused]
        for what, name in named
    ]
    curve = CURVES[DEFAULT_CURVE]
    return [
        *body,
        [
            "porosity range of the default curve",
            f"{curve.porosity[0]:g} to {curve.porosity[1]:g}",
            "extended in a straight line to 1 (assumed)",
        ],
        [
            "slope along the wind, for shelter",
            f"up to {STEEP_DEG:g}°",
            "sheltered ground beyond is in the layer `shelter_not_modelled`",
        ],
        [
            "shape of the ground, for terrain wind",
            "low hills without steep slopes or steep crests",
            "0 in the raster `terrain_wind_modelled`",
        ],
        ["weather", "neutral and windy", "not detected: nothing marks it"],
        ["terrain model", "bare ground, metres, at least 3 × 3 cells", refused],
    ]


NOT_MODELLED = {
    "Wind": (
        "Calm and light winds, stable and unstable air, thunderstorms, sea breeze.",
        "Gusts and turbulence. Results are mean speeds; gusts only widen the range of directions.",
        "Change of wind direction by terrain.",
        "Faster wind off open water near the shore: about a tenth faster 100 m inland, nothing "
        "beyond 600 m (estimated, not verified; [why](surroundings.md#roughness-of-water)).",
        "Channelling of wind in valleys, flow around steep hills, cold-air drainage and pooling.",
        "Change of the wind over the years.",
    ),
    "Belts": (
        "Single trees and buildings. Walls and fences are included as belts.",
        "Slowing of the wind over a whole region by many belts: the smallest relative wind of the "
        "belts applies, or their product.",
        "States between in leaf and bare.",
        "Effect of the slope of the ground on the shelter of a belt; steep ground is marked.",
        "Failure, disease, storm damage, browsing, felling, and management not in the inputs.",
    ),
    "Effects of shelter": (
        "Temperature, humidity, evaporation, soil moisture, frost, light and shade.",
        "Snow drift, soil loss, spray drift and odour. The wind-speed exponent weights wind for "
        "them but gives no amount.",
        "Animal welfare and energy. Yield beside belts is a published range, no forecast.",
    ),
    "Choice of belts": (
        "Wildlife, landscape, water, carbon and access, unless you give them as constraints.",
        "Ownership and law. A line without a constraint is not thereby permitted.",
        "Soil and climate: whether the species of a design grows there.",
        "Real costs: the packaged ones are invented.",
    ),
}
"""What is not included, by theme."""


def _not_modelled() -> list[str]:
    return [f"### {title}\n\n{bullets(texts)}" for title, texts in NOT_MODELLED.items()]


SAFETY = (
    "Trees near roads, railways, power lines, pipes and buildings: follow the local code and the "
    "clearances of the owner or operator, and consult a qualified forester or arboriculturist and "
    "the highway authority.",
    "Belts can drift snow onto roads, shade roads so that ice remains, block the view at bends and "
    "crossings, and hold back cold air. Inspect each line on the ground.",
    "Old, coppiced, laid or thinned trees may shed branches or fall. Have them inspected by a "
    "qualified arboriculturist before work and before people or stock shelter beneath them.",
    "Felling, coppicing and hedge laying are dangerous work for trained people.",
)
"""Cautions where the work can hurt someone."""


def _cautions() -> list[str]:
    parts = [SCREENING]
    for name in registry.BUILT_IN:
        process = registry.find(name)
        parts.append(f"### {name}\n\n{bullets(process.cautions)}")
    return parts
