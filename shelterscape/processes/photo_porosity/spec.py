"""Description of `photo-porosity`: inputs, outputs, cautions and sources."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from shelterscape.process import Output, Picture, Process, Table
from shelterscape.process.cases import Season
from shelterscape.process.inputs import FieldNames, Inputs, Several, Source

MOST_PHOTOGRAPHS = 40
"""Most photographs of one run: each is shown in the picture of the run."""


class PhotoPorosityInputs(Inputs):
    """Inputs of `photo-porosity`."""

    photographs: Annotated[Several, Source("photograph", "photograph")] = Field(
        description="Photographs of belts against the sky, taken perpendicular to the belt: PATH "
        f"of a JPEG, PNG or TIFF file; at most {MOST_PHOTOGRAPHS}.",
        min_length=1,
        max_length=MOST_PHOTOGRAPHS,
    )
    outline: str = Field(
        "",
        description="Outline of the belt in all photographs without one in the table: its corners "
        "in order, as x y in pixels from the upper left, with commas between corners; or the word "
        "whole for photographs cropped to the belt.",
        examples=['"120 900, 4000 850, 4000 2300, 120 2350"'],
    )
    belt: str = Field(
        "",
        description="Belt shown in all photographs without one in the table, by its name in the "
        "layer of belts.",
        examples=['"North hedge"'],
    )
    season: Season | None = Field(
        None,
        description="Leaf state of the belt in all photographs without one in the table; in-leaf "
        "with a notice where it is not given.",
    )
    photograph_table: Annotated[str | None, Source("table", "table of photographs")] = Field(
        None,
        description="Table of photographs, for several belts or outlines: PATH of a CSV file with "
        "photograph (name of the file), name (of the belt), season and outline.",
    )
    fields: FieldNames = Field(default_factory=dict)


_PHOTOGRAPH = ("photograph", "name", "season")

OUTPUTS: tuple[Output, ...] = (
    Table(
        "belt_porosity",
        (
            "name",
            "season",
            "porosity",
            "porosity_spread",
            "porosity_low",
            "gap_share",
            "photograph_count",
            "doubtful_count",
        ),
        "Porosity of each belt and season over its photographs. `shelter` and `siting` take it as "
        "`belt_porosity` and join it to belts by name.",
    ),
    Table(
        "photographs_assessed",
        (
            *_PHOTOGRAPH,
            "porosity",
            "porosity_low",
            "gap_share",
            "gap_count",
            "pixels_across",
            "pixels_high",
            "faults",
        ),
        "Porosity in each photograph, and what makes it doubtful.",
    ),
    Table(
        "porosity_by_height",
        (*_PHOTOGRAPH, "height_tenth", "porosity"),
        "Porosity by tenths of height in each photograph, from the ground.",
    ),
    Table(
        "porosity_along_belt",
        (*_PHOTOGRAPH, "belt_part", "porosity"),
        "Porosity of twenty parts of equal width in each photograph, from the left.",
    ),
    Table(
        "photograph_gaps",
        (*_PHOTOGRAPH, "begins_share", "ends_share", "gap_width_h"),
        "Gaps in each photograph, open from bottom to top, from the left.",
    ),
    Picture("photograph_sky", "Each photograph, and beside it what was taken for sky."),
)

PROCESS = Process(
    id="photo-porosity",
    version="1.0.0",
    title="Optical porosity of belts from photographs",
    summary="Finds sky and vegetation in photographs of belts against the sky, and derives optical "
    "porosity of the whole belt, of its lower half and tenths of height, along the belt, and gaps. "
    "Several photographs of a belt give a mean and a spread.",
    inputs=PhotoPorosityInputs,
    outputs=OUTPUTS,
    cautions=(
        "Examine the picture of every photograph: what is coloured must be sky, and all of the "
        "sky. A dark hill, a building or another belt behind counts as vegetation, and porosity is "
        "then too low.",
        "Accuracy was measured on invented photographs of known porosity, not on real ones: within "
        "0.05 where vegetation is darker than the sky and nothing is reported. Snow, flowers, pale "
        "bark and yellow leaves count as sky: porosity is then up to 0.7 too high, often without a "
        "report. Do not use such photographs.",
        "Optical porosity is measured on one view. It is lower than the aerodynamic porosity of a "
        "wide belt, and holds for the leaf state of the photograph alone.",
        "Photograph from your own side, with permission, and not from a road, a railway or under "
        "old or damaged trees.",
    ),
    sources=(
        "Optical porosity is the share of sky visible through a belt, viewed perpendicular to it "
        "(common practice of shelterbelt surveys).",
        "First division into two classes: Otsu 1979, IEEE Transactions on Systems, Man and "
        "Cybernetics 9:62-66 (not verified against the source); transfer curve of pictures: IEC "
        "61966-2-1 (not verified against the source). All other bounds are assumed values.",
    ),
    work="shelterscape.processes.photo_porosity.work",
    open_first=("preview-photograph_sky.png", "tables/belt_porosity.csv"),
)
