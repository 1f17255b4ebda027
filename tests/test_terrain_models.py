"""Terrain models: refusals and their remedies, and that ground keeps its position."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest
from affine import Affine
from file_helpers import CRS, GRID, cell_centres, notices_by_code, plane, write_dem
from pyproj import Transformer
from scipy.ndimage import binary_erosion

from shelterscape.errors import InputError
from shelterscape.files.terrain_models import read_terrain


def ramp(shape=(12, 15)):
    return np.arange(math.prod(shape), dtype=np.float32).reshape(shape)


def refused(code, *args, **options) -> InputError:
    with pytest.raises(InputError) as caught:
        read_terrain(*map(str, args), **options)
    assert caught.value.code == code
    return caught.value


def test_a_plain_file_is_read_unchanged(tmp_path):
    path = write_dem(tmp_path / "dem.tif", ramp(), nodata=-9999.0)
    elevation, grid, notices = read_terrain(str(path))
    np.testing.assert_array_equal(elevation, ramp())
    assert elevation.dtype == np.float32
    assert grid.affine == GRID.affine and grid.crs.to_epsg() == 25832
    assert notices == []


def test_a_missing_coordinate_system_is_refused_and_can_be_given(tmp_path):
    path = write_dem(tmp_path / "dem.tif", ramp(), crs=None)
    assert "crs" in refused("crs-missing", path).hint
    elevation, grid, notices = read_terrain(str(path), crs="EPSG:27700")
    assert grid.crs.to_epsg() == 27700 and notices == []
    np.testing.assert_array_equal(elevation, ramp())


def test_unknown_crs_name_is_refused(tmp_path):
    path = write_dem(tmp_path / "dem.tif", ramp())
    assert refused("name-unknown", path, to_crs="EPSG:999999").value == "EPSG:999999"


def test_to_the_crs_it_has_already_changes_nothing(tmp_path):
    for code in ("EPSG:25832", "EPSG:32633", "EPSG:23031", "EPSG:25830"):
        path = write_dem(tmp_path / "dem.tif", ramp(), crs=code)
        elevation, grid, notices = read_terrain(str(path), to_crs=code)
        assert notices == [] and grid.affine == GRID.affine, code
        np.testing.assert_array_equal(elevation, ramp())


def test_a_vertical_coordinate_system_does_not_cause_resampling(tmp_path):
    # ETRS89 / UTM 32N + DHHN2016 height: only the horizontal part matters.
    path = write_dem(tmp_path / "dem.tif", ramp(), crs="EPSG:25832+7837")
    elevation, grid, notices = read_terrain(str(path))
    assert notices == [] and grid.crs.to_epsg() == 25832
    np.testing.assert_array_equal(elevation, ramp())


def test_feet_in_the_crs_are_refused_too(tmp_path):
    # UTM 17N + NAVD88 height in US survey feet (EPSG:6360).
    path = write_dem(tmp_path / "dem.tif", ramp(), crs="EPSG:26917+6360")
    assert "foot" in str(refused("elevation-unit", path).value)
    elevation, _, _ = read_terrain(str(path), z_unit="us-ft")
    np.testing.assert_allclose(elevation, ramp() * 1200 / 3937, rtol=1e-6)


PLACES = [(9.5, 51.5), (-84.4, 36.7), (172.6, -43.5), (-3.2, 55.9), (-70.9, -53.1)]


@pytest.mark.parametrize(("lon", "lat"), PLACES)
def test_degrees_are_refused_with_a_hint_at_the_utm_zone(tmp_path, lon, lat):
    affine = Affine(0.001, 0, lon - 0.02, 0, -0.001, lat + 0.02)
    path = write_dem(tmp_path / "dem.tif", ramp((40, 40)), affine=affine, crs="EPSG:4326")
    # Independent check: zones of 6° each from 180° W (not verified against a source; none of these
    # points is in the exceptions around Norway and Svalbard).
    zone = (32600 if lat >= 0 else 32700) + math.floor((lon + 180) / 6) + 1
    assert f"EPSG:{zone} " in refused("crs-geographic", path).hint
    elevation, grid, notices = read_terrain(str(path), to_crs=f"EPSG:{zone}")
    assert grid.crs.to_epsg() == zone
    assert list(notices_by_code(notices)) == ["dem-resampled"]
    assert np.isfinite(elevation).mean() > 0.9


def test_resampling_from_degrees_keeps_positions(tmp_path):
    lon, lat, step = 9.5, 51.5, 0.0005
    affine = Affine(step, 0, lon, 0, -step, lat)
    x, y = cell_centres(affine, (120, 160))
    heights = 100 + 2000 * (x - lon) + 3000 * (y - lat)
    path = write_dem(
        tmp_path / "dem.tif", heights.astype(np.float32), affine=affine, crs="EPSG:4326"
    )
    elevation, grid, _ = read_terrain(str(path), to_crs="EPSG:32632")
    # The inverse with pyproj: position of each new cell in degrees, and the value there.
    back = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    lon2, lat2 = back.transform(*cell_centres(grid.affine, grid.shape))
    expected = 100 + 2000 * (lon2 - lon) + 3000 * (lat2 - lat)
    inner = binary_erosion(np.isfinite(elevation), iterations=3)
    assert inner.sum() > 10_000
    # GDAL may be off by an eighth of a cell; the rise over a cell is up to 1.5 m here.
    assert np.abs(elevation - expected)[inner].max() < 0.125 * 2.5
    assert np.abs((elevation - expected)[inner].mean()) < 0.03


@pytest.mark.parametrize("unit", ["ft", "Feet", "foot", "US survey foot", "ftUS"])
def test_feet_stated_by_the_band_are_refused(tmp_path, unit):
    path = write_dem(tmp_path / "dem.tif", ramp(), units=unit)
    assert "--z-unit" in refused("elevation-unit", path).hint


# One international foot is exactly 0.3048 m, one US survey foot 1200/3937 m (NIST SP 811 app. B,
# not verified against the source).
@pytest.mark.parametrize(
    ("unit", "metres"), [("ft", 0.3048), ("us-ft", 0.3048006096), ("cm", 0.01), ("m", 1.0)]
)
def test_height_units_scale(tmp_path, unit, metres):
    path = write_dem(tmp_path / "dem.tif", ramp(), units="ft")
    elevation, _, _ = read_terrain(str(path), z_unit=unit)
    np.testing.assert_allclose(elevation, ramp() * metres, rtol=3e-7)  # single precision


def test_coordinates_in_feet_are_refused_and_can_be_converted(tmp_path):
    affine = Affine(30, 0, 2_000_000, 0, -30, 700_000)
    path = write_dem(tmp_path / "dem.tif", ramp((40, 40)), affine=affine, crs="EPSG:2264")
    error = refused("crs-unit", path)
    assert "foot" in str(error.value)
    assert "EPSG:32617" in error.hint  # about 79.5° W
    elevation, grid, _ = read_terrain(str(path), to_crs="EPSG:32119")
    # The same projection in metres: cells of 30 US survey feet.
    assert grid.cell_m == pytest.approx(30 * 1200 / 3937, rel=1e-4)
    assert np.nanmax(elevation) == pytest.approx(ramp((40, 40)).max(), abs=1)


def test_scale_and_offset_are_applied(tmp_path):
    raw = ramp().astype(np.int16)
    raw[2, 3] = -32768
    path = write_dem(tmp_path / "dem.tif", raw, nodata=-32768, scale=0.1, offset=50)
    elevation, _, _ = read_terrain(str(path))
    assert np.isnan(elevation[2, 3])
    known = np.isfinite(elevation)
    assert known.sum() == raw.size - 1
    np.testing.assert_allclose(elevation[known], raw[known] * 0.1 + 50, rtol=1e-6)


def test_nodata_nan_and_infinity_are_missing(tmp_path):
    raw = ramp()
    raw[0, 0], raw[1, 1], raw[2, 2], raw[3, 3] = -9999, np.nan, np.inf, -np.inf
    path = write_dem(tmp_path / "dem.tif", raw, nodata=-9999.0)
    elevation, _, _ = read_terrain(str(path))
    assert np.argwhere(np.isnan(elevation)).tolist() == [[0, 0], [1, 1], [2, 2], [3, 3]]


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "float64"])
def test_number_kinds_without_a_nodata_tag(tmp_path, dtype):
    path = write_dem(tmp_path / "dem.tif", ramp().astype(dtype))
    elevation, _, notices = read_terrain(str(path))
    assert elevation.dtype == np.float32 and notices == []
    np.testing.assert_array_equal(elevation, ramp())


TURN = math.radians(20)
LAYOUTS = {
    "non-square": Affine(10, 0, 560_000, 0, -8, 5_710_000),
    "south-up": Affine(10, 0, 560_000, 0, 10, 5_709_000),
    "east-left": Affine(-10, 0, 561_000, 0, -10, 5_710_000),
    "rotated": Affine(10, 0, 560_000, 0, -10, 5_710_000) * Affine.rotation(20),
    "rotated, south-up": Affine.translation(560_000, 5_709_000)
    * Affine.rotation(-35)
    * Affine.scale(10, 10),
}


@pytest.mark.parametrize("affine", LAYOUTS.values(), ids=LAYOUTS)
def test_other_layouts_are_resampled_and_a_plane_remains_the_same(tmp_path, affine):
    heights = plane(*cell_centres(affine, (90, 110))).astype(np.float32)
    path = write_dem(tmp_path / "dem.tif", heights, affine=affine)
    elevation, grid, notices = read_terrain(str(path))
    assert list(notices_by_code(notices)) == ["dem-resampled"]
    inner = binary_erosion(np.isfinite(elevation), iterations=3)
    assert inner.sum() > 0.7 * heights.size
    expected = plane(*cell_centres(grid.affine, grid.shape))
    # Bilinear weights reproduce a plane; the difference is single precision at 200 m.
    assert np.abs(elevation - expected)[inner].max() < 2e-3
    assert grid.cell_m == pytest.approx(8 if affine.e == -8 else 10)


def test_every_cell_of_a_south_up_file_is_kept(tmp_path):
    path = write_dem(tmp_path / "dem.tif", ramp(), affine=LAYOUTS["south-up"])
    elevation, grid, _ = read_terrain(str(path))
    np.testing.assert_allclose(elevation, ramp()[::-1], atol=1e-4)
    assert grid.bounds == (560_000, 5_709_000, 560_150, 5_709_120)


def test_cells_that_are_square_within_rounding_count_as_square(tmp_path):
    # Exporters round: sides that differ by a ten-millionth count as square.
    path = write_dem(tmp_path / "dem.tif", ramp(), affine=Affine(10, 0, 0, 0, -10.000001, 0))
    elevation, grid, notices = read_terrain(str(path))
    assert notices == [] and grid.cell_m == 10
    np.testing.assert_array_equal(elevation, ramp())


@pytest.mark.parametrize("value", [-9999.0, np.nan, np.inf])
def test_a_model_without_known_cells_is_refused(tmp_path, value):
    raw = np.full((8, 9), value, np.float32)
    refused("raster-empty", write_dem(tmp_path / "dem.tif", raw, nodata=-9999.0))


def test_further_bands_are_reported(tmp_path):
    path = write_dem(tmp_path / "dem.tif", np.stack([ramp(), ramp() + 7, ramp() + 9]))
    elevation, _, notices = read_terrain(str(path))
    np.testing.assert_array_equal(elevation, ramp())
    assert notices_by_code(notices) == {"bands-ignored": 2}


def test_a_missing_file_is_reported_with_the_most_similar_name(tmp_path):
    write_dem(tmp_path / "ground_5m.tif", ramp())
    assert "ground_5m.tif" in refused("file-missing", tmp_path / "ground_5.tif").hint
    assert "no folder" in refused("file-missing", tmp_path / "nowhere" / "a.tif").hint
    assert "folder" in refused("file-missing", tmp_path).what


@pytest.mark.parametrize(
    "path",
    [
        "/vsicurl/http://example.org/a.tif",
        "/vsizip/a.zip/a.tif",
        "/VSIMEM/a.tif",
        "http://example.org/a.tif",
        "https://example.org/a.tif",
        "s3://bucket/a.tif",
        "zip+https://example.org/a.zip",
        "file:///etc/passwd",
    ],
)
def test_paths_that_are_not_local_files_are_refused(path):
    refused("not-local", path)


def test_a_text_file_is_refused(tmp_path):
    (tmp_path / "dem.tif").write_text("height of the ground\n")
    refused("file-unreadable", tmp_path / "dem.tif")


def test_an_incomplete_file_is_refused(tmp_path):
    path = write_dem(tmp_path / "dem.tif", np.random.default_rng(1).random((300, 300)))
    path.write_bytes(path.read_bytes()[:200_000])
    refused("file-unreadable", path)


def test_a_text_grid_finds_its_coordinate_system_beside_it(tmp_path):
    rows = "\n".join(" ".join(f"{v:g}" for v in row) for row in ramp())
    head = "ncols 15\nnrows 12\nxllcorner 560000\nyllcorner 5709000\ncellsize 10\n"
    (tmp_path / "dem.asc").write_text(head + rows + "\n")
    refused("crs-missing", tmp_path / "dem.asc")
    (tmp_path / "dem.prj").write_text(pyproj.CRS(CRS).to_wkt("WKT1_ESRI"))
    elevation, grid, _ = read_terrain(str(tmp_path / "dem.asc"))
    assert grid.crs.utm_zone == "32N"
    np.testing.assert_array_equal(elevation, ramp())


def test_a_virtual_raster_reads_only_files_in_its_folder(tmp_path):
    (tmp_path / "in").mkdir()
    write_dem(tmp_path / "in" / "dem.tif", ramp())
    write_dem(tmp_path / "outside.tif", ramp())
    for source, relative in [("dem.tif", 1), ("../outside.tif", 1), (tmp_path / "outside.tif", 0)]:
        (tmp_path / "in" / "a.vrt").write_text(
            f'<VRTDataset rasterXSize="15" rasterYSize="12"><SRS>EPSG:25832</SRS>'
            "<GeoTransform>560000,10,0,5710000,0,-10</GeoTransform>"
            '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
            f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename>'
            "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
        )
        if source == "dem.tif":
            np.testing.assert_array_equal(read_terrain(str(tmp_path / "in/a.vrt"))[0], ramp())
        else:
            refused("not-local", tmp_path / "in" / "a.vrt")


def test_reading_does_not_change_the_folder(tmp_path):
    path = write_dem(tmp_path / "dem.tif", ramp((600, 700)) / 100, affine=LAYOUTS["rotated"])
    before = [(p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in tmp_path.iterdir()]
    read_terrain(str(path))
    read_terrain(str(path), to_crs="EPSG:3035", z_unit="cm")
    after = [(p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in tmp_path.iterdir()]
    assert after == before
