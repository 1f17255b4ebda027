"""Cells as polygons: rasterised again, they give the same cells."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from rasterio.features import rasterize

from shelterscape.errors import Stopped
from shelterscape.science.polygons import polygons_of


def test_polygons_cover_exactly_their_cells(grid_of):
    codes = np.random.default_rng(3).integers(0, 4, (60, 80)).astype(np.uint8)
    grid = grid_of(60, 80)
    polygons, values = polygons_of(codes, grid)
    assert set(values.tolist()) == {1, 2, 3}
    assert shapely.is_valid(polygons).all()
    pairs = zip(polygons, values.tolist(), strict=True)
    # A different function of GDAL rasterises them by cell centres.
    assert (rasterize(pairs, codes.shape, transform=grid.affine) == codes).all()
    assert shapely.area(polygons).sum() == pytest.approx((codes > 0).sum() * grid.cell_m**2)


def test_patches_that_share_a_corner_are_separate_and_holes_are_kept(grid_of):
    cells = np.zeros((6, 6), bool)
    cells[:3, :3] = cells[3, 3] = True
    cells[1, 1] = False
    polygons, values = polygons_of(cells, grid_of(6, 6, cell_m=10))
    assert sorted(shapely.area(polygons)) == [100, 800]
    assert shapely.get_num_interior_rings(polygons).sum() == 1
    assert values.tolist() == [1, 1]


def test_unwanted_cells_are_left_out_and_no_cells_give_no_polygons(grid_of):
    codes = np.array([[1, 2], [2, 0]], np.uint8)
    polygons, values = polygons_of(codes, grid_of(2, 2), wanted=codes == 1)
    assert len(polygons) == 1 and values.tolist() == [1]
    polygons, values = polygons_of(codes, grid_of(2, 2), wanted=np.zeros((2, 2), bool))
    assert len(polygons) == len(values) == 0


def test_the_work_can_be_stopped(grid_of):
    def stop():
        raise Stopped(15)

    with pytest.raises(Stopped):
        polygons_of(np.eye(3, dtype=bool), grid_of(3, 3), stop_if_requested=stop)
