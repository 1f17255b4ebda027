"""Columns, terms and exit codes on the pages are those of the code."""

from __future__ import annotations

import importlib
import re
import runpy
import sys
from pathlib import Path

import pytest

from shelterscape import cli, data, errors, registry
from shelterscape.process import Layer, Raster, Table
from shelterscape.science import belts, wind, wind_tables
from shelterscape.science.crops import GAINS
from shelterscape.science.grants import belts as grant_belts
from shelterscape.science.purposes import purposes
from shelterscape.science.siting import planner_layers
from shelterscape.science.terrain import roughness
from shelterscape.terms import DAVENPORT_WIERINGA, TERMS, THEMES

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "docs"))

from page_parts import span  # noqa: E402 - from docs/, which is no package
from reference_pages import LAYERS  # noqa: E402

PROCESSES = [registry.find(name) for name in registry.BUILT_IN]
ROWS = data.rows("input_columns.csv")
CELLS = {(row["layer"], row["column"]): row for row in ROWS}

OTHER_NAMES = {
    ("grant-overlay", "belts"): "grant-overlay belts",
    ("planting", "belts"): "planting belts",
    ("planting", "existing_belts"): "belts",
    ("side-effects", "belts"): "side-effects belts",
    ("exposure", "roughness"): "roughness areas",
    ("shelter", "roughness"): "roughness areas",
    ("siting", "roughness"): "roughness areas",
}
"""Layers by process and input that the page calls otherwise."""


def columns_of(process_id: str) -> dict[str, tuple[str, ...]]:
    """Columns that the loading module of a process reads, by layer."""
    part = "layer_inputs" if process_id == "siting" else "loading"
    name = f"shelterscape.processes.{process_id.replace('-', '_')}.{part}"
    found: dict[str, tuple[str, ...]] = importlib.import_module(name).COLUMNS
    return found


def read_columns() -> dict[str, set[str]]:
    """Columns that the code reads, by the layer's name on the page."""
    found: dict[str, set[str]] = {
        "winds": {"subset", *wind_tables.COLUMNS},
        "roughness table": set(roughness.READ_COLUMNS),
    }
    for process in PROCESSES:
        for layer, columns in columns_of(process.id).items():
            name = OTHER_NAMES.get((process.id, layer), layer)
            found.setdefault(name, set()).update(columns)
    return found


# ---- input columns


def test_the_page_lists_every_column_that_is_read_and_no_other():
    listed: dict[str, set[str]] = {}
    for layer, column in CELLS:
        listed.setdefault(layer, set()).add(column)
    assert listed == read_columns()
    assert len(CELLS) == len(ROWS), "a column is listed twice"
    assert set(LAYERS) == set(listed)


def test_every_column_has_a_type_a_default_and_an_effect():
    kinds = {"number", "whole number", "text", "word", "yes or no", "year or date"}
    for row in ROWS:
        assert row["type"] in kinds, row
        assert row["allowed"] and row["default"] and row["effect"].endswith("."), row


RANGED = {
    "belts": [*belts.QUANTITIES, "planted_year"],
    "woods": [*belts.QUANTITIES, "planted_year"],
    "places": ["head", "priority", "crop_yield_t_ha", "crop_price"],
    "grant-overlay belts": ["plants_per_ha", "open_share", "native_share", "evergreen_share"],
    "neighbours": ["plants_per_ha", "open_share", "native_share", "evergreen_share"],
    "roughness areas": ["roughness_m"],
    "roughness table": ["roughness_m"],
    "winds": ["mean_speed_ms", "weibull_k"],
}
"""Number columns whose range is that of their term."""


@pytest.mark.parametrize("layer", RANGED)
def test_ranges_and_units_are_those_of_the_terms(layer):
    for column in RANGED[layer]:
        term = TERMS[column]
        assert CELLS[layer, column]["allowed"] == span(term.low, term.high), column
        assert CELLS[layer, column]["unit"] == term.symbol, column


