"""The stages of `siting`: candidate lines, their benefit, and the best set."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from shelterscape.errors import Notice
from shelterscape.process.cases import DEFAULT_SEASONS
from shelterscape.process.memory import InputSizes
from shelterscape.process.place_hours import work_bytes as hours_bytes
from shelterscape.process.seen_ground import work_bytes as seen_ground_bytes
from shelterscape.process.stages import Block, Progress, Work
from shelterscape.processes.siting.aims import MOST_SHELTER, SUFFICIENT
from shelterscape.processes.siting.compare import difference_blocks
from shelterscape.processes.siting.decide import SitingDecision, decide
from shelterscape.processes.siting.layers import SitingResults, results_of
from shelterscape.processes.siting.lines import ProposedLines, propose_lines
from shelterscape.processes.siting.loading import SitingData, load, whole_map
from shelterscape.processes.siting.spec import SitingInputs
from shelterscape.processes.siting.summary import summarise
from shelterscape.processes.siting.what_if import SitingState
from shelterscape.science.places import purpose_of
from shelterscape.science.siting import (
    benefit,
    context,
    crop_fields,
    full_evaluation,
    ground,
    monte_carlo,
    sampled_cells,
)
from shelterscape.science.siting.candidates import DRAWN, ID_LETTERS
from shelterscape.science.terrain.wind_over_terrain import work_bytes as terrain_wind_bytes

__all__ = ["compute", "load", "prepare", "summarise", "whole_map", "work_bytes"]


def compute(data: SitingData) -> Work[SitingResults]:
    """Propose lines, compare them, choose, and evaluate the choice in full."""
    yield Progress(0.0, "placing candidate lines")
    lines, notices = propose_lines(data)
    found = yield from decide(data, lines)
    yield from _rasters(data, found)
    if data.earlier is not None:
        winds = [one.relative_wind_with_belts for one in found.full_evaluation.values()]
        missing = ~np.isfinite(data.elevation)
        winds = [np.where(missing, np.float32(np.nan), wind) for wind in winds]
        yield from difference_blocks(data.earlier, winds)
    more = [*_lost_lines(data, lines), *_flagged(lines, found)]
    return results_of(data, lines, found, [*notices, *found.notices, *more])


def prepare(data: SitingData, notices: Sequence[Notice]) -> SitingState:
    """Prepare the inputs once, to evaluate drawn lines again and again."""
    return SitingState(data, notices)


def _rasters(data: SitingData, found: SitingDecision) -> Iterator[Block]:
    missing, nothing = ~np.isfinite(data.elevation), np.float32(np.nan)
    for i, evaluation in enumerate(found.full_evaluation.values()):
        there = np.where(missing, nothing, evaluation.relative_wind_with_belts)
        yield Block("relative_wind_with_belts", i, there)
        gain = np.where(missing, nothing, evaluation.relative_wind - there)
        yield Block("wind_reduction_added", i, gain)


def _lost_lines(data: SitingData, lines: ProposedLines) -> list[Notice]:
    """Required lines that were excluded over their whole length."""
    drawn = data.lines
    if drawn is None or "drawn" not in data.params.candidate_types:
        return []
    ids = np.array([f"{ID_LETTERS[DRAWN]}{n:04d}" for n in range(1, len(drawn) + 1)])
    gone = drawn["must_have"].to_numpy() & ~np.isin(ids, lines.candidates["part"])
    if not gone.any():
        return []
    names = ", ".join(ids[gone])
    text = f"required lines excluded over their whole length: {names}; see exclusions.csv"
    return [Notice("lines-lost", text, int(gone.sum()))]


def _flagged(lines: ProposedLines, found: SitingDecision) -> list[Notice]:
    """Chosen belts with flags."""
    frame = lines.candidates.iloc[found.choice.rows]
    frame = frame[frame["flags"] != ""]
    if not len(frame):
        return []
    text = ". ".join(f"{row.candidate}: {row.flags}" for row in frame.itertuples())
    return [Notice("belts-flagged", f"chosen belts to check on the ground: {text}", len(frame))]


def work_bytes(params: SitingInputs, sizes: InputSizes) -> float:
    """Largest memory needed, bytes: while comparing candidates or evaluating the chosen set."""
    if sizes.grid is None:
        return 0.0
    cells, directions, cases = sizes.cells, sizes.directions, len(params.seasons or DEFAULT_SEASONS)
    terrain_wind = 4.0 * cells * directions * cases * params.terrain
    # Elevation, and the results of each case.
    kept = terrain_wind + cells * (
        4.0 + (8.0 + 4.0 * bool(params.compare)) * cases * len(params.years or (0,))
    )
    in_context = context.work_bytes(cells, directions, terrain=params.terrain)
    comparing = ground.work_bytes(cells, directions, sizes.vertices) + benefit.work_bytes(cells)
    # Results of completed cases are kept while the next one is evaluated.
    evaluating = (
        full_evaluation.work_bytes(cells, sizes.vertices)
        + 4.0 * cells * directions * params.terrain
    )
    # Monte Carlo runs, or the benefit by year.
    drawing = monte_carlo.work_bytes(cells, directions)
    on_places = sampled_cells.work_bytes(cells, directions) if params.places else 0.0
    saturates = params.stock_benefit == SUFFICIENT and _may_have_stock(params)
    beside_crops = crop_fields.work_bytes(cells, directions) if params.places else 0.0
    if saturates:
        # Cells of stock places are kept, and there is one more set of cells in Monte Carlo runs.
        in_context += on_places
    if params.places and (params.aim != MOST_SHELTER or saturates):
        # Sets are evaluated in full while candidates are compared, with the wind without them.
        comparing += on_places + 4.0 * cells * directions + evaluating
    winds = 0.0
    if params.terrain:
        winds = 2.0 * cells + terrain_wind_bytes(sizes.grid) + seen_ground_bytes(params, sizes)
    # Places are covered once without and once with the chosen belts.
    hours = hours_bytes(params, sizes, 2)
    return kept + hours + max(winds, in_context + max(comparing, evaluating, drawing, beside_crops))


def _may_have_stock(params: SitingInputs) -> bool:
    """Whether places for stock count: all purposes do where none is named."""
    named = [name for name in (params.purpose, *params.purposes) if name]
    purposes = [purpose_of(name) for name in named]
    return not named or any(purpose and purpose.head_m2 > 0 for purpose in purposes)
