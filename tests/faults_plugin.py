"""A pytest plugin for tests/faults.py: the lines each test reaches, and the time it takes.

Lines come from coverage, with the test as context. Lines that a shared fixture runs count for all
tests of its file. Compiled code is never traced.
"""

from __future__ import annotations

import collections
import json
import os
from pathlib import Path

import coverage
import pytest


class Reach:
    """Traces the package while tests run, and writes the result at the end."""

    def __init__(self, package: Path, out: Path) -> None:
        self.package, self.out = package, out
        self.seconds: collections.Counter[str] = collections.Counter()
        self.failed: set[str] = set()
        self.now = ""
        self.coverage = coverage.Coverage(
            data_file=None, source=[str(package)], config_file=False, messages=False
        )
        self.coverage.start()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item):
        self.now = function_of(item.nodeid)
        self.coverage.switch_context(self.now)
        return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef):
        if fixturedef.scope == "function":
            return (yield)
        self.coverage.switch_context(self.now.partition("::")[0])
        try:
            return (yield)
        finally:
            self.coverage.switch_context(self.now)

    def pytest_runtest_logreport(self, report):
        name = function_of(report.nodeid)
        self.seconds[name] += report.duration
        if report.failed:
            self.failed.add(name)

    def pytest_sessionfinish(self):
        self.coverage.stop()
        data = self.coverage.get_data()
        lines = {
            Path(file).relative_to(self.package).as_posix(): {
                str(line): sorted(filter(None, tests))
                for line, tests in data.contexts_by_lineno(file).items()
            }
            for file in data.measured_files()
        }
        found = {"lines": lines, "seconds": self.seconds, "failed": sorted(self.failed)}
        self.out.write_text(json.dumps(found), encoding="utf-8")


def function_of(nodeid: str) -> str:
    """``file.py::test`` without folder and parameters."""
    return nodeid.partition("[")[0].rpartition("/")[2]


def pytest_configure(config):
    package, out = (Path(os.environ[f"FAULTS_{name}"]) for name in ("PACKAGE", "OUT"))
    config.pluginmanager.register(Reach(package, out))
