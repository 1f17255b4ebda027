"""The shape of the code as a test: imports go downward, without cycles, inside their fences."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "shelterscape"

# Lowest first. A module imports from lower rows only, and within its own row from its own part.
ROWS = [
    {"errors", "data", "environment"},
    {"address_space", "terms"},
    {"grid", "kernels"},
    {"science", "files"},
    {"process"},
    {"processes"},
    {"registry", "runs"},
    {"plan"},
    {"batch"},
    {"calls", "cli"},
    {"__init__", "__main__"},
]
LEVEL = {part: level for level, row in enumerate(ROWS) for part in row}

# Library -> the only places that may import it.
FENCES = {
    "dask": {"batch/cluster.py"},
    "distributed": {"batch/cluster.py"},
    "matplotlib": {"files/draw"},
    "reportlab": {"files/draw"},
    "PIL": {"files/", "science/belt_pictures.py", "science/photographs.py"},
    "click": {"cli/"},
    "richdem": {"science/landform.py"},
    "rich": {"cli/"},
    "skimage": {"science/canopy.py"},
}
# Part -> libraries it must not import, for lack of a file to open or a map to know.
BANNED = {
    "kernels": {"shapely", "pandas", "geopandas", "rasterio", "click", "pyproj", "pydantic"},
    "science": {"fiona", "pyogrio", "sqlite3", "pathlib", "pydantic"},
    "files": {"pydantic"},
}
ALLOWED_RASTERIO_IN_SCIENCE = {"rasterio.features", "rasterio.transform"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def _relative(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def _part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imports(path: Path) -> Iterator[str]:
    """Every module a file imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{_relative(path)} imports by dots; name the whole module"
            yield str(node.module)
            yield from (f"{node.module}.{name.name}" for name in node.names)


def _own_parts(path: Path) -> set[str]:
    """Parts of the package a file imports from."""
    found = set()
    for name in _imports(path):
        words = name.split(".")
        if words[0] == "shelterscape" and len(words) > 1 and words[1] in LEVEL:
            found.add(words[1])
    return found


def test_every_part_has_a_place():
    assert {_part(path) for path in MODULES} <= set(LEVEL)


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_imports_go_downward(path):
    mine = _part(path)
    wrong = [part for part in _own_parts(path) if part != mine and LEVEL[part] >= LEVEL[mine]]
    assert not wrong, f"{_relative(path)} imports from {wrong}, which stand no lower"


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_fences(path):
    here = _relative(path)
    for name in _imports(path):
        library = name.split(".")[0]
        if library in FENCES:
            assert any(here.startswith(place) for place in FENCES[library]), f"{here}: {name}"
        if library in BANNED.get(_part(path), ()):
            pytest.fail(f"{here} imports {name}")
        if library == "rasterio" and _part(path) == "science":
            assert any(name.startswith(a) for a in ALLOWED_RASTERIO_IN_SCIENCE), f"{here}: {name}"


def test_fences_stand_round_modules_that_exist():
    for library, places in FENCES.items():
        for place in places:
            assert any(_relative(path).startswith(place) for path in MODULES), f"{library}: {place}"


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_science_and_kernels_open_nothing(path):
    if _part(path) not in ("science", "kernels"):
        return
    if _relative(path) == "kernels/__init__.py":
        return  # chooses the folder for compiled code; opens no data
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert "open" not in calls


SPEC_MAY_IMPORT = ("shelterscape.process", "shelterscape.terms", "shelterscape.files.styles")
SPEC_LIBRARIES = {
    "__future__",
    "collections",
    "dataclasses",
    "datetime",
    "decimal",
    "pydantic",
    "typing",
}


@pytest.mark.parametrize("path", [p for p in MODULES if p.name == "spec.py"], ids=_relative)
def test_descriptions_need_no_science(path):
    for name in _imports(path):
        ours = name == "shelterscape" or name.startswith(SPEC_MAY_IMPORT)
        assert ours or name.split(".")[0] in SPEC_LIBRARIES, name


@pytest.mark.parametrize("path", [p for p in MODULES if _part(p) == "processes"], ids=_relative)
def test_no_process_imports_another(path):
    mine = ".".join(["shelterscape", *path.relative_to(PACKAGE).parts[:2]])
    others = {n for n in _imports(path) if n.startswith("shelterscape.processes.")}
    assert all(name.startswith(mine) for name in others), others


def test_no_cycles():
    """Modules inside one part import each other in one direction only."""
    graph = {}
    for path in MODULES:
        name = "shelterscape." + _relative(path).removesuffix(".py").replace("/", ".")
        graph[name.removesuffix(".__init__")] = set(_imports(path))
    graph = {name: {n for n in found if n in graph and n != name} for name, found in graph.items()}
    settled: set[str] = set()
    while len(settled) < len(graph):
        ready = {n for n, needs in graph.items() if n not in settled and needs <= settled}
        assert ready, f"a cycle among {sorted(set(graph) - settled)}"
        settled |= ready


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_sizes(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 450, f"{_relative(path)} has {len(lines)} lines; split it"
    for node in ast.walk(ast.parse("\n".join(lines))):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            length = (body[-1].end_lineno - body[0].lineno + 1) if body else 0
            assert length <= 60, f"{_relative(path)}: {node.name} has {length} lines"


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_public_things_are_described(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{_relative(path)} says nothing of itself"
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            is_inner = node.col_offset > 4 or node.name in {
                "callback",
                "call",
                "after_each",
                "paths",
            }
            assert is_inner or ast.get_docstring(node), f"{_relative(path)}: {node.name}"


def test_the_tests_would_see_a_breach(tmp_path):
    """The reader of imports finds them inside functions too, where they like to hide."""
    file = tmp_path / "x.py"
    file.write_text("def f():\n    from shelterscape.runs import run\n    import rasterio.warp\n")
    assert {"shelterscape.runs", "rasterio.warp"} <= set(_imports(file))
