"""Porosity from photographs in shelter and siting, and which source of a value takes precedence."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from input_helpers import plain_belts, plain_dem
from photograph_helpers import belt, photograph_file

import shelterscape
from shelterscape.errors import InputError
from shelterscape.science.belts import complete
from shelterscape.science.photographed_belts import (
    complete_porosity,
    joined_porosity,
    with_photographs,
)
from shelterscape.science.prepared_belts import (
    ShelterOptions,
    sheltered_distance_m,
    upper_distance_m,
)
from shelterscape.science.siting.input_uncertainty import InputUncertainty, _varied
from shelterscape.science.value_sources import (
    SOURCES,
    sources_of,
    takes_precedence,
    text_of,
    with_values,
)


def layer(**columns):
    lines = [shapely.LineString([(0, y), (90, y)]) for y in (0, 200)]
    names = {"name": ["North hedge", "South hedge"], "height_m": [5.0, 8.0]}
    return gpd.GeoDataFrame(names | columns, geometry=lines, crs="EPSG:25832")


def table(*rows):
    names = ["name", "season", "porosity", "porosity_spread", "porosity_low"]
    text = [[str(cell) for cell in row] for row in rows]
    return complete_porosity(pd.DataFrame(text, columns=names, dtype=object), "t.csv")


PHOTOGRAPHED = table(
    ("north HEDGE", "in leaf", 0.31, 0.04, 0.22), ("North hedge", "bare", 0.7, 0.09, 0.65)
)


# ---- precedence


def test_precedence_is_one_order():
    assert SOURCES == ("survey", "photograph", "layer", "traced", "default")
    for first, second in itertools.combinations(SOURCES, 2):
        assert takes_precedence(first, second) and not takes_precedence(second, first)
    assert all(takes_precedence(one, one) for one in SOURCES), "the one given last counts"


def test_the_text_of_sources_is_read_as_it_is_written():
    sources = {"height_m": "traced", "porosity": "photograph", "width_m": "default"}
    text = text_of(sources)
    assert text == "photograph: porosity; traced: height_m; default: width_m"
    assert sources_of(text) == sources
    assert sources_of("anything: porosity; see notes") == {"see notes": "default"}


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("stated_in", ["assumed", "value_source"])
def test_a_photograph_replaces_less_trusted_values_alone(source, stated_in):
    text = f"{source}: porosity, bare_porosity" if stated_in == "assumed" else source
    given = layer(porosity=[0.5, 0.5], bare_porosity=[0.55, 0.55], **{stated_in: [text, text]})
    belts, _ = complete(with_photographs(given, PHOTOGRAPHED)[0], "belts")
    replaced = source != "survey"
    assert belts["porosity"].tolist() == [0.31 if replaced else 0.5, 0.5]
    assert belts["bare_porosity"].tolist() == [0.7 if replaced else 0.55, 0.55]
    first, second = (sources_of(text) for text in belts["assumed"])
    assert first["porosity"] == ("photograph" if replaced else source)
    assert second["porosity"] == source
    assert first["width_m"] == "default"
    assert first["height_m"] == (source if stated_in == "value_source" else "layer")


@pytest.mark.parametrize("source", SOURCES)
def test_every_source_is_applied_by_the_same_rule(source):
    """Each source of a value meets one of each other source, and an empty cell."""
    before = pd.DataFrame(
        {
            "species": ["ash", "ash", "ash", "ash", "ash", None, "ash"],
            "value_source": [*SOURCES, "survey", "layer"],
        }
    )
    given = pd.DataFrame({"species": ["oak"] * 6 + [""], "height_m": [np.nan] * 7})
    after, changes = with_values(before, given, source)
    rank = SOURCES.index(source)
    expected = ["oak" if i >= rank else "ash" for i in range(5)] + ["oak", "ash"]
    assert after["species"].tolist() == expected
    assert after["height_m"].isna().all()
    assert changes["feature"].tolist() == [*range(rank, 5), 5]
    assert changes["source_before"].tolist() == [*SOURCES[rank:], ""]
    assert set(changes["source"]) == {source} and set(changes["column"]) == {"species"}
    assert after["assumed"].tolist()[:5] == [""] * rank + [f"{source}: species"] * (5 - rank)


def test_a_missing_value_is_filled_whatever_the_source_of_the_layer():
    given = layer(porosity=[None, None], value_source=["survey", "survey"])
    belts, _ = complete(with_photographs(given, PHOTOGRAPHED)[0], "belts")
    assert belts["porosity"].tolist() == [0.31, 0.4]
    sources = [sources_of(text)["porosity"] for text in belts["assumed"]]
    assert sources == ["photograph", "default"]


def test_projected_heights_have_no_source():
    given = layer(height_m=[5.0, None], species=["ash", "ash"], planted_year=[1990, 1990])
    belts, _ = complete(given, "belts")
    first, second = (sources_of(text) for text in belts["assumed"])
    assert first["height_m"] == "layer" and "height_m" not in second


# ---- join


def test_what_changed_is_reported():
    belts, notices = with_photographs(layer(porosity=[0.5, 0.5]), PHOTOGRAPHED)
    assert [(n.code, n.count) for n in notices] == [("values-replaced", 1)]
    assert belts["porosity_low"].tolist()[0] == 0.22
    assert belts["porosity_spread"].tolist()[0] == 0.09, "the larger one of both seasons"
    assert pd.isna(belts["porosity_spread"].tolist()[1])


def test_names_without_belt_are_reported_and_refused_when_none_fits():
    strange = table(("Nowhere", "bare", 0.5, 0.03, 0.5))
    both = joined_porosity([PHOTOGRAPHED, strange])
    _, notices = with_photographs(layer(), both)
    assert "Nowhere" in next(n.text for n in notices if n.code == "photograph-doubtful")
    with pytest.raises(InputError) as caught:
        with_photographs(layer(), strange)
    assert (caught.value.code, caught.value.value) == ("name-unknown", "Nowhere")
    unchanged, notices = with_photographs(layer(), strange, whole=False)
    assert notices == [] and unchanged["porosity"].isna().all()


def test_one_belt_has_one_porosity_in_a_season():
    with pytest.raises(InputError) as caught:
        joined_porosity([PHOTOGRAPHED, table(("North Hedge", "bare", 0.5, 0.03, 0.5))])
    assert caught.value.code == "input-refused"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"porosity": ["31"]}, "column-bad"),
        ({"porosity": [""]}, "column-bad"),
        ({"porosity_spread": ["wide"]}, "column-bad"),
        ({"season": ["spring"]}, "column-bad"),
    ],
)
def test_malformed_tables_are_refused(change, code):
    row = {"name": ["a"], "season": ["bare"], "porosity": ["0.3"], "porosity_spread": ["0.1"]}
    with pytest.raises(InputError) as caught:
        complete_porosity(pd.DataFrame(row | change, dtype=object), "t.csv")
    assert caught.value.code == code and "row 1" in caught.value.where
    with pytest.raises(InputError) as caught:
        complete_porosity(pd.DataFrame(row).drop(columns="porosity"), "t.csv")
    assert caught.value.code == "column-missing"


# ---- use of the spread


def measured(spread):
    belts, _ = complete(layer(porosity=[0.5, 0.5], porosity_spread=[spread, None]), "belts")
    options = ShelterOptions()
    return belts.assign(sheltered_distance_expected_m=sheltered_distance_m(belts, options)), options


def test_the_spread_widens_the_upper_sheltered_distance():
    belts, options = measured(0.1)
    expected = belts["sheltered_distance_expected_m"].to_numpy()
    upper = upper_distance_m(belts, 1.24, options)
    # Independent of the code: the distance is calculated again with the porosity one spread away.
    distances = [
        sheltered_distance_m(belts.assign(porosity=p, porosity_low=p), options)[0]
        for p in (0.4, 0.6)
    ]
    further = max(distances) - expected[0]
    assert further > 0
    assert upper[0] == pytest.approx(expected[0] + np.hypot(0.24 * expected[0], further))
    assert upper[1] == 1.24 * expected[1], "a belt without spread keeps its distance exactly"
    wider = upper_distance_m(measured(0.2)[0], 1.24, options)
    assert wider[0] > upper[0]


def test_monte_carlo_runs_vary_porosity_by_its_own_spread():
    belts, _ = complete(layer(porosity=[0.5, 0.5], porosity_spread=[0.01, None]), "belts")
    rng = np.random.default_rng(1)
    runs = [_varied(belts, 1.0, 0.0, InputUncertainty(), rng)["porosity"] for _ in range(2000)]
    spread = np.std(np.array(runs), axis=0)
    assert spread[0] == pytest.approx(0.01, rel=0.1)
    assert spread[1] == pytest.approx(InputUncertainty().each_porosity, rel=0.1)


def test_without_spreads_monte_carlo_runs_draw_the_same_numbers():
    belts, _ = complete(layer(porosity=[0.5, 0.5]), "belts")
    ours = _varied(belts, 1.0, 0.0, InputUncertainty(), np.random.default_rng(1))
    other = _varied(
        belts.drop(columns="porosity_spread"),
        1.0,
        0.0,
        InputUncertainty(),
        np.random.default_rng(1),
    )
    np.testing.assert_array_equal(ours["porosity"], other["porosity"])


# ---- from the photograph to shelter


def test_shelter_takes_porosity_from_photographs(tmp_path):
    photos = tmp_path / "photos"
    photos.mkdir()
    corners = photograph_file(photos / "a.jpg", belt(0.3, True))
    photograph_file(photos / "b.jpg", belt(0.5, True))
    assessed = shelterscape.photo_porosity(
        photographs=(str(photos / "a.jpg"), str(photos / "b.jpg")),
        outline=corners,
        belt="North hedge",
        season="in-leaf",
        out=tmp_path / "assessed",
    )
    given = {
        "dem": str(plain_dem(tmp_path)),
        "belts": str(plain_belts(tmp_path, name=["North hedge", "other"], porosity=[0.8, 0.5])),
        "winds": "200,230",
        "seasons": ("in-leaf",),
    }
    plain = shelterscape.shelter(**given, out=tmp_path / "plain")
    done = shelterscape.shelter(
        **given, belt_porosity=(str(assessed.tables["belt_porosity"]),), out=tmp_path / "out"
    )
    before, after = (
        gpd.read_file(str(run.folder / "layers.gpkg"), layer="belts_assessed").set_index("name")
        for run in (plain, done)
    )
    hedge = after.loc["North hedge"]
    assert hedge["porosity"] == pytest.approx(0.4, abs=0.03)
    assert hedge["porosity_spread"] == pytest.approx(0.2 / np.sqrt(2), abs=0.03)
    sources = sources_of(hedge["assumed"])
    assert sources["porosity"] == "photograph" and sources["height_m"] == "layer"
    assert (
        hedge["sheltered_distance_expected_m"]
        > before.loc["North hedge"]["sheltered_distance_expected_m"]
    )
    pd.testing.assert_series_equal(after.loc["other"], before.loc["other"])
    codes = [n["code"] for step in done.record["steps"] for n in step["notices"]]
    assert "values-replaced" in codes
