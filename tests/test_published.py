"""Our numbers against published ones; every miss is listed with its reason."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import pytest
from published_checks import FOLDER, STATUS, Row, checksum, files, index, index_entry, table

# Only names at collection: a table is calculated when its test runs, once per session.
every_table = pytest.mark.parametrize("file", files())


@pytest.mark.parametrize("file", index())
def test_files_have_their_recorded_checksum(file):
    entry = index_entry(file)
    assert checksum(file) == entry["sha256"]
    assert entry["status"] in STATUS
    assert entry["source"]
    assert entry["units"]
    assert bool(entry.get("not_evidence")) == bool(entry.get("reason"))


def test_every_file_is_in_the_index():
    assert set(index()) == {p.name for p in FOLDER.glob("*.csv")}


@every_table
def test_rows_are_within_their_tolerance(file):
    """Every row is within its tolerance, except misses listed by name with a reason. Remove a miss
    from the list when it becomes a hit."""
    found = table(file)
    assert found.rows
    missed = {row.label for row in found.rows if not row.hit}
    assert missed == set(found.known_misses)
    assert all(found.known_misses.values())


@pytest.mark.parametrize("file", [file for file in files() if index_entry(file)["status"] == "D"])
def test_arithmetic_never_misses(file):
    assert not index_entry(file).get("known_misses")


def test_collection_calculates_nothing():
    """A calculation on import, or on listing the tables, would slow down every test."""
    code = "import published_checks as p; p.files(); print(p.table.cache_info().currsize)"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=Path(__file__).parent, capture_output=True, text=True
    )
    assert done.stdout.strip() == "0", done.stderr


def test_a_wrong_or_missing_number_is_a_miss():
    assert not Row("x", 1.0, 1.2, 0.1).hit
    assert not Row("x", 1.0, math.nan, 0.1).hit
