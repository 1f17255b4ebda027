"""Time and memory of evaluating and choosing candidates, and how close choices are to the best.

python benchmarks/siting.py

The large job runs in a separate process, to measure its memory, with a memory copy timed in the
same run. Small jobs are compared with all possible sets.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import belts as seeded
import geopandas as gpd
import numpy as np
import shapely
from affine import Affine
from watch import peak_mib

import shelterscape
from shelterscape.grid import Grid
from shelterscape.process.stages import each
from shelterscape.science.belts import Case, complete
from shelterscape.science.prepared_belts import ShelterOptions
from shelterscape.science.siting.benefit import benefits
from shelterscape.science.siting.budgets import Limits
from shelterscape.science.siting.choice import choose
from shelterscape.science.siting.context import EvaluationContext, evaluation_context
from shelterscape.science.siting.full_evaluation import full_evaluation
from shelterscape.science.siting.ground import Ground
from shelterscape.science.siting.monte_carlo import selection_runs
from shelterscape.science.wind import equal_winds

SIDE, CELL_M = 2000, 5.0
BELTS, CANDIDATES, CHOSEN = 1250, 3000, 50
LEAF = Case("in-leaf")
SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"
RUNS, SMALL = 200, 10


def ground_of(side: int, cell_m: float) -> Grid:
    """A square map."""
    corner = Affine(cell_m, 0, seeded.WEST, 0, -cell_m, seeded.NORTH)
    return Grid((side, side), corner, seeded.CRS)


def lines_on(grid: Grid, count: int, seed: int, longest_m: float) -> gpd.GeoDataFrame:
    """Belts of up to four pieces over a map, 3 to 18 m tall."""
    rng = np.random.default_rng(seed)
    west, south, east, north = grid.bounds
    lines = []
    for _ in range(count):
        pieces = int(rng.integers(1, 5))
        bearing = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.25, pieces))
        piece = rng.uniform(longest_m / 6, longest_m) / pieces
        moves = piece * np.column_stack([np.cos(bearing), np.sin(bearing)])
        start = rng.uniform((west, south), (east, north))
        lines.append(shapely.LineString(np.vstack([start, start + np.cumsum(moves, axis=0)])))
    frame = gpd.GeoDataFrame(
        {"height_m": rng.uniform(3, 18, count), "porosity": rng.uniform(0.2, 0.7, count)},
        geometry=lines,
        crs=grid.crs,
    )
    return complete(frame, "belts")[0]


def candidates_of(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The same lines as candidates."""
    length = lines.geometry.length.to_numpy()
    return lines.assign(
        candidate=[f"c{i:04d}" for i in range(len(lines))],
        length_m=length,
        cost_minor=np.round(length * 900).astype(int),
        holding_id="",
    )


def world(grid: Grid, standing: int, count: int, seed: int, longest_m: float) -> Any:
    """An evaluation context with twelve wind directions and varying priority, and candidates."""
    row, col = (np.arange(n, dtype=np.float32) * grid.cell_m / 400 for n in grid.shape)
    priority = (1 + np.sin(row)[:, None] * np.cos(col)[None, :]).astype(np.float32)
    winds = equal_winds([30.0 * i for i in range(12)], "winds")
    there = lines_on(grid, standing, seed, longest_m)
    context = evaluation_context(
        grid, LEAF, winds, there, {"crop": priority}, options=ShelterOptions()
    )
    return context, candidates_of(lines_on(grid, count, seed + 1, longest_m))


