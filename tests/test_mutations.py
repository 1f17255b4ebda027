"""Inserted faults: each changes the program, and the sample is the same each time."""

from __future__ import annotations

import ast

import faults
import pytest
from mutations import mutations

SOURCE = '''
STEP = 0.5


@njit(cache=True)
def far(x: "x < 1", y):
    """Not 1 < 2."""
    if not x and y >= 3:  # a < b
        raise ValueError(f"{x + 1}" + "a")
    total = -x * (
        y  # + in a comment
        + 2
    )
    total += max(x, y) if True else 0.0
    return total
'''


def test_operators_and_constants_are_changed_and_messages_are_not():
    reported = {
        (m.kind, m.reported(SOURCE).partition("  →  ")[2]) for m in mutations("a.py", SOURCE)
    }
    assert reported == {
        ("constant", "STEP = 0.625"),
        ("negation", "if  x and y >= 3:  # a < b"),
        ("and, or", "if not x or y >= 3:  # a < b"),
        ("comparison", "if not x and y > 3:  # a < b"),
        ("off by one", "if not x and y >= 4:  # a < b"),
        ("condition", "if (not (not x and y >= 3)):  # a < b"),
        ("negation", "total = x * ("),
        ("arithmetic", "total = -x / ("),
        ("arithmetic", "- 2"),
        ("off by one", "+ 3"),
        ("arithmetic", "total -= max(x, y) if True else 0.0"),
        ("opposite", "total += min(x, y) if True else 0.0"),
        ("condition", "total += max(x, y) if (not (True)) else 0.0"),
        ("constant", "total += max(x, y) if False else 0.0"),
        ("constant", "total += max(x, y) if True else 1.0"),
    }
    assert {m.scope for m in mutations("a.py", SOURCE)} == {"STEP", "far"}
    assert [m.compiled for m in mutations("a.py", SOURCE)] == [False] + [True] * 14


@pytest.mark.slow
def test_every_fault_of_the_sample_changes_the_program():
    texts = faults.sources()
    drawn = faults.sample()
    assert len({faults.key(fault, texts) for fault in drawn}) == faults.SAMPLE >= 60
    assert drawn == faults.sample()
    for fault in drawn:
        text = texts[fault.module]
        assert ast.dump(ast.parse(fault.applied(text))) != ast.dump(ast.parse(text))
        assert fault.applied(text).count("\n") == text.count("\n")


@pytest.mark.parametrize(
    ("code", "output", "noticed"),
    [
        (0, "", ""),
        (-24, "", "the time limit"),
        (4, "ImportError while loading conftest 'x'", "conftest.py"),
        (1, "x\nFAILED tests/test_a.py::test_b[c/d-1] - E\n", "test_a.py::test_b"),
        (2, "ERROR tests/test_a.py - ImportError", "test_a.py"),
        (-11, "", "the end of the process"),
    ],
)
def test_signs_of_a_noticed_fault(code, output, noticed):
    assert faults._noticed(code, output) == noticed


def test_tests_that_cannot_be_run_are_an_error():
    with pytest.raises(RuntimeError):
        faults._noticed(4, "no tests")
    with pytest.raises(RuntimeError):
        faults._noticed(1, "")


@pytest.mark.slow
def test_a_fault_in_compiled_code_runs_the_tests_of_its_callers():
    """`_slope` is compiled into `_cut`, that into `belt_strips`, which science calls."""
    texts = faults.sources()
    other = "science/zones.py"
    (caller, line) = next(
        (module, number)
        for module, text in texts.items()
        for number, words in enumerate(text.splitlines(), 1)
        if module.startswith("science/") and "belt_strips(" in words
    )
    found = {
        "lines": {caller: {str(line): ["test_a.py::test_near"]}, other: {"1": ["test_b.py::test"]}},
        "seconds": {"test_a.py::test_near": 1.0, "test_b.py::test": 1.0},
        "failed": [],
    }
    inner = [m for m in mutations("kernels/strips.py", texts["kernels/strips.py"])
             if m.scope == "_slope"]  # fmt: skip
    assert inner
    assert all(m.compiled for m in inner)
    reach = faults.Reach([found])
    assert all(reach.tests(fault) == ["test_a.py::test_near"] for fault in inner)


@pytest.mark.slow
def test_a_traced_fault_runs_the_tests_of_its_line_the_fastest_first():
    source = faults.sources()["science/zones.py"]
    fault = next(m for m in mutations("science/zones.py", source) if m.scope == "classify")
    tests = {"test_a.py::slow": 3.0, "test_b.py::quick": 1.0, "test_a.py::quick": 1.0}
    lines = {str(fault.line): ["test_a.py::slow", "test_b.py"], "1": ["test_a.py::quick"]}
    found = {"lines": {"science/zones.py": lines}, "seconds": tests, "failed": []}
    assert faults.Reach([found]).tests(fault) == ["test_b.py::quick", "test_a.py::slow"]
