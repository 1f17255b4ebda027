"""What a run of `trace-belts` reports: lengths by kind, what to check, and a map."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from shelterscape.files.draw_sheets import FeatureGroup, MapPanel, MapSheet
from shelterscape.files.draw_views import DETAIL_SIDE_M, Bounds, view_of_most
from shelterscape.grid import Grid
from shelterscape.process.stages import Results, Summary
from shelterscape.processes.trace_belts.loading import TraceData
from shelterscape.processes.trace_belts.spec import TraceBeltsInputs
from shelterscape.science.tracing.comparison import correctness

COLOURS = {"hedge": "#7fb09b", "tree belt": "#1f5f4a", "wood": "#b6a3dd", "review": "#b5561f"}


@dataclass(frozen=True, kw_only=True)
class TraceResults(Results):
    """Results of `trace-belts`.

    Parameters
    ----------
    data : TraceData
    """

    data: TraceData


def summarise(results: TraceResults, params: TraceBeltsInputs) -> Summary:
    """Answer, certainty and a map."""
    return Summary(
        question="Where are belts, and how high and wide are they?",
        answer=[*_belts(results), *_review(results), *_compared(results)],
        certainty=_certainty(results),
        pictures={"traced_belts": _map(results)},
    )


def _km(length_m: float) -> str:
    return f"{length_m:,.0f} m" if length_m < 1000 else f"{length_m / 1000:,.1f} km"


def _belts(results: TraceResults) -> list[str]:
    """Length and height by kind of belt, gaps and woods."""
    belts, woods = results.layers["traced_belts"], results.layers["traced_woods"]
    gaps = results.layers["belt_gaps"]
    if not len(belts):
        return ["No belts were found"]
    kinds = []
    for kind, rows in belts.groupby("belt_type", sort=True):
        heights = rows["height_m"].astype(float)
        low, high = np.percentile(heights, [10, 90])
        kinds.append(f"{_km(rows['length_m'].sum())} of {kind}, mostly {low:.0f} to {high:.0f} m")
    text = f"{len(belts)} belts of {_km(belts['length_m'].sum())} in all: {'; '.join(kinds)}"
    found = [text, f"{len(gaps)} gaps of {_km(gaps['gap_length_m'].sum())} in belts and rows"]
    if len(woods):
        found.append(f"{len(woods)} woods of {woods['area_ha'].sum():,.1f} ha")
    return found


def _review(results: TraceResults) -> list[str]:
    review = results.layers["belts_to_review"]
    if not len(review):
        return ["No belt needs a check by its shape; heights and gaps may still be wrong"]
    first = review.iloc[0]
    return [
        f"{len(review)} belts of {_km(review['length_m'].sum())} are uncertain; check first: "
        f"{first['name']}, {first['length_m']:.0f} m: {first['reason']}"
    ]


def _compared(results: TraceResults) -> list[str]:
    """Traced against surveyed belts: completeness by type, correctness, and heights."""
    table, surveyed = results.tables.get("survey_comparison"), results.data.surveyed
    belts = results.layers["traced_belts"]
    if table is None or surveyed is None or not len(table):
        return []
    hits = (table["traced_share"] * table["length_m"]).groupby(table["belt_type"]).sum()
    shares = hits / table.groupby("belt_type")["length_m"].sum()
    kinds = ", ".join(f"{100 * share:.0f} % of {kind or 'belt'}" for kind, share in shares.items())
    text = f"Share traced of {_km(table['length_m'].sum())} of surveyed belts: {kinds}"
    if len(belts):
        search_m = results.data.params.search_m
        near = correctness(surveyed, belts, search_m)
        text += (
            f"; {100 * near:.0f} % of the traced length is within {search_m:g} m of a surveyed belt"
        )
    off = (table["traced_height_m"] - table["height_m"]).dropna()
    if len(off):
        # Adding 0 makes no "-0.0" of a small negative number.
        middle = round(float(off.median()), 1) + 0.0
        text += (
            f"; traced minus surveyed height is {middle:+.1f} m at the median of {len(off)} belts, "
            f"and {np.percentile(off.abs(), 90):.1f} m or less either way for nine of ten"
        )
    return [text]


def _certainty(results: TraceResults) -> list[str]:
    belts = results.layers["traced_belts"]
    if not len(belts):
        return []
    narrow = belts["width_m"].isna()
    cell_m = results.data.grid.cell_m
    return [
        "Porosity of all traced belts is an assumed value reduced by the canopy share",
        f"Width is not known for {_km(belts.loc[narrow, 'length_m'].sum())} of belts narrower than "
        f"{3 * cell_m:g} m (three cells)",
    ]


def _map(results: TraceResults) -> MapSheet:
    """Map of belts by kind, woods and belts to review."""
    layers, grid, relief = results.layers, results.data.grid, results.data.relief
    belts, review = layers["traced_belts"], layers["belts_to_review"]
    woods = layers["traced_woods"].geometry.to_numpy()
    shown = [FeatureGroup("wood", woods, COLOURS["wood"])] if len(woods) else []
    for kind in ("hedge", "tree belt"):
        rows = belts[belts["belt_type"] == kind]
        if len(rows):
            shown.append(FeatureGroup(kind, _strips(rows, grid.cell_m), COLOURS[kind]))
    if len(review):
        strips = _strips(review, grid.cell_m)
        shown.append(FeatureGroup("to review", strips, COLOURS["review"], dashed=True))
    boxes = _densest(belts, grid)
    panels = [MapPanel("all belts and woods")]
    panels += [MapPanel(f"{letter}: the ground with most belts", view=view)
               for letter, view in boxes.items()]  # fmt: skip
    return MapSheet(
        title="Belts traced in a raster of canopy height",
        panels=tuple(panels),
        groups=tuple(shown),
        grid=relief.grid if relief else grid,
        ground=relief.elevation if relief else None,
        boxes=boxes,
        notes=(
            f"Canopy of {results.data.threshold_m:g} m or more, cells of {grid.cell_m:g} m. Belts "
            "are drawn wider than they are.",
        ),
    )


def _densest(belts: gpd.GeoDataFrame, grid: Grid) -> dict[str, Bounds]:
    """The view with most belts, counted by their vertices and middles."""
    west, south, east, north = grid.bounds
    cell_m = DETAIL_SIDE_M / 15
    shape = int((north - south) / cell_m) + 1, int((east - west) / cell_m) + 1
    counts = np.zeros(shape, np.float32)
    lines = shapely.segmentize(belts.geometry.to_numpy(), cell_m / 2)
    xy = shapely.get_coordinates(lines)
    rows = ((north - xy[:, 1]) / cell_m).astype(int).clip(0, shape[0] - 1)
    cols = ((xy[:, 0] - west) / cell_m).astype(int).clip(0, shape[1] - 1)
    np.add.at(counts, (rows, cols), 1.0)
    return view_of_most(counts, grid)


def _strips(rows: gpd.GeoDataFrame, cell_m: float) -> np.ndarray:
    """Lines as strips that can be seen."""
    return shapely.buffer(rows.geometry.to_numpy(), cell_m, cap_style="flat")
