"""Belts of a layer with values from photographs and a survey, as all processes that calculate
shelter read them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd

from shelterscape.process.cases import CaseInputs
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.reading import Reader
from shelterscape.science.belts import complete
from shelterscape.science.photographed_belts import (
    READ_COLUMNS,
    complete_porosity,
    joined_porosity,
    with_photographs,
)
from shelterscape.science.survey_table import READ_COLUMNS as SURVEY_COLUMNS
from shelterscape.science.survey_table import read_survey
from shelterscape.science.surveyed_belts import with_survey

VALUE_COLUMNS = {"belt_porosity": READ_COLUMNS, "survey": SURVEY_COLUMNS}
"""Columns that are read of tables with values of belts."""

_HINT = "Give the table belt_porosity that photo-porosity writes, as CSV in UTF-8."
_SURVEY_HINT = "Save it as CSV in UTF-8, with a row for each place measured."


def complete_belts(
    params: CaseInputs,
    reader: Reader,
    layer: gpd.GeoDataFrame,
    known: dict[str, tuple[str, ...]],
) -> tuple[gpd.GeoDataFrame, pd.DataFrame | None]:
    """Belts without missing values, with values from photographs and a survey where given.

    Parameters
    ----------
    params : CaseInputs
    reader : Reader
        Receives notices.
    layer : GeoDataFrame
        Belts as they are read.
    known : dict
        Columns that the process reads, by layer.

    Returns
    -------
    belts : GeoDataFrame
        As `science.belts.complete` returns them.
    changes : DataFrame or None
        As `science.surveyed_belts.with_survey` returns them; None without a survey.

    Raises
    ------
    InputError
        As `science.belts.complete`, `science.photographed_belts.with_photographs` and
        `science.surveyed_belts.with_survey`.
    """
    changes = None
    if params.belt_porosity:
        renamed = columns_by_layer(params.fields, known)["belt_porosity"]
        columns = {name: renamed.get(name, name) for name in READ_COLUMNS}
        tables = [
            complete_porosity(
                reader.text_table(source, "table of porosity", columns, _HINT), Path(source).name
            )
            for source in params.belt_porosity
        ]
        layer, notices = with_photographs(layer, joined_porosity(tables), whole=reader.whole)
        reader.notices(notices)
    if params.survey:
        renamed = columns_by_layer(params.fields, known)["survey"]
        columns = {name: renamed.get(name, name) for name in SURVEY_COLUMNS}
        where = Path(params.survey).name
        texts = reader.text_table(params.survey, "table of the survey", columns, _SURVEY_HINT)
        layer, changes, notices = with_survey(
            layer, read_survey(texts, where), where, whole=reader.whole
        )
        reader.notices(notices)
    belts, notices = complete(layer, "belts")
    reader.notices(notices)
    return belts, changes
