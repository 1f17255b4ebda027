"""Inputs of `belt-survey`: the names, ends and lengths of belts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray

from shelterscape.errors import Notice
from shelterscape.grid import Grid
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands
from shelterscape.processes.belt_survey.spec import BeltSurveyInputs
from shelterscape.science.columns import words
from shelterscape.science.survey_form import PATCH_PIXELS, PERCENTAGES, places_along, start_point

COLUMNS: dict[str, tuple[str, ...]] = {"surveyed_belts": ("name",)}
"""Columns that are read, by layer."""

DRAWN_BYTES = 4_000.0
"""Memory for each pixel of the comparison chart and its page (estimated, not measured)."""


@dataclass(frozen=True)
class ToSurvey:
    """A belt to survey.

    Parameters
    ----------
    name : str
    end : str
        Compass point of the end from which distances are measured; empty for the start of the line.
    length_m : float
        NaN for an area.
    places_m : (n,) float64
        Distances along the belt at which to measure; empty for an area.
    """

    name: str
    end: str
    length_m: float
    places_m: NDArray[np.float64]


@dataclass(frozen=True)
class BeltSurveyData:
    """Input data of `compute`.

    Parameters
    ----------
    params : BeltSurveyInputs
    belts : list of ToSurvey
    grid : Grid
        Not used: no raster is written.
    rasters : dict of Bands
        Empty.
    """

    params: BeltSurveyInputs
    belts: list[ToSurvey]
    grid: Grid = field(default_factory=lambda: Grid((1, 1), Affine.scale(1, -1), None))
    rasters: dict[str, Bands] = field(default_factory=dict)


def load(params: BeltSurveyInputs, reader: Reader) -> BeltSurveyData:
    """Belts that a survey can name: those with a name that no other belt has."""
    if not params.belts:
        return BeltSurveyData(params, [])
    columns = columns_by_layer(params.fields, {"belts": COLUMNS["surveyed_belts"]})["belts"]
    layer, grid = reader.layer_alone(params.belts, "belt layer", columns, params.to_crs)
    names = words(layer, "name")
    folded = [str(name).casefold() for name in names]
    unique = np.array([bool(name) and folded.count(name) == 1 for name in folded])
    if not unique.all():
        text = "belts without a name of their own are not on the form: a survey is joined by name"
        reader.notice(Notice("survey-incomplete", text, int((~unique).sum())))
    belts = [
        _to_survey(str(name), outline, grid.convergence_deg(), params.place_spacing_m)
        for name, outline in zip(names[unique], layer.geometry[unique], strict=True)
    ]
    return BeltSurveyData(params, belts)


def _to_survey(
    name: str, outline: shapely.Geometry, convergence_deg: float, spacing_m: float
) -> ToSurvey:
    if shapely.get_dimensions(outline) != 1:
        return ToSurvey(name, "", np.nan, np.zeros(0))
    end = start_point(outline, convergence_deg)
    return ToSurvey(name, end, outline.length, places_along(outline.length, spacing_m))


def work_bytes(params: BeltSurveyInputs, sizes: InputSizes) -> float:
    """Largest memory used, bytes: the patches of the chart, and pages of the form."""
    return DRAWN_BYTES * PATCH_PIXELS * 2 * len(PERCENTAGES) + 2_000.0 * sizes.vertices
