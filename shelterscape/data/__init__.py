"""Packaged tables, read through importlib.resources only."""

from __future__ import annotations

from importlib import resources

import pandas as pd


def table(name: str) -> pd.DataFrame:
    """A packaged CSV table by its file name."""
    with resources.files(__name__).joinpath(name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream, comment="#")
