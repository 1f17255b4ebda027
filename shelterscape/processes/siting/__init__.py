"""Where new belts, or belts mended, help most for what may be spent."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from shelterscape.process import Figure, Process
from shelterscape.process.cases import DEFAULT_SEASONS
from shelterscape.process.files import Files
from shelterscape.process.memory import Sizes
from shelterscape.process.run import Run
from shelterscape.process.stages import USUAL_MARGIN_M
from shelterscape.processes.siting.decide import Decision, decide, tell
from shelterscape.processes.siting.inputs import SitingInputs
from shelterscape.processes.siting.lines import Lines, lines_of
from shelterscape.processes.siting.outputs import OUTPUTS
from shelterscape.processes.siting.pictures import draw
from shelterscape.processes.siting.read import read
from shelterscape.processes.siting.write import write
from shelterscape.science.siting import benefit, exact, ground, monte_carlo, setting
from shelterscape.science.terrain.open_wind import work_bytes


def compute(asked: SitingInputs, files: Files, run: Run) -> None:
    """Offer lines, compare them, choose, and write what was found."""
    run.progress(0.0, "reading terrain, winds, belts and what stands in the way")
    given = read(asked, files, run)
    run.progress(0.1, "laying out candidate lines")
    lines = lines_of(given, run)
    found = decide(given, lines, run)
    run.progress(0.9, "layers and tables")
    chosen = write(given, lines, found, run)
    tell(given, lines, found, run)
    run.figures = figures_of(lines, found, chosen)
    run.progress(0.96, "previews")
    draw(given, found, chosen, run, PROCESS.all_cautions)
    run.progress(1.0, "siting done")


BEST = 3
"""How many candidates are named as the best."""


def figures_of(
    lines: Lines, found: Decision, chosen: gpd.GeoDataFrame
) -> dict[str, float | str | None]:
    """Figures for the table of holdings."""
    best = pd.DataFrame({"candidate": lines.candidates["candidate"], "ha": found.own.total})
    best = best[best["ha"] > 0].sort_values(
        ["ha", "candidate"], ascending=[False, True], kind="stable"
    )
    # A cost nobody gave is not nothing.
    known = chosen["cost_minor"].notna().all()
    return {
        "best_candidates": ", ".join(
            f"{row.candidate} ({row.ha:.2f} ha)" for row in best.head(BEST).itertuples()
        ),
        "chosen_m": float(chosen["length_m"].sum()),
        "cost_minor": float(chosen["cost_minor"].sum()) if known else None,
        "need_met_ha": float(np.mean([exact.own_ha for exact in found.exact.values()])),
    }


def prepare(asked: SitingInputs, files: Files, run: Run) -> float:
    """Work out the wind over the hills of the whole map, reading all there is."""
    run.progress(0.0, "open wind over the whole map")
    read(asked, files, run)
    return USUAL_MARGIN_M


def memory(asked: SitingInputs, sizes: Sizes) -> float:
    """Bytes held at most: while candidates are compared, or while the chosen set is evaluated."""
    if sizes.grid is None:
        return 0.0
    cells, directions, cases = sizes.cells, sizes.directions, len(asked.seasons or DEFAULT_SEASONS)
    terrain_wind = 4.0 * cells * directions * cases * asked.terrain
    # Elevation, and the results of each case.
    kept = terrain_wind + cells * (4.0 + 8.0 * cases * len(asked.years or (0,)))
    in_setting = setting.work_bytes(cells, directions, terrain=asked.terrain)
    comparing = ground.work_bytes(cells, directions, sizes.vertices) + benefit.work_bytes(cells)
    # Results of cases done are kept while the next is evaluated.
    evaluating = exact.work_bytes(cells, sizes.vertices) + 4.0 * cells * directions * asked.terrain
    drawing = monte_carlo.work_bytes(cells, directions) if asked.reruns else 0.0
    winds = work_bytes(sizes.grid) if asked.terrain else 0.0
    return kept + max(winds, in_setting + max(comparing, evaluating, drawing))


PROCESS = Process(
    id="siting",
    version="1.1.0",
    title="Where belts help most",
    summary="Lays out lines where belts could go or be mended, cuts them by what stands in their "
    "way, works out what each would bring to the places that need shelter, and chooses the best "
    "set within a budget of metres or money.",
    inputs=SitingInputs,
    outputs=OUTPUTS,
    cautions=(
        "Belts are chosen by shelter alone. Near roads, power lines, pipes, drains and buildings "
        "keep the clearances of the local code and of the owner or operator, ask a licensed "
        "practitioner, and keep at least the height the trees will reach.",
        "A belt may drift snow onto a road behind it, hold cold air above it on a slope and so "
        "bring frost, shade a road into ice, and hide the view at bends, crossings and accesses: "
        "look at each line on the ground.",
        "What was not checked for want of a layer stands in the table of constraints; a line "
        "without a constraint is not thereby allowed.",
        "Costs rank lines against each other; the packaged ones are invented. Heights and "
        "densities of years to come are told by growth curves and engineering choices.",
        "Old belts that are cut, laid or thinned may shed branches or fall while the work goes on: "
        "have them looked at by a licensed tree inspector first.",
    ),
    sources=(
        "Bearing across the wind: the sum of f⟨U^p⟩ |sin| over the wind set, in closed form.",
        "Length of at least 10 heights: US Natural Resources Conservation Service (status S). "
        "Spacing: about 25 heights are usual (AMS Glossary, status S); lines are laid closer to "
        "leave a choice.",
        "Several belts: the smallest relative wind rules, as in Vigiak and others 2003 (status "
        "S2), while lines are compared; the set chosen is worked out in full.",
        "Crops lose within 1 to 2 heights of a belt and gain beyond: Kort 1988; Cleugh and others "
        "2002 (status S).",
        "Distances, clearances, mending and what it does to a belt: engineering choices, said "
        "where they stand.",
    ),
    figures=(
        Figure("best_candidates", "best_candidates"),
        Figure("chosen_m", "chosen_length"),
        Figure("cost_minor", "chosen_cost", role="cost"),
        Figure("need_met_ha", "need_met", role="benefit"),
    ),
    compute=compute,
    prepare=prepare,
    memory=memory,
)
