"""Description of `belt-survey`: inputs, outputs, cautions and sources."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process import Output, Picture, Process, Table
from shelterscape.process.cases import Season
from shelterscape.process.inputs import FieldNames, Inputs, Source, quantity


class BeltSurveyInputs(Inputs):
    """Inputs of `belt-survey`."""

    belts: Annotated[str | None, Source("layer", "belt layer")] = Field(
        None,
        description="Belts to survey: lines or areas with name, as PATH or PATH:LAYER. Without it "
        "the form is one blank page.",
    )
    season: Season = Field(
        "in-leaf", description="Leaf state of the belts during the survey, filled in on the form."
    )
    place_spacing_m: float = quantity("place_spacing_m", 25.0)
    to_crs: str | None = Field(
        None,
        description="Coordinate system in metres to which the belts are reprojected.",
        examples=["EPSG:25832"],
    )
    fields: FieldNames = Field(default_factory=dict)


OUTPUTS: tuple[Output, ...] = (
    Table(
        "survey",
        (
            "name",
            "from_end",
            "along_m",
            "clinometer_distance_m",
            "angle_up_deg",
            "angle_down_deg",
            "eye_height_m",
            "height_m",
            "season",
            "porosity",
            "bare_stem_m",
            "gap_from_m",
            "gap_to_m",
            "species",
            "condition",
        ),
        "The form as a table, with places to measure filled in. Type in what was measured; "
        "`shelter` and `siting` take it as `survey`.",
    ),
    Picture(
        "survey_form",
        "Form to print on A4, a page for each belt, with a comparison chart of porosity.",
        printed=True,
    ),
)

PROCESS = Process(
    id="belt-survey",
    version="1.0.0",
    title="Form for a survey of belts on foot",
    summary="Writes a form to print and a table to type in, with the names of belts and the places "
    "to measure filled in. The form has a comparison chart of porosity.",
    inputs=BeltSurveyInputs,
    outputs=OUTPUTS,
    cautions=(
        "Work with permission and in pairs. Wear high-visibility clothing beside roads, keep away "
        "from stock with young, and never stand under old, damaged or wind-blown trees: leave "
        "those to a qualified arboriculturist.",
        "Porosity compared by eye differs between people by about 0.1 (assumed value): let two "
        "people estimate it, and take the mean. It holds for the leaf state of the day alone.",
        "A clinometer height of a leaning or spreading tree is wrong by metres: measure upright "
        "trees, from a distance of about their height.",
    ),
    sources=(
        "Height from two angles and a horizontal distance: trigonometry, common practice of forest "
        "mensuration.",
        "Optical porosity is the share of sky visible through a belt, viewed perpendicular to it "
        "(common practice of shelterbelt surveys). The chart is generated; its shares are exact to "
        "0.01.",
    ),
    work="shelterscape.processes.belt_survey.work",
    open_first=("survey_form.pdf", "tables/survey.csv"),
)
