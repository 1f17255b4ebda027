"""What a result does not cover, for the page of a run: assumed, not modelled, not checked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import pandas as pd

from shelterscape.errors import Notice
from shelterscape.runs.summary import capitalised, sentence
from shelterscape.terms import TERMS

ASSUMED = ("value-assumed", "purpose-used", "growth-note", "near-ground-table", "water-seen")
NOT_MODELLED = ("not-modelled", "cells-missing", "belt-not-fitted")
"""Codes of notices on what was assumed, and on what the results do not hold for."""

EXAMINED = "examined"
NOT_CHECKED = "not checked"

Note = tuple[str, tuple[str, ...]]


def page_notes(
    notices: Sequence[Notice], tables: Iterable[pd.DataFrame], left_out: Sequence[str]
) -> tuple[Note, ...]:
    """Sentences by heading, each once.

    Parameters
    ----------
    notices : sequence of Notice
        Of all steps, each once.
    tables : iterable of DataFrame
        All tables of the run; those with a column of checks are read.
    left_out : sequence of str
        Sentences on what is not in the page.

    Returns
    -------
    tuple of (str, tuple of str)
        Headings without a sentence are left out.
    """
    known = {*ASSUMED, *NOT_MODELLED}
    found = (
        ("Assumed", _sentences(n for n in notices if n.code in ASSUMED)),
        ("Not modelled", _sentences(n for n in notices if n.code in NOT_MODELLED)),
        ("Not checked", tuple(t for table in tables for t in _not_checked(table))),
        ("Also noticed", (*_sentences(n for n in notices if n.code not in known), *left_out)),
    )
    return tuple((heading, texts) for heading, texts in found if texts)


def _sentences(notices: Iterable[Notice]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(map(sentence, notices)))


def _not_checked(table: pd.DataFrame) -> Iterator[str]:
    """One line on what a table lists as not checked; found by its columns."""
    if "examination" in table:
        missing = table["side_effect"][table["examination"] != EXAMINED]
        yield from _line("side_effect", missing)
    if "constraint_effect" in table:
        rows = table["constraint_effect"].astype(str).str.startswith(NOT_CHECKED)
        yield from _line("constraint", table["constraint"][rows])
    if "not_checked" in table:
        lists = table["not_checked"].dropna().astype(str).str.split("; ")
        found = [text for text in dict.fromkeys(lists.explode()) if text]
        yield from map(capitalised, ["; ".join(found)] if found else [])


def _line(column: str, names: pd.Series) -> Iterator[str]:
    found = [str(name) for name in dict.fromkeys(names) if name]
    if found:
        yield f"{capitalised(TERMS[column].label)}: {', '.join(found)}"
