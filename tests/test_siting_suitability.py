"""Purposes that designs suit, and the year from which belts are tall enough."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from siting_helpers import CRS, GRID

from shelterscape.errors import InputError
from shelterscape.process.design_files import designs_from, packaged_designs
from shelterscape.science.belt_growth import belts_at
from shelterscape.science.belts import Case, complete
from shelterscape.science.growth import height_at
from shelterscape.science.shelter import relative_wind
from shelterscape.science.siting.suitability import tall_enough_from


def test_a_belt_of_7_7_m_does_not_suit_crowns_at_8_m():
    """Alder is 7.74 m high after 20 years (published curve); crowns are at 8 m."""
    assert height_at("common alder", 20, site_index=(14.0, 40.0)) == pytest.approx(7.74, abs=0.01)
    designs = packaged_designs()
    with pytest.raises(InputError, match="No design suits this purpose"):
        designs.design_for("old trees")
    expected = {
        "crop": "three-row belt",
        "bare soil": "three-row belt",
        "orchard": "three-row belt",
        "young trees": "three-row belt",
        "road snow": "three-row belt",
        "lambing": "dense stock belt",
        "outwintering stock": "dense stock belt",
        "yard and house": "dense stock belt",
    }
    assert {purpose: designs.design_for(purpose).name for purpose in expected} == expected


def test_a_file_may_state_what_a_design_suits():
    row = {"width_m": 2, "species": "hawthorn", "porosity": 0.4}
    stated = {
        "currency": "EUR",
        "design": {"a": row, "b": row | {"suits": ["old trees"]}, "c": row | {"suits": []}},
    }
    designs = designs_from(stated, "designs").designs
    assert designs["b"].suits == ("old trees",)
    assert designs["c"].suits == ()
    assert "crop" in designs["a"].suits


@pytest.mark.parametrize("height_m", [1.5, 8.0])
def test_a_belt_has_no_effect_before_it_is_tall_enough_and_some_from_then_on(height_m):
    """The year against relative wind in that year and the one before."""
    frame = gpd.GeoDataFrame(
        {"species": ["common alder"], "planted_year": [2027], "porosity": [0.4]},
        geometry=[shapely.LineString([(300, 200), (300, 400)])],
        crs=CRS,
    )
    planted = complete(frame, "belts")[0]
    year = int(tall_enough_from(planted, height_m, 2027)[0])
    least = {}
    for when in (year - 1, year):
        grown = belts_at(planted, Case("in-leaf", when))
        wind = relative_wind(grown, GRID, 270.0, at_height_m=height_m)
        least[when] = float(np.nanmin(wind))
    assert least[year - 1] == pytest.approx(1.0, abs=1e-6)
    assert least[year] < 0.999
    # 8 m divided by 1.2 is 6.67 m, in a stand 6.67 m / 0.8 = 8.33 m: between 20 years (7.74 m)
    # and 25 years (9.58 m). The curve is joined at 3 m, in a stand 3.75 m: between 10 years
    # (3.57 m) and 15 years (5.71 m). A belt reaches 3 m at 0.6 m a year after 4.2 years.
    if height_m == 8.0:
        assert 2027 + 4.2 + 20 - 15 < year < 2027 + 4.2 + 25 - 10 + 1
    assert np.isnan(tall_enough_from(planted, 60.0, 2027)[0])
