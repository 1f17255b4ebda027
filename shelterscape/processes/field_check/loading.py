"""What `field-check` reads: belts, and readings beside them."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import pandas as pd

from shelterscape.errors import InputError
from shelterscape.files.weather_records import size_of_record
from shelterscape.grid import Grid, wrapped
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands
from shelterscape.processes.field_check.spec import FieldCheckInputs
from shelterscape.science import belts as belt_layers
from shelterscape.science import field_readings
from shelterscape.science.field_readings import bearing_of

BYTES_PER_CHARACTER = 30.0
"""Memory for each byte of the readings: texts, numbers and pairs."""

COLUMNS = {"belts": belt_layers.READ_COLUMNS, "readings": field_readings.COLUMNS}
"""Columns that are read, by input."""


@dataclass(frozen=True)
class FieldCheckData:
    """Inputs of `compute`.

    Parameters
    ----------
    params : FieldCheckInputs
    belts : GeoDataFrame
        Completed belts, named.
    bearing_deg : Series
        Bearing of each measured belt from true north, degrees, by its name.
    readings : DataFrame
        As `field_readings.read_readings` returns them.
    grid : Grid
        Around the belts; no raster is written.
    rasters : dict of Bands
        None are written.
    """

    params: FieldCheckInputs
    belts: gpd.GeoDataFrame
    bearing_deg: pd.Series[float]
    readings: pd.DataFrame
    grid: Grid
    rasters: dict[str, Bands] = field(default_factory=dict)


def load(params: FieldCheckInputs, reader: Reader) -> FieldCheckData:
    """Read belts and readings."""
    columns = columns_by_layer(params.fields, COLUMNS)
    layer, grid = reader.layer_alone(params.belts, "belt layer", columns["belts"], params.to_crs)
    belts, notices = belt_layers.complete(layer, "belts")
    reader.notices(notices)
    unnamed = [f"belt {n + 1}" for n in range(len(belts))]
    belts["name"] = belts["name"].where(belts["name"] != "", unnamed)
    given = columns["readings"]
    headings = {name: given.get(name, name) for name in field_readings.COLUMNS}
    needed = (*field_readings.NEEDED, *(n for n in given if n not in field_readings.NEEDED))
    texts = reader.readings(params.readings, headings, needed)
    where = Path(params.readings).name
    readings = field_readings.read_readings(texts, where, list(belts["name"]))
    measured = belts[belts["name"].isin(set(readings["belt"]) - {""})]
    _check_measured(measured)
    lines = measured.geometry
    bearings = [wrapped(bearing_of(line) + grid.convergence_deg()) for line in lines]
    by_name = pd.Series(bearings, index=measured["name"], dtype=float)
    return FieldCheckData(params, belts, by_name, readings, grid)


def _check_measured(measured: gpd.GeoDataFrame) -> None:
    """Refuse belts whose readings cannot be placed."""
    twice = measured["name"].duplicated()
    low = ~(measured["height_m"] > 0)
    for faulty, what, hint in (
        (twice, "Two belts with readings have the same name.", "Give each belt its own name."),
        (low, "A belt with readings has no height.", "Give height_m of each belt with readings."),
    ):
        if faulty.any():
            name = measured["name"][faulty].iloc[0]
            raise InputError("readings-bad", what, where="belts", value=name, hint=hint)


def work_bytes(params: FieldCheckInputs, sizes: InputSizes) -> float:
    """Largest memory needed, bytes: readings as texts, pairs and hourly means."""
    return BYTES_PER_CHARACTER * size_of_record(params.readings)