def timed(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """Result of a call, its seconds, and its processor seconds over both cores."""
    wall, busy = time.perf_counter(), time.process_time()
    found = work()
    return found, time.perf_counter() - wall, time.process_time() - busy


REPEATS = 3


def median_of(work: Callable[[], Any], repeats: int = REPEATS) -> tuple[Any, float, float]:
    """Result of a call, and the medians of its seconds and processor seconds over several calls."""
    runs = [timed(work) for _ in range(repeats)]
    return runs[0][0], *(statistics.median(run[k] for run in runs) for k in (1, 2))


def measure() -> dict[str, Any]:
    """The large job, in this process."""
    small, few = world(ground_of(200, CELL_M), 10, 40, 1, 600.0)
    warm = Ground(small, few)
    benefits(warm, few)
    choose(warm, few, Limits(metres=1500.0))
    del warm
    context, new = world(ground_of(SIDE, CELL_M), BELTS, CANDIDATES, 11, 600.0)
    blank = np.zeros(context.grid.shape, np.float32)
    copies = [timed(blank.copy)[1] for _ in range(15)]
    reported: dict[str, Any] = {"copy": statistics.median(copies)}
    ground, *reported["standing"] = timed(lambda: Ground(context, new))
    every = np.arange(CANDIDATES)
    by_direction, *reported["evaluate"] = median_of(lambda: ground.by_direction(every))
    own = by_direction.sum(axis=1)
    _, *reported["parts"] = timed(lambda: benefits(ground, new))
    limits = Limits(metres=CHOSEN * float(new["length_m"].mean()))
    for name, exchange in (("greedy", False), ("choose", True)):
        found, *reported[name] = median_of(
            lambda e=exchange: choose(ground, new, limits, own=own, exchange=e)
        )
        reported[f"{name}_found"] = [
            len(found.rows),
            found.benefit_ha,
            found.gap,
            found.evaluations,
        ]
    reported["memory_gib"] = peak_mib() / 1024
    ground.wind = blank[None]
    whole, *reported["exact"] = median_of(lambda: full_evaluation(context, new, found.rows))
    reported["exact_found"] = whole.benefit_ha
    return reported


def large() -> list[str]:
    """Table of the large job."""
    command = [sys.executable, __file__, "measure"]
    reported = json.loads(
        subprocess.run(command, check=True, capture_output=True, text=True).stdout
    )
    what = {
        "standing": f"wind beside {BELTS} existing belts, 60 rays",
        "evaluate": f"{CANDIDATES} candidates by direction (goal 3 s)",
        "parts": "the same with purposes and owners",
        "greedy": "step-by-step choice, with bound and curve",
        "choose": f"choice of about {CHOSEN} with exchanges of single lines (goal 2.5 s)",
        "exact": "full evaluation of the chosen set, 15 rays, with and without (goal 6 s)",
    }
    lines = [
        f"| siting, {SIDE} × {SIDE} cells of {CELL_M:g} m, 12 directions × 5 rays | seconds "
        "| processor seconds | times a memory copy |",
        "| --- | --- | --- | --- |",
    ]
    for key, text in what.items():
        wall, busy = reported[key]
        lines.append(f"| {text} | {wall:.1f} | {busy:.1f} | {wall / reported['copy']:.0f} |")
    lines.append(
        f"| peak memory before the last, GiB (goal 1.5) | {reported['memory_gib']:.2f} | | |"
    )
    lines += ["", *_found(reported)]
    return lines


def _found(reported: dict[str, Any]) -> list[str]:
    lines = ["| choice | lines | benefit, ha eq. | below the best by at most | benefits needed |"]
    lines.append("| --- | --- | --- | --- | --- |")
    for key, text in (("greedy", "step by step"), ("choose", "with exchanges")):
        count, hectares, gap, evaluated = reported[f"{key}_found"]
        lines.append(f"| {text} | {count} | {hectares:.1f} | {100 * gap:.1f} % | {evaluated} |")
    lines.append(
        f"| full evaluation: ends, close belts, 15 rays | | {reported['exact_found']:.1f} | | |"
    )
    return lines


def sets_of(new: gpd.GeoDataFrame, metres: float) -> list[tuple[int, ...]]:
    """All sets within a total length."""
    length = new["length_m"].to_numpy()
    sizes = (itertools.combinations(range(len(new)), k) for k in range(1, len(new) + 1))
    return [s for sets in sizes for s in sets if length[list(s)].sum() <= metres]


def plain(ground: Ground, rows: tuple[int, ...]) -> float:
    """Benefit of a set if the smallest relative wind applies."""
    total = 0.0
    for row in rows:
        total += float(ground.gains([row])[0])
        ground.plant(row)
    for _ in rows:
        ground.remove_last()
    return total


def near_the_best(worlds: int = 12) -> list[str]:
    """Sets found, compared with the best of all sets, on small maps."""
    shares, gaps, kept = [], [], 0
    for seed in range(worlds):
        context, new = world(ground_of(60, 10.0), 3, SMALL, 100 + 2 * seed, 200.0)
        ground = Ground(context, new)
        metres = 0.35 * float(new["length_m"].sum())
        found = choose(ground, new, Limits(metres=metres))
        best = max(plain(ground, rows) for rows in sets_of(new, metres))
        shares.append(found.benefit_ha / best)
        gaps.append(found.gap)
        kept += best <= found.benefit_bound_ha * (1 + 1e-6)
    return [
        f"{worlds} small choices among {SMALL}, compared with all sets (smallest relative wind): "
        f"{np.mean(shares):.4f} of the best on average, {min(shares):.4f} at worst; the bound "
        f"was correct in {kept} of {worlds}, {100 * np.mean(gaps):.0f} % above the set found.",
    ]


def monte_carlo(context: EvaluationContext, new: gpd.GeoDataFrame) -> tuple[float, float]:
    """Seconds and processor seconds of all Monte Carlo runs."""
    own = benefits(Ground(context, new), new)
    limits = Limits(metres=20 * float(new["length_m"].mean()))
    each(selection_runs(context, new, own, limits, runs=1), lambda done: None)
    _, wall, busy = timed(
        lambda: each(selection_runs(context, new, own, limits, runs=RUNS), lambda done: None)
    )
    return wall, busy


def what_if() -> str:
    """Drawn lines evaluated on the sample as its plan has it: the belts that a short run chose."""
    plan = tomllib.loads((SAMPLE / "plan.toml").read_text(encoding="utf-8"))
    steps = {step.pop("process"): step for step in plan["step"]}
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(SAMPLE):
        shelterscape.wind_set(**steps["wind-set"], out=f"{folder}/winds")
        given = {**plan["inputs"], **steps["siting"], "monte_carlo_runs": 0}
        for name in ("winds", "hourly"):
            given[name] = f"{folder}/winds/tables/{name}.csv"
        shelterscape.siting(**given, out=f"{folder}/siting")
        chosen = gpd.read_file(f"{folder}/siting/layers.gpkg", layer="chosen_belts")
        state, prepare, _ = timed(lambda: shelterscape.prepare_siting(**given))
        new = chosen[chosen["action"] == "plant"]
        # Drawn through their openings, as a planner would.
        lines = [shapely.LineString(shapely.get_coordinates(line)) for line in new.geometry]
        drawn = new[["name", "design"]].set_geometry(lines, crs=new.crs)
        first = timed(lambda: state.evaluate(drawn))[1]
        _, wall, busy = median_of(lambda: state.evaluate(drawn), 7)
    return (
        "What-if on the sample (800 × 800 cells, 16 directions): `prepare_siting` "
        f"{prepare:.1f} s; `evaluate` with {len(drawn)} drawn lines {wall:.2f} s, {busy:.2f} "
        f"processor seconds (median of 7; the first {first:.2f} s; goal 1 s)."
    )


def tables() -> list[str]:
    """The section of siting."""
    job = world(ground_of(800, 10.0), 150, 600, 31, 400.0)
    seconds, busy = monte_carlo(*job)
    return [
        *large(),
        "",
        *near_the_best(),
        "",
        f"Selection shares: {RUNS} Monte Carlo runs on the 300 best of 600 candidates, 800 × 800 "
        f"cells of 10 m as the sample has, 12 directions × 5 rays: {seconds:.0f} s, {busy:.0f} "
        "processor seconds (goal 60 s).",
        "",
        what_if(),
    ]


if __name__ == "__main__":
    if sys.argv[1:] == ["measure"]:
        print(json.dumps(measure()))
    else:
        sys.path.insert(0, str(Path(__file__).parent))
        print("\n".join(tables()))
