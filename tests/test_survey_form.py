"""The form for a survey of belts: its comparison chart, its bytes, and its table filled in."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pypdfium2
import pytest
import shapely
from input_helpers import plain_belts, plain_dem
from pypdfium2 import PdfImage

import shelterscape
from shelterscape.errors import InputError
from shelterscape.files import draw_form
from shelterscape.processes.belt_survey import work
from shelterscape.processes.belt_survey.loading import ToSurvey
from shelterscape.processes.belt_survey.spec import OUTPUTS
from shelterscape.science.survey_form import (
    MOST_PLACES,
    PERCENTAGES,
    places_along,
    porosity_patch,
    start_point,
)
from shelterscape.science.survey_table import READ_COLUMNS


def test_a_patch_has_the_share_of_white_on_its_label():
    for leaves in (True, False):
        patch = porosity_patch(60, leaves=leaves)
        assert patch.dtype == bool and patch.mean() == pytest.approx(0.6, abs=0.01)


@pytest.fixture(scope="module")
def sheet():
    places = np.array([10.0, 30.0])
    belts = [ToSurvey("North $hedge$ \u4e2d", "NW", 40.0, places)]
    return work.form(belts, "in leaf")


def test_every_printed_patch_has_the_share_of_white_on_its_label(sheet, tmp_path):
    """Pixels of the drawn page are counted, at a resolution other than that of the patches."""
    draw_form.draw_form(tmp_path / "form.pdf", sheet)
    document = pypdfium2.PdfDocument(tmp_path / "form.pdf", autoclose=True)
    drawn = document[0].render(scale=600 / 72)
    page = np.asarray(drawn.to_pil().convert("L")).astype(float) / 255
    a_mm = page.shape[1] / 210.0
    assert page.shape[0] == pytest.approx(297 * a_mm, abs=2)
    found = []
    for row in range(2):
        for column in range(len(PERCENTAGES)):
            left = 12.0 + 6.0 + 20.0 * column
            top = 37.0 + 20.0 * row
            y, x = (slice(round((a + 0.1) * a_mm), round((a + 17.9) * a_mm)) for a in (top, left))
            found.append(page[y, x].mean())
    wanted = [percent / 100 for percent in PERCENTAGES] * 2
    np.testing.assert_allclose(found, wanted, atol=0.01)
    # Black and white alone: grey would print with more ink than its share.
    image = next(o for o in document[0].get_objects(max_depth=3) if isinstance(o, PdfImage))
    assert np.unique(np.asarray(image.get_bitmap().to_pil())).tolist() == [0, 255]


def test_the_same_form_has_the_same_bytes(sheet, tmp_path):
    for name in ("a.pdf", "b.pdf"):
        draw_form.draw_form(tmp_path / name, sheet)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    document = pypdfium2.PdfDocument(tmp_path / "a.pdf")
    assert len(document) == 1
    assert document[0].get_size() == pytest.approx((595.28, 841.89), abs=0.01)
    assert "North $hedge$" in document[0].get_textpage().get_text_bounded()
    document.close()


def test_places_are_in_the_middle_of_equal_parts():
    assert places_along(100, 20).tolist() == [10, 30, 50, 70, 90]
    assert places_along(7, 25).tolist() == [4]
    assert len(places_along(5000, 10)) == MOST_PLACES
    assert np.ptp(np.diff(places_along(5000, 10))) <= 1


@pytest.mark.parametrize(
    ("line", "point"),
    [
        ([(0, 0), (10, 0)], "W"),
        ([(0, 10), (0, 0)], "N"),
        ([(10, -10), (0, 0)], "SE"),
        ([(0, 0), (5, 5), (5, 0), (0, 0)], ""),
    ],
)
def test_the_start_of_a_line_is_named_by_its_compass_point(line, point):
    assert start_point(shapely.LineString(line), 0.0) == point
    if point == "N":  # grid north is 45° east of true north
        assert start_point(shapely.LineString(line), 45.0) == "NE"


def test_the_table_is_the_one_that_is_read():
    assert next(o for o in OUTPUTS if o.name == "survey").columns == READ_COLUMNS


def test_a_form_filled_in_is_taken_by_shelter(tmp_path):
    belts = str(plain_belts(tmp_path, name=["West hedge", "other"]))
    made = shelterscape.belt_survey(belts=belts, place_spacing_m=50, out=tmp_path / "form")
    form = pd.read_csv(made.tables["survey"], dtype=object)
    assert set(form["name"]) == {"West hedge", "other"} and form["height_m"].isna().all()
    assert (tmp_path / "form" / "survey_form.pdf").is_file()
    # As it is, nothing was surveyed; with one place filled in, one belt changes.
    given = {"dem": str(plain_dem(tmp_path)), "belts": belts, "winds": "230"}
    given |= {"seasons": ("in-leaf",), "report": False}
    path = tmp_path / "filled.csv"
    form.to_csv(path, index=False)
    empty = shelterscape.shelter(**given, survey=str(path), out=tmp_path / "empty")
    assert pd.read_csv(empty.tables["survey_changes"]).empty
    form.loc[0, ["clinometer_distance_m", "angle_up_deg", "eye_height_m"]] = ["5", "45", "1.5"]
    form.to_csv(path, index=False)
    done = shelterscape.shelter(**given, survey=str(path), out=tmp_path / "done")
    changes = pd.read_csv(done.tables["survey_changes"])
    assert changes["name"].tolist() == ["West hedge"]
    assert changes["value_before"].tolist() == [6.0] and changes["value_after"].tolist() == [6.5]


def test_belts_without_a_name_of_their_own_are_left_out(tmp_path):
    belts = str(plain_belts(tmp_path, name=["twin", "Twin"]))
    made = shelterscape.belt_survey(belts=belts, out=tmp_path / "form")
    assert pd.read_csv(made.tables["survey"]).empty
    codes = [n["code"] for step in made.record["steps"] for n in step["notices"]]
    assert codes == ["survey-incomplete"]


def test_without_belts_the_form_is_blank(tmp_path):
    made = shelterscape.belt_survey(out=tmp_path / "form")
    assert pd.read_csv(made.tables["survey"]).empty
    with pytest.raises(InputError):
        shelterscape.belt_survey(belts=str(tmp_path / "none.gpkg"), out=tmp_path / "other")
