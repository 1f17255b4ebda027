"""Draw the invented photographs of one hedge of the Ostrel valley; every run gives the same bytes.

Usage: python sample_gis/sample_photographs.py

Rewrites hedge_leaf_1.jpg, hedge_leaf_2.jpg, hedge_bare.jpg and photographs.csv in the folder of
this script. No camera was used: leaves, twigs, sky and ground are drawn from a seed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from shelterscape.science.belt_pictures import leafy_belt, photograph_of, twiggy_belt

SEED = 20260401
HERE = Path(__file__).resolve().parent
HEDGE = "Orrelby hedge 2"
ROWS, COLS, TOP, BOTTOM = 420, 900, 90, 390

SHOTS = {
    "hedge_leaf_1.jpg": ("in leaf", 0.40, "blue", None),
    "hedge_leaf_2.jpg": ("in leaf", 0.36, "cloudy", (560, 650)),
    "hedge_bare.jpg": ("bare", 0.66, "grey", None),
}
"""Leaf state, share of sky in the hedge, sky, and columns of a gap."""


def draw(number: int, season: str, porosity: float, sky: str, gap: tuple[int, int] | None) -> None:
    """Draw one photograph."""
    drawn = leafy_belt if season == "in leaf" else twiggy_belt
    share = np.ones((ROWS, COLS), np.float32)
    share[TOP:BOTTOM] = drawn((BOTTOM - TOP, COLS), porosity, SEED + number)
    if gap:
        share[TOP:BOTTOM, slice(*gap)] = 1
    share[BOTTOM:] = 0
    rgb = photograph_of(share, SEED + number, sky=sky, leaves=season == "in leaf")
    Image.fromarray(rgb).save(HERE / list(SHOTS)[number], quality=80)


def main() -> None:
    """Draw all photographs, and write the table of what they show."""
    corners = f"0 {TOP}, {COLS} {TOP}, {COLS} {BOTTOM}, 0 {BOTTOM}"
    rows = ["photograph,name,season,outline"]
    for number, (name, (season, porosity, sky, gap)) in enumerate(SHOTS.items()):
        draw(number, season, porosity, sky, gap)
        rows.append(f'{name},{HEDGE},{season},"{corners}"')
    text = "\n".join(rows) + "\n"
    (HERE / "photographs.csv").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
