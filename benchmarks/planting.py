"""Time of a plan of planting for 1,000 belts of 300 m; goal 30 s."""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
from shapely import LineString, Point

from shelterscape.process.design_files import packaged_designs
from shelterscape.science.planting.layout import Layout, Site, layout

GOAL_S = 30.0


def planned(count: int) -> Layout:
    """Belts of 4 rows with two bends and an opening each, and a clearance beside every second."""
    x = np.arange(count) * 50.0
    lines = [LineString([(a, 0), (a, 100), (a + 30, 190), (a + 20, 300)]) for a in x]
    frame = {"belt": [str(i) for i in range(count)], "design": "dense stock belt"}
    belts = gpd.GeoDataFrame(frame, geometry=lines, crs="EPSG:25832")
    clearances = [Point(a, 250).buffer(12) for a in x[::2]]
    site = Site(270.0, clearances, [Point(a, 50) for a in x])
    return layout(belts, packaged_designs().designs, site)


if __name__ == "__main__":
    planned(1)
    start = time.process_time()
    plan = planned(1000)
    taken = time.process_time() - start
    print(
        f"1,000 belts, {len(plan.rows):,} clumps, {plan.rows['plant_count'].sum():,} plants: "
        f"{taken:.1f} s of {GOAL_S:.0f} s"
    )
