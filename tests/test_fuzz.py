"""Malformed input: every input is accepted, or refused with an error of our own, reproducibly.

The longer fuzz test, guided by coverage, is `make fuzz`; its findings are in ``fuzz_cases``.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import fuzz_targets
import geopandas as gpd
import pandas as pd
import pytest
from fuzz_targets import GRID, TARGETS, WORDS, outcome
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from run_helpers import CRS, NORTH, WEST
from shapely import LineString, MultiLineString, Point, Polygon

from shelterscape.errors import CODES, InputError
from shelterscape.science import belts, places

CASES = sorted((Path(__file__).parent / "fuzz_cases").glob("*.bin"))
BY_NAME = {target.__name__: target for target in TARGETS}
ENDS = {*CODES, "done"}
"""How a target may end; any other exception fails the test."""


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    """A folder for files of the targets."""
    return tmp_path_factory.mktemp("fuzz")


@pytest.fixture(scope="module")
def seeds(tmp_path_factory):
    """Valid inputs by target."""
    return fuzz_targets.seeds(tmp_path_factory.mktemp("seeds"))


def test_the_same_examples_are_tried_each_time():
    assert settings.default.derandomize, "a failed run must be repeatable"


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: t.__name__)
def test_valid_inputs_are_accepted(target, seeds, scratch):
    """Otherwise a fuzz test would only reach the first check."""
    ended = [outcome(target, data, scratch) for data in seeds[target.__name__]]
    assert "done" in ended


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_findings_of_the_long_fuzz_test(path, scratch):
    """Each of these once ended in a traceback."""
    target = BY_NAME[path.stem.partition("-")[0]]
    assert outcome(target, path.read_bytes(), scratch) in ENDS


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: t.__name__)
def test_any_bytes_are_accepted_or_refused(target, scratch):
    @given(st.binary(max_size=200))
    @example(b"")
    @example(b"\x00" * 50)
    @example("\N{SNOWMAN}\n".encode() * 9)
    def fed(data):
        assert outcome(target, data, scratch) in ENDS

    fed()


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: t.__name__)
def test_valid_inputs_with_some_bytes_changed_are_accepted_or_refused(target, seeds, scratch):
    """Valid input with a few changes reaches more code than random bytes."""
    valid = seeds[target.__name__]
    # Writing and reading a database of 100 KB is slow.
    count = 15 if target.__name__ == "geopackage" else 40

    @settings(max_examples=count)
    @given(st.data())
    def fed(draw):
        data = bytearray(draw.draw(st.sampled_from(valid)))
        for _ in range(draw.draw(st.integers(1, 6))):
            at = draw.draw(st.integers(0, len(data)))
            new = draw.draw(st.binary(max_size=8))
            data[at : at + draw.draw(st.integers(0, 8))] = new
        assert outcome(target, bytes(data), scratch) in ENDS

    fed()


# ---- plans


LEAF = st.one_of(
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(["dem.tif", "210,240", "step:shelter/belts", "belts.gpkg:belts", "surveyed"]),
)
VALUE = st.recursive(
    LEAF,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["dem", "winds", "belts", "places", "seasons", "years", "fields", "process", "id", "limit_m",
     "curve", "ends", "at_height_m", "step", "inputs", "cases", "title"]
) | st.text(max_size=8)  # fmt: skip


def as_toml(value):
    """A value as TOML; the standard library reads TOML but does not write it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" if not c.isalnum() else c for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_toml(k)} = {as_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "inputs": st.dictionaries(KEYS, VALUE, max_size=4) | VALUE,
            "cases": st.dictionaries(KEYS, VALUE, max_size=3) | VALUE,
            "fields": st.dictionaries(KEYS, VALUE, max_size=3) | VALUE,
            "step": st.lists(
                st.dictionaries(KEYS, VALUE, max_size=3).map(lambda d: {"process": "shelter"} | d),
                max_size=3,
            )
            | VALUE,
        },
    )
)
@settings(max_examples=80)
def test_plans_of_any_structure_are_accepted_or_refused(content):
    lines = [f"{as_toml(k)} = {as_toml(v)}" for k, v in content.items()]
    text = "\n".join(lines).encode("utf-8", "replace")
    with tempfile.TemporaryDirectory() as folder:
        assert outcome(fuzz_targets.plan, text, Path(folder)) in ENDS


# ---- winds


CELL = st.one_of(
    st.floats().map(str),
    st.integers(-400, 400).map(str),
    st.sampled_from(["calm", "", "Calm ", "NaN", "1e400", "-0.0", "0.5", "50", "1"]),
    st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=6),
)
COLUMN = st.sampled_from(["direction_deg", "frequency", "mean_speed_ms", "weibull_k", "subset"])


