"""What published winds say of the wind close to the ground: parts of two pages."""

from __future__ import annotations

import near_ground_evidence as evidence
import numpy as np
from page_parts import rows

BAND_HEAD = ["source", "distance", "values", "RMSE, `simple`", "RMSE, `flow`"]
VALUE_HEAD = ["value", "published", "`simple`", "`flow`"]


def validation_section() -> str:
    """Both rules for the wind close to the ground beside published values."""
    bands = [
        [b.source, f"{b.low_h:g} to {b.high_h:g} H", str(b.values),
         f"{b.simple:.3f}", f"{b.flow:.3f}"]
        for b in evidence.bands()
    ]  # fmt: skip
    values = [
        [f"{row.source}: {row.what}", f"{row.low:g} to {row.high:g}",
         *(f"{evidence.ours(row, rule):.2f}" for rule in ("simple", "flow"))]
        for row in evidence.known_heights()
    ]  # fmt: skip
    return "\n\n".join(
        [
            "## Close to the ground: `simple` and `flow`",
            "`--near-ground flow` corrects the shelter curve by a packaged table of a flow model: "
            "for height above ground, bare stems and roughness. `simple` has full shelter up to "
            "0.5 H and none above 1.2 H (assumed). The rule, stated before the comparison: `flow` "
            "becomes the default only if it is worse by at most 0.02 in RMSE in every band of "
            "source and distance with at least 3 values, and better where height, stems or "
            "roughness matter.",
            rows(BAND_HEAD, bands),
            "Where both are equal, the source states no height of readings, or none of its belts, "
            "so they are taken as read at the height to which the curve belongs (0.12 H, H/z0 450: "
            "medians of the sources that state a height; roughness is stated by none and assumed "
            "to be 0.03 m). "
            "These bands say nothing for or against `flow`. The rows of Brandle and Finch (not "
            "verified against the source) state no height either.",
            "Values read at another height:",
            rows(VALUE_HEAD, values),
            f"**{verdict()}**",
            STEMS,
            FORMS,
        ]
    )


STEMS = (
    "Bare stems: a rise of wind by up to 20 % was measured under raised canopies (Reid and Bird "
    "1990, seen in a text that cites it). `flow` gives a rise, which `simple` cannot, and misses "
    "its size: under dense crowns the jet in the table is up to 2.2 times the open wind, and "
    "results are limited to 1.25. Roughness: no published pair of belts over different ground was "
    "found. Height: near "
    "poplars the wind was 0.33 at 0.5 m and 0.69 at 3 m, behind another belt it did not depend on "
    "height (both seen, heights of the belts not stated): the sign agrees once."
)


FORMS = (
    "Two ways to use the table were compared: to add the difference of relative winds, or to "
    "multiply the wind reduction. At the only value read at another height the sum is nearer (0.20 "
    "against 0.18; published 0.20 to 0.25). The product is used all the same: it keeps the ends of "
    "curves without assumed limits, while the sum gives winds up to 1.07 above and far behind "
    "belts, where none was found. Interpolation in the table differs from 10 solved sections at "
    "random by 0.010 in RMSE, 0.016 at the 95th percentile and 0.20 at most, in the jet through "
    "stems."
)


def verdict() -> str:
    """What the rule decides."""
    bands = evidence.bands()
    allowed = all(b.flow <= b.simple + evidence.MOST_WORSE for b in bands)
    found = evidence.known_heights()
    simple, flow = (
        np.sqrt(np.mean(evidence.errors(found, rule) ** 2)) for rule in ("simple", "flow")
    )
    better = evidence.better_where_height_is_known()
    default = "`flow` is the default" if allowed and better else "`simple` stays the default"
    count = f"{len(found)} value{'s' if len(found) > 1 else ''}"
    return (
        f"Decision: {default}. No band is worse by more than 0.02: {'yes' if allowed else 'no'}. "
        f"Better where the height is known: {'yes' if better else 'no'} ({count}: RMSE "
        f"{simple:.3f} with `simple`, {flow:.3f} with `flow`)."
    )


def curves_section() -> str:
    """The assumed rules, reconsidered by the flow model."""
    return "\n\n".join(["## Two assumed rules, reconsidered by a flow model", *RECONSIDERED])


RECONSIDERED = (
    "The model (`science.cross_section`: two-dimensional flow with the drag of plants) is not "
    "exact, above all far behind a belt, so it can support a rule or cast doubt on it, and not "
    "replace published values.",
    "**Lower half up to 8 H: not changed.** With a lower half of a tenth of the drag of the upper, "
    "the lower half decides the wind up to 2 H; its weight is about 0.5 at 5 H, 0.3 at 8 H and 0.1 "
    "at 15 H, where we use 1 up to 8 H and 0 from 10 H. With a dense lower half under an open "
    "upper one it decides up to 1 H only; from 3 H on the belt shelters no more than an even one "
    "of the same mean drag. So 8 H is farther than the model finds. But the two cases disagree, "
    "Loeffler and others 1992 found that the lower half predicts the smallest wind at 2 to 6 H, "
    "and no published belt states both porosities and several distances. With `--near-ground "
    "flow`, bare stems act through the model, and the rule applies only to a lower half that "
    "differs otherwise.",
    "**Woods halve the near lee: not changed.** At the same total drag, the distance at which the "
    "wind is back to 0.7 falls from 10.7 H behind a belt 0.3 H deep to 8.5 H at 5 H deep and 6.2 H "
    "at 10 H deep: by 0.8 and 0.6, where we use 0.5 from 5 H on. With the same leaf area per depth "
    "there is no loss: 12.5 H at 1 H deep, 14.5 H at 2 H, 14.6 H at 10 H (drag 3 per H). That "
    "depth beyond 2 H shortens shelter is published (MIL-HDBK-1011/2, seen), by how much is not. "
    "The rule stays on the cautious side.",
)
