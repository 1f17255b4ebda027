"""Documentation agrees with the code: generated pages are fresh, examples run, lists are whole."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import re
import runpy
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import shelterscape
from shelterscape import errors
from shelterscape.cli import OTHER_COMMANDS
from shelterscape.cli import shelterscape as shelterscape_command

ROOT = Path(__file__).resolve().parents[1]
GENERATE = runpy.run_path(str(ROOT / "docs" / "generate.py"))
PAGES = GENERATE["pages"]()
SLOW_PAGES = {"askervein.md", "validation.md"}
"""Pages with the wind over a measured hill, about 10 s of work."""

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


def test_every_code_is_used():
    text = "\n".join(p.read_text(encoding="utf-8") for p in MODULES if p.name != "errors.py")
    for code in errors.CODES:
        assert f'"{code}"' in text or code == "stopped", f"error code {code} is never raised"
    for code in errors.NOTICES:
        assert f'"{code}"' in text, f"notice code {code} is never used"


def test_unlisted_codes_raise():
    with pytest.raises(KeyError):
        errors.InputError("no-such-code", "x")
    with pytest.raises(KeyError):
        errors.Notice("no-such-code", "x")


WRITTEN = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *ROOT.glob("sample_gis/*.md")]


def anchors(page: Path) -> set[str]:
    """Anchors of the headings of a page."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", h.casefold()).replace(" ", "-") for h in headings}


