"""Families of attacks on inputs: maps, layers, tables and damaged files."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from affine import Affine
from attack_cases import Case, words_of
from attack_examples import INPUTS, Named
from attack_process import OUT, Attack, Reply
from pyproj import CRS, Geod, Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import ProjError

from shelterscape.process.inputs import TerrainInputs

NASTY_TEXT = (
    "=1+1", "+1", "-1", "@SUM(A1)", "\t=1+1", "Farm\r=1+1", "x;=1+1", 'a"b', "a,b", "a\nb", "\x00",
    "\x1b[2J", "[red]x[/]", "{0}", "%s%n", "\u202eabc", "\ud7ff",
    "x" * 70_000, "=cmd|' /C calc'!A0",
    "<script>", "'", "; DROP TABLE x", "  ", "é" * 300, "-", "NaN", "None",
)  # fmt: skip
"""Text that is more than text to a spreadsheet, a terminal, a database or a template."""


# ---- units and maps


UNITS = {
    "": 1.0, "m": 1.0, "metre": 1.0, "Meters": 1.0, "cm": 100.0, "dm": 10.0, "km": 0.001, "mm": 1e3,
    "ft": 1 / 0.3048, "feet": 1 / 0.3048, "US Survey Feet": 3937 / 1200, "Foot_US": 3937 / 1200,
    "us-ft": 3937 / 1200, "yard": 1 / 0.9144, "yd": 1 / 0.9144, "fathom": 1 / 1.8288,
}  # fmt: skip
"""Units of height, and how many there are to a metre."""


def _dem(case: Case) -> Path:
    return case.folder / case.example.of_kind("raster")[0].file


def rewrite_dem(path: Path, change: Callable[[np.ndarray], np.ndarray], **profile: Any) -> None:
    units = profile.pop("units", None)
    with rasterio.open(path) as data:
        values, kept = data.read(), data.profile
    path.unlink()
    with rasterio.open(path, "w", **{**kept, **profile}) as data:
        data.write(change(values).astype(kept["dtype"]))
        if units is not None:
            data.units = [units]


def _near(case: Case, reply: Reply) -> str:
    """Whether rasters are those of the clean run, except for rounding of elevations."""
    for path in sorted(case.clean.folder.rglob("*.tif")):
        ours = reply.folder / OUT / path.relative_to(case.clean.folder)
        with rasterio.open(path) as one, rasterio.open(ours) as other:
            a, b = one.read(masked=True), other.read(masked=True)
        if a.dtype == np.uint8:
            continue
        wide = max(float(np.ptp(a.compressed())) if a.count() else 0.0, 1e-6)
        if a.shape != b.shape or np.abs(a - b).max() > 0.02 * wide + 0.02:
            return f"{path.name} is not as with metres"
    return ""


def _height_unit(case: Case) -> Attack:
    unit = case.rng.choice(list(UNITS))
    rewrite_dem(_dem(case), lambda values: values * UNITS[unit], units=unit)
    more = []
    if case.rng.random() < 0.3:
        word = next(
            (
                w
                for w in ("m", "ft", "us-ft", "cm")
                if math.isclose(
                    {"m": 1.0, "ft": UNITS["ft"], "us-ft": UNITS["us-ft"], "cm": 100.0}[w],
                    UNITS[unit],
                    rel_tol=1e-9,
                )
            ),
            "",
        )
        more = ["--z-unit", word] if word else []

    def check(reply: Reply) -> str:
        return _near(case, reply) if reply.exit_code == 0 else ""

    return Attack(
        f"heights in {unit or 'no unit'} {more}", words_of(case.example, *more), check=check
    )


def _all_projected() -> list[Any]:
    return [
        one
        for one in query_crs_info(pj_types=PJType.PROJECTED_CRS)
        if one.area_of_use is not None and one.auth_name == "EPSG"
    ]


def _moved_to(case: Case, code: str, lon: float, lat: float) -> tuple[float, float]:
    """Move the terrain model and the layers to a point of another coordinate system."""
    crs = CRS.from_user_input(code)
    x, y = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(lon, lat)
    with rasterio.open(_dem(case)) as data:
        west, north = data.transform * (data.width / 2, data.height / 2)
    dx, dy = round(x - west), round(y - north)
    affine = Affine.translation(dx, dy)
    with rasterio.open(_dem(case)) as data:
        affine = (
            affine @ data.transform if hasattr(Affine, "__matmul__") else affine * data.transform
        )
    rewrite_dem(_dem(case), lambda values: values, crs=crs.to_wkt(), transform=affine)
    for one in case.example.of_kind("layer", "cover"):
        frame = gpd.read_file(case.folder / one.file, layer=one.layer or None)
        moved = frame.set_geometry(frame.translate(dx, dy)).set_crs(crs, allow_override=True)
        case.example.values[one.field] = f"{INPUTS}/moved-{one.field}.gpkg"
        moved.to_file(case.folder / INPUTS / f"moved-{one.field}.gpkg", driver="GPKG")
    return west + dx, north + dy


def _other_map(case: Case) -> Attack | None:
    """The same ground on a projected coordinate system of the world, sampled from all."""
    case.example = case.example.changed()  # a copy
    named = case.example.of_kind("layer", "cover")
    if len({one.field for one in named}) != len(named):  # inputs of several layers
        several = {
            one.field for one in named if not isinstance(case.example.values[one.field], str)
        }
        case.example = case.example.changed(**dict.fromkeys(several))
    chosen = case.rng.choice(_all_projected() if case.rng.random() < 0.8 else _known_maps())
    area = chosen.area_of_use
    east = area.east if area.east >= area.west else area.east + 360
    lon = area.west + case.rng.uniform(0.2, 0.8) * (east - area.west)
    lat = area.south + case.rng.uniform(0.2, 0.8) * (area.north - area.south)
    code = f"{chosen.auth_name}:{chosen.code}"
    try:
        x, y = _moved_to(case, code, (lon + 180) % 360 - 180, lat)
    except (ArithmeticError, ValueError, ProjError, rasterio.errors.RasterioError):
        return None  # without coordinates there

    def check(reply: Reply) -> str:
        return _wrong_map(CRS.from_user_input(code), x, y, reply) if reply.exit_code == 0 else ""

    return Attack(f"map of {code}", words_of(case.example), check=check)


def _known_maps() -> list[Any]:
    known = {"2053", "2048", "2065", "3857", "3395", "3035", "5514", "27700", "2193"}
    return [one for one in _all_projected() if one.code in known]


def _wrong_map(crs: CRS, x: float, y: float, reply: Reply) -> str:
    """What is wrong with a map that was accepted, by geodesics around its centre."""
    onto = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    geod = crs.get_geod() or Geod(ellps="WGS84")
    unit = crs.axis_info[0].unit_conversion_factor
    if not math.isclose(unit, 1.0):
        return f"accepted with a unit of {unit} m"
    for dx, dy in ((200.0, 0.0), (0.0, 200.0)):
        (lon1, lat1), (lon2, lat2) = onto.transform(x - dx, y - dy), onto.transform(x + dx, y + dy)
        azimuth, _, metres = geod.inv(lon1, lat1, lon2, lat2)
        if abs(400.0 / metres - 1) > 0.025:
            return f"accepted, although 400 m on the map are {metres:.1f} m"
    # The last azimuth is that of grid north: the convergence, positive where it is to the east.
    turn = (azimuth + 180) % 360 - 180
    noticed = next((e for e in reply.events if e.get("code") == "convergence"), None)
    if noticed is None:
        return "" if abs(turn) < 1.1 else f"grid north is {turn:.1f}° off and nothing was said"
    degrees, side = re.search(r"grid north is ([\d.]+)° (east|west)", noticed["text"]).groups()
    stated = float(degrees) * (1 if side == "east" else -1)
    # Where a map does not keep angles, true north on the map has another angle to grid north.
    lon, lat = onto.transform(x, y)
    lon, lat, _ = geod.fwd(lon, lat, 0.0, 400.0)
    there = onto.transform(lon, lat, direction="INVERSE")
    on_map = -math.degrees(math.atan2(there[0] - x, there[1] - y))
    off = min(abs((stated - each + 180) % 360 - 180) for each in (turn, on_map))
    return "" if off < 0.15 else f"grid north is {turn:.1f}° from true north, stated {stated:.1f}°"


def _strange_grid(case: Case) -> Attack:
    """A position, cell size or coordinate system that makes no map."""
    with rasterio.open(_dem(case)) as data:
        t = data.transform
    other = case.rng.choice(
        [
            {"crs": "EPSG:4326"}, {"crs": "EPSG:4978"}, {"crs": None}, {"crs": "EPSG:5703"},
            {"crs": 'LOCAL_CS["x",UNIT["m",1]]'},
            {"crs": "EPSG:4326", "transform": Affine(1e-4, 0, 7, 0, -1e-4, 55)},
            {"transform": Affine(t.a, 3, t.c, 3, t.e, t.f)},
            {"transform": Affine(t.a, 0, t.c, 0, -t.e, t.f)},
            {"transform": Affine(-t.a, 0, t.c, 0, t.e, t.f)},
            {"transform": Affine(1e-9, 0, t.c, 0, -1e-9, t.f)},
            {"transform": Affine(1e9, 0, t.c, 0, -1e9, t.f)},
            {"transform": Affine(t.a, 0, 1e300, 0, t.e, t.f)},
            {"transform": Affine(t.a, 0, math.nan, 0, t.e, t.f)},
            {"transform": Affine(t.a, 0, t.c, 0, t.e * 3, t.f)},
            {"transform": Affine(0, t.a, t.c, t.e, 0, t.f)},
            {"transform": Affine(t.a, 0, t.c + 1e8, 0, t.e, t.f)},
        ]
    )  # fmt: skip
    rewrite_dem(_dem(case), lambda values: values, **other)
    more = case.rng.choice(
        [[], [], ["--to-crs", "EPSG:25832"], ["--crs", "EPSG:25832"], ["--to-crs", "EPSG:4978"],
         ["--crs", "x"], ["--to-crs", "EPSG:3857"]]
    )  # fmt: skip
    return Attack(f"grid {other} {more}", words_of(case.example, *more))


def _strange_heights(case: Case) -> Attack:
    """Elevations that no ground has."""
    value = case.rng.choice([math.nan, math.inf, -math.inf, 1e38, -1e38, 9e4, -32768.0, 0.0])
    share = case.rng.choice([0.001, 0.1, 1.0])
    random = np.random.default_rng(case.rng.randrange(2**32))

    def change(values: np.ndarray) -> np.ndarray:
        return np.where(random.random(values.shape) < share, value, values)

    rewrite_dem(_dem(case), change)
    return Attack(f"elevations of {value} in {share:.1%}", words_of(case.example))


def units(case: Case) -> Attack | None:
    """map projections, axes, units of height, positions and elevations"""
    if not case.example.of_kind("raster"):
        return None
    chosen = case.rng.choices(
        [_height_unit, _other_map, _strange_grid, _strange_heights], [3, 5, 3, 1]
    )[0]
    return chosen(case)


# ---- geometry


def _frame(case: Case, one: Named) -> gpd.GeoDataFrame:
    return gpd.read_file(case.folder / one.file, layer=one.layer or None)


def _with_layer(case: Case, one: Named, frame: gpd.GeoDataFrame) -> list[str]:
    """The command with another layer instead of one of its inputs."""
    path = f"{INPUTS}/attacked.gpkg"
    kind = case.rng.choice(["GPKG", "GPKG", "GPKG", "FlatGeobuf"])
    path = path if kind == "GPKG" else f"{INPUTS}/attacked.fgb"
    try:
        frame.to_file(case.folder / path, driver=kind, layer="attacked")
    except Exception:  # a format that does not hold this; GeoPackages hold all
        path = f"{INPUTS}/attacked.gpkg"
        frame.to_file(case.folder / path, driver="GPKG", layer="attacked")
    usual = f"{one.file}:{one.layer}" if one.layer else one.file
    value = case.example.values[one.field]
    new: Any = path if isinstance(value, str) else tuple(path if v == usual else v for v in value)
    return words_of(case.example.changed(**{one.field: new}))


def _zigzag(x: float, y: float, count: int, step: float) -> shapely.LineString:
    along = np.arange(count)
    return shapely.LineString(np.column_stack([x + along * step / count, y + (along % 2) * step]))


def _shapes(case: Case, x: float, y: float) -> dict[str, Any]:
    """Shapes that a planner never draws, by name."""
    far = case.rng.choice([1e5, 1e6, 1e7, 1e9])
    big = case.rng.choice([1e18, 1e100, 1e300, 1.7e308])
    line, box = shapely.LineString, shapely.box
    cross = [(x, y), (x + 90, y + 90), (x + 90, y), (x, y + 90), (x, y)]
    nested: Any = shapely.Point(x, y)
    for _ in range(case.rng.choice([2, 30, 300])):
        nested = shapely.GeometryCollection([nested, line([(x, y), (x + 9, y + 9)])])
    return {
        f"vertex {far:g} m away": line([(x, y), (x + far, y + far / 3)]),
        f"belt far beyond the map, {far:g} m": line([(x - far, y - 5), (x + far, y + 5)]),
        f"area {far:g} m wide": box(x - far, y - far, x + far, y + far),
        f"coordinate {big:g}": line([(x, y), (big, y)]),
        f"area to {big:g}": box(x, y, big, big),
        "infinite coordinate": line([(x, y), (math.inf, y)]),
        "missing coordinate": line([(x, y), (math.nan, y)]),
        "self-crossing area": shapely.Polygon(cross),
        "self-crossing line": line([*cross, *cross]),
        "no length": line([(x, y), (x, y)]),
        "no area": shapely.Polygon([(x, y), (x + 9, y), (x, y)]),
        "empty": shapely.LineString(),
        "empty parts": shapely.MultiPolygon([shapely.Polygon(), box(x, y, x + 9, y + 9)]),
        "nothing": None,
        "nested collection": nested,
        "point": shapely.Point(x, y),
        "20 000 vertices": _zigzag(x, y, 20_000, 200.0),
        "area of 20 000 corners": _zigzag(x, y, 20_000, 200.0).buffer(0.01),
        "heights in the geometry": line([(x, y, 5), (x + 50, y + 50, math.nan)]),
        "very short": line([(x, y), (x + 1e-9, y)]),
        "hole larger than its area": shapely.Polygon(
            box(x, y, x + 9, y + 9).exterior, [box(x - 9, y - 9, x + 20, y + 20).exterior]
        ),
    }


def _far_away(case: Case, frame: gpd.GeoDataFrame, one: Named) -> Attack:
    """Features that are nowhere near the map do not change a result."""
    away = frame.set_geometry(frame.translate(3e5, 3e5))
    both = gpd.pd.concat([frame, away], ignore_index=True)
    words = _with_layer(case, one, both)
    # Processes without a map have no outside.
    same = isinstance(case.example.process.inputs, type) and issubclass(
        case.example.process.inputs, TerrainInputs
    )
    return Attack(f"{one.field}: features far away", words, same=same and one.field == "belts")


def _many(case: Case, frame: gpd.GeoDataFrame, one: Named) -> Attack:
    count = case.rng.choice([300, 1500])
    copies = [frame.iloc[[i % len(frame)]] for i in range(count)]
    many = gpd.pd.concat(copies, ignore_index=True)
    shift = np.array([case.rng.uniform(-150, 150) for _ in range(2 * count)]).reshape(-1, 2)
    moved = [
        shapely.affinity.translate(shape, *by)
        for shape, by in zip(many.geometry, shift, strict=True)
    ]
    return Attack(
        f"{one.field}: {count} features", _with_layer(case, one, many.set_geometry(moved))
    )


def _twice(case: Case, frame: gpd.GeoDataFrame, one: Named) -> Attack:
    both = gpd.pd.concat([frame, frame], ignore_index=True)
    same = one.field == "belts" and case.example.process.id == "shelter"
    return Attack(f"{one.field}: each feature twice", _with_layer(case, one, both), same=same)


def geometry(case: Case) -> Attack | None:
    """far vertices, absurd coordinates, self-crossing, empty and nested shapes, many features"""
    layers = case.example.of_kind("layer", "cover")
    if not layers:
        return None
    one = case.rng.choice(layers)
    frame = _frame(case, one)
    other = case.rng.choice([None, None, None, None, None, _far_away, _many, _twice])
    if other is not None:
        return other(case, frame, one)
    around = frame.total_bounds
    x, y = (around[0] + around[2]) / 2, (around[1] + around[3]) / 2
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers
        name, shape = case.rng.choice(list(_shapes(case, x, y).items()))
    rows = frame.iloc[[0]].copy()
    with contextlib.suppress(Exception):  # not every shape can be set as it is
        rows = rows.set_geometry([shape], crs=frame.crs)
    alone = case.rng.random() < 0.2
    with_it = rows if alone else gpd.pd.concat([frame, rows], ignore_index=True)
    text = f"{one.field}: {name}{', alone' if alone else ''}"
    # Features without geometry are left out.
    same = shape is None and not alone
    try:
        return Attack(text, _with_layer(case, one, with_it), same=same)
    except (pyogrio.errors.GeometryError, pyogrio.errors.FeatureError):
        return None  # no file holds this


# ---- tables


def _live_cells(reply: Reply) -> str:
    """A cell that a spreadsheet would calculate, or that holds a control character."""
    for path in sorted((reply.folder / OUT).rglob("*.csv")):
        text = path.read_text(encoding="utf-8")
        if re.search(r"[\x00-\x09\x0b-\x0c\x0e-\x1f\x7f]", text):
            return f"{path.name} holds a control character"
        for row in csv.reader(line for line in io.StringIO(text, newline="") if line[:1] != "#"):
            for cell in row:
                number = re.fullmatch(r"-?[\d.]+(e[+-]?\d+)?|-?(inf|nan)", cell)
                if cell[:1] in ("=", "+", "-", "@", "\t", "\r") and len(cell) > 1 and not number:
                    return f"{path.name} holds the live cell {cell[:40]!r}"
                if re.search(r"[\r\n;,\t]\s*[=@]", cell) and "\r" in cell:
                    return f"{path.name} holds the live cell {cell[:40]!r}"
    return ""


def _text_columns(case: Case) -> Attack | None:
    """Hostile words in text columns of a layer."""
    layers = case.example.of_kind("layer", "cover")
    if not layers:
        return None
    one = case.rng.choice(layers)
    frame = _frame(case, one)
    columns = [
        c
        for c in frame.columns
        if c != "geometry" and not gpd.pd.api.types.is_numeric_dtype(frame[c])
    ]
    column = case.rng.choice([*columns, "name", "new\ncolumn", "=1"])
    texts = [case.rng.choice(NASTY_TEXT) for _ in range(len(frame))]
    frame[column] = gpd.pd.Series(texts, dtype=object)
    try:
        words = _with_layer(case, one, frame)
    except Exception:  # no file holds this
        return None
    text = f"{one.field}.{column!r}: {[t[:12] for t in texts[:3]]}"
    return Attack(text, words, check=lambda r: _live_cells(r) if r.exit_code == 0 else "")


HARMLESS = {
    "carriage returns": lambda text: text.replace("\n", "\r\n").encode(),
    "byte order mark": lambda text: b"\xef\xbb\xbf" + text.encode(),
    "empty lines at the end": lambda text: text.encode() + b"\n\n\n",
}
"""Changes to a table that must not change a result."""


def _harmful(case: Case, text: str) -> tuple[str, bytes]:
    lines = text.splitlines()
    at = case.rng.randrange(1, len(lines))
    cells = lines[at].split(",")
    cells[case.rng.randrange(len(cells))] = case.rng.choice(
        [*NASTY_TEXT, "1e999", "-1", "nan", "1,2", '"', "9" * 5000, "0x10", "٣", "1_000"]
    )
    changed = "\n".join([*lines[:at], ",".join(cells), *lines[at + 1 :]])
    return case.rng.choice(
        [
            ("a changed cell", changed.encode("utf-8", "replace")),
            ("a changed cell", changed.encode("utf-8", "replace")),
            ("a changed cell", changed.encode("utf-8", "replace")),
            ("UTF-16", text.encode("utf-16")),
            ("UTF-32", text.encode("utf-32")),
            ("not UTF-8", text.encode() + b"\xff\xfe,1\n"),
            ("zero bytes", text.encode().replace(b"1", b"\0", 5)),
            ("semicolons", text.replace(",", ";").encode()),
            ("nothing", b""),
            ("one line", lines[0].encode()),
            ("an endless quote", b'"' + text.encode()),
            ("many columns", (",".join(["x"] * 20_000) + "\n" + text).encode()),
            ("equal headings", (lines[0] + ",a,a,a\n" + "\n".join(lines[1:])).encode()),
            ("a huge field", text.encode() + b'"' + b"x" * 300_000 + b'"\n'),
            ("lines in any order", "\n".join([lines[0], *reversed(lines[1:])]).encode()),
        ]
    )


def _input_table(case: Case) -> Attack | None:
    named = [n for n in case.example.of_kind("winds", "table") if ".csv" in n.file]
    if not named:
        return None
    path = case.folder / case.rng.choice(named).file
    packed = path.suffix == ".gz"
    text = gzip.decompress(path.read_bytes()).decode() if packed else path.read_text("utf-8")
    if harmless := case.rng.random() < 0.25:
        name, change = case.rng.choice(list(HARMLESS.items()))
        data = change(text)
    else:
        name, data = _harmful(case, text)
    path.write_bytes(gzip.compress(data) if packed else data)
    return Attack(
        f"{path.name}: {name}",
        words_of(case.example),
        same=harmless,
        refusable=not harmless,
        check=lambda r: _live_cells(r) if r.exit_code == 0 else "",
    )


def tables(case: Case) -> Attack | None:
    """formulas, control characters, encodings and huge fields in tables and text columns"""
    first, second = case.rng.sample([_text_columns, _input_table], 2)
    return first(case) or second(case)


# ---- damaged inputs


def damage(case: Case, path: Path) -> str:
    """Damage a file; what was done."""
    data = bytearray(path.read_bytes())
    kind = case.rng.choice(["bits", "bits", "bits", "cut", "empty", "zeros", "longer"])
    if kind == "bits":
        for _ in range(case.rng.choice([1, 1, 3, 40])):
            data[case.rng.randrange(len(data))] ^= 1 << case.rng.randrange(8)
    elif kind == "cut":
        del data[case.rng.randrange(len(data)) :]
    elif kind == "zeros":
        at = case.rng.randrange(len(data))
        data[at : at + 512] = bytes(len(data[at : at + 512]))
    elif kind == "longer":
        data += case.rng.randbytes(999)
    else:
        data.clear()
    path.write_bytes(data)
    return kind


def damaged(case: Case) -> Attack | None:
    """flipped bits, cut and empty files among the inputs"""
    path = case.folder / case.rng.choice(case.example.named).file
    done = damage(case, path)
    return Attack(f"{path.name}: {done}", words_of(case.example))
