"""Finished rasters: content, layout, and detection of damage."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from affine import Affine
from file_helpers import CRS
from rio_cogeo.cogeo import cog_validate

from shelterscape.errors import InputError, WriteError
from shelterscape.files.rasters import ENVIRONMENT, RasterWriter, open_raster
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

TERM = TERMS["relative_wind"]


def grid_of(shape):
    return Grid(shape, Affine(5, 0, 560_000, 0, -5, 5_710_000), CRS)


def field_of(shape, seed=1):
    values = np.random.default_rng(seed).random(shape).astype(np.float32)
    values[3:9, 4:15] = np.nan
    return values


def write(path, values, bands, **options):
    with RasterWriter(path, grid_of(values[0].shape), bands, TERM, **options) as raster:
        for i, band in enumerate(values, start=1):
            raster.write(i, band)
    return raster


@pytest.fixture
def two_bands(tmp_path):
    values = [field_of((30, 40), seed) for seed in (1, 2)]
    path = tmp_path / "relative_wind.tif"
    writer = write(path, values, ["in leaf", "bare"])
    return path, values, writer


def test_metadata_of_a_raster(two_bands):
    path, values, _ = two_bands
    with rasterio.open(path) as data:
        assert data.dtypes == ("float32", "float32")
        assert data.nodata == -9999.0
        assert data.descriptions == ("in leaf", "bare")
        assert data.units == ("1", "1")
        assert data.crs.to_epsg() == 25832
        assert data.transform == Affine(5, 0, 560_000, 0, -5, 5_710_000)
        assert data.scales == (1.0, 1.0) and data.offsets == (0.0, 0.0)
        assert data.tags()["QUANTITY"] == TERM.title
        assert data.tags()["MEANING"] == TERM.meaning
        raw = data.read()
    for found, written in zip(raw, values, strict=True):
        assert (found[np.isnan(written)] == -9999.0).all()
        np.testing.assert_array_equal(found[np.isfinite(written)], written[np.isfinite(written)])


def test_infinite_values_become_missing(tmp_path):
    values = np.ones((5, 6), np.float32)
    values[0, 0], values[1, 1] = np.inf, -np.inf
    write(tmp_path / "a.tif", [values], ["x"])
    with rasterio.open(tmp_path / "a.tif") as data:
        assert (data.read(1) == -9999).sum() == 2


@pytest.mark.parametrize("shape", [(30, 40), (700, 900), (1300, 1100)])
@pytest.mark.parametrize("count", [1, 3])
def test_valid_by_another_library_at_every_size(tmp_path, shape, count):
    # Independent check: strict validator of rio-cogeo (warnings fail too). Status: run here.
    path = tmp_path / "a.tif"
    write(path, [field_of(shape, i) for i in range(count)], [f"b{i}" for i in range(count)])
    valid, errors, warnings = cog_validate(path, strict=True)
    assert valid and not errors and not warnings
    with rasterio.open(path) as data:
        overviews = [data.overviews(i) for i in data.indexes]
        assert data.interleaving.value == "BAND" or count == 1
    assert overviews == [[] if max(shape) <= 512 else [2] if max(shape) <= 1024 else [2, 4]] * count


def test_overviews_are_means_without_missing_cells(tmp_path):
    values = np.full((600, 600), 0.5, np.float32)
    values[:, 1::2] = 1.0
    values[0, 1] = values[1, 1] = np.nan
    write(tmp_path / "a.tif", [values], ["x"])
    with rasterio.open(tmp_path / "a.tif", overview_level=0) as data:
        small = data.read(1)
    assert small[0, 0] == 0.5
    assert small[5, 5] == 0.75


def test_windows_in_any_order_give_the_same_file(tmp_path):
    values = field_of((700, 900))
    write(tmp_path / "whole.tif", [values], ["x"])
    blocks = [(r, c) for r in range(0, 700, 256) for c in range(0, 900, 256)]
    np.random.default_rng(5).shuffle(blocks)
    with RasterWriter(tmp_path / "parts.tif", grid_of(values.shape), ["x"], TERM) as raster:
        for r, c in blocks:
            raster.write(1, values[r : r + 256, c : c + 256], int(r), int(c))
    with rasterio.open(tmp_path / "whole.tif") as a, rasterio.open(tmp_path / "parts.tif") as b:
        np.testing.assert_array_equal(a.read(), b.read())
    assert cog_validate(tmp_path / "parts.tif", strict=True)[0]


def test_a_class_raster_has_names_and_colours(tmp_path):
    codes = np.random.default_rng(1).integers(1, 4, (600, 50)).astype(np.uint8)
    codes[0, :5] = 255
    names = {1: "wind reduced by 40 % or more", 2: "open", 3: "windier"}
    colours = {1: (58, 29, 110), 2: (250, 249, 252), 3: (181, 86, 31)}
    write(tmp_path / "zones.tif", [codes], ["in leaf"], classes=names, colours=colours)
    assert cog_validate(tmp_path / "zones.tif", strict=True)[0]
    with rasterio.open(tmp_path / "zones.tif") as data:
        assert data.dtypes == ("uint8",) and data.nodata == 255
        np.testing.assert_array_equal(data.read(1), codes)
        tags = data.tags(1)
        assert {k: tags[f"CLASS_{k}"] for k in names} == names
        table = data.colormap(1)
        assert {k: table[k][:3] for k in colours} == colours


def test_overviews_of_classes_have_only_existing_classes(tmp_path):
    # Stripes of 1 and 3: a mean would give 2, a class that does not occur.
    codes = np.full((600, 600), 1, np.uint8)
    codes[:, 1::2] = 3
    names = {1: "sheltered", 2: "open", 3: "windier"}
    write(tmp_path / "zones.tif", [codes], ["in leaf"], classes=names)
    with rasterio.open(tmp_path / "zones.tif", overview_level=0) as data:
        assert data.shape == (300, 300)
        assert set(np.unique(data.read(1))) <= {1, 3}


def test_same_values_give_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write(tmp_path / name / "f.tif", [field_of((700, 900))], ["x"])
    assert (tmp_path / "a/f.tif").read_bytes() == (tmp_path / "b/f.tif").read_bytes()


def test_no_other_file_remains(two_bands):
    path, _, _ = two_bands
    assert [p.name for p in path.parent.iterdir()] == ["relative_wind.tif"]


def test_one_changed_cell_is_detected(two_bands):
    path, _, writer = two_bands
    writer.verify()
    # Direct file access keeps the layout; one value changes.
    with rasterio.open(path, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as data:
        band = data.read(2)
        band[20, 20] += 0.5
        data.write(band, 2)
    with pytest.raises(WriteError) as caught:
        writer.verify()
    assert caught.value.code == "output-unwritable"
    assert "band 2" in caught.value.where


@pytest.mark.parametrize("damage", ["truncated", "zeroed", "gone", "garbage"])
def test_damage_to_the_file_is_a_write_error(two_bands, damage):
    path, _, writer = two_bands
    raw = path.read_bytes()
    match damage:
        case "truncated":
            path.write_bytes(raw[: len(raw) // 2])
        case "zeroed":
            path.write_bytes(raw[:-2000] + bytes(2000))
        case "gone":
            path.unlink()
        case "garbage":
            path.write_bytes(b"not a raster at all")
    with pytest.raises(WriteError) as caught:
        writer.verify()
    assert caught.value.code == "output-unwritable"


def test_no_file_remains_after_an_error_in_the_block(tmp_path):
    with (
        pytest.raises(RuntimeError, match="mid-way"),
        RasterWriter(tmp_path / "a.tif", grid_of((30, 40)), ["x"], TERM) as raster,
    ):
        raster.write(1, field_of((30, 40)))
        raise RuntimeError("mid-way")
    assert list(tmp_path.iterdir()) == []


def test_a_text_file_is_not_a_raster(tmp_path):
    (tmp_path / "notes.tif").write_text("hello")
    with rasterio.Env(**ENVIRONMENT), pytest.raises(InputError) as caught:
        open_raster(tmp_path / "notes.tif")
    assert caught.value.code == "file-unreadable"
