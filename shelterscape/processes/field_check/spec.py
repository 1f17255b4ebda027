"""What `field-check` needs, writes and warns of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from shelterscape.files.styles import LayerStyle
from shelterscape.process import Layer, Output, Picture, Process, Table
from shelterscape.process.inputs import (
    ROUGHNESS_CLASSES,
    FieldNames,
    Inputs,
    Source,
    length_of_class,
    quantity,
)


class FieldCheckInputs(Inputs):
    """Inputs of `field-check`."""

    belts: Annotated[
        str,
        Source("layer", "belt layer"),
        Field(
            description="Belts: lines or areas with name, height_m, width_m and porosity, in "
            "metres, as PATH or PATH:LAYER."
        ),
    ]
    readings: Annotated[
        str,
        Source("table", "table of readings"),
        Field(
            description="Anemometer readings: PATH of a CSV file with a row for each instrument "
            "and time: time, belt, distance_m, side, at_height_m, speed_ms, direction_deg. The "
            "instrument in the open has no distance, and the wind direction."
        ),
    ]
    fields: FieldNames = Field(default_factory=dict)
    to_crs: str | None = Field(
        None,
        description="Coordinate system in metres to which the belts are reprojected.",
        examples=["EPSG:25832"],
    )
    season: Literal["in-leaf", "bare"] = Field(
        "in-leaf", description="Leaf state of the belts during the readings."
    )
    site_roughness_m: float = quantity(
        "roughness_m",
        0.03,
        f"Of the open ground, for the log law between heights of instruments. {ROUGHNESS_CLASSES}.",
    )

    _by_class = field_validator("site_roughness_m", mode="before")(length_of_class)


OUTPUTS: tuple[Output, ...] = (
    Layer(
        "checked_belts",
        "any",
        (
            "name",
            "belt_type",
            "species",
            "holding_id",
            "planted_year",
            "height_m",
            "width_m",
            "porosity",
            "bare_porosity",
            "porosity_low",
            "bare_porosity_low",
            "row_species",
            "bare_stem_m",
            "recovery_h",
            "porosity_interval_low",
            "porosity_interval_high",
            "recovery_interval_low_h",
            "recovery_interval_high_h",
            "hour_count",
            "assumed",
        ),
        "All belts of the layer; measured ones with the porosity and recovery distance fitted to "
        "the readings. Shelter and siting take it as their belt layer.",
        style=LayerStyle(label="name"),
    ),
    Table(
        "curve_errors",
        (
            "belt",
            "season",
            "hour_count",
            "relative_wind_bias",
            "relative_wind_rmse",
            "fitted_bias",
            "fitted_rmse",
            "reason",
        ),
        "Errors of the shelter curve at each belt, before and after the fit.",
    ),
    Table(
        "reading_means",
        (
            "belt",
            "distance_m",
            "distance_h",
            "at_height_m",
            "hour_count",
            "reading_count",
            "measured_relative_wind",
            "relative_wind",
            "fitted_relative_wind",
        ),
        "Mean relative wind of each instrument: measured, by the shelter curve, and fitted.",
    ),
    Table(
        "readings_left_out",
        ("belt", "reason", "value_count", "first_rows"),
        "Readings that do not count, by belt and reason.",
    ),
    Picture("shelter_curve", "Readings against the shelter curve and its band.", chart=True),
)

PROCESS = Process(
    id="field-check",
    version="1.0.0",
    title="Your own wind readings against the shelter curve",
    summary="Compares anemometer readings beside belts with the shelter curve, and fits each "
    "belt's porosity and recovery distance to them, as columns that shelter and siting take.",
    inputs=FieldCheckInputs,
    outputs=OUTPUTS,
    cautions=(
        "A fit holds for the belt, leaf state and wind directions measured. Porosity fitted to "
        "wind includes everything that the curve does not describe; it is not an optical porosity.",
        "Instruments must read the same side by side in the open before and after. Hours are "
        "treated as independent of each other; confidence intervals do not include errors of "
        "instruments that stay the same from hour to hour.",
        "Beneath and beside old trees, inspect for loose branches before setting up, and do not "
        "measure in storms: consult a qualified arboriculturist where trees are doubtful.",
    ),
    sources=(
        "Accepted readings: within 30° of perpendicular and above 4 m/s in the open (common "
        "practice, no source); neutral air from 6 m/s 10 m above ground: class D of Pasquill 1961 "
        "in all but strong sunshine (status M).",
        "Shelter curve “exponential”, see shelter; height above ground and log law as there.",
        "Least squares; confidence intervals from leaving out hours, Bell and McCaffrey 2002, "
        "Survey Methodology 28:169-181 (status M), tested on readings with known truth. Readings "
        "needed for a fit: assumed values, stated in the errors.",
    ),
    work="shelterscape.processes.field_check.work",
    open_first=("preview-shelter_curve.png", "tables/curve_errors.csv"),
)