def test_other_ranges_are_those_of_the_code():
    clear = span(0, planner_layers.FARTHEST_CLEAR_M)
    for layer, column in (("keep_clear", "clear_m"), ("water", "clear_m"), ("openings", "width_m")):
        assert CELLS[layer, column]["allowed"] == clear
    distance = span(0, planner_layers.FARTHEST_M)
    assert CELLS["constraints", "distance_m"]["allowed"] == distance
    years = span(TERMS["start_year"].low, TERMS["start_year"].high)
    for layer in ("grant-overlay belts", "neighbours"):
        assert CELLS[layer, "planted_year"]["allowed"] == years
        width = span(TERMS["width_m"].low, TERMS["width_m"].high)
        assert CELLS[layer, "width_m"]["allowed"].startswith(width)
    for column in ("direction_deg", "frequency"):
        term = TERMS[column]
        assert CELLS["winds", column]["allowed"].startswith(span(term.low, term.high))


def test_allowed_words_are_those_of_the_code():
    for layer in ("belts", "woods", "grant-overlay belts"):
        words = CELLS[layer, "belt_type"]["allowed"].partition(";")[0].split(", ")
        assert set(words) == set(belts.BELT_TYPES)
    assert CELLS["places", "purpose"]["allowed"].split(", ") == list(purposes())
    assert CELLS["places", "crop"]["allowed"].split(", ") == list(GAINS)
    assert CELLS["constraints", "effect"]["allowed"].split(", ") == list(planner_layers.EFFECTS)
    assert CELLS["grant-overlay belts", "action"]["allowed"].startswith(grant_belts.PLANT)
    yes, no = (part.split(", ") for part in CELLS["holdings", "public"]["allowed"].split("; "))
    assert set(yes) <= set(planner_layers.YES) and set(no) <= set(planner_layers.NO)
    cover = CELLS["roughness areas", "land_cover"]["allowed"].partition(";")[0].split(", ")
    assert cover == list(DAVENPORT_WIERINGA)


DEFAULTS = {
    ("belts", "porosity"): f"{belts.DEFAULT_POROSITY:g} ",
    ("belts", "bare_porosity"): f"otherwise {belts.DEFAULT_BARE_POROSITY:g} ",
    ("belts", "width_m"): f"{belts.DEFAULT_WIDTH_M:g} m ",
    ("belts", "belt_type"): belts.UNKNOWN,
    ("grant-overlay belts", "width_m"): f"{grant_belts.DEFAULT_WIDTH_M:g} m ",
    ("water", "clear_m"): f"{planner_layers.WATER_CLEAR_M:g} m ",
    ("openings", "width_m"): f"{planner_layers.GATEWAY_M:g} m ",
    ("winds", "weibull_k"): f"{wind.ASSUMED_WEIBULL_K:g} ",
}
"""Defaults that the code holds as constants."""


@pytest.mark.parametrize("cell", DEFAULTS, ids=" ".join)
def test_defaults_are_those_of_the_code(cell):
    assert DEFAULTS[cell] in CELLS[cell]["default"] + " "


def test_half_of_the_porosity_of_a_bank_is_that_of_the_code():
    assert "half of it for a bank with hedge" in CELLS["belts", "porosity_low"]["default"]
    assert belts.BANK_LOW_SHARE == 0.5


def test_the_file_reference_has_the_assumed_measurement_of_wind():
    page = (ROOT / "docs" / "file_reference.md").read_text(encoding="utf-8")
    assert f"| {wind.ASSUMED_MEASURED_HEIGHT_M:g} m |" in page
    assert f"| {wind.ASSUMED_MEASURED_ROUGHNESS_M:g} m |" in page


# ---- terms