@given(
    st.lists(COLUMN | st.text(max_size=5), min_size=1, max_size=6),
    st.lists(st.lists(CELL, max_size=6), max_size=6),
)
@example(["direction_deg", "frequency", "mean_speed_ms"], [["0", "1", "1e308"]])
@example(["direction_deg", "frequency", "weibull_k"], [["0", "1", "0.01"]])
@example(["direction_deg", "frequency", "mean_speed_ms"], [["0", "1", "0"]])
@settings(max_examples=150)
def test_wind_tables_with_any_cells_are_accepted_or_refused(head, rows):
    text = "\n".join([",".join(head), *(",".join(row) for row in rows)])
    with tempfile.TemporaryDirectory() as folder:
        found = outcome(fuzz_targets.winds, text.encode("utf-8", "replace"), Path(folder))
        assert found in ENDS


# ---- belts and places


NUMBER = st.one_of(st.none(), st.floats(), st.integers(), st.text(max_size=6), st.booleans())
ON_MAP = st.tuples(st.floats(0, 600), st.floats(0, 600)).map(
    lambda p: (WEST + p[0], NORTH - 600 + p[1])
)
ANYWHERE = st.tuples(st.floats(-1e7, 1e7), st.floats(-1e7, 1e7))
PLACE = ON_MAP | ANYWHERE
LINE = st.lists(PLACE, min_size=2, max_size=5).map(LineString)
GEOMETRY = st.one_of(
    LINE,
    st.lists(LINE, min_size=1, max_size=3).map(MultiLineString),
    st.lists(PLACE, min_size=3, max_size=6).map(Polygon),
    PLACE.map(Point),
)


def accepted_or_refused(work):
    """Whether the work succeeds; an error must have one of our codes."""
    try:
        work()
    except InputError as error:
        assert error.code in CODES
        return False
    return True


@given(
    st.lists(GEOMETRY, min_size=1, max_size=4),
    st.dictionaries(st.sampled_from(belts.READ_COLUMNS), st.lists(NUMBER, min_size=4, max_size=4)),
)
@settings(max_examples=150)
def test_belts_with_any_columns_are_accepted_or_refused(shapes, columns):
    given_columns = {n: pd.Series(v[: len(shapes)], dtype=object) for n, v in columns.items()}
    frame = gpd.GeoDataFrame(given_columns, geometry=shapes, crs=CRS)

    def work():
        whole = belts.belts_in_season(belts.complete(frame, "belts")[0], "bare")
        there = whole["height_m"].notna()
        assert whole["porosity"].between(0, 1).all()
        assert whole["porosity_low"].between(0, 1).all()
        assert (whole.loc[there, "height_m"] >= 0).all()
        assert whole["width_m"].notna().all()

    accepted_or_refused(work)


@given(
    st.lists(GEOMETRY, min_size=1, max_size=4),
    st.dictionaries(st.sampled_from(places.READ_COLUMNS), st.lists(NUMBER, min_size=4, max_size=4)),
)
@settings(max_examples=100)
def test_places_with_any_columns_are_accepted_or_refused(shapes, columns):
    given_columns = {n: pd.Series(v[: len(shapes)], dtype=object) for n, v in columns.items()}
    frame = gpd.GeoDataFrame(given_columns, geometry=shapes, crs=CRS)

    def work():
        whole, _ = places.complete(frame, "places")
        assert (whole["priority"] >= 0).all()

    accepted_or_refused(work)


@given(st.lists(LINE, min_size=1, max_size=3))
@settings(max_examples=15)
def test_belts_of_any_shape_give_relative_wind_within_its_range(shapes):
    """Relative wind is a number from 0 to 1.25 in every cell."""
    from shelterscape.science.shelter import relative_wind

    assume(all(shape.length > 0 for shape in shapes))  # others are refused, see test_inputs_belts
    frame = gpd.GeoDataFrame({"height_m": [9.0] * len(shapes)}, geometry=shapes, crs=CRS)
    field = relative_wind(belts.complete(frame, "belts")[0], GRID, 233.0)
    assert field.shape == GRID.shape
    assert ((field >= 0) & (field <= 1.25)).all()


# ---- the command line


WORD = st.sampled_from(WORDS) | st.text(st.characters(exclude_characters="\n"), max_size=10)


@given(st.sampled_from(["shelter", "exposure", "run", "describe"]), st.lists(WORD, max_size=10))
@settings(max_examples=60)
def test_commands_of_any_words_are_accepted_or_refused(scratch, command, words):
    numbered = {word: bytes([i]) for i, word in enumerate(WORDS)}
    encoded = [numbered.get(w, w.encode("utf-8", "surrogatepass")) for w in (command, *words)]
    assert outcome(fuzz_targets.command_line, b"\n".join(encoded), scratch) in ENDS
