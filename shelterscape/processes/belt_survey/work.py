"""The stages of `belt-survey`: the empty table, and the form."""

from __future__ import annotations

from dataclasses import dataclass

from shelterscape.errors import Notice
from shelterscape.files.draw_sheets import FormColumn, FormPage, FormSheet
from shelterscape.process.stages import Progress, Results, Summary, Work
from shelterscape.processes.belt_survey.loading import BeltSurveyData, ToSurvey, load, work_bytes
from shelterscape.processes.belt_survey.spec import BeltSurveyInputs
from shelterscape.science.belts import SEASONS
from shelterscape.science.survey_form import (
    MOST_PLACES,
    PERCENTAGES,
    empty_table,
    porosity_patch,
)

__all__ = ["compute", "load", "summarise", "work_bytes"]

MOST_PAGES = 1000
"""Most pages of the form; the table holds all belts."""


@dataclass(frozen=True, kw_only=True)
class BeltSurveyResults(Results):
    """Results of `belt-survey`, for `summarise`.

    Parameters
    ----------
    belts : list of ToSurvey
    """

    belts: list[ToSurvey]


def compute(data: BeltSurveyData) -> Work[BeltSurveyResults]:
    """The table with belts and places filled in."""
    yield Progress(0.1, "table of the survey")
    belts = data.belts
    table = empty_table(
        [b.name for b in belts], [b.end for b in belts], [b.places_m for b in belts]
    ).assign(season=SEASONS[data.params.season])
    notices = []
    if len(belts) > MOST_PAGES:
        text = f"the form has pages for the first {MOST_PAGES} belts; the table holds all"
        notices.append(Notice("survey-incomplete", text, len(belts) - MOST_PAGES))
    return BeltSurveyResults(tables={"survey": table}, notices=notices, belts=belts)


def summarise(results: BeltSurveyResults, params: BeltSurveyInputs) -> Summary:
    """Answer, and the form."""
    count = len(results.belts)
    places = len(results.tables["survey"])
    filled = f"{count} belts and {places} places to measure filled in" if count else "blank form"
    return Summary(
        question="What is to be measured, and where?",
        answer=[
            f"{filled}; print survey_form.pdf in black and white on A4",
            "type what was measured into a copy of tables/survey.csv, and give it to shelter or "
            "siting as survey",
        ],
        certainty=["patches of the comparison chart are exact to 0.01; estimates by eye are not"],
        pictures={"survey_form": form(results.belts, SEASONS[params.season])},
    )


COLUMNS = (
    FormColumn("Along\nbelt\nm", 1.0),
    FormColumn("Distance\nto tree\nm", 1.2),
    FormColumn("Angle up\nto top\n°", 1.2),
    FormColumn("Angle down\nto base\n°", 1.4),
    FormColumn("Height\n\nm", 1.0),
    FormColumn("Porosity\nby chart\n0 to 1", 1.15),
    FormColumn("Bare\nstem\nm", 0.8),
    FormColumn("Gap\nfrom\nm", 0.8),
    FormColumn("Gap\nto\nm", 0.8),
    FormColumn("Species", 1.8),
    FormColumn("Condition", 2.3),
)
"""Columns of the form, in the order of the table."""

STEPS = (
    "Along the belt: pace or tape from the named end. Write one line for each place; a gap may "
    "have a line of its own. Where nothing is written, nothing changes.",
    "Height: from a horizontal distance of about one tree height, measure the angle up to the top "
    "and down to the base (minus if the base is above the eye). Height = distance × (tan up + tan "
    "down).",
    "On level ground, eye height may replace the angle down. On a slope, use the horizontal "
    "distance: distance along the slope × cosine of its angle.",
    "Porosity: stand perpendicular to the belt, where it fills a hand's breadth at arm's length "
    "with sky behind it. Choose the patch as open as the belt from ground to top, gaps left out.",
    "Bare stem: height up to which wind passes freely below the crowns. Gap: open from the ground "
    "to the top; write where it begins and ends along the belt.",
)


def form(belts: list[ToSurvey], season: str) -> FormSheet:
    """Contents of the form.

    Parameters
    ----------
    belts : list of ToSurvey
        The first `MOST_PAGES` get a page each; without any, one page is blank.
    season : str
        Leaf state in words; empty on a blank page.

    Returns
    -------
    FormSheet
    """
    pages = [
        FormPage(b.name, _about(b, season), tuple(f"{x:.0f}" for x in b.places_m))
        for b in belts[:MOST_PAGES]
    ]
    patches = tuple(
        tuple(porosity_patch(percent, leaves=leaves) for percent in PERCENTAGES)
        for leaves in (True, False)
    )
    return FormSheet(
        title="Survey of a belt on foot",
        pages=tuple(pages) or (FormPage("", "", ()),),
        columns=COLUMNS,
        lines=MOST_PLACES,
        chart="Porosity: share of sky that is visible through the belt (white)",
        patch_labels=tuple(f"{percent / 100:.1f}" for percent in PERCENTAGES),
        patch_rows=("leaves", "twigs"),
        patches=patches,
        steps=STEPS,
        notes=(),
    )


def _about(belt: ToSurvey, season: str) -> str:
    if not len(belt.places_m):
        return f"an area on the map; {season}"
    start = f"its {belt.end} end" if belt.end else "the start of its line"
    return f"{belt.length_m:.0f} m on the map, distances from {start}; {season}"
