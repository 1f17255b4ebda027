"""Read and write one of each kind of file, and print checksums: run by tests with settings of GDAL.

Arguments: ``make FOLDER`` writes the inputs; ``use FOLDER OUT`` reads them, and writes into OUT.
"""

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine
from shapely import LineString, box

from shelterscape.errors import InputError
from shelterscape.files.geopackages import verify_layers, write_layer
from shelterscape.files.land_cover import read_codes
from shelterscape.files.rasters import RasterWriter
from shelterscape.files.results import features_of
from shelterscape.files.terrain_models import read_terrain
from shelterscape.files.vectors import as_in_file
from shelterscape.grid import Grid
from shelterscape.terms import TERMS

AFFINE = Affine(10, 0, 560_000, 0, -10, 5_710_000)
RASTERS = ("plain.tif", "point.tif", "up.tif", "compound.tif", "damaged.tif", "world.tif")
LAYERS = ("a.gpkg", "a.shp", "a.geojson", "a.fgb", "a.gml", "a.kml", "hole.shp", "curve.gml",
          "a.gpx:tracks")  # fmt: skip

TRACK = """<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk>
<name>A long name of a track</name><link href="a"/><link href="b"/><link href="c"/><trkseg>
<trkpt lat="51.50" lon="9.85"><ele>5</ele></trkpt><trkpt lat="51.51" lon="9.87"><ele>6</ele></trkpt>
</trkseg></trk></gpx>"""

CURVE = """<?xml version="1.0"?><gml:FeatureCollection
xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:o="urn:o"><gml:featureMember><o:b gml:id="x1">
<o:h>3</o:h><o:g><gml:Curve srsName="urn:ogc:def:crs:EPSG::4326"><gml:segments><gml:Arc>
<gml:posList>51.50 9.85 51.51 9.87 51.50 9.89</gml:posList></gml:Arc></gml:segments></gml:Curve>
</o:g></o:b></gml:featureMember></gml:FeatureCollection>"""


def make(folder: Path) -> None:
    """Write the inputs."""
    values = 100 + np.random.default_rng(1).random((70, 90)).astype("float32")

    def raster(name: str, **more: object) -> None:
        tags = more.pop("tags", {})
        profile = {"driver": "GTiff", "height": 70, "width": 90, "count": 1, "dtype": "float32"}
        profile |= {"crs": "EPSG:25832", "transform": AFFINE} | more
        with rasterio.open(folder / name, "w", **profile) as data:
            data.update_tags(**tags)
            data.write(values, 1)

    raster("plain.tif")
    raster("point.tif", tags={"AREA_OR_POINT": "Point"})
    raster("up.tif", transform=Affine(10, 0, 560_000, 0, 10, 5_709_300))
    raster("compound.tif", crs="EPSG:25832+5783")
    raster("damaged.tif", compress="deflate", tiled=True, blockxsize=16, blockysize=16)
    content = bytearray((folder / "damaged.tif").read_bytes())
    content[3000:3400] = b"\xff" * 400
    (folder / "damaged.tif").write_bytes(content)
    raster("world.tif")
    (folder / "world.tfw").write_text("20\n0\n0\n-20\n560010\n5709990\n")
    lines = [
        LineString([(560_100, 5_709_700), (560_400, 5_709_500)]),
        LineString([(560_050.1234, 5_709_900), (560_200, 5_709_950)]),
    ]
    columns = {"height_m": [6.0, 4.0], "name": ["oak é", "ü"], "day": ["2020-01-02", "2021-02-03"]}
    frame = gpd.GeoDataFrame(columns, geometry=lines, crs=25832)
    frame.to_file(folder / "a.gpkg", layer="belts", driver="GPKG")
    frame.to_file(folder / "a.shp", encoding="ISO-8859-1")
    (folder / "a.cpg").unlink(missing_ok=True)
    frame.to_file(folder / "a.fgb", driver="FlatGeobuf")
    frame.to_file(folder / "a.gml", driver="GML")
    frame.to_crs(4326).to_file(folder / "a.geojson", driver="GeoJSON")
    frame.to_crs(4326).to_file(folder / "a.kml", driver="KML")
    ring = box(560_100, 5_709_400, 560_500, 5_709_800) - box(560_200, 5_709_500, 560_300, 5_709_600)
    gpd.GeoDataFrame({"name": ["a"]}, geometry=[ring], crs=25832).to_file(folder / "hole.shp")
    (folder / "curve.gml").write_text(CURVE)
    (folder / "a.gpx").write_text(TRACK)


def use(folder: Path, out: Path) -> dict[str, str]:
    """What is read and written, as checksums by name."""
    found: dict[str, bytes] = {}
    for name in RASTERS:
        try:
            elevation, grid, notices = read_terrain(str(folder / name))
            crs = grid.crs.to_wkt() if grid.crs else ""
            found[name] = elevation.tobytes() + repr((grid.affine, crs, notices)).encode()
        except InputError as error:
            found[name] = error.code.encode()
    grid = Grid((70, 90), AFFINE, "EPSG:25832")
    found["codes"] = read_codes(str(folder / "plain.tif"), grid, "raster").tobytes()
    for name in LAYERS:
        frame, _, notices = as_in_file(str(folder / name), "layer", {})
        text = frame.to_wkt().to_csv() + frame.crs.to_wkt() + repr((notices, frame.dtypes))
        found[name] = text.encode()
    values = np.random.default_rng(2).random((40, 600)).astype("float32")
    wide = Grid(values.shape, AFFINE, "EPSG:25832")
    for packed in (False, True):
        path = out / f"floats_{packed}.tif"
        with RasterWriter(path, wide, ["b"], TERMS["relative_wind"], packed=packed) as writer:
            writer.write(1, values)
    classes = {0: "a", 1: "b", 2: "c"}
    colours = {0: (1, 2, 3), 1: (3, 4, 5), 2: (6, 7, 8)}
    path = out / "classes.tif"
    term = TERMS["relative_wind"]
    with RasterWriter(path, wide, ["b"], term, classes=classes, colours=colours) as writer:
        writer.write(1, (values * 3).astype("uint8"))
    lines = [LineString([(5e5 + i, 5e6), (5e5 + i, 5e6 + 100 + i)]) for i in range(300)]
    frame = gpd.GeoDataFrame({"height_m": range(300)}, geometry=lines, crs=25832)
    write_layer(out / "layers.gpkg", "a", frame, "line", "text")
    write_layer(out / "layers.gpkg", "b", frame.iloc[:0], "line", "text")
    verify_layers(out / "layers.gpkg", {"a": 300, "b": 0})
    again = features_of(out / "layers.gpkg", "a")
    found["again"] = again.to_wkt().to_csv().encode() if again is not None else b""
    found |= {path.name: path.read_bytes() for path in sorted(out.iterdir())}
    found["beside inputs"] = repr(sorted(path.name for path in folder.iterdir())).encode()
    return {name: hashlib.sha256(content).hexdigest() for name, content in found.items()}


if __name__ == "__main__":
    words = [Path(word) for word in sys.argv[2:]]
    result = make(*words) if sys.argv[1] == "make" else use(*words)
    sys.stdout.write(json.dumps(result))
