"""Create the invented field drains of the Ostrel valley.

Usage: python sample_gis/sample_drains.py

Writes drains.gpkg into the folder of this script, from ostrel.gpkg in the same folder. No such
drain exists. No random numbers are used.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
import shapely.ops
from sample_grants import write

HERE = Path(__file__).resolve().parent
DRAINED_PARCELS = 12
APART_M, FROM_EDGE_M, SHORTEST_M = 25.0, 8.0, 40.0


def drains_in(parcel: shapely.Polygon, river: shapely.Geometry) -> list[shapely.LineString]:
    """Parallel drains across a parcel, towards the river."""
    middle = parcel.centroid
    mouth = shapely.ops.nearest_points(middle, river)[1]
    along = np.array([mouth.x - middle.x, mouth.y - middle.y])
    along /= np.hypot(*along)
    across = np.array([along[1], -along[0]])
    inner = parcel.buffer(-FROM_EDGE_M)
    found = []
    for offset in np.arange(-500.0, 501.0, APART_M):
        point = np.array(middle.coords[0]) + offset * across
        line = shapely.LineString([point - 1000 * along, point + 1000 * along])
        found += [p for p in shapely.get_parts(line.intersection(inner)) if p.length > SHORTEST_M]
    return [shapely.set_precision(line, 0.01) for line in found]


def main() -> None:
    """Create the file."""
    layers = {
        name: pyogrio.read_dataframe(HERE / "ostrel.gpkg", layer=name)
        for name in ("parcels", "river")
    }
    river = layers["river"].geometry.iloc[0]
    parcels = layers["parcels"].assign(distance=layers["parcels"].distance(river))
    near = parcels.sort_values(["distance", "parcel_id"]).head(DRAINED_PARCELS)
    rows = [
        (f"drain {i + 1} of {parcel.parcel_id}", line)
        for parcel in near.itertuples()
        for i, line in enumerate(
            line for part in shapely.get_parts(parcel.geometry) for line in drains_in(part, river)
        )
    ]
    drains = gpd.GeoDataFrame(rows, columns=["name", "geometry"], crs=parcels.crs)
    about = "Invented field drains in the invented Ostrel valley"
    write({"drains": (drains, "MultiLineString", about)}, HERE / "drains.gpkg")
    print(f"drains: {len(drains)}")


if __name__ == "__main__":
    main()
