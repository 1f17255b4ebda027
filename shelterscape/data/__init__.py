"""Packaged tables, read through importlib.resources only."""

from __future__ import annotations

import csv
import hashlib
import io
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


def arrays(name: str) -> tuple[dict[str, Any], str]:
    """Arrays of a packaged file by their names, and the SHA-256 of the file."""
    import numpy as np

    content = resources.files(__name__).joinpath(name).read_bytes()
    with np.load(io.BytesIO(content), allow_pickle=False) as file:
        return dict(file), hashlib.sha256(content).hexdigest()
