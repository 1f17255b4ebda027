"""Plain technical English in texts, docs, docstrings, comments and names of tests."""

from __future__ import annotations

import re
import tomllib

import plain_words
import pytest


def test_no_word_to_avoid_is_used():
    found = plain_words.uses([])
    assert not found, "\n".join(f"{u.path}:{u.line}: “{u.word}” → {u.instead}" for u in found)


def test_every_exception_has_a_reason_and_a_use():
    text = (plain_words.ROOT / "tests" / "plain_words.toml").read_text(encoding="utf-8")
    for entry in tomllib.loads(text)["allowed"]:
        assert entry["reason"]
        pattern = re.compile(entry["text"])
        lines = (
            line
            for path in plain_words.files([])
            if str(path.relative_to(plain_words.ROOT)).startswith(entry["path"])
            for _, line in plain_words.texts(path)
        )
        assert any(map(pattern.search, lines)), f"no longer used: {entry['text']}"


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("The belts that stand on the map.", "that stand"),
        ("It tells of the result.", "tells"),
        ("Look at the map.", "Look at"),
        ("173 sheltered hectares", "sheltered hectares"),
        ("Ask a licensed practitioner.", "licensed practitioner"),
    ],
)
def test_words_are_found(line, word):
    (match,) = plain_words._PATTERN.finditer(line)
    assert match[0] == word


@pytest.mark.parametrize(
    "line", ["A stand of spruce.", "Understanding the belt.", "Standard deviation."]
)
def test_other_words_are_not(line):
    found = [match[0] for match in plain_words._PATTERN.finditer(line)]
    assert not found
