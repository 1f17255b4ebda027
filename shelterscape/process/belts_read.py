"""Belts of a layer with porosity from photographs, as all processes that calculate shelter read
them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd

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

POROSITY_COLUMNS = {"belt_porosity": READ_COLUMNS}
"""Columns of the table of porosity that are read."""

_HINT = "Give the table belt_porosity that photo-porosity writes, as CSV in UTF-8."


def complete_belts(
    params: CaseInputs,
    reader: Reader,
    layer: gpd.GeoDataFrame,
    known: dict[str, tuple[str, ...]],
) -> gpd.GeoDataFrame:
    """Belts without missing values, with porosity from photographs where it is given.

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
    GeoDataFrame
        As `science.belts.complete` returns them.

    Raises
    ------
    InputError
        As `science.belts.complete` and `science.photographed_belts.with_photographs`.
    """
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
    belts, notices = complete(layer, "belts")
    reader.notices(notices)
    return belts
