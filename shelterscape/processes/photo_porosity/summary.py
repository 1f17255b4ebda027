"""What a run of `photo-porosity` reports: porosity of each belt, and what makes it doubtful."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

from shelterscape.files.draw_sheets import PhotographPanel, PhotographSheet
from shelterscape.process.stages import Summary
from shelterscape.processes.photo_porosity.layers import PhotographResults
from shelterscape.processes.photo_porosity.spec import PhotoPorosityInputs

MOST_BELTS = 8
"""Belts named in the answer; the table holds all."""


def summarise(results: PhotographResults, params: PhotoPorosityInputs) -> Summary:
    """Answer, certainty and the picture."""
    belts = results.tables["belt_porosity"]
    answer = [_text(row) for row in belts.to_dict("records")[:MOST_BELTS]]
    if len(belts) > MOST_BELTS:
        answer.append(f"and {len(belts) - MOST_BELTS} more belts in tables/belt_porosity.csv")
    doubtful = sum(bool(result.faults) for _, result in results.found)
    certainty = [
        "within 0.05 on invented photographs where nothing was reported; not measured on real ones",
    ]
    if doubtful:
        certainty.append(
            f"{doubtful} of {len(results.found)} photographs are doubtful: examine them"
        )
    return Summary(
        question="How much sky is visible through the belts?",
        answer=answer,
        certainty=certainty,
        pictures={"photograph_sky": _sheet(results)},
    )


def _text(row: dict[Hashable, Any]) -> str:
    name = f"“{row['name']}”" if row["name"] else "belt without a name"
    count = row["photograph_count"]
    shots = "one photograph" if count == 1 else f"{count} photographs"
    gaps = (
        f"; gaps over {100 * row['gap_share']:.0f} % of its length" if row["gap_share"] > 0 else ""
    )
    return (
        f"{name}, {row['season']}: porosity {row['porosity']:.2f} ± {row['porosity_spread']:.2f}, "
        f"lower half {row['porosity_low']:.2f}, from {shots}{gaps}"
    )


def _sheet(results: PhotographResults) -> PhotographSheet:
    panels = tuple(
        PhotographPanel(
            f"{shot.file}: {shot.name or 'no name'}, porosity {result.porosity:.2f}, lower half "
            f"{result.porosity_low:.2f}",
            result.shown,
            result.shown_sky,
            "; ".join(result.faults),
        )
        for shot, result in results.found
    )
    notes = (
        "Right: what counts as sky is coloured, the stronger the more; what counts as vegetation "
        "is left as it is, and all outside the outline of the belt is pale.",
    )
    return PhotographSheet("Sky in photographs of belts", panels, notes)
