"""Internal rasters: written strip by strip, complete or not at all, read in windows."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st

from shelterscape.errors import WriteError
from shelterscape.files import planes
from shelterscape.files.planes import PlanesWriter, read_planes, write_planes
from shelterscape.grid import Grid

SHAPE = (600, 330)


@pytest.fixture
def bands():
    """Two bands with gaps and numbers of all magnitudes."""
    rng = np.random.default_rng(2)
    found = [(rng.normal(size=SHAPE) * 10.0 ** rng.integers(-9, 9)).astype("f4") for _ in "ab"]
    found[0][40:90, 20:60] = np.nan
    found[1][:3] = -np.inf
    return found


def test_strips_are_read_as_they_were_written(tmp_path, grid_of, bands):
    grid, path = grid_of(*SHAPE), tmp_path / "deep" / "a.tif"
    with PlanesWriter(path, grid, 2) as writer:
        for row in range(0, SHAPE[0], 256):
            assert not path.exists()
            writer.write(row, [band[row : row + 256] for band in bands])
    for given_band, found in zip(bands, read_planes(path, grid), strict=True):
        np.testing.assert_array_equal(found, given_band)
    assert [p.name for p in path.parent.iterdir()] == ["a.tif"]


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A file and its content."""
    grid = Grid(SHAPE, Affine(10, 0, 0, 0, -10, 6000))
    band = np.arange(SHAPE[0] * SHAPE[1], dtype="f4").reshape(SHAPE)
    path = tmp_path_factory.mktemp("kept") / "a.tif"
    write_planes(path, grid, [band])
    return path, grid, band


@given(row=st.integers(0, 550), col=st.integers(0, 300))
def test_a_window_equals_the_whole(kept, row, col):
    path, grid, band = kept
    (found,) = read_planes(path, grid.window(row, col, (50, 30)))
    assert np.array_equal(found, band[row : row + 50, col : col + 30])


def test_no_file_remains_after_an_interruption(tmp_path, grid_of, bands):
    with (
        pytest.raises(KeyboardInterrupt),
        PlanesWriter(tmp_path / "a.tif", grid_of(*SHAPE), 2) as writer,
    ):
        writer.write(0, [band[:256] for band in bands])
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_a_file_that_differs_from_what_was_written_is_removed(
    tmp_path, grid_of, bands, monkeypatch
):
    read = planes._read

    def spoilt(path, window):
        found = read(path, window)
        found[0][-1, -1] += 1
        return found

    monkeypatch.setattr(planes, "_read", spoilt)
    with pytest.raises(WriteError) as caught:
        write_planes(tmp_path / "a.tif", grid_of(*SHAPE), bands)
    assert caught.value.code == "output-unwritable"
    assert not list(tmp_path.iterdir())
