"""Errors: every one that is raised has a known code and an instruction."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import shelterscape
from shelterscape.errors import CODES

PACKAGE = Path(shelterscape.__file__).parent
ERRORS = {"InputError", "UsageError", "WriteError", "SetupError", "InternalError"}


def raised():
    """Every place in the package that makes an error: where, code and keywords."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ERRORS and node.args:
                keywords = {keyword.arg: keyword.value for keyword in node.keywords}
                yield f"{path.relative_to(PACKAGE)}:{node.lineno}", node.args[0], keywords


def test_every_error_has_an_instruction():
    without = [where for where, _, keywords in raised() if not {"hint", None} & set(keywords)]
    assert not without
    empty = [
        where
        for where, _, keywords in raised()
        if isinstance(hint := keywords.get("hint"), ast.Constant) and not hint.value
    ]
    assert not empty


def test_every_code_is_raised_and_known():
    used = {code.value for _, code, _ in raised() if isinstance(code, ast.Constant)}
    assert used <= set(CODES)
    # A code may also be handed to a function that raises, or be part of a record of a failure.
    text = "".join(p.read_text(encoding="utf-8") for p in PACKAGE.rglob("*.py"))
    for code in set(CODES) - used:
        assert text.count(f'"{code}"') >= 2, f"{code} is never used"


@pytest.mark.parametrize("verb", ["is", "means", "describes"])
def test_an_instruction_is_no_definition(verb):
    texts = [
        hint.value
        for _, _, keywords in raised()
        if isinstance(hint := keywords.get("hint"), ast.Constant) and isinstance(hint.value, str)
    ]
    assert len(texts) > 50
    assert not [text for text in texts if text.split()[1:2] == [verb]]
