"""Packaged tables, read through importlib.resources only."""

from __future__ import annotations

import csv
import tomllib
from importlib import resources
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


def table(name: str) -> pd.DataFrame:
    """A packaged CSV table by its file name."""
    import pandas as pd

    with resources.files(__name__).joinpath(name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream, comment="#")


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a packaged CSV table as words by column."""
    text = resources.files(__name__).joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def toml(name: str) -> dict[str, Any]:
    """A packaged TOML file by its file name."""
    return tomllib.loads(resources.files(__name__).joinpath(name).read_text(encoding="utf-8"))
