"""Where the examples write their figures."""

from __future__ import annotations

import sys
from pathlib import Path

from matplotlib.figure import Figure

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis"


def save(figure: Figure, name: str) -> None:
    """Write a figure into the folder named on the command line, the working folder by default."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
    folder.mkdir(parents=True, exist_ok=True)
    figure.savefig(folder / f"{name}.png", dpi=110, bbox_inches="tight")
    print(f"Open: {folder / name}.png")
