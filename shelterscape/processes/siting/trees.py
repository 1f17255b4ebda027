"""From when the chosen belts of `siting` are tall enough, and what that means for trees."""

from __future__ import annotations

import pandas as pd

from shelterscape.processes.siting.loading import SitingData

TREES = ("young trees", "old trees")
"""Purposes that are trees: what matters to them is storms, of which only the mean wind is known."""

STORM = "storm"
"""Subset of a wind set that trees need."""


def trees_answer(chosen: pd.DataFrame, data: SitingData) -> list[str]:
    """Year from which the belts are tall enough to have any effect on trees; else empty."""
    purpose, height_m = data.settled.purpose, data.settled.options.at_height_m
    if purpose is None or purpose.name not in TREES or not len(chosen):
        return []
    years = chosen["tall_enough_from"].dropna()
    never = len(chosen) - len(years)
    texts = []
    if len(years):
        first, last = int(years.min()), int(years.max())
        which = f"from {first} on" if first == last else f"from {first} to {last} on, by belt"
        texts.append(f"{which}; no effect before")
    if never:
        texts.append(f"{never} of {len(chosen)} not within 60 years: no effect")
    return [f"Tall enough to shelter {purpose.name} at {height_m:g} m: {'; '.join(texts)}"]


def trees_certainty(data: SitingData) -> list[str]:
    """Limits of results for trees; empty for other purposes."""
    purpose = data.settled.purpose
    if purpose is None or purpose.name not in TREES:
        return []
    subset = data.winds.subset
    storm = "" if subset == STORM else f", and the wind subset is “{subset or 'all'}”, not storms"
    return [
        "Mean wind only: gusts and the stability of trees are not modelled, and less wind does not "
        f"mean that no tree will fall{storm}"
    ]
