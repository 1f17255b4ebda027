"""The command line: what it takes, what it says, and the code it leaves with."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from run_helpers import (
    call,
    child,
    command,
    environment,
    events,
    leftovers,
    options,
    project,
    run_toy,
)
from signal_helpers import stop_when

import shelterscape
from shelterscape import registry
from shelterscape.cli import OTHER_COMMANDS
from shelterscape.cli.process_command import command_of
from shelterscape.errors import CODES, InputError, InternalError

ERROR_FIELDS = {"event", "code", "what", "where", "value", "hint"}


@pytest.fixture
def given(tmp_path):
    """Inputs of `shelter` on the tiny ground."""
    return project(tmp_path / "project")


@pytest.fixture
def toys(monkeypatch, tmp_path):
    """Toy processes among the built-in ones, and tracebacks kept in a folder of their own."""
    for name in ("toy", "broken", "idle"):
        monkeypatch.setitem(registry.BUILT_IN, name, f"run_helpers:{name.upper()}")
    monkeypatch.setitem(registry.BUILT_IN, "gone", "no_such_module:PROCESS")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))


def kept_traceback(text, folder):
    """The traceback file a message names."""
    named = re.search(r"(\S*shelterscape-error-\S+\.txt)", text)
    assert named, text
    path = Path(named[1])
    assert path.parent == folder
    return path.read_text("utf-8")


# ---- done


def test_a_run_reported_to_people(given, tmp_path, capsys):
    assert call(["shelter", *options(given), "--out", tmp_path / "out"]) == 0
    reported = capsys.readouterr()
    assert reported.out == ""
    lines = reported.err.strip().splitlines()
    assert len(lines) <= 25 and max(map(len, lines)) <= 120 + len(str(tmp_path))
    assert "ha reduced by 5 % or more" in " ".join(line.strip() for line in lines)
    (first,) = (line.removeprefix("Open first: ") for line in lines if "Open first" in line)
    assert Path(first) == tmp_path / "out" / "report.html"
    assert Path(first).is_file()
    assert lines[-1].endswith(str(tmp_path / "out" / "summary.txt"))


def test_a_verbose_run_shows_every_notice_and_caution(given, tmp_path, capsys):
    assert call(["shelter", *options(given), "--verbose", "--out", tmp_path / "out"]) == 0
    text = " ".join(capsys.readouterr().err.split())
    written = " ".join((tmp_path / "out" / "summary.txt").read_text(encoding="utf-8").split())
    record = json.loads((tmp_path / "out" / "record.json").read_text("utf-8"))
    for notice in record["steps"][0]["notices"]:
        words = " ".join(notice["text"].split())[1:]
        assert words in text and words in written
    for caution in registry.find("shelter").all_cautions:
        assert caution in text and caution in written


def test_a_run_reported_in_json(given, tmp_path, capsys):
    assert call(["shelter", *options(given), "--out", tmp_path / "out", "--json"]) == 0
    reported = capsys.readouterr()
    assert reported.err == ""
    found = events(reported.out)
    assert {e["event"] for e in found} == {"progress", "notice", "result"}
    assert [e["event"] for e in found].index("result") == len(found) - 1
    shares = [e["share"] for e in found if e["event"] == "progress"]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    result = found[-1]
    paths = [p for kind in ("rasters", "tables", "pictures") for p in result[kind].values()]
    assert all(Path(path).is_file() for path in paths)
    record = json.loads((tmp_path / "out" / "record.json").read_text("utf-8"))
    assert record["steps"][0]["answer"] == result["summary"]["answer"][0]["results"]
    notices = [
        {k: v for k, v in e.items() if k != "event"} for e in found if e["event"] == "notice"
    ]
    assert notices == record["steps"][0]["notices"]


def test_columns_are_mapped(tmp_path, capsys):
    given = project(tmp_path / "project", height_column="HGT")
    words = ["shelter", *options(given), "--out", tmp_path / "out"]
    assert call(words) == 3
    assert "belts-no-height" in capsys.readouterr().err
    assert call([*words, "--field", "belts.height_m=HGT"]) == 0


@pytest.mark.slow
@pytest.mark.pictures
def test_the_demo(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert call(["demo"]) == 0
    out = tmp_path / "demo-output"
    reported = capsys.readouterr()
    assert reported.out == ""
    lines = reported.err.strip().splitlines()
    assert len(lines) <= 27, "a heading, an empty line and the summary"
    (first,) = (line.removeprefix("Open first: ") for line in lines if "Open first" in line)
    assert Path(first).is_file()
    record = json.loads((out / "record.json").read_text("utf-8"))
    done = [step["process"] for step in record["steps"]]
    assert done == [
        "wind-set",
        "exposure",
        "field-check",
        "trace-belts",
        "photo-porosity",
        "belt-survey",
        "shelter",
        "siting",
        "grant-overlay",
        "planting",
        "side-effects",
    ]
    assert (out / "preview-relative_wind.png").stat().st_size > 10_000
    # It may be run again: its own folder is replaced, a folder with other files never.
    (out / "mine.txt").write_text("mine")
    assert call(["demo"]) == 4


# ---- 1: unexpected


@pytest.mark.parametrize(
    ("name", "says", "cause"),
    [
        ("broken", "the toy broke", "RuntimeError"),
        ("idle", "toy_areas", "did not write what it declared"),
        ("gone", "no_such_module", "ModuleNotFoundError"),
    ],
)
def test_a_broken_process(toys, tmp_path, capsys, name, says, cause):
    out = tmp_path / "out"
    assert call([name, "--out", out]) == 1
    reported = capsys.readouterr()
    assert reported.out == ""
    assert says in reported.err
    assert "Traceback" not in reported.err
    assert cause in kept_traceback(reported.err, tmp_path)
    assert call([name, "--out", out, "--json"]) == 1
    last = events(capsys.readouterr().out)[-1]
    assert set(last) == ERROR_FIELDS
    assert (last["event"], last["code"]) == ("error", "internal")
    assert cause in kept_traceback(last["hint"], tmp_path)
    assert not out.exists()
    assert leftovers(tmp_path) == []


def test_one_broken_process_does_not_hide_the_others(toys, capsys):
    assert call(["-h"]) == 0
    reported = capsys.readouterr().out
    assert "Shelter by belts: where, and how much" in reported
    assert re.search(r"^  gone +cannot be loaded", reported, re.MULTILINE)
    assert call(["list"]) == 0
    reported = capsys.readouterr().out
    assert "Shelter by belts: where, and how much" in reported
    assert re.search(r"^gone +cannot be loaded: .*no_such_module", reported, re.MULTILINE)


def test_a_stray_setting_is_named_beside_an_unexpected_error(toys, tmp_path, monkeypatch, capsys):
    """Other programs set it, and rasterio then fails in ways nobody would trace to it."""
    assert call(["broken", "--out", tmp_path / "out"]) == 1
    assert "PROJ_LIB" not in capsys.readouterr().err
    monkeypatch.setenv("PROJ_LIB", str(tmp_path))
    assert call(["broken", "--out", tmp_path / "out"]) == 1
    assert "Clear PROJ_LIB" in capsys.readouterr().err


def test_a_listener_that_goes_away(given, tmp_path):
    """As in ``shelterscape shelter … --json | head -1``: the run ends quietly, undone."""
    words = command("shelter", *options(given), "--out", tmp_path / "out", "--json")
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(), text=True
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        reported = process.stderr.read()
        assert process.wait(60) == 1
    assert reported == ""
    assert [path.name for path in tmp_path.iterdir()] == ["project"]


# ---- 2: the call was not understood


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["shelter", "--demm", "x"], "--demm"),
        (["shelter", "--dem", "x", "--out", "y"], "--winds"),
        (["shelter", "--dem"], "--dem"),
        (["shelterr"], "shelterr"),
        (["run", "--out", "y"], "PLAN"),
        (["list", "--all"], "--all"),
        (["demo", "surplus"], "surplus"),
    ],
)
def test_calls_that_make_no_sense(tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    assert call(words) == 2
    reported = capsys.readouterr()
    assert reported.out == ""
    assert says in reported.err
    assert call([*words, "--json"]) == 2
    reported = capsys.readouterr()
    (event,) = events(reported.out)
    assert set(event) == ERROR_FIELDS
    assert (event["event"], event["code"]) == ("error", "usage")
    # An option that lacks its value takes the next word for it.
    assert words[-1] == "--dem" or says in event["what"]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "nearest"),
    [("belts.hieght_m=HGT", "belts.height_m"), ("bels.height_m=HGT", "belts.height_m")],
)
def test_a_field_that_nothing_reads_is_refused(given, tmp_path, capsys, text, nearest):
    assert call(["shelter", *options(given), "--field", text, "--out", tmp_path / "out"]) == 3
    assert f"Did you mean {nearest}?" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["HGT", "height_m=HGT", "belts.height_m"])
def test_a_field_that_is_no_mapping(given, tmp_path, capsys, text):
    assert call(["shelter", *options(given), "--field", text, "--out", tmp_path / "out"]) == 2
    reported = capsys.readouterr().err
    assert text in reported
    assert "belts.height_m=HGT" in reported
    assert not (tmp_path / "out").exists()


# ---- 3: an input was refused


@pytest.mark.parametrize(
    ("changes", "code", "says"),
    [
        ({"dem": "project/dam.tif"}, "file-missing", "Did you mean dem.tif?"),
        ({"dem": "nowhere/dem.tif"}, "file-missing", "no folder nowhere"),
        ({"belts": "project/belts.gpkg:belt"}, "layer-missing", "Use one of: belts."),
        ({"winds": "winter.csv"}, "file-missing", "winter.csv"),
        ({"winds": "210,400"}, "winds-bad", "400"),
        ({"subset": "winter"}, "name-unknown", "winter"),
        ({"curve": "no-such-curve"}, "input-refused", "no-such-curve"),
        ({"seasons": ("spring",)}, "input-refused", "spring"),
        ({"dem": "/vsicurl/example"}, "not-local", "/vsicurl/example"),
    ],
)
def test_inputs_that_are_refused(given, tmp_path, monkeypatch, capsys, changes, code, says):
    monkeypatch.chdir(tmp_path)
    words = ["shelter", *options(given | changes), "--out", "out"]
    assert call(words) == 3
    reported = capsys.readouterr()
    assert reported.out == ""
    assert says in reported.err
    assert f"Code: {code}" in reported.err
    assert call([*words, "--json"]) == 3
    last = events(capsys.readouterr().out)[-1]
    assert set(last) == ERROR_FIELDS
    assert (last["event"], last["code"]) == ("error", code)
    assert code in CODES
    assert says in f"{last['hint']} {last['value']} {last['where']}"
    assert [path.name for path in tmp_path.iterdir()] == ["project"]


@pytest.mark.parametrize(("years", "at_fault"), [("1066", "1066"), ("2045,soon", "soon")])
def test_the_year_at_fault_is_shown(given, tmp_path, capsys, years, at_fault):
    words = ["shelter", *options(given), "--year", years, "--out", tmp_path / "out", "--json"]
    assert call(words) == 3
    (event,) = events(capsys.readouterr().out)
    assert (event["code"], event["value"]) == ("input-refused", at_fault)
    assert event["what"].startswith("years")


def test_a_number_that_is_none(given, tmp_path, capsys):
    words = ["exposure", "--dem", given["dem"], "--winds", "210", "--out", tmp_path / "out"]
    for text in ("far", "-5", "1e12"):
        assert call([*words, "--limit-m", text]) == 3
        reported = capsys.readouterr().err
        assert "limit_m" in reported
        assert text in reported


# ---- 4: the output could not be written


def test_outputs_that_are_refused(given, tmp_path, capsys):
    out = tmp_path / "out"
    run_toy(out)
    words = ["shelter", *options(given), "--json", "--out"]
    (tmp_path / "file").write_text("mine")
    for place, code in (
        (out, "output-exists"),
        (tmp_path / "project", "output-foreign"),
        (tmp_path / "file", "output-protected"),
        (tmp_path / "file" / "out", "output-unwritable"),
    ):
        assert call([*words, place]) == 4
        (event,) = events(capsys.readouterr().out)
        assert set(event) == ERROR_FIELDS
        assert (event["event"], event["code"]) == ("error", code)
    assert call([*words, out, "--overwrite"]) == 0


# ---- 130 and 143: stopped


@pytest.fixture(scope="module")
def long_work():
    """Some seconds of work on the sample: a wind set of many directions."""
    sample = Path(__file__).resolve().parents[1] / "sample_gis"
    winds = ",".join(str(degrees / 2) for degrees in range(720))
    return [
        f"--dem={sample / 'dem.tif'}",
        f"--winds={winds}",
    ], f"--belts={sample}/ostrel.gpkg:belts"


@pytest.mark.parametrize(
    ("number", "exit_code", "when"),
    [
        pytest.param(signal.SIGINT, 130, "reading inputs", marks=pytest.mark.slow),
        (signal.SIGTERM, 143, "wind direction 3 of"),
        pytest.param(signal.SIGINT, 130, "wind direction 9 of", marks=pytest.mark.slow),
        pytest.param(signal.SIGTERM, 143, "reading inputs", marks=pytest.mark.slow),
    ],
)
def test_a_signal_stops_the_run(long_work, tmp_path, number, exit_code, when):
    ground, belts = long_work
    out = tmp_path / "out"
    words = command("shelter", *ground, belts, "--out", out, "--json")
    stopped = stop_when(words, when, number)
    found = events(stopped.lines)
    assert stopped.code == exit_code, stopped
    assert stopped.seconds < 3.0
    assert set(found[-1]) == ERROR_FIELDS
    assert (found[-1]["event"], found[-1]["code"]) == ("error", "stopped")
    assert stopped.errors == ""
    assert list(tmp_path.iterdir()) == []


def test_a_person_stops_the_run(long_work, tmp_path):
    ground, belts = long_work
    words = command("shelter", *ground, belts, "--out", tmp_path / "out")
    stopped = stop_when([*words, "--verbose"], "Note: ", signal.SIGINT)
    assert stopped.code == 130, stopped
    assert stopped.seconds < 3.0
    assert "Stopped; nothing was changed." in stopped.lines
    assert "Traceback" not in stopped.lines
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize("when", ["upwind slope", "terrain wind from 1°", "terrain wind from 4°"])
def test_a_signal_stops_exposure_with_its_raster_open(long_work, tmp_path, when):
    (dem, _), _ = long_work
    winds = ",".join(str(degrees) for degrees in range(60))
    words = command(
        "exposure", dem, "--winds", winds, "--limit-m", 5000, "--out", tmp_path / "out", "--json"
    )
    stopped = stop_when(words, when, signal.SIGTERM)
    assert stopped.code == 143, stopped
    assert stopped.seconds < 3.0
    assert list(tmp_path.iterdir()) == []


# ---- what there is


def test_list(capsys):
    assert call(["list"]) == 0
    reported = capsys.readouterr()
    assert [line.split()[0] for line in reported.out.splitlines()] == registry.ids()
    assert call(["list", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["processes"]
    assert [row["id"] for row in rows] == registry.ids()
    for row in rows:
        process = registry.find(row["id"])
        assert (row["version"], row["title"]) == (process.version, process.title)


def test_describe_in_words(capsys):
    assert call(["describe", "shelter"]) == 0
    reported = capsys.readouterr().out
    process = registry.find("shelter")
    for name in process.inputs.model_fields:
        assert re.search(rf"^  {name} \((required|optional)\): \S", reported, re.MULTILINE)
    for output in process.outputs:
        assert output.files[0] in reported
    for text in (*process.all_cautions, *process.sources):
        assert text in reported
    assert call(["describe"]) == 0
    reported = capsys.readouterr().out
    assert all(registry.find(name).title in reported for name in registry.ids())


JOB_CONTROL = {"sync-execute", "async-execute", "dismiss"}
TRANSMISSION = {"value", "reference"}
SCHEMA_TYPES = {"array", "boolean", "integer", "number", "object", "string"}
"""Words the standard allows: OGC 18-062r2 (OGC API - Processes, part 1: core, 2021), its schemas
processSummary and schema. Status: not verified against the source."""


def is_schema(schema):
    """A JSON Schema fragment that says what kind of value is meant."""
    assert isinstance(schema, dict)
    kinds = schema.get("anyOf", schema.get("oneOf", [schema]))
    for kind in kinds:
        assert kind.get("type") in SCHEMA_TYPES or "$ref" in kind, schema
        assert kind.get("type") != "array" or is_schema(kind["items"])
    return True


@pytest.mark.parametrize("process_id", registry.ids())
def test_describe_by_the_standard(process_id, capsys):
    """What OGC API - Processes, part 1, asks of a process description."""
    assert call(["describe", process_id, "--json"]) == 0
    described = json.loads(capsys.readouterr().out)
    for key in ("id", "version", "title", "description"):
        assert isinstance(described[key], str)
        assert described[key]
    assert described["id"] == process_id
    assert all(isinstance(word, str) for word in described["keywords"])
    assert set(described["jobControlOptions"]) <= JOB_CONTROL
    assert described["jobControlOptions"]
    assert set(described["outputTransmission"]) <= TRANSMISSION
    for part in (*described["inputs"].values(), *described["outputs"].values()):
        assert part["title"]
        assert part["description"]
        assert is_schema(part["schema"])
    for part in described["inputs"].values():
        assert part["minOccurs"] in (0, 1)
        assert part["maxOccurs"] == "unbounded" or part["maxOccurs"] >= max(1, part["minOccurs"])
    for part in described["outputs"].values():
        # Section 7.10 of the standard names binary results by their media type.
        assert re.fullmatch(r"\w+/[\w.+-]+(; .+)?", part["schema"]["contentMediaType"])
    texts = [m["value"] for m in described["metadata"] if m["title"] == "caution"]
    assert texts == list(registry.find(process_id).all_cautions)


def test_described_inputs_hold_what_the_process_takes():
    inputs = registry.describe(registry.find("shelter"))["inputs"]
    assert [name for name, part in inputs.items() if part["minOccurs"]] == ["dem", "winds", "belts"]
    assert inputs["seasons"]["schema"]["items"]["enum"] == ["in-leaf", "bare"]
    assert inputs["z_unit"]["schema"] == {"enum": ["m", "ft", "us-ft", "cm"], "type": "string"}
    limit = registry.describe(registry.find("exposure"))["inputs"]["limit_m"]["schema"]
    assert limit["unit"] == "m"
    assert limit["default"] == 1000.0


@pytest.mark.parametrize("words", [["describe", "nosuch"], ["describe", "nosuch", "--json"]])
def test_describe_what_is_not_there(words, capsys):
    assert call(words) == 3
    reported = capsys.readouterr()
    assert "name-unknown" in reported.err + reported.out
    assert "nosuch" in reported.err + reported.out


def test_the_nearest_process_is_named(capsys):
    assert call(["describe", "exposrue"]) == 3
    assert "Did you mean exposure?" in capsys.readouterr().err


def test_version_and_help(capsys):
    assert call(["--version"]) == 0
    assert shelterscape.__version__ in capsys.readouterr().out
    for word in ("-h", "--help"):
        assert call([word]) == 0
        reported = capsys.readouterr().out
        for name in (*registry.ids(), *OTHER_COMMANDS):
            assert re.search(rf"^  {name} +\S", reported, re.MULTILINE), name


@pytest.mark.parametrize("name", registry.ids())
def test_help_of_a_process(name, capsys):
    assert call([name, "-h"]) == 0
    reported = capsys.readouterr().out
    words = "".join(reported.split())
    for option in command_of(registry.find(name)).params:
        assert option.opts[0] in reported
        assert option.help
        assert "".join(option.help.split()) in words
    assert all("".join(text.split()) in words for text in registry.find(name).all_cautions)


# ---- the machine


def test_check_setup(monkeypatch, capsys):
    for name in ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA"):
        monkeypatch.delenv(name, raising=False)
    assert call(["check-setup", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["findings"]
    assert all(set(one) == {"name", "ok", "text"} and one["ok"] for one in found)
    names = [one["name"] for one in found]
    assert {"shelterscape", "rasterio", "PROJ_LIB", "coordinate systems", "one richdem"} <= {*names}
    assert call(["check-setup"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line[:5] for line in lines] == ["ok   "] * len(names)


def test_check_setup_finds_a_foreign_projection_folder(tmp_path):
    for words in ([], ["--json"]):
        done = subprocess.run(
            command("check-setup", *words),
            env=environment(PROJ_LIB=str(tmp_path)),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 1
        if not words:
            assert re.search(r"^FAIL PROJ_LIB: .*" + re.escape(str(tmp_path)), done.stdout, re.M)
            continue
        bad = {one["name"] for one in json.loads(done.stdout)["findings"] if not one["ok"]}
        assert "PROJ_LIB" in bad
        assert bad <= {"PROJ_LIB", "coordinate systems"}


def test_check_setup_finds_two_libraries_of_one_name(monkeypatch, capsys):
    """richdem and richdem2 install the same import name over each other."""
    from importlib import metadata

    monkeypatch.setattr(metadata, "version", lambda name: "2.4.0")
    assert call(["check-setup"]) == 1
    assert re.search(r"^FAIL one richdem: .*remove richdem,", capsys.readouterr().out, re.M)


HEAVY = ("numpy", "pandas", "geopandas", "rasterio", "numba", "matplotlib", "scipy", "shapely")


@pytest.mark.parametrize("code", ["import shelterscape", "import shelterscape.cli"])
def test_nothing_heavy_is_imported_before_it_is_needed(code):
    done = child(f"{code}, sys; print(*sys.modules)")
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split())
    assert "shelterscape" in loaded
    assert not loaded & set(HEAVY)


# ---- the Python door and the registry


def test_the_python_functions():
    assert {"exposure", "shelter", "run_plan"} <= set(dir(shelterscape))
    with pytest.raises(AttributeError, match="no attribute 'no_such_thing'"):
        _ = shelterscape.no_such_thing
    with pytest.raises(TypeError, match="demm"):
        shelterscape.shelter(dem="x", winds="210", belts="y", out="z", demm="x")
    with pytest.raises(TypeError, match="winds"):
        shelterscape.shelter(dem="x", out="y")


def test_python_and_the_command_write_the_same(given, tmp_path, capsys):
    paths = {name: Path(given[name]) for name in ("dem", "belts")}
    called = shelterscape.shelter(**given | paths, out=tmp_path / "a")
    assert call(["shelter", *options(given), "--out", tmp_path / "b"]) == 0
    one, other = ((tmp_path / name / "record.json").read_bytes() for name in "ab")
    assert one == other
    assert called.record == json.loads(one)


def test_other_packages_add_processes_but_take_no_name(monkeypatch):
    added = [EntryPoint(name, "run_helpers:TOY", registry.GROUP) for name in ("toy", "shelter")]
    monkeypatch.setattr(registry, "entry_points", lambda group: added)
    assert registry.ids() == sorted([*registry.BUILT_IN, "toy"])
    assert registry.find("toy").id == "toy"
    assert registry.find("shelter").title == "Shelter by belts: where, and how much"


def test_an_entry_that_is_no_process_explains_itself(monkeypatch):
    monkeypatch.setitem(registry.BUILT_IN, "odd", "run_helpers:CRS")
    with pytest.raises(InternalError) as caught:
        registry.find("odd")
    assert "run_helpers:CRS" in str(caught.value)
    with pytest.raises(InputError) as caught:
        registry.find("od")
    assert caught.value.hint == "Did you mean odd?"


def test_run_as_a_module():
    done = subprocess.run(
        [sys.executable, "-m", "shelterscape", "--version"],
        env=os.environ,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert shelterscape.__version__ in done.stdout


HEAVY = ("numpy", "pandas", "shapely", "rasterio", "numba", "matplotlib", "rich")


@pytest.mark.parametrize(
    "words",
    [["--help"], ["list"], ["list", "--json"], ["shelter", "--help"], ["run", "--help"]]
    + [
        ["describe", n, "--json"]
        for n, at in registry.BUILT_IN.items()
        if at.endswith("spec:PROCESS")
    ],
    ids=" ".join,
)
def test_what_calculates_nothing_starts_without_the_science(words):
    """Each of these modules alone takes longer to import than the whole answer should take."""
    code = (
        "import sys; from shelterscape.cli import main\n"
        "try: main(sys.argv[1:])\n"
        "except SystemExit as left: assert not left.code, left.code\n"
        f"print('loaded:', [name for name in {HEAVY} if name in sys.modules])"
    )
    done = child(code, *words)
    assert done.stdout.splitlines()[-1] == "loaded: []", done.stdout + done.stderr


def test_titles_of_built_in_processes_are_their_own():
    assert {name: registry.find(name).title for name in registry.BUILT_IN} == registry.TITLES
