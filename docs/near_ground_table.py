"""Make the packaged table of the wind close to the ground: `python docs/near_ground_table.py`.

About 6.5 minutes of one core, with 20 s of compiling; `--workers 2` halves it. The table is
the same on every machine up to rounding in its last digit, and is read by `science.near_ground`.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import itertools
import time
import zipfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from shelterscape.science.cross_section import Layer, section_wind
from shelterscape.science.near_ground import SCALE, STEM_DRAG

TARGET = Path(__file__).resolve().parents[1] / "shelterscape" / "data" / "near_ground.npz"
VERSION = 1

DRAG = np.array([0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
WIDTH_H = np.array([0.1, 0.4, 1.2, 4.0])
STEM_H = np.array([0.0, 0.15, 0.3, 0.45])
H_OVER_Z0 = np.array([40.0, 160.0, 640.0, 2560.0])
DISTANCE_H = np.concatenate(
    [
        np.arange(-6.0, -2.0, 0.5),
        np.arange(-2.0, -0.1, 0.25),
        [-0.05],
        np.arange(0.0, 4.0, 0.25),
        np.arange(4.0, 12.0, 0.5),
        np.arange(12.0, 40.5, 1.0),
    ]
)
HEIGHT_H = np.array([0.05, 0.1, 0.175, 0.3, 0.5, 0.7, 0.9, 1.1, 1.4, 2.0])

THROUGH_H_OVER_Z0 = 774.0
THROUGH_WIDTH_H = 0.3


def case(values: tuple[float, float, float, float]) -> np.ndarray:
    """Relative wind of one section, (distances, heights); leeward counts from the leeward face."""
    drag, width_h, stem_h, h_over_z0 = values
    found = section_wind(layers(drag, width_h, stem_h), h_over_z0)
    x = np.where(DISTANCE_H < 0, DISTANCE_H, DISTANCE_H + width_h)
    return np.stack([found.relative_wind(x, z) for z in HEIGHT_H], axis=1)


def layers(drag: float, width_h: float, stem_h: float) -> list[Layer]:
    """Plants of a belt: crowns, and bare stems below them."""
    crown = Layer(0.0, width_h, stem_h, 1.0, drag)
    if stem_h == 0.0:
        return [crown]
    return [Layer(0.0, width_h, 0.0, stem_h, min(drag, STEM_DRAG)), crown]


def through(drag: float) -> float:
    """Mean wind from the ground to H at the leeward face of an even belt, over the open wind's."""
    belt = layers(drag, THROUGH_WIDTH_H, 0.0)
    return section_wind(belt, THROUGH_H_OVER_Z0).mean_below(THROUGH_WIDTH_H)


def write(arrays: dict[str, np.ndarray], target: Path) -> str:
    """Write a file of arrays without times, so that equal arrays give equal bytes; its sha256."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, array in arrays.items():
            content = io.BytesIO()
            np.lib.format.write_array(content, array, allow_pickle=False)
            entry = zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content.getvalue())
    return hashlib.sha256(target.read_bytes()).hexdigest()


def main() -> None:
    """Solve all sections and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, default=TARGET)
    params = parser.parse_args()
    started = time.perf_counter()
    through(1.0)  # compiles before the workers start
    axes = (DRAG, WIDTH_H, STEM_H, H_OVER_Z0)
    cases = [tuple(map(float, values)) for values in itertools.product(*axes)]
    with ProcessPoolExecutor(params.workers) as pool:
        passing = np.array(list(pool.map(through, map(float, DRAG))))
        wind = np.array(list(pool.map(case, cases, chunksize=8)))
    wind = wind.reshape(*map(len, axes), len(DISTANCE_H), len(HEIGHT_H))
    stored = np.round(wind * SCALE)
    if not (stored.min() >= 0 and stored.max() <= np.iinfo(np.uint16).max):
        raise ArithmeticError(f"relative wind from {wind.min()} to {wind.max()}")
    arrays = {
        "version": np.array(VERSION),
        "drag": DRAG,
        "through": passing,
        "width_h": WIDTH_H,
        "stem_h": STEM_H,
        "h_over_z0": H_OVER_Z0,
        "distance_h": DISTANCE_H,
        "height_h": HEIGHT_H,
        "wind": stored.astype(np.uint16),
    }
    digest = write(arrays, params.out)
    size = params.out.stat().st_size / 1e6
    seconds = time.perf_counter() - started
    print(f"{len(cases)} sections in {seconds:.0f} s, {size:.1f} MB, sha256 {digest}")


if __name__ == "__main__":
    main()
