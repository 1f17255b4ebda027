"""A map of all holdings."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import rasterize

from shelterscape.files.draw import MOST_CELLS, draw_maps
from shelterscape.files.draw_sheets import MapPanel, MapSheet
from shelterscape.files.styles import MEASURED_BY
from shelterscape.grid import Grid
from shelterscape.process import PICTURE_CAUTION, Figure
from shelterscape.terms import TERMS

MOST_NAMED = 60
"""Most holdings whose names are written on the map; more names would hide it."""


def draw_holdings_map(
    path: Path,
    holdings: gpd.GeoDataFrame,
    figures: Mapping[str, Figure],
    grid: Grid,
) -> None:
    """Draw holdings by rank; without ranks by the last figure declared for the map.

    Draw nothing where no figure is known.
    """
    term, panels = _panels(holdings, figures)
    drawn = holdings[~holdings.geometry.is_empty]
    if not panels or drawn.empty:
        return
    view = _view(tuple(drawn.total_bounds), grid)
    draw_maps(
        path,
        MapSheet(
            title=f"Holdings: {MEASURED_BY.get(term, TERMS[term].title)}",
            panels=tuple(
                MapPanel(head, _rasterized(drawn, values, view), term)
                for head, values in panels.items()
            ),
            grid=view,
            notes=(
                f"{_note(term)} Grey: the figure is unknown, or the holding failed.",
                PICTURE_CAUTION,
            ),
            outlined=drawn,
            outline_label="holdings",
            labels=_labels(drawn) if len(drawn) <= MOST_NAMED else {},
        ),
    )


def _labels(holdings: gpd.GeoDataFrame) -> dict[tuple[float, float], str]:
    """Name and rank of each holding, by the point to write them at."""
    found = {}
    for shape, name, holding_id, rank in zip(
        holdings.geometry, holdings["name"], holdings["holding_id"], holdings["rank"], strict=True
    ):
        point = shape.representative_point()
        words = textwrap.fill(name or holding_id, 14)
        found[point.x, point.y] = words if pd.isna(rank) else f"{rank}\n{words}"
    return found


def _panels(
    holdings: gpd.GeoDataFrame, figures: Mapping[str, Figure]
) -> tuple[str, dict[str, pd.Series]]:
    """Name of the term to show, and its values by the heading of each panel."""
    rank = holdings["rank"].astype("Float64").astype(float)
    if rank.notna().any():
        return "rank_share", {"by gain divided by cost": (rank - 1) / max(rank.max() - 1, 1)}
    shown = [f for f in figures.values() if f.map_term and holdings[f.name].notna().any()]
    if not shown:
        return "", {}
    # Later steps build on earlier ones and are closer to the answer.
    term = shown[-1].map_term
    area = holdings["area_ha"].replace(0.0, np.nan)
    return term, {
        f.map_heading: holdings[f.name] / area if f.per_area else holdings[f.name]
        for f in shown
        if f.map_term == term
    }


def _note(term: str) -> str:
    return f"{TERMS[term].label}: {TERMS[term].meaning}"


def _view(bounds: tuple[float, ...], grid: Grid) -> Grid:
    """A grid over the bounds, coarse enough to draw."""
    west, south, east, north = bounds
    cell = max(grid.cell_m, (east - west) / MOST_CELLS, (north - south) / MOST_CELLS)
    shape = tuple(max(2, math.ceil(side / cell)) for side in (north - south, east - west))
    return Grid((shape[0], shape[1]), Affine(cell, 0, west, 0, -cell, north), grid.crs)


def _rasterized(holdings: gpd.GeoDataFrame, values: pd.Series, view: Grid) -> NDArray[np.float32]:
    """Values of holdings on a grid; a small holding fills at least one cell."""
    found = np.full(view.shape, np.nan, np.float32)
    largest_first = holdings.geometry.area.sort_values(ascending=False, kind="stable").index
    shapes = [
        (holdings.geometry[i], float(values[i]))
        for i in largest_first
        if np.isfinite(values[i]) and not shapely.is_empty(holdings.geometry[i])
    ]
    if shapes:
        rasterize(shapes, out=found, transform=view.affine, all_touched=True)
    return found
