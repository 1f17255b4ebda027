"""Call the command line with an input, and check what every result must have."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from file_helpers import GRID, plane, write_dem, write_features
from run_helpers import call
from shapely import LineString

from shelterscape.errors import CODES, NOTICES

SHAPE = (40, 50)
"""Rows and columns of the basic ground of all cases: 500 m by 400 m."""

WEST, NORTH = GRID.affine.c, GRID.affine.f
HEDGE = LineString([(WEST + 150, NORTH - 300), (WEST + 350, NORTH - 150)])
OTHER_HEDGE = LineString([(WEST + 50, NORTH - 100), (WEST + 200, NORTH - 50)])


@dataclass(frozen=True)
class Answer:
    """Messages and output of a command.

    Parameters
    ----------
    exit_code : int
    error : dict
        The ``error`` event; empty where there was none.
    notices : dict
        Count by notice code, summed over notices of one code.
    texts : dict
        Texts of the notices of a code, joined.
    out : Path
        The output folder.
    """

    exit_code: int
    error: dict[str, Any]
    notices: dict[str, int]
    texts: dict[str, str]
    out: Path


def ground(shape=SHAPE) -> np.ndarray:
    """A tilted plane with a small knoll, m."""
    rows, cols = np.indices(shape)
    x, y = WEST + 10 * cols, NORTH - 10 * rows
    return (plane(x, y) + 6 * np.exp(-((rows - 12) ** 2 + (cols - 15) ** 2) / 30)).astype(
        np.float32
    )


def plain_dem(folder: Path) -> Path:
    """A valid terrain model."""
    return write_dem(folder / "dem.tif", ground(), nodata=-9999.0)


def plain_belts(folder: Path, geometries=(HEDGE, OTHER_HEDGE), **columns: Any) -> Path:
    """A valid belt layer, or one with other outlines or columns; columns of None are omitted."""
    columns = {"height_m": [6.0, 4.0][: len(geometries)]} | columns
    columns = {name: values for name, values in columns.items() if values is not None}
    return write_features(folder / "belts.gpkg", geometries, layer="belts", **columns)


def listing(folder: Path) -> list[tuple[str, int, int]]:
    """Every file below a folder with its size and time of change."""
    return sorted(
        (p.relative_to(folder).as_posix(), p.lstat().st_size, p.lstat().st_mtime_ns)
        for p in folder.rglob("*")
        if not p.is_dir()
    )


def answer(capsys, tmp_path: Path, process: str, **words: object) -> Answer:
    """Call a process; check the form of its result, and that it changed no input or other file.

    Inputs must be in ``tmp_path / "in"``; the output is in ``tmp_path / "out"``.
    """
    before = listing(tmp_path / "in")
    out = tmp_path / "out"
    options = [w for name, v in words.items() for w in (f"--{name.replace('_', '-')}", str(v))]
    capsys.readouterr()
    exit_code = call([process, *options, "--json", "--out", out])
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert listing(tmp_path / "in") == before, "an input's folder was changed"
    error = next((e for e in events if e["event"] == "error"), {})
    notices: dict[str, int] = {}
    texts: dict[str, str] = {}
    for event in events:
        # The ground of these tests is too small for terrain wind in every case.
        if event["event"] == "notice" and event["code"] != "not-modelled":
            assert event["code"] in NOTICES
            notices[event["code"]] = notices.get(event["code"], 0) + event["count"]
            texts[event["code"]] = f"{texts.get(event['code'], '')}{event['text']}\n"
    if exit_code:
        assert error and sorted(p.name for p in tmp_path.iterdir()) == ["in"], error
    else:
        assert not error and (out / "record.json").is_file()
    return Answer(exit_code, error, notices, texts, out)


def exposure(capsys, tmp_path: Path, dem: object, **words: object) -> Answer:
    """Call `exposure` on a terrain model."""
    words = {"winds": "240", "limit_m": 100} | words
    return answer(capsys, tmp_path, "exposure", dem=dem, **words)


def shelter(capsys, tmp_path: Path, **words: object) -> Answer:
    """Call `shelter` on valid inputs, some of them replaced."""
    folder = tmp_path / "in"
    folder.mkdir(exist_ok=True)
    words = {"winds": "240", "season": "in-leaf"} | words
    if "dem" not in words:
        words["dem"] = plain_dem(folder)
    if "belts" not in words:
        words["belts"] = plain_belts(folder)
    return answer(capsys, tmp_path, "shelter", **words)


def hold_to_refusal(found: Answer, code: str, *says: str) -> None:
    """Check that an error has a code, text, place and hint, and contains these words."""
    assert found.exit_code == 3, found
    assert found.error["code"] == code, found.error
    assert code in CODES
    assert found.error["what"] and found.error["where"] and found.error["hint"], found.error
    reported = " ".join(str(found.error[field]) for field in ("what", "where", "value", "hint"))
    for words in says:
        assert words in reported, reported
