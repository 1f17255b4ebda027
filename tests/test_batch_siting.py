"""A catchment with siting in its plan: lines and belts come together, holdings are ranked."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from batch_helpers import TOP, cells_inside, holdings_of, square, write_holdings
from run_helpers import CRS, write_belts, write_dem
from test_batch import HerePool

from shelterscape import batch
from shelterscape.batch import How, run_batch

pytestmark = pytest.mark.slow

PLAN = """
[inputs]
dem = "dem.tif"
winds = "210,240"
belts = "belts.gpkg"
places = "places.gpkg"
[cases]
seasons = ["bare"]
[[step]]
process = "siting"
parcels = "places.gpkg"
holdings = "holdings.gpkg"
planting_year = 2026
budget_m = 150
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """Three holdings, each with fields of its own."""
    folder = tmp_path_factory.mktemp("siting") / "in"
    folder.mkdir()
    write_dem(folder / "dem.tif")
    write_belts(folder / "belts.gpkg")
    outlines = [square(*place) for place in TOP.values()]
    write_holdings(folder / "holdings.gpkg", outlines, list(TOP))
    fields = [
        square(row, col + half * cols / 2, rows, cols / 2)
        for row, col, rows, cols in TOP.values()
        for half in (0, 1)
    ]
    owners = [name for name in TOP for _ in range(2)]
    frame = gpd.GeoDataFrame({"name": owners, "holding_id": owners}, geometry=fields, crs=CRS)
    frame.to_file(folder / "places.gpkg", layer="places", driver="GPKG")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(batch, "_pool", lambda how: HerePool())
        found = run_batch(
            folder / "plan.toml",
            folder.parent / "out",
            holdings=str(folder / "holdings.gpkg"),
            how=How(),
        )
    assert [row.error for row in found.rows] == [None] * 3
    return found


def test_holdings_are_ranked_by_their_own_need_met_per_cost(result):
    table = holdings_of(result.folder)
    assert table["chosen_m"].between(1, 150).all() and (table["cost"] > 0).all()
    worth = table["need_met_ha"] / table["cost"]
    assert list(table["rank"]) == list(worth.rank(ascending=False).astype(int))
    assert table["best_candidates"].str.contains(" ha").all()
    assert (result.catchment / "preview-holdings.png").is_file()


@pytest.mark.parametrize("layer", ["candidates", "chosen_belts"])
def test_lines_lie_on_the_holding_they_are_for(result, layer):
    lines = gpd.read_file(result.catchment / "catchment.gpkg", layer=layer)
    assert len(lines) >= 3
    outlines = {name: square(*place).buffer(1e-6) for name, place in TOP.items()}
    for line, owner, action in zip(
        lines.geometry, lines["holding_id"], lines["action"], strict=True
    ):
        # A belt that stands may lead beyond the edge of its holding; a new one may not.
        there = line.within if action == "plant" else line.intersects
        assert there(outlines[owner]), (owner, line)
    assert not lines.duplicated(["candidate", "holding_id", "action"]).any()
    assert {*lines["holding_id"]} == {*TOP}


def test_the_mosaic_covers_the_holdings_and_nothing_else(result):
    inside = np.zeros((60, 60), bool)
    for place in TOP.values():
        inside[cells_inside(place)] = True
    rows, cols = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    with rasterio.open(result.catchment / "rasters" / "shelter_gain.tif") as data:
        known = data.read(1) != data.nodata
    assert (known == inside[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]).all()
