"""Docs that stay true: generated pages are fresh, examples run, nothing goes unsaid."""

from __future__ import annotations

import doctest
import importlib
import re
import runpy
from pathlib import Path

import pytest

import shelterscape
from shelterscape import errors
from shelterscape.cli import OTHER_COMMANDS

ROOT = Path(__file__).resolve().parents[1]
PAGES = runpy.run_path(str(ROOT / "docs" / "generate.py"))["pages"]()
SLOW_PAGES = {"askervein.md", "validation.md"}
"""Pages that hold the wind over a measured hill, some 10 s of work."""

MODULES = sorted((ROOT / "shelterscape").rglob("*.py"))


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[pytest.mark.slow] * (n in SLOW_PAGES)) for n in PAGES]
)
def test_generated_pages_are_fresh(name):
    path = ROOT / "docs" / name
    assert path.exists()
    assert path.read_text(encoding="utf-8") == PAGES[name], "run python docs/generate.py"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_examples_in_docstrings(path):
    if path.name == "__main__.py":
        return
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_every_code_is_used_and_every_used_code_is_listed():
    text = "\n".join(p.read_text(encoding="utf-8") for p in MODULES if p.name != "errors.py")
    for code in errors.CODES:
        assert f'"{code}"' in text or code == "stopped", f"error code {code} is never raised"
    for code in errors.NOTICES:
        assert f'"{code}"' in text, f"notice code {code} is never given"


def test_unlisted_codes_are_refused():
    with pytest.raises(KeyError):
        errors.InputError("no-such-code", "x")
    with pytest.raises(KeyError):
        errors.Notice("no-such-code", "x")


def test_links_in_pages_lead_somewhere():
    pages = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *ROOT.glob("sample_gis/*.md")]
    for page in pages:
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_readme_and_developers_name_every_command():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in OTHER_COMMANDS:
        assert f"shelterscape {command}" in text
    for target in ("make demo", "make test"):
        assert target in text


@pytest.mark.slow
def test_the_python_in_the_readme_runs(tmp_path, monkeypatch):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert len(code.strip().splitlines()) <= 12
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_gis").symlink_to(ROOT / "sample_gis")
    exec(compile(code, "README.md", "exec"), {})
    assert (tmp_path / "results" / "record.json").exists()


def test_version_is_stated_once():
    assert re.fullmatch(r"\d+\.\d+\.\d+", shelterscape.__version__)


def test_the_example_of_the_python_interface_runs(capsys):
    page = (ROOT / "docs" / "api" / "index.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", page, re.DOTALL)[1]
    exec(compile(code, "docs/api/index.md", "exec"), {})
    shown = [float(word) for word in re.findall(r"[\d.]+", capsys.readouterr().out)]
    # Ground to the north of the belt lies behind it in a south wind.
    assert len(shown) == 3 and 0 < min(shown) < 0.7
