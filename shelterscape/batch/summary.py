"""The summary of a batch: the best holdings, the failures, and what to check."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

import geopandas as gpd
import pandas as pd

from shelterscape.batch.state import COMBINED, FAILED, HoldingState
from shelterscape.errors import CODES
from shelterscape.process import Figure
from shelterscape.terms import TERMS

MOST_NAMED = 5
"""Most holdings named by rank, most error codes, and most holdings named for one code."""

MOST_CHECKS = 3
"""Most cautions and notices in the summary."""

MOST_LETTERS = 60
"""Longest name of a holding in the summary."""


def summary_of(
    states: Sequence[HoldingState],
    holdings: gpd.GeoDataFrame,
    figures: dict[str, Figure],
    checks: Sequence[str],
    open_first: str,
) -> tuple[str, ...]:
    """Lines of the summary of a batch.

    Parameters
    ----------
    states : sequence of HoldingState
    holdings : GeoDataFrame
        The combined layer of holdings.
    figures : dict of Figure
        Figures that the processes of the plan report, by name.
    checks : sequence of str
        The main caution, then what the work over the whole map noticed; most important first.
    open_first : str
        File to open first, relative to the folder of the batch.

    Returns
    -------
    tuple of str
    """
    return (
        *ranking(holdings, figures),
        *_failures(states),
        *(f"Check: {text}" for text in checks[:MOST_CHECKS]),
        f"Open first: {open_first}",
        f"All notices and cautions: {COMBINED}/record.json; results of each holding: holdings/",
    )


def ranking(holdings: gpd.GeoDataFrame, figures: dict[str, Figure]) -> tuple[str, ...]:
    """A line for each of the best holdings.

    Parameters
    ----------
    holdings : GeoDataFrame
        The combined layer of holdings.
    figures : dict of Figure
        Figures that the processes of the plan report, by name.
    """
    ranked = holdings[holdings["rank"].notna()].sort_values(["rank", "folder"])
    return tuple(_ranked(row, figures) for _, row in ranked.head(MOST_NAMED).iterrows())


def _ranked(row: pd.Series, figures: dict[str, Figure]) -> str:
    """The rank of one holding, with the figures that decide it."""
    deciding = [name for name, figure in figures.items() if figure.role and name in row]
    currency = str(row.get("currency") or "")
    values = "; ".join(
        f"{TERMS[name].title} {amount(name, row[name], currency)}" for name in deciding
    )
    label = _shortened(row["name"] or row["holding_id"] or row["folder"])
    return f"Rank {row['rank']}: {label}; {values}"


def amount(name: str, value: float, currency: str) -> str:
    """A figure with its unit; money always with two decimals, in its currency where known."""
    term = TERMS[name]
    if term.unit == "money":
        return f"{value:,.2f} {currency or term.symbol}"
    number = f"{value:,.0f}" if term.unit == "count" else f"{term.rounded(float(value)):,}"
    return f"{number} {term.symbol}".strip()


def _failures(states: Sequence[HoldingState]) -> Iterator[str]:
    """A line for each error code, the most frequent first."""
    labels: dict[str, list[str]] = defaultdict(list)
    for state in states:
        if state.status == FAILED and state.error:
            labels[state.error["code"]].append(_shortened(state.holding.label))
    codes = sorted(labels, key=lambda code: (-len(labels[code]), code))
    for code in codes[:MOST_NAMED]:
        named = labels[code][:MOST_NAMED]
        more = len(labels[code]) - len(named)
        names = ", ".join([*named, f"{more:,} more"] if more else named)
        yield f"Failed, {len(labels[code]):,}: {CODES.get(code, 'error')} ({code}): {names}"
    if others := codes[MOST_NAMED:]:
        yield f"Failed, {sum(len(labels[code]) for code in others):,}: other errors"


def _shortened(name: str) -> str:
    return name if len(name) <= MOST_LETTERS else f"{name[: MOST_LETTERS - 1]}…"
