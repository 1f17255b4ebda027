"""Small changes of a Python module, found in its syntax tree.

Each replaces one operator, constant, condition, or function by its opposite. All other text stays,
so that line numbers do not change. Error messages, annotations and decorators are not changed:
a change there is not a wrong result.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass

OPERATORS = {
    "<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==",
    "+": "-", "-": "+", "*": "/", "/": "*", "//": "*", "%": "+", "**": "*",
    "&": "|", "|": "&", "+=": "-=", "-=": "+=", "*=": "/=", "/=": "*=", "|=": "&=", "&=": "|=",
    "and": "or", "or": "and",
}  # fmt: skip
OPPOSITES = {
    one: other
    for pair in (("min", "max"), ("minimum", "maximum"), ("floor", "ceil"), ("sin", "cos"),
                 ("argmin", "argmax"), ("any", "all"))
    for one, other in (pair, pair[::-1])
}  # fmt: skip
COMPILING = ("kernel", "njit", "intrinsic")
"""Decorators of functions that numba compiles."""
_TOKENS = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%",
    ast.Pow: "**", ast.BitAnd: "&", ast.BitOr: "|", ast.And: "and", ast.Or: "or",
}  # fmt: skip


@dataclass(frozen=True)
class Mutation:
    """One change to a module.

    Parameters
    ----------
    module : str
        Path below the package.
    line : int
    kind : str
        Kind of change.
    start, end : int
        First byte that is replaced, and the byte after the last.
    new : str
        Replacement.
    scope : str
        Outermost function or class around it, or the names assigned at module level.
    compiled : bool
        Whether numba compiles that function, so that none of its lines is ever traced.
    lines : tuple of int
        First and last line of the statement, or of its header.
    """

    module: str
    line: int
    kind: str
    start: int
    end: int
    new: str
    scope: str
    compiled: bool
    lines: tuple[int, int]

    def applied(self, source: str) -> str:
        """The source with this change."""
        raw = source.encode()
        return (raw[: self.start] + self.new.encode() + raw[self.end :]).decode()

    def reported(self, source: str) -> str:
        """The line before and after the change."""
        before, after = (text.splitlines()[self.line - 1].strip()
                         for text in (source, self.applied(source)))  # fmt: skip
        return f"{before}  →  {after}"


def mutations(module: str, source: str) -> list[Mutation]:
    """All changes of a module, in the order of its text."""
    text = _Text(source)
    found = set()
    for top in ast.parse(source).body:
        where = (_scope(top), compiled(top))
        for statement in _statements(top):
            for node in _expressions(statement):
                for change in (*text.operators(node), *text.others(node)):
                    found.add(Mutation(module, *change, *where, _head(statement)))
    return sorted(found, key=lambda m: (m.start, m.end, m.new))


def _statements(top: ast.stmt) -> Iterator[ast.stmt]:
    return (node for node in ast.walk(top) if isinstance(node, ast.stmt))


def _expressions(statement: ast.stmt) -> Iterator[ast.AST]:
    """The nodes of a statement, without nested statements and parts that give no result."""
    if isinstance(statement, (ast.Raise, ast.Import, ast.ImportFrom, ast.Assert)):
        return
    todo: list[ast.AST] = [statement]
    while todo:
        node = todo.pop()
        yield node
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_comment", "bases"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not isinstance(child, (ast.stmt, ast.JoinedStr)):
                    todo.append(child)


def _head(statement: ast.stmt) -> tuple[int, int]:
    body = getattr(statement, "body", None)
    last = body[0].lineno - 1 if isinstance(body, list) and body else statement.end_lineno
    return statement.lineno, max(statement.lineno, last or 0)


def _scope(top: ast.stmt) -> str:
    if isinstance(top, (ast.FunctionDef, ast.ClassDef)):
        return top.name
    targets = getattr(top, "targets", None) or [getattr(top, "target", top)]
    return " ".join(n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name))


def compiled(top: ast.stmt) -> bool:
    """Whether a function is compiled by numba."""
    return isinstance(top, ast.FunctionDef) and any(
        ast.unparse(d).partition("(")[0] in COMPILING for d in top.decorator_list
    )


Change = tuple[int, str, int, int, str]
"""Line, kind, first byte, byte after the last, and replacement."""


class _Text:
    """A source with the byte positions of its nodes."""

    def __init__(self, source: str) -> None:
        self.raw = source.encode()
        self.starts = [0]
        for line in self.raw.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))

    def span(self, node: ast.expr) -> tuple[int, int]:
        """First byte of a node, and the byte after its last."""
        return (
            self.starts[node.lineno - 1] + node.col_offset,
            self.starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0),
        )

    def operators(self, node: ast.AST) -> Iterator[Change]:
        """Changes of an operator between two operands."""
        match node:
            case ast.Compare():
                sides = itertools.pairwise([node.left, *node.comparators])
                for (left, right), op in zip(sides, node.ops, strict=True):
                    yield from self._swap(left, right, _TOKENS.get(type(op), ""), "comparison")
            case ast.BinOp():
                token = _TOKENS.get(type(node.op), "")
                yield from self._swap(node.left, node.right, token, "arithmetic")
            case ast.BoolOp():
                yield from self._swap(*node.values[:2], _TOKENS[type(node.op)], "and, or")
            case ast.AugAssign():
                token = _TOKENS.get(type(node.op), "") + "="
                yield from self._swap(node.target, node.value, token, "arithmetic")

    def _swap(self, left: ast.expr, right: ast.expr, token: str, kind: str) -> Iterator[Change]:
        after = self.span(left)[1]
        gap = self.raw[after : self.span(right)[0]]
        bare = re.sub(rb"#[^\n]*", lambda comment: b" " * len(comment[0]), gap)
        place = re.search(re.escape(token).encode(), bare)
        if place and token in OPERATORS:
            start = after + place.start()
            line = self.raw[:start].count(b"\n") + 1
            yield line, kind, start, start + len(token), OPERATORS[token]

    def others(self, node: ast.AST) -> Iterator[Change]:
        """Changes of a sign, a constant, a condition, or a function that has an opposite."""
        match node:
            case ast.UnaryOp(op=ast.Not() | ast.USub() | ast.Invert()):
                begin = self.span(node)[0]
                size = 3 if isinstance(node.op, ast.Not) else 1
                yield node.lineno, "negation", begin, begin + size, ""
            case ast.Constant(value=bool() | int() | float()):
                yield node.lineno, *_other_constant(node.value, *self.span(node))
            case ast.Call(func=ast.Name() | ast.Attribute() as func):
                name = func.id if isinstance(func, ast.Name) else func.attr
                end = self.span(func)[1]
                if name in OPPOSITES:
                    yield node.lineno, "opposite", end - len(name), end, OPPOSITES[name]
            case ast.If() | ast.While() | ast.IfExp():
                begin, end = self.span(node.test)
                text = self.raw[begin:end].decode()
                yield node.test.lineno, "condition", begin, end, f"(not ({text}))"


def _other_constant(value: bool | int | float, begin: int, end: int) -> tuple[str, int, int, str]:
    """The opposite truth value, the next whole number, or a value larger by a quarter."""
    if isinstance(value, bool):
        return "constant", begin, end, str(not value)
    if isinstance(value, int):
        return "off by one", begin, end, str(value + 1)
    return "constant", begin, end, repr(value * 1.25 if value else 1.0)
