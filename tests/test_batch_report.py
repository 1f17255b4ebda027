"""The report of a batch: sums, failures and notices, by hand."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from shelterscape import registry
from shelterscape.batch import report
from shelterscape.batch.report import _answer, _Batch, _holding_pages, _noticed

NONE = float("nan")


@pytest.fixture
def batch():
    """Two holdings with results and seven that failed."""
    frame = gpd.GeoDataFrame(
        {
            "holding_id": [f"H{n}" for n in range(9)],
            "name": ["Low", "", *["Far"] * 7],
            "folder": [f"h{n}" for n in range(9)],
            "status": ["done"] * 2 + ["failed"] * 7,
            "error": [""] * 2 + ["memory-short: too large"] * 7,
            "rank": pd.array([1, 2] + [None] * 7, "Int64"),
            "cost": [1000.25, 500.5] + [NONE] * 7,
            "own_places_reached": [1.0, 0.0] + [NONE] * 7,
            "own_benefit_ha": [2.0, 0.5] + [NONE] * 7,
            "currency": ["EUR"] * 2 + [""] * 7,
        },
        geometry=[shapely.box(0, 0, 1, 1)] * 9,
        crs=25832,
    )
    notices = [{"code": "value-assumed"}, {"code": "not-modelled"}, {"code": "value-assumed"}]
    records = [{"steps": [{"notices": notices}]}, {"steps": [{"notices": notices[:1]}]}]
    runs = [(Path(f"h{n}"), record) for n, record in enumerate(records)]
    return _Batch(Path(), frame, runs, [registry.find("siting")])


def test_sums_best_holdings_and_failures(batch):
    (every, sums), (_, best), (failed, named) = _answer(batch)
    assert (every, failed) == ("All holdings", "Failed")
    assert sums == (
        "9 holdings: 2 done; 7 failed",
        "Cost: 1,500.75 EUR (2 of 9 holdings)",
        "Own places at target by new belts: 1 (2 of 9 holdings)",
        "Own benefit: 2.5 ha eq. (2 of 9 holdings)",
    )
    assert best[0].startswith("Rank 1: Low; cost 1,000.25 EUR; ") and best[1].startswith(
        "Rank 2: H1; "
    )
    assert named[:1] == ("Far: memory-short: too large",) and len(named) == 6
    assert named[-1] == "2 more in the table of holdings"


def test_notices_are_counted_by_holding(batch):
    assert list(_noticed(batch)) == [
        "The method is not valid on part of the ground: 1 of 2 holdings",
        "A value was not given and a stated default was used: 2 of 2 holdings",
    ]


def test_holdings_without_a_page_are_counted(batch, monkeypatch):
    monkeypatch.setattr(report, "MOST_PAGES", 1)
    monkeypatch.setattr(report, "finished_record", lambda folder: {})
    monkeypatch.setattr(report, "holding_pages_of_run", lambda folder, *rest: (folder.name,))
    pages, (text,) = _holding_pages(batch)
    assert pages == ("h0",)
    assert text == "Finished holdings of a lower rank without a page of their own here: 1"
