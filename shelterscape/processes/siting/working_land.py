"""Columns, reasons and figures of `siting` about the working land."""

from __future__ import annotations

from typing import Any

import numpy as np

from shelterscape.processes.siting.decide import SitingDecision
from shelterscape.processes.siting.lines import ProposedLines
from shelterscape.science.siting.choice import Choice
from shelterscape.science.siting.working_land import WorkingLand

LEAST_CUT_OFF_HA = 0.05
"""Cut-off ground reported in reasons, ha (assumed): less is the strip beside a boundary."""


def land_columns(lines: ProposedLines, found: SitingDecision) -> dict[str, Any]:
    """Columns of the candidates about the working land; empty without parcels."""
    land, unknown = lines.land, np.full(len(lines.candidates), np.nan)
    return {
        "boundary_share": land.boundary_share if land else unknown,
        "land_cut_off_ha": land.land_cut_off_ha if land else unknown,
        "smallest_part_ha": land.smallest_part_ha if land else unknown,
        "new_gates": land.new_gates if land else unknown,
        "land_cost_ha": found.land_cost_ha if land else unknown,
    }


def land_reason(lines: ProposedLines, found: SitingDecision, row: int) -> str:
    """What a candidate costs the working land, as an addition to its reason."""
    land = lines.land
    if land is None or land.land_out_ha[row] <= 0:
        return ""
    texts = [f"{100 * land.boundary_share[row]:.0f} % along boundaries"]
    if land.land_cut_off_ha[row] >= LEAST_CUT_OFF_HA:
        texts.append(f"{land.land_cut_off_ha[row]:.1f} ha cut off")
    if np.isfinite(land.smallest_part_ha[row]):
        texts.append(f"smallest field part {land.smallest_part_ha[row]:.1f} ha")
    if land.new_gates[row]:
        texts.append(f"new gates: {land.new_gates[row]}")
    return f"; {', '.join(texts)}: {found.land_cost_ha[row]:.2f} ha eq. counted against it"


def boundary_figures(lines: ProposedLines, found: SitingDecision) -> dict[str, float | None]:
    """Length along boundaries and benefit, of the choice and by shelter alone."""
    ends = lines.ends.free(found.choice.rows)
    if lines.land is None:
        return {"free_end_count": ends}
    alone = found.shelter_alone.benefit_ha
    return {
        "free_end_count": ends,
        "chosen_boundary_share": share_along_boundaries(lines, lines.land, found.choice),
        "shelter_alone_boundary_share": share_along_boundaries(
            lines, lines.land, found.shelter_alone
        ),
        "chosen_benefit_ha": found.choice.benefit_ha,
        "shelter_alone_benefit_ha": alone,
        # Sets that reach targets differ in length or cost, not in what they aim to add.
        "benefit_given_up_share": None
        if found.least is not None or alone <= 0
        else 1.0 - found.choice.benefit_ha / alone,
    }


def share_along_boundaries(lines: ProposedLines, land: WorkingLand, choice: Choice) -> float | None:
    """Share of the length of a set along boundaries; None for an empty set."""
    length = lines.candidates["length_m"].to_numpy(dtype=float)[choice.rows]
    if not len(length):
        return None
    return float(np.average(land.boundary_share[choice.rows], weights=length))


def boundary_answer(lines: ProposedLines, found: SitingDecision, unit: str) -> list[str]:
    """How far the choice follows boundaries, and what that costs in benefit of some unit."""
    figures = boundary_figures(lines, found)
    here, alone = (figures.get(f"{n}_boundary_share") for n in ("chosen", "shelter_alone"))
    if here is None or alone is None:
        return []
    follows = (
        f"{100 * here:.0f} % of the length follows boundaries (by shelter alone: "
        f"{100 * alone:.0f} %)"
    )
    ends = (
        f"{lines.ends.free(found.choice.rows)} of the ends adjoin no other "
        f"belt or wood ({lines.ends.free(found.shelter_alone.rows)} by shelter alone)"
    )
    if found.least is not None:
        return [f"{follows}. {ends}"]
    added, most = (float(figures[f"{n}_benefit_ha"] or 0) for n in ("chosen", "shelter_alone"))
    share = figures["benefit_given_up_share"]
    given_up = "" if share is None else f": {100 * share:.0f} % given up for the working land"
    return [
        f"{follows}; of the {most:,.1f} {unit} by shelter alone the choice adds "
        f"{added:,.1f}{given_up}. {ends}"
    ]
