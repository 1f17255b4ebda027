"""What grants would pay for belts."""

from __future__ import annotations

from shelterscape.process import Files, Process, Run
from shelterscape.process.disk import Space, rows_bytes, space
from shelterscape.process.memory import Sizes
from shelterscape.processes.grant_overlay.inputs import GrantOverlayInputs, read
from shelterscape.processes.grant_overlay.outputs import OUTPUTS
from shelterscape.processes.grant_overlay.pictures import draw
from shelterscape.processes.grant_overlay.write import write
from shelterscape.science import grants


def compute(asked: GrantOverlayInputs, files: Files, run: Run) -> None:
    """Write what each scheme pays for each belt, and why not for the rest."""
    run.progress(0.0, "reading belts, schemes and grant areas")
    job = read(asked, files, run)
    run.progress(0.2, "laying belts over grant areas")
    ground = grants.lay_out(job.belts, job.areas, job.agreements, job.schemes)
    run.progress(0.5, "payments")
    paid = grants.payments(ground, asked.start_year)
    found = write(paid, job, run)
    run.progress(0.9, "preview")
    draw(found, paid, job, PROCESS.all_cautions, run)
    run.progress(1.0, "grant overlay done")


PAYMENTS = 16
"""Rows for each belt and scheme: parts, reasons, and payments by rate and year (engineering
choice; their number stands in the scheme files)."""


def disk(asked: GrantOverlayInputs, sizes: Sizes) -> Space:
    """Bytes left on the disk at most: rows of belts, scheme by scheme and year by year."""
    rows = PAYMENTS * len(asked.schemes) * rows_bytes(sizes, "belts")
    return space(sizes, other=rows, panels=2)


PROCESS = Process(
    id="grant-overlay",
    version="1.0.0",
    title="What grants would pay for new belts",
    summary="Lays belts as planted over grant areas and agreements, tests them by the rules in "
    "scheme files, and writes payments by belt, holding, scheme and year, the reason for every "
    "part that does not qualify, what widening would bring, and thresholds of assessment.",
    inputs=GrantOverlayInputs,
    outputs=OUTPUTS,
    cautions=(
        "Screening only: the grant body decides. Rules change; every row shows the date of the "
        "scheme file it rests on. Read the scheme itself before you plan or apply.",
        "Amounts are what the scheme file says, not discounted, before tax, checks and penalties.",
        "Thresholds of environmental assessment are a caution, not a decision: ask the authority "
        "early, also below them.",
        "A grant does not make a place safe for trees: near roads, power lines, drains and "
        "buildings follow the local code and ask a licensed practitioner.",
    ),
    sources=(
        "Rules and rates: the scheme files given, each with its date, source and status; none come "
        "with the package.",
        "Thresholds: the file given, or assessment_thresholds.toml of the package, each with its "
        "source and status (from memory where it says so).",
        "Rounding, order of caps, joining of blocks, and schemes that bar one another: our own "
        "rules, stated in docs/grants.md (engineering choices).",
    ),
    compute=compute,
    disk=disk,
)