@pytest.mark.parametrize("page", WRITTEN, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_in_pages_lead_to_files_and_headings(page):
    for target in re.findall(r"\]\(([^):]+)\)", page.read_text(encoding="utf-8")):
        name, _, anchor = target.partition("#")
        there = page.parent / name if name else page
        assert there.exists(), f"{page.name} links to {target}"
        assert not anchor or anchor in anchors(there), f"{page.name} links to {target}"


def test_every_written_page_can_be_reached_from_the_readme():
    reached, waiting = set(), [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        reached.add(page.resolve())
        for name in re.findall(r"\]\(([^):#]+\.md)", page.read_text(encoding="utf-8")):
            if (there := (page.parent / name).resolve()) not in reached:
                waiting.append(there)
    missing = {page.resolve() for page in WRITTEN} - reached
    assert not missing, ", ".join(sorted(page.name for page in missing))


def test_readme_and_developers_name_every_command():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in OTHER_COMMANDS:
        assert f"shelterscape {command}" in text
    for target in ("make demo", "make test"):
        assert target in text


def commands_in(page: Path) -> list[list[str]]:
    """Commands of shelterscape in indented code, as words."""
    text = page.read_text(encoding="utf-8").replace("\\\n", " ")
    lines = re.findall(r"^ {4,}(shelterscape .*)$", text, re.MULTILINE)
    return [shlex.split(line, comments=True)[1:] for line in lines]


COMMANDS = [(page, words) for page in WRITTEN for words in commands_in(page)]


@pytest.mark.parametrize(
    ("page", "words"), COMMANDS, ids=lambda v: v.name if isinstance(v, Path) else "-".join(v[:2])
)
def test_commands_on_pages_have_valid_options(page, words):
    group = click.Context(shelterscape_command, info_name="shelterscape")
    command = shelterscape_command.get_command(group, words[0])
    assert command is not None, f"{page.name}: no command {words[0]}"
    command.make_context(words[0], words[1:], parent=group)


def test_the_readme_shows_commands():
    assert sum(page.name == "README.md" for page, _ in COMMANDS) >= 7


@pytest.mark.slow
def test_the_python_in_the_readme_runs(tmp_path, monkeypatch):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert len(code.strip().splitlines()) <= 12
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_gis").symlink_to(ROOT / "sample_gis")
    exec(compile(code, "README.md", "exec"), {})
    assert (tmp_path / "results" / "record.json").exists()


@pytest.mark.slow
def test_the_summary_in_the_readme_is_that_of_the_demo(demo):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = text.partition("From the demo, shortened:")[2].partition("\n\n2 ha with")[0]
    quoted = [" ".join(line.replace("…", "").split()) for line in block.splitlines()]
    shown = " ".join((demo.folder / "summary.txt").read_text(encoding="utf-8").split())
    assert len([line for line in quoted if line]) >= 7
    for line in quoted:
        assert line in shown, f"not in the summary of the demo: {line}"


def test_modules_named_for_contributors_exist():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    folders = ("shelterscape", "tests", "docs", "sample_gis")
    files = [path.as_posix() for folder in folders for path in (ROOT / folder).rglob("*.*")]
    for name in re.findall(r"`([\w./]+\.(?:py|csv|toml))`", text):
        assert any(file.endswith(f"/{name}") for file in files), name


def test_version_is_stated_once():
    assert re.fullmatch(r"\d+\.\d+\.\d+", shelterscape.__version__)


def test_the_example_of_the_python_interface_runs(capsys):
    page = (ROOT / "docs" / "api" / "index.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)```", page, re.DOTALL)[1]
    exec(compile(code, "docs/api/index.md", "exec"), {})
    shown = [float(word) for word in re.findall(r"[\d.]+", capsys.readouterr().out)]
    # Ground to the north of the belt is leeward in a south wind.
    assert len(shown) == 3 and 0 < min(shown) < 0.7


# ---- docstrings of the science modules

SCIENCE = [p for p in MODULES if "science" in p.parts]

PUBLISHED = {
    "kernels.shelter_curves": "effective_porosity relative_wind_barrier",
    "kernels.growth_curves": "height_manso_fixed height_manso_varying height_johansson",
    "kernels.spectral": "inner_depth wave_tables",
    "science.belts": "complete",
    "science.belt_profiles": "thin_belt",
    "science.crops": "crop_responses",
    "science.curve_fit": "covariance_by_hour",
    "science.cross_section": "section_wind SectionWind.relative_wind",
    "science.growth": "height_at",
    "science.belt_growth": "projected_growth",
    "science.not_modelled": "behind_steep",
    "science.prepared_belts": "prepare_belts sheltered_distance_m",
    "science.shelter": "ray_offsets one_direction relative_wind",
    "science.side_effects.cold_air": "cold_air_pools",
    "science.side_effects.runoff": "intercepted",
    "science.side_effects.snow": "drift_area",
    "science.chill": "sheep_chill daily_sheep_chill human_wind_chill",
    "science.siting.budgets": "fractional_knapsack BenefitBound.from_step",
    "science.siting.candidates": "land_required",
    "science.siting.least_cost": "least_cost",
    "science.terrain.guidelines": "short_form_reach_m crest_speed_up log_profile",
    "science.terrain.linear_theory": "LinearTheory.change",
    "science.terrain.wind_over_terrain": "speed_up speed_ups speed_ups_in_strips",
    "science.terrain.roughness": "from_areas within_reach",
    "science.terrain.topographic_exposure": "topex topex_class",
    "science.terrain.upwind": "upwind_slope",
    "science.terrain.validity": "Blocks.reasons",
    "science.terrain.views": "topex_sum upwind_sum",
    "science.sky_share": "linear_light _two_classes",
    "science.tracing.alignment": "shift_between",
    "science.weibull": "weibull_mean weibull_fit weibull_fit_classes",
    "science.wind_sectors": "sector_overlap",
    "science.hours_on_places": "hours_on_places",
    "science.wind": "WindSet.weights WindSet.flat_terrain_speed_ms WindSet.power_mean_ms "
    "WindSet.height_factor",
}
"""Functions that use a published relation or published values, by module."""

STATUS = r"status|\((S|S2|M|D)\)|common practice|assumed value|As for `"
"""Status of a source, stated in every list of references."""

GROUPED = r",\s*(?![^()]*\))"
"""Separator of names that share a description; not inside the brackets of a shape."""

SECTION = re.compile(r"^(\w+)\n-{3,}$", re.MULTILINE)


def sections(doc: str | None) -> dict[str, str]:
    """Body of each section of a docstring by its title."""
    _, *rest = SECTION.split(inspect.cleandoc(doc or ""))
    return dict(zip(rest[::2], rest[1::2], strict=True))


def entries(body: str) -> dict[str, str]:
    """Description by name in a section that lists names; grouped names share one."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in body.splitlines():
        if line[:1].strip():
            names = [n.lstrip("*") for n in re.split(GROUPED, line.partition(" : ")[0].strip())]
            found |= dict.fromkeys(names, "")
        elif line.strip():
            found |= {name: f"{found[name]} {line.strip()}" for name in names}
    return found


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def documented() -> dict[str, set[str]]:
    """Names in the `Parameters` of every public function and class of science, by its name."""
    kinds = (ast.FunctionDef, ast.ClassDef)
    found: dict[str, set[str]] = {}
    for path in SCIENCE:
        for node in ast.walk(tree_of(path)):
            if isinstance(node, kinds) and not node.name.startswith("_"):
                names = entries(sections(ast.get_docstring(node)).get("Parameters", ""))
                found.setdefault(node.name, set()).update(names)
    return found


DOCUMENTED = documented()


def not_named(node: ast.AST, wanted: list[str]) -> list[str]:
    """Parameters that are not named, or only by reference to a function that lacks them."""
    found = entries(sections(ast.get_docstring(node)).get("Parameters", ""))
    missing = []
    for name in wanted:
        other = re.match(r" As for `(?:\w+\.)*(\w+)`", found.get(name, ""))
        if name not in found or (other and name not in DOCUMENTED.get(other[1], set())):
            missing.append(name)
    return missing


def arguments(node: ast.FunctionDef) -> list[str]:
    kinds = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    kinds += [a for a in (node.args.vararg, node.args.kwarg) if a]
    return [a.arg for a in kinds if a.arg not in ("self", "cls")]


Functions = dict[str, ast.FunctionDef]


def raised_by(node: ast.FunctionDef, helpers: Functions) -> set[str]:
    """Errors that a function raises, itself or in private helpers of its module."""
    raised = (n.exc for n in ast.walk(node) if isinstance(n, ast.Raise) and n.exc)
    names = {ast.unparse(e.func if isinstance(e, ast.Call) else e) for e in raised}
    # A private helper returns an error of ours.
    names = {"InputError" if name.startswith("_") else name for name in names}
    calls = {n.func.id for n in ast.walk(node) if isinstance(n, ast.Call) and hasattr(n.func, "id")}
    others = {name: helper for name, helper in helpers.items() if name not in calls}
    return names.union(*(raised_by(helpers[name], others) for name in calls & helpers.keys()))


def errors_not_named(node: ast.FunctionDef, doc: str | None, helpers: Functions) -> list[str]:
    named = entries(sections(doc).get("Raises", ""))
    return sorted(raised_by(node, helpers) - named.keys())


def faults_of_function(node: ast.FunctionDef, helpers: Functions) -> Iterator[str]:
    doc = ast.get_docstring(node)
    found = sections(doc)
    if missing := not_named(node, arguments(node)):
        yield f"{node.name}: Parameters lacks {', '.join(missing)}"
    if missing := errors_not_named(node, doc, helpers):
        yield f"{node.name}: Raises lacks {', '.join(missing)}"
    if node.returns is None or ast.unparse(node.returns) == "None":
        return
    listed = entries(found.get("Returns", found.get("Yields", "")))
    if not listed:
        yield f"{node.name}: neither Returns nor Yields"
    for name, text in listed.items():
        if re.search(r"\) float", name) and not text:
            yield f"{node.name}: no unit or range of {name}"


def faults_of_class(node: ast.ClassDef, helpers: Functions) -> Iterator[str]:
    """Faults of a class with methods: of its fields or constructor, and of its methods."""
    methods = [m for m in node.body if isinstance(m, ast.FunctionDef)]
    if not methods:
        return
    made_by = [m for m in methods if m.name == "__init__"]
    fields = [f.target for f in node.body if isinstance(f, ast.AnnAssign)]
    wanted = arguments(made_by[0]) if made_by else [f.id for f in fields if isinstance(f, ast.Name)]
    protocol = any(ast.unparse(base) == "Protocol" for base in node.bases)
    if not protocol and (missing := not_named(node, wanted)):
        yield f"{node.name}: Parameters lacks {', '.join(missing)}"
    for method in methods:
        of_class = method.name in ("__init__", "__post_init__")
        if method.name.startswith("_") and not of_class:
            continue
        doc = ast.get_docstring(node if of_class else method)
        # A class may describe parameters that several methods share, by names in backticks.
        here = [a for a in arguments(method) if f"`{a}`" not in (ast.get_docstring(node) or "")]
        if not of_class and (missing := not_named(method, here)):
            yield f"{node.name}.{method.name}: Parameters lacks {', '.join(missing)}"
        if missing := errors_not_named(method, doc, helpers):
            yield f"{node.name}.{method.name}: Raises lacks {', '.join(missing)}"


@pytest.mark.parametrize("path", SCIENCE, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_science_describes_parameters_returns_and_errors(path):
    faults: list[str] = []
    tree = tree_of(path)
    functions = [node for node in tree.body if isinstance(node, ast.FunctionDef)]
    helpers = {node.name: node for node in functions if node.name.startswith("_")}
    for node in tree.body:
        if getattr(node, "name", "_").startswith("_"):
            continue
        if isinstance(node, ast.FunctionDef):
            faults += faults_of_function(node, helpers)
        elif isinstance(node, ast.ClassDef):
            faults += faults_of_class(node, helpers)
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    "name", [f"{module}.{name}" for module, names in PUBLISHED.items() for name in names.split()]
)
def test_published_relations_state_their_source_and_its_status(name):
    module = next(m for m in PUBLISHED if name.startswith(f"{m}."))
    thing: object = importlib.import_module(f"shelterscape.{module}")
    for part in name.removeprefix(f"{module}.").split("."):
        thing = getattr(thing, part)
    found = sections(thing.__doc__).get("References", "")
    listed = {n.rpartition(".")[2] for names in PUBLISHED.values() for n in names.split()}
    # References may be those of other functions of the list.
    others = re.findall(r"`(\w+)`", found) if found.strip().startswith("See `") else []
    stated = re.search(STATUS, found) or (others and set(others) <= listed)
    assert stated, f"{name}: no References, or no status in them"


def test_every_function_with_references_is_in_the_list():
    listed = {(m, name.split(".")[-1]) for m, names in PUBLISHED.items() for name in names.split()}
    for path in SCIENCE:
        module = ".".join(path.relative_to(ROOT / "shelterscape").with_suffix("").parts)
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.FunctionDef) and "References" in sections(
                ast.get_docstring(node)
            ):
                assert (module, node.name) in listed