def output_names() -> set[str]:
    """Every name of a raster, column or figure that any process declares."""
    found: set[str] = set()
    for process in PROCESSES:
        for output in process.outputs:
            if isinstance(output, Raster):
                found.add(output.term or output.name)
            if isinstance(output, (Layer, Table)):
                found.update(output.columns)
        for figure in process.figures:
            found |= {figure.name, figure.map_term} - {""}
    return found


def option_terms() -> set[str]:
    """Terms that describe an option."""
    extras = [f.json_schema_extra for p in PROCESSES for f in p.inputs.model_fields.values()]
    return {str(extra["term"]) for extra in extras if isinstance(extra, dict)}


ELSEWHERE = {
    "rank": "batch/merge.py",
    "rank_share": "batch/picture.py",
    "status": "batch/merge.py",
    "error": "batch/merge.py",
    "folder": "batch/merge.py",
    "notices": "batch/merge.py",
}
"""Terms that no process declares, each with the module that writes it."""


def test_a_name_is_one_term():
    names = [row["name"] for row in data.rows("terms.csv")]
    assert len(names) == len(set(names))


def test_every_declared_name_is_a_term():
    assert output_names() | option_terms() <= TERMS.keys()


def test_every_term_is_used_or_listed_with_a_reason():
    concepts = runpy.run_path(str(ROOT / "docs" / "generate.py"))["CONCEPTS"]
    used = output_names() | option_terms() | {column for _, column in CELLS}
    assert TERMS.keys() - used == ELSEWHERE.keys() | concepts.keys()
    for name, module in ELSEWHERE.items():
        text = (ROOT / "shelterscape" / module).read_text(encoding="utf-8")
        assert f'"{name}"' in text, f"{module} does not write {name}"


def test_the_glossary_has_every_term_under_its_theme():
    page = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    sections = {part.partition("\n")[0]: part for part in page.split("\n## ")[1:]}
    for term in TERMS.values():
        assert f"| {term.title} |" in sections[THEMES[term.theme]], term.name


def test_rasters_state_a_ratio_only_where_they_hold_one():
    for process in PROCESSES:
        page = (ROOT / "docs" / "processes" / f"{process.id}.md").read_text(encoding="utf-8")
        sections = page.split("\n### ")
        for output in process.outputs:
            if isinstance(output, Raster):
                (section,) = [s for s in sections if s.startswith(f"`{output.files[0]}`")]
                is_ratio = output.quantity.unit == "1" and not output.classed
                assert ("Unit: ratio." in section) == is_ratio, output.name
                assert ("codes of classes" in section) == output.classed, output.name


# ---- exit codes


def test_the_page_of_errors_has_every_exit_code():
    listed = runpy.run_path(str(ROOT / "docs" / "generate.py"))["EXIT_CODES"].keys()
    kinds = [errors.ShelterscapeError, *_all_below(errors.ShelterscapeError)]
    made = {kind.exit_code for kind in kinds if kind is not errors.Stopped}
    stopped = {errors.Stopped(number).exit_code for number in (1, 2, 15)}
    # 5 is the exit code of a batch in which some holdings failed.
    assert set(listed) == made | stopped | {0, 5}
    for code in set(listed):
        assert str(code) in str(cli.main.__doc__)


def _all_below(kind: type) -> list[type]:
    return [c for below in kind.__subclasses__() for c in (below, *_all_below(below))]


# ---- changelog


def test_new_names_in_the_changelog_exist():
    """Names in the last column of the tables of renamed outputs and columns."""
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    known = TERMS.keys() | {output.name for p in PROCESSES for output in p.outputs}
    for heading in ("### Renamed: outputs", "### Renamed: columns that are written"):
        table = text.partition(heading)[2].partition("\n### ")[0]
        lines = [line for line in table.splitlines() if line.startswith("| `")]
        assert len(lines) > 5
        for line in lines:
            new = re.findall(r"`(\w+)`", line.rstrip(" |").rpartition("|")[2])
            assert set(new) <= known | {"_deg"}, line
