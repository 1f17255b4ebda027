"""The generated parts of docs/reliability.md, and what the programs that write them share."""

from __future__ import annotations

import tempfile
from pathlib import Path

PAGE = Path(__file__).resolve().parents[1] / "docs" / "reliability.md"


def put(name: str, text: str, page: Path = PAGE) -> None:
    """Replace the part of the page between the marks of a name."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    whole = page.read_text(encoding="utf-8")
    if begin not in whole or end not in whole:
        raise ValueError(f"{page.name} has no marks {begin} and {end}")
    before, _, rest = whole.partition(begin)
    page.write_text(f"{before}{begin}\n{text}\n{end}{rest.partition(end)[2]}", encoding="utf-8")


def scratch_folder(name: str) -> Path:
    """A new folder for files of a test, in memory where the system has such a place."""
    shared = Path("/dev/shm")
    place = shared if shared.is_dir() else None
    return Path(tempfile.mkdtemp(prefix=f"shelterscape-{name}-", dir=place))
