"""The tests that reach a fault, for tests/faults.py."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from mutations import Mutation, compiled

ROOT = Path(__file__).resolve().parents[1]


def sources() -> dict[str, str]:
    """Text of every module of the package, by path."""
    package = ROOT / "shelterscape"
    return {
        path.relative_to(package).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(package.rglob("*.py"))
    }


class Reach:
    """Finds the tests that reach a fault, from traced lines and from names used in the code."""

    def __init__(self, found: list[dict]) -> None:
        self.seconds = {
            name: seconds
            for part in found
            for name, seconds in part["seconds"].items()
            if name not in part["failed"]
        }
        self.lines: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.names: dict[str, list[tuple[str, str, bool, int]]] = defaultdict(list)
        for part in found:
            for module, lines in part["lines"].items():
                for line, tests in lines.items():
                    self.lines[module, int(line)].update(tests)
        for module, text in sources().items():
            for top, name, line in _mentioned(text):
                self.names[name].append((module, *_named(top), line))
        self.in_tests: dict[str, set[str]] = defaultdict(set)
        for path in (ROOT / "tests").glob("test_*.py"):
            for top, name, _ in _mentioned(path.read_text(encoding="utf-8")):
                if isinstance(top, ast.FunctionDef):
                    self.in_tests[name].add(f"{path.name}::{top.name}")

    def tests(self, fault: Mutation) -> list[str]:
        """Tests that reach a fault: the fastest file first, and in it the fastest test."""
        first, last = fault.lines
        found = {t for n in range(first, last + 1) for t in self.lines[fault.module, n]}
        if fault.compiled or not found:  # not traced, or only on import
            found |= self._by_name(fault.scope.split())
        found = {
            test
            for name in found
            for test in ([name] if "::" in name else self._of_file(name))
            if test in self.seconds
        }
        by_file: dict[str, list[str]] = defaultdict(list)
        for test in sorted(found, key=self.seconds.__getitem__):
            by_file[test.partition("::")[0]].append(test)
        files = sorted(by_file.values(), key=lambda tests: sum(map(self.seconds.get, tests)))
        return [test for tests in files for test in tests]

    def _of_file(self, file: str) -> list[str]:
        return [test for test in self.seconds if test.startswith(f"{file}::")]

    def _by_name(self, names: list[str]) -> set[str]:
        """Tests of the lines that use a name, also through compiled functions and constants."""
        found, seen, todo = set(), set(names), list(names)
        while todo:
            name = todo.pop()
            found |= self.in_tests[name]
            for module, scope, passed_on, line in self.names[name]:
                found |= self.lines[module, line]
                more = set(scope.split()) - seen if passed_on else set()
                seen |= more
                todo += more
        return found


def _mentioned(text: str) -> Iterator[tuple[ast.stmt, str, int]]:
    for top in ast.parse(text).body:
        for node in ast.walk(top):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                yield top, node.id, node.lineno
            elif isinstance(node, ast.Attribute):
                yield top, node.attr, node.lineno


def _named(top: ast.stmt) -> tuple[str, bool]:
    """Names that a statement defines, and whether users of these names must be followed too."""
    if isinstance(top, ast.ClassDef):
        return top.name, False
    if isinstance(top, ast.FunctionDef):
        return top.name, compiled(top)
    targets = getattr(top, "targets", None) or [getattr(top, "target", top)]
    names = (n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name))
    return " ".join(names), True
