"""Create the invented veteran trees of the Ostrel valley.

Usage: python sample_gis/sample_trees.py

Writes trees.gpkg into the folder of this script, from ostrel.gpkg in the same folder: a tree beside
each line that the planner drew, so that belts along these lines are trimmed. No such tree exists.
No random numbers are used.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyogrio
import shapely
from sample_grants import write

HERE = Path(__file__).resolve().parent
BESIDE_M = 9.0
STEMS_M, CANOPIES_M = (1.1, 1.3, 0.9, 1.5), (8.0, 13.0, 6.5, 10.0)


def beside(line: shapely.Geometry) -> shapely.Point:
    """A point on the left of a line, a third of the way along it."""
    left = shapely.offset_curve(shapely.line_merge(line), BESIDE_M)
    return shapely.set_precision(left.interpolate(1.0 / 3.0, normalized=True), 0.01)


def main() -> None:
    """Create the file."""
    lines = pyogrio.read_dataframe(HERE / "ostrel.gpkg", layer="wished_lines")
    trees = gpd.GeoDataFrame(
        {
            "name": [f"old tree beside the {name}" for name in lines["name"]],
            "stem_diameter_m": STEMS_M,
            "canopy_radius_m": CANOPIES_M,
        },
        geometry=[beside(line) for line in lines.geometry],
        crs=lines.crs,
    )
    about = "Invented veteran trees in the invented Ostrel valley"
    write({"veteran_trees": (trees, "MultiPoint", about)}, HERE / "trees.gpkg")
    print(f"trees: {len(trees)}")


if __name__ == "__main__":
    main()
