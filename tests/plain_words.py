"""Words that plain technical English avoids, and where the project uses them.

``python tests/plain_words.py [PATH ...]`` lists every use, with what to write instead.
"""

from __future__ import annotations

import io
import re
import sys
import tokenize
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
FOLDERS = ("shelterscape", "docs", "sample_gis", "benchmarks", "tests")
PAGES = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
SKIPPED = {"tests/plain_words.py", "tests/plain_words.toml", "tests/test_plain_words.py"}

AVOIDED = {
    r"tells?|telling|told": "report, estimate, state, derive",
    r"reckon(s|ed|ing)?": "calculate",
    r"look(s|ed|ing)? at": "examine",
    r"ask(s|ed|ing)? for": "require",
    r"tak(e|es|en|ing) off": "reduce",
    r"brings?|bringing|brought": "add, benefit",
    r"(belts?|woods?|trees?|that|what|it|they) stands?|stands (for|in|beside|there|apart)"
    r"|stood|stand (for|in|beside|there|apart)|standing (belts?|woods?)": "existing, be located",
    r"lies|lying|lay in": "be, be located",
    r"rests? on|hangs? on": "depend on",
    r"mend(s|ed|ing|ings)?": "restore, fix",
    r"anew": "again",
    r"begun": "started",
    r"gone on with": "resumed",
    r"broken off": "interrupted",
    r"at hand": "in progress, available",
    r"(over|of|with|in) (the )?hills|the hills": "terrain",
    r"the winds": "wind directions, wind conditions",
    r"the plain|open plain": "flat, open terrain",
    r"square to": "perpendicular to",
    r"power of the wind": "wind-speed exponent",
    r"sheltered hectares": "equivalent sheltered area, ha eq.",
    r"wind cut": "wind reduced by",
    r"likely reach|possible reach": "expected, upper sheltered distance",
    r"hopeful": "optimistic",
    r"rubbish": "malformed input",
    r"strangers?": "files not created by shelterscape",
    r"odd ones?|oddly": "special cases",
    r"nobody tells": "unknown",
    r"breaks? (one of its own )?promises?|broke (one of its own )?promises?": "internal error",
    r"from memory": "not verified against the source",
    r"engineering choices?": "assumed value",
    r"licensed practitioners?|tree inspectors?|road keepers?": "qualified forester, "
    "arboriculturist; highway authority",
    r"(are|is|was|were|been|be) laid|laid (out|over|across|closer|anew|down)|lays? out|laying out"
    r"|lays (belts?|lines?)": "resampled, placed or evaluated",
    r"cut away": "excluded",
    r"for want of": "because there is no",
    r"as told": "as stated",
    r"whatever is chosen": "in every case",
    r"but for|save for": "except",
    r"reruns?": "Monte Carlo runs",
    r"need met": "own benefit",
}
"""Patterns of whole words to avoid, and what to write instead."""


class Use(NamedTuple):
    """One use of a word to avoid."""

    path: str
    line: int
    word: str
    instead: str
    text: str


_PATTERN = re.compile(
    "|".join(rf"(?P<w{i}>\b(?:{words})\b)" for i, words in enumerate(AVOIDED)), re.IGNORECASE
)
_INSTEAD = list(AVOIDED.values())


def files(paths: list[str]) -> Iterator[Path]:
    """Files that carry words of the project."""
    given = [ROOT / path for path in paths or (*FOLDERS, *PAGES)]
    for path in given:
        found = sorted(path.rglob("*")) if path.is_dir() else [path]
        for file in found:
            is_text = file.suffix in (".py", ".md", ".toml", ".csv") and file.is_file()
            if is_text and str(file.relative_to(ROOT)) not in SKIPPED:
                yield file


def texts(path: Path) -> Iterator[tuple[int, str]]:
    """Lines of words in a file: of code its strings, comments and names of tests alone."""
    source = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        yield from enumerate(source.splitlines(), start=1)
        return
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in (tokenize.STRING, tokenize.COMMENT):
            for offset, line in enumerate(token.string.splitlines()):
                yield token.start[0] + offset, line
        elif token.type == tokenize.NAME and token.string.startswith("test_"):
            yield token.start[0], token.string.replace("_", " ")


def uses(paths: list[str]) -> list[Use]:
    """Every use of a word to avoid, exceptions with a reason left out."""
    raw = tomllib.loads((ROOT / "tests" / "plain_words.toml").read_text(encoding="utf-8"))
    allowed = [(entry["path"], re.compile(entry["text"])) for entry in raw["allowed"]]
    found = []
    for path in files(paths):
        name = str(path.relative_to(ROOT))
        for number, line in texts(path):
            for match in _PATTERN.finditer(line):
                instead = _INSTEAD[int((match.lastgroup or "w0")[1:])]
                if not any(name.startswith(at) and text.search(line) for at, text in allowed):
                    found.append(Use(name, number, match[0], instead, line.strip()))
    return found


if __name__ == "__main__":
    every = uses(sys.argv[1:])
    for use in every:
        sys.stdout.write(
            f"{use.path}:{use.line}: “{use.word}” → {use.instead}\n    {use.text[:140]}\n"
        )
    sys.stdout.write(f"{len(every)} uses\n")
