"""The pack for contractors: points to set out, map to scale, a sheet for each belt."""

from __future__ import annotations

import geopandas as gpd

from shelterscape.processes.planting.layers import with_parcels
from shelterscape.processes.planting.loading import PlantingData
from shelterscape.science.planting.layout import Layout
from shelterscape.science.planting.set_out import set_out_points


def set_out(data: PlantingData, plan: Layout) -> gpd.GeoDataFrame:
    """Points to set out, with names, grid and accuracy."""
    found = set_out_points(data.belts, plan.rows, plan.fences, data.site.openings)
    code = data.grid.crs.to_epsg()
    names = found["belt"].astype(str) + " " + found["point_number"].astype(str)
    frame = found.assign(
        point_name=names,
        map_grid=f"EPSG:{code}" if code else data.grid.crs.to_string(),
        accuracy_m=data.params.line_accuracy_m,
    )
    return gpd.GeoDataFrame(with_parcels(data, frame))
