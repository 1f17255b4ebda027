"""Real terrain and real layers: reading them, and whole runs on them.

The open data are in a folder beside the project (its README states sources and licences) and are
only read. Expected numbers are from the data sets themselves or from independent calculations.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import rasterio.warp
import shapely
from affine import Affine
from file_helpers import cell_centres, notices_by_code
from matplotlib.cbook import get_sample_data
from PIL import Image
from rasterio.features import shapes, sieve
from scipy import ndimage

import shelterscape
from shelterscape.errors import InputError
from shelterscape.files.layer_reading import layers_of
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import read_layer
from shelterscape.grid import Grid

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
realdata = pytest.mark.realdata

# The Irish file has two columns of one name; the second library warns of it.
SAME_NAME = pytest.mark.filterwarnings("ignore:Field with same name:RuntimeWarning")


@pytest.fixture
def data():
    """The folder of open data; the test is skipped where it is absent."""
    if not DATA.is_dir():
        pytest.skip("the open data folder ../shared/data is not here")
    return DATA


# --- terrain models ---------------------------------------------------------------------------

PLAIN = [
    ("askervein/askervein_dem_25m.tif", 27700, 25),
    ("ebergotzen_25m/dem_25m.tif", 31467, 25),
    ("ebergotzen_25m/srtm_100m.tif", 31467, 100),
    ("ebergotzen_25m/clc2006_100m.tif", 31467, 100),
    ("nc_wake_30m/elev_ned_30m.tif", 32119, 30),
    ("bretagne_lidar_2m5/dtm.tif", 2154, 2.5),
    ("bretagne_lidar_2m5/dsm.tif", 2154, 2.5),
    ("bretagne_lidar_2m5/chm_veg.tif", 2154, 2.5),
]


@realdata
@pytest.mark.parametrize(("file", "epsg", "cell_m"), PLAIN)
def test_square_terrain_is_read_unchanged(data, file, epsg, cell_m):
    elevation, grid, notices = read_terrain(str(data / file))
    assert notices == []
    assert (grid.crs.to_epsg(), grid.cell_m) == (epsg, cell_m)
    with rasterio.open(data / file) as source:
        raw = source.read(1)
        assert source.transform == grid.affine
        missing = raw == source.nodata if source.nodata is not None else np.zeros(raw.shape, bool)
    np.testing.assert_array_equal(np.isnan(elevation), missing)
    np.testing.assert_array_equal(elevation[~missing], raw[~missing].astype(np.float32))


@realdata
def test_all_open_rasters_are_tested(data):
    others = {"dk_dtm_16m/dtm_16m.tif", "os_terrain50_scotland/NO33.asc"}
    there = {p.relative_to(data).as_posix() for s in ("tif", "asc") for p in data.rglob(f"*.{s}")}
    assert there == {file for file, *_ in PLAIN} | others


@realdata
def test_a_tile_without_coordinate_system_is_refused_then_read(data):
    path = str(data / "os_terrain50_scotland" / "NO33.asc")
    with pytest.raises(InputError) as caught:
        read_terrain(path)
    assert caught.value.code == "crs-missing" and "--crs" in caught.value.hint
    elevation, grid, notices = read_terrain(path, crs="EPSG:27700")
    assert notices == [] and elevation.shape == (200, 200) and grid.cell_m == 50
    # Tile NO33 of the national grid: square NO begins at 300 km E, 700 km N (not verified).
    assert grid.bounds == (330_000, 730_000, 340_000, 740_000)
    # README of the data: -2 to 452 m.
    assert (round(float(elevation.min())), round(float(elevation.max()))) == (-2, 452)


@realdata
def test_oblong_cells_become_square_and_the_ground_keeps_its_position(data):
    path = data / "dk_dtm_16m" / "dtm_16m.tif"
    elevation, grid, notices = read_terrain(str(path))
    assert notices_by_code(notices) == {"dem-resampled": 1}
    with rasterio.open(path) as source:
        raw, affine = source.read(1, masked=True).filled(np.nan), source.transform
    assert grid.cell_m == pytest.approx(min(affine.a, -affine.e))
    # Independent calculation with scipy: bilinear between the centres of the original cells.
    cols, rows = ~affine * cell_centres(grid.affine, grid.shape)
    expected = ndimage.map_coordinates(raw, [rows - 0.5, cols - 0.5], order=1, cval=np.nan)
    both = np.isfinite(expected) & np.isfinite(elevation)
    assert both.mean() > 0.9 * np.isfinite(raw).mean()
    assert np.abs(elevation - expected)[both].max() < 0.01


# --- layers -----------------------------------------------------------------------------------

PARCELS = {
    # file: working system, column of hectares (by the authority that drew them), notices
    "at_parcels_with_hedges_31287.gpkg": ("EPSG:31287", "SL_FLAECHE_BRUTTO_HA", {}),
    "de_sh_fieldblocks_4647.gpkg": ("EPSG:25832", "Flaeche", {"layer-reprojected": 1}),
    "dk_marker_2026_25832_shp.zip": ("EPSG:25832", "IMK_areal", {}),
    "nl_parcels_landscape_elements_28992.gpkg": ("EPSG:28992", "", {}),
    # Two of its columns have one name; the reader warns of it.
    "ie_gsaa_2024_4258_gml.zip": ("EPSG:2157", "", {"layer-reprojected": 1, "reader-remark": 1}),
}


def by_fiona(path: Path) -> gpd.GeoDataFrame:
    """The first layer of a file, read by another library."""
    name = f"zip://{path}" if path.suffix == ".zip" else str(path)
    with fiona.open(name) as layer:
        return gpd.GeoDataFrame.from_features(list(layer), crs=layer.crs.to_wkt())


def grid_over(bounds, crs) -> Grid:
    west, south, east, north = bounds
    shape = (int((north - south) / 10) + 3, int((east - west) / 10) + 3)
    return Grid(shape, Affine(10, 0, west - 10, 0, -10, north + 10), crs)


@SAME_NAME
@realdata
@pytest.mark.parametrize("file", PARCELS)
def test_parcels_of_several_countries(data, file):
    crs, hectares, expected = PARCELS[file]
    path = data / "field_parcels" / file
    second = by_fiona(path).to_crs(crs)
    frame, notices = read_layer(str(path), grid_over(second.total_bounds, crs), "parcels")
    found = notices_by_code(notices)
    # A few parcels cross themselves; exactly these were repaired.
    broken = int((~second.geometry.is_valid).sum())
    assert found.pop("features-repaired", 0) == broken
    assert found == expected
    assert len(frame) == len(second) == 100
    assert set(frame.geom_type) <= {"Polygon", "MultiPolygon"}
    np.testing.assert_allclose(frame.geometry.area, second.geometry.area, rtol=1e-6)
    if hectares:
        given = frame[hectares].astype(float)
        # Authorities state two to four decimals of a hectare, partly of an older outline.
        off = np.abs(frame.geometry.area / 1e4 - given) / np.maximum(given, 0.5)
        assert np.median(off) < 0.005


@realdata
def test_the_zone_number_is_removed_from_eastings(data):
    path = data / "field_parcels" / "de_sh_fieldblocks_4647.gpkg"
    second = by_fiona(path)
    assert second.total_bounds[0] > 32_000_000
    # EPSG:4647 is EPSG:25832 with 32 before the easting (not verified): a simple subtraction.
    expected = second.geometry.translate(xoff=-32_000_000)
    frame, _ = read_layer(str(path), grid_over(expected.total_bounds, "EPSG:25832"), "parcels")
    found = shapely.get_coordinates(frame.geometry)
    assert np.abs(found - shapely.get_coordinates(expected)).max() < 0.001


@realdata
def test_a_file_of_many_layers(data):
    path = data / "multilayer_gpkg" / "parcels_and_hedges.gpkg"
    grid = Grid((200, 200), Affine(10, 0, 529_000, 0, -10, 181_000), "EPSG:27700")
    outcome = {}
    for name in layers_of(path):
        try:
            outcome[name] = len(read_layer(f"{path}:{name}", grid, "layer")[0])
        except InputError as error:
            outcome[name] = error.code
    assert outcome == {
        "Red Line Boundary": 1,
        "Rivers": "layer-empty",
        "Habitats": 50,
        "Hedgerows": 16,
        "Urban Trees": 25,
        "layer_styles": "layer-empty",
    }
    with pytest.raises(InputError) as caught:
        read_layer(str(path), grid, "layer")
    assert caught.value.code == "layer-ambiguous" and "Urban Trees" in caught.value.hint


@SAME_NAME
@realdata
def test_unpacked_gml_is_read_the_same_without_a_new_file(data, tmp_path):
    packed = data / "field_parcels" / "ie_gsaa_2024_4258_gml.zip"
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(tmp_path)
    bounds = by_fiona(packed).to_crs("EPSG:2157").total_bounds
    grid = grid_over(bounds, "EPSG:2157")
    here, _ = read_layer(str(tmp_path / "GSAA_2024.gml"), grid, "parcels")
    there, _ = read_layer(str(packed), grid, "parcels")
    assert here.geometry.equals(there.geometry)
    assert [p.name for p in tmp_path.iterdir()] == ["GSAA_2024.gml"]


# --- the main job: Ebergötzen -----------------------------------------------------------------


def forest_edges(path: Path) -> gpd.GeoDataFrame:
    """Edges of woods of the land-cover raster (classes 311 to 313) as lines, 20 m high."""
    with rasterio.open(path) as source:
        codes, transform, crs = source.read(1), source.transform, source.crs.to_wkt()
        border = shapely.box(*source.bounds).exterior
    wood = sieve(np.isin(codes, (311, 312, 313)).astype(np.uint8), 10)
    areas = [shapely.geometry.shape(s) for s, v in shapes(wood, transform=transform) if v]
    # A wood has no edge at the edge of the map.
    edges = shapely.difference(shapely.boundary(np.array(areas)), border)
    edges = edges[~shapely.is_empty(edges)]
    heights = np.full(len(edges), 20.0)
    return gpd.GeoDataFrame({"height_m": heights}, geometry=shapely.simplify(edges, 60), crs=crs)


@pytest.fixture(scope="module")
def ebergotzen(tmp_path_factory, drawn):
    if not DATA.is_dir():
        pytest.skip("the open data folder ../shared/data is not here")
    folder, out = DATA / "ebergotzen_25m", tmp_path_factory.mktemp("ebergotzen")
    edges = forest_edges(folder / "clc2006_100m.tif")
    edges.to_file(out / "belts.gpkg", layer="edges")
    options = {"dem": folder / "dem_25m.tif", "winds": "210,240,270"}
    ground = shelterscape.exposure(**options, by_direction=True, out=out / "exposure")
    with drawn():
        belts = shelterscape.shelter(
            **options, belts=f"{out / 'belts.gpkg'}:edges", out=out / "shelter"
        )
    return edges, ground, belts


def band(path: Path, number: int = 1) -> np.ndarray:
    with rasterio.open(path) as source:
        return source.read(number, masked=True).filled(np.nan)


@realdata
@pytest.mark.slow
def test_topex_follows_the_relief(ebergotzen):
    _, ground, _ = ebergotzen
    topex, height = band(ground.rasters["topex_deg"]), band(DATA / "ebergotzen_25m/dem_25m.tif")
    inner = (slice(40, -40), slice(40, -40))
    assert np.isfinite(topex[inner]).all()
    # Independent calculation along rows, columns and diagonals, at random cells.
    rows, cols = np.random.default_rng(1).integers(40, 360, (2, 500))
    by_hand = np.zeros(500)
    for down, across in [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]:
        step = 25.0 * np.hypot(down, across)
        k = np.arange(1, int(1000 // step) + 1)
        rise = height[rows[:, None] + down * k, cols[:, None] + across * k].astype(float)
        rise -= height[rows, cols][:, None]
        by_hand += np.degrees(np.arctan(rise / (k * step))).max(axis=1)
    np.testing.assert_allclose(topex[rows, cols], by_hand, atol=1e-3)
    # Every local summit is more exposed than half the ground.
    tops = ndimage.maximum_filter(height, 41) == height
    assert topex[inner][tops[inner]].max() < np.median(topex[inner])


@realdata
@pytest.mark.slow
def test_horizon_angles_are_those_upwind(ebergotzen):
    _, ground, _ = ebergotzen
    height = band(DATA / "ebergotzen_25m/dem_25m.tif")
    with rasterio.open(ground.rasters["horizon_deg"]) as source:
        assert [name.split()[-1] for name in source.descriptions] == ["210°", "240°", "270°"]
    # Ground that falls towards the west has a low western horizon. Grid north is within one degree
    # of true north here, so columns run close enough to true north.
    west_slope = np.gradient(height, 25.0, axis=1)  # + where ground rises eastward
    horizon = band(ground.rasters["horizon_deg"], 3)
    inner = (slice(40, -40), slice(40, -40))
    steep = np.percentile(west_slope[inner], [5, 95])
    towards_wind = horizon[inner][west_slope[inner] > steep[1]].mean()
    away = horizon[inner][west_slope[inner] < steep[0]].mean()
    assert away > towards_wind + 5
    # The horizon angle is at least the angle to the next cell westward.
    next_west = np.degrees(np.arctan(-(height[:, 1:] - height[:, :-1]) / 25.0))
    assert (horizon[:, 1:][inner] >= next_west[inner] - 1.5).mean() > 0.99


@realdata
@pytest.mark.slow
def test_shelter_on_a_landscape(ebergotzen):
    edges, _, belts = ebergotzen
    leaf, bare = (band(belts.rasters["relative_wind"], i) for i in (1, 2))
    assert np.isfinite(leaf).all()
    assert 0 <= leaf.min() < 0.5 and leaf.max() <= 1.25
    assert 0.05 < (leaf < 0.95).mean() < 0.6
    assert leaf.mean() < bare.mean()
    check_outputs(belts, edges, leaf, 25.0)


def check_outputs(result, belts, leaf, cell_m):
    """Layers, tables and pictures of a run agree when other libraries read them."""
    package = result.folder / "layers.gpkg"
    assert set(fiona.listlayers(package)) == {
        "belts_assessed",
        "layer_styles",
        "shelter_zones",
        "shelter_not_modelled",
    }
    kept = pyogrio.read_dataframe(package, layer="belts_assessed")
    assert len(kept) == 2 * len(belts)
    # Each length is written in whole metres.
    length_m = 2 * belts.geometry.length.sum()
    assert kept["length_m"].sum() == pytest.approx(length_m, abs=0.5 * len(kept))
    assert kept["porosity"].eq(kept["season"].map({"in leaf": 0.4, "bare": 0.6})).all()
    with fiona.open(package, layer="shelter_zones") as layer:
        zones = [(f.properties["season"], f.properties["zone"]) for f in layer]
    assert len(set(zones)) == len(zones) > 4
    table = pd.read_csv(result.tables["shelter_areas"])
    known = table[table["season"] == "in leaf"]
    # Counted from the raster: the whole area, and the area with wind reduced by 40 % or more. Each
    # area is written to 0.1 ha.
    whole_ha = leaf.size * cell_m**2 / 1e4
    assert known["area_ha"].sum() == pytest.approx(whole_ha, abs=0.05 * len(known))
    strong = known.loc[known["zone"] == "wind reduced by 40 % or more", "area_ha"].item()
    assert strong == pytest.approx((leaf < 0.6).sum() * cell_m**2 / 1e4, abs=0.05)
    for path in result.pictures.values():
        with Image.open(path) as image:
            assert image.format == "PNG" and min(image.size) > 300


# --- the main job: hedges of Brittany ---------------------------------------------------------


def canopy_pieces(tall: np.ndarray) -> list[tuple[slice, slice, np.ndarray]]:
    """Patches of canopy: long ones whole, branching ones divided along squares of 50 m."""
    patches = ndimage.label(tall)[0]
    squares = np.indices(tall.shape) // 20
    found = []
    for number, place in enumerate(ndimage.find_objects(patches), start=1):
        whole = patches[place] == number
        if is_long(whole):
            found.append((*place, whole))
            continue
        keys = (squares[0] * 1000 + squares[1])[place]
        found += [(*place, whole & (keys == k)) for k in np.unique(keys[whole])]
    return found


def long_box(piece: np.ndarray) -> np.ndarray:
    """Corners (column, row) of the smallest rotated rectangle around some cells."""
    rows, cols = np.nonzero(piece)
    cells = shapely.union_all(shapely.box(cols, rows, cols + 1, rows + 1))
    return np.asarray(shapely.minimum_rotated_rectangle(cells).exterior.coords)[:4]


def is_long(piece: np.ndarray) -> bool:
    """Whether a piece of at least 100 m² is more than three times as long as wide."""
    sides = np.hypot(*(np.roll(c := long_box(piece), -1, axis=0) - c).T)
    return bool(piece.sum() >= 16 and sides.max() > 3 * sides.min())


def belts_from_canopy(path: Path) -> gpd.GeoDataFrame:
    """A line along every long piece of canopy above 1.2 m, as high as its 90th percentile."""
    with rasterio.open(path) as source:
        canopy, affine = source.read(1, masked=True).filled(0), source.transform
        crs = source.crs.to_wkt()
    tall = sieve((canopy > 1.2).astype(np.uint8), 16)  # patches under 100 m² count as open ground
    rows = []
    for down, across, piece in canopy_pieces(tall == 1):
        if not is_long(piece):
            continue
        a, b, c, d = np.add(long_box(piece), (across.start, down.start))
        if np.hypot(*(b - a)) > np.hypot(*(c - b)):
            a, b, c, d = b, c, d, a
        line = shapely.LineString([affine * tuple((a + b) / 2), affine * tuple((c + d) / 2)])
        height = float(np.percentile(canopy[down, across][piece], 90))
        width = float(piece.sum() * affine.a**2 / line.length)
        rows.append({"height_m": height, "width_m": width, "geometry": line})
    return gpd.GeoDataFrame(rows, crs=crs)


def beside(belts, field, affine, wind_to, heights):
    """Relative wind at a distance in heights leeward of the middle of belts across the wind."""
    east, north = wind_to
    line = belts.geometry.to_numpy()
    ends = shapely.get_coordinates(line).reshape(len(line), 2, 2)
    along = (ends[:, 1] - ends[:, 0]) / shapely.length(line)[:, None]
    across = np.abs(along[:, 0] * north - along[:, 1] * east) > 0.8
    away = (heights * belts["height_m"].to_numpy())[:, None] * np.array([east, north])
    x, y = (ends.mean(axis=1) + away).T
    cols, rows = (np.floor(v).astype(int) for v in ~affine * (x, y))
    kept = across & (rows >= 0) & (rows < field.shape[0]) & (cols >= 0) & (cols < field.shape[1])
    return field[rows[kept], cols[kept]]


@pytest.fixture(scope="module")
def brittany(tmp_path_factory, drawn):
    if not DATA.is_dir():
        pytest.skip("the open data folder ../shared/data is not here")
    folder, out = DATA / "bretagne_lidar_2m5", tmp_path_factory.mktemp("brittany")
    belts = belts_from_canopy(folder / "chm_veg.tif")
    belts.to_file(out / "belts.gpkg", layer="canopy lines")
    options = {"dem": folder / "dtm.tif", "belts": f"{out / 'belts.gpkg'}:canopy lines"}
    with drawn():
        from_west = shelterscape.shelter(**options, winds="210,240,270", out=out / "west")
    from_east = shelterscape.shelter(
        **options, winds="30,60,90", seasons=("in-leaf",), out=out / "east"
    )
    return belts, from_west, from_east


@realdata
@pytest.mark.slow
def test_belts_made_from_canopy_are_plausible(brittany):
    belts = brittany[0]
    assert len(belts) > 40
    assert belts.geometry.length.sum() > 3000
    # README of the data: vegetation up to 31.6 m.
    assert belts["height_m"].between(1.2, 31.6).all()
    assert 5 < belts["height_m"].median() < 20
    assert belts["width_m"].between(1, 40).all()


@realdata
@pytest.mark.slow
def test_shelter_among_hedges(brittany):
    belts, result, _ = brittany
    leaf, bare = (band(result.rasters["relative_wind"], i) for i in (1, 2))
    assert np.isfinite(leaf).all()
    assert 0 <= leaf.min() < 0.5 and leaf.max() <= 1.25
    # 4 km of hedges about 12 m high on 200 ha: a large part of the ground is sheltered.
    assert 0.2 < (leaf < 0.95).mean() < 0.9
    assert leaf.mean() < bare.mean()
    check_outputs(result, belts, leaf, 2.5)


@realdata
@pytest.mark.slow
def test_the_sheltered_side_changes_with_the_wind_direction(brittany):
    belts, from_west, from_east = brittany
    with rasterio.open(from_west.rasters["relative_wind"]) as source:
        affine = source.transform
    # A wind from 240° blows to 60°: sin 60° eastward, cos 60° northward.
    to_east_north_east = (0.866, 0.5)
    west, east = (band(r.rasters["relative_wind"]) for r in (from_west, from_east))
    beyond = [beside(belts, f, affine, to_east_north_east, 4) for f in (west, east)]
    before = [beside(belts, f, affine, to_east_north_east, -4) for f in (west, east)]
    assert len(beyond[0]) > 15
    assert np.median(beyond[0]) < np.median(before[0]) - 0.15
    assert np.median(before[1]) < np.median(beyond[1]) - 0.15


@realdata
@pytest.mark.slow
def test_rotated_grid_north_is_reported(brittany):
    _, result, _ = brittany
    reported = next(n.text for n in result.notices if n.code == "convergence")
    # Lambert 93: convergence = sin(46.5°) × (longitude - 3°), the cone constant 0.7256 (not
    # verified). The tiles are at 2.2° W according to PROJ in rasterio.
    (lon,), _ = rasterio.warp.transform("EPSG:2154", "EPSG:4326", [300_000], [6_801_500])
    expected = 0.7256077650 * (lon - 3.0)
    assert f"{abs(expected):.1f}° west" in reported


# --- terrain in degrees -----------------------------------------------------------------------


@pytest.fixture
def fault(tmp_path):
    """The terrain model included in matplotlib, as a GeoTIFF in degrees.

    Its "ymin" is the northern edge: rows run southward from it.
    """
    with get_sample_data("jacksboro_fault_dem.npz") as found:
        height = found["elevation"].astype(np.int16)
        west, north, step = (float(found[k]) for k in ("xmin", "ymin", "dx"))
        assert north > float(found["ymax"])
    path = tmp_path / "fault.tif"
    profile = {"driver": "GTiff", "height": height.shape[0], "width": height.shape[1]}
    profile |= {"count": 1, "dtype": "int16", "crs": "EPSG:4326"}
    with rasterio.open(path, "w", transform=Affine(step, 0, west, 0, -step, north), **profile) as f:
        f.write(height, 1)
    return path, height


def test_terrain_in_degrees_is_refused_with_a_hint_at_the_utm_zone(fault, tmp_path):
    path, _ = fault
    with pytest.raises(InputError) as caught:
        shelterscape.exposure(dem=path, winds="225", out=tmp_path / "out")
    assert caught.value.code == "crs-geographic"
    # 84.2° W is in zone 16, which ends at 84° W (zones of 6°, not verified).
    assert "--to-crs EPSG:32616 " in caught.value.hint
    assert not (tmp_path / "out").exists()


def test_exposure_of_terrain_in_degrees(fault, tmp_path):
    path, height = fault
    elevation, grid, _ = read_terrain(str(path), to_crs="EPSG:32616")
    # A cell is 1/1200 degree: 92.5 m northward, 92.5 cos 36.6° = 74.3 m eastward.
    assert 74 < grid.cell_m < 93
    known = np.isfinite(elevation)
    assert elevation[known].mean() == pytest.approx(height.mean(), abs=3)
    # The broad valley south-east of the Cumberland hills is the low ground (atlas, not verified).
    rows, cols = (n // 2 for n in elevation.shape)
    corners = [elevation[:rows, :cols], elevation[:rows, cols:], elevation[rows:, :cols]]
    assert np.nanmean(elevation[rows:, cols:]) < min(float(np.nanmean(c)) for c in corners)
    result = shelterscape.exposure(
        dem=path, winds="225", to_crs="EPSG:32616", limit_m=500, out=tmp_path / "out"
    )
    assert "dem-resampled" in notices_by_code(result.notices)
    topex = band(result.rasters["topex_deg"])
    assert np.isfinite(topex).mean() > 0.8
    above = elevation - ndimage.uniform_filter(np.where(known, elevation, height.mean()), 13)
    both = np.isfinite(topex) & ndimage.binary_erosion(known, iterations=13)
    assert np.corrcoef(topex[both], above[both])[0, 1] < -0.6
