"""What `wind-set` reads, checked and divided into subsets."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

from affine import Affine

from shelterscape.errors import InputError, Notice
from shelterscape.files.weather_records import size_of_record
from shelterscape.grid import Grid
from shelterscape.process.inputs import columns_by_layer
from shelterscape.process.memory import InputSizes
from shelterscape.process.reading import Reader
from shelterscape.process.stages import Bands
from shelterscape.processes.wind_set.spec import WindSetInputs
from shelterscape.science.rose_tables import RoseTable, rose_table
from shelterscape.science.wind import (
    ASSUMED_MEASURED_HEIGHT_M,
    ASSUMED_MEASURED_ROUGHNESS_M,
    WindSet,
    equal_winds,
)
from shelterscape.science.wind_quality import CheckedRecord, check_record
from shelterscape.science.wind_records import COLUMNS as RECORD_COLUMNS
from shelterscape.science.wind_records import NEEDED, RecordOptions, rows_of
from shelterscape.science.wind_subsets import Subset, usable_subsets, usual_subsets
from shelterscape.science.wind_texts import compass_point

FAR_KM = 30.0
"""Distance from which a station is called far away (assumed value)."""

SHELTERED_ROUGHNESS_M = 0.5
"""Roughness around a station from which it counts as sheltered: very rough (assumed value)."""

BYTES_PER_CHARACTER = 7.0
"""Memory for each byte of a record as plain text; measured: 5.9 with four columns."""

COLUMNS: dict[str, tuple[str, ...]] = {"record": RECORD_COLUMNS}
"""Columns that are read, by input."""


@dataclass(frozen=True)
class WindSetData:
    """What `compute` works from; one of `record`, `rose` and `listed` is there.

    Parameters
    ----------
    params : WindSetInputs
    title : str
        What the wind set was made from.
    measured_height_m, station_roughness_m : float
        m.
    record : CheckedRecord or None
    subsets : list of Subset
        Of the record.
    rose : RoseTable or None
    listed : WindSet or None
        Plain directions.
    grid : Grid
        None in truth: no raster is written.
    rasters : dict of Bands
        None are written.
    """

    params: WindSetInputs
    title: str
    measured_height_m: float
    station_roughness_m: float
    record: CheckedRecord | None = None
    subsets: list[Subset] = field(default_factory=list)
    rose: RoseTable | None = None
    listed: WindSet | None = None
    grid: Grid = field(default_factory=lambda: Grid((1, 1), Affine.scale(1, -1), None))
    rasters: dict[str, Bands] = field(default_factory=dict)


def load(params: WindSetInputs, reader: Reader) -> WindSetData:
    """Read and check the one source of the wind set."""
    _check_source(params)
    height_m, roughness_m = _measured(params, reader)
    if params.directions:
        title = f"plain directions {params.directions}"
        listed = equal_winds(_directions(params.directions), where="directions")
        return WindSetData(params, title, height_m, roughness_m, listed=listed)
    if params.rose_table:
        name = Path(params.rose_table).name
        rose = rose_table(reader.rose_table(params.rose_table), params.speed_unit, name)
        _report_rose(rose, name, reader)
        return WindSetData(params, f"rose table {name}", height_m, roughness_m, rose=rose)
    return _from_records(params, reader, height_m, roughness_m)


def _check_source(params: WindSetInputs) -> None:
    given = [n for n in ("records", "rose_table", "directions") if getattr(params, n)]
    if len(given) != 1:
        raise InputError(
            "input-refused",
            "A wind set is made from one source: a record, a rose table or plain directions.",
            where="wind-set",
            value=" and ".join(given) or "none of them",
            hint="Give one of --record, --rose-table and --directions, and only one.",
        )


def _measured(params: WindSetInputs, reader: Reader) -> tuple[float, float]:
    """Height and roughness of the measurement; what is assumed or doubtful is reported."""
    height_m, roughness_m = params.measured_height_m, params.station_roughness_m
    if not params.directions:
        for name, value, assumed in (
            ("measured_height_m", height_m, ASSUMED_MEASURED_HEIGHT_M),
            ("station_roughness_m", roughness_m, ASSUMED_MEASURED_ROUGHNESS_M),
        ):
            if value is None:
                reader.notice(Notice("value-assumed", f"{name} taken as {assumed:g} m"))
    height_m = ASSUMED_MEASURED_HEIGHT_M if height_m is None else height_m
    roughness_m = ASSUMED_MEASURED_ROUGHNESS_M if roughness_m is None else roughness_m
    if height_m <= 2 * roughness_m or params.at_height_m <= 2 * params.site_roughness_m:
        raise InputError(
            "input-refused",
            "A height is too low for the roughness around it.",
            where="wind-set",
            value=f"{height_m:g} m over {roughness_m:g} m, or {params.at_height_m:g} m over "
            f"{params.site_roughness_m:g} m",
            hint="Give heights above twice the roughness length.",
        )
    reader.notices(_doubts(params, roughness_m))
    return height_m, roughness_m


def _doubts(params: WindSetInputs, roughness_m: float) -> list[Notice]:
    found = []
    distance_km = params.station_distance_km or 0.0
    if distance_km > FAR_KM:
        found.append(
            f"the station is {distance_km:g} km away: directions and speeds at the site may differ "
            "much; compare them with a nearer station"
        )
    if params.station_sheltered or roughness_m >= SHELTERED_ROUGHNESS_M:
        found.append(
            "the station is sheltered: speeds are too low, and unevenly so by direction; the log "
            "law does not correct that"
        )
    return [Notice("station-doubtful", text) for text in found]


def _directions(text: str) -> list[float]:
    """Degrees of plain directions."""
    found = []
    for part in (p.strip() for p in text.split(",")):
        degrees = compass_point(part)
        try:
            found.append(float(part) if degrees is None else degrees)
        except ValueError:
            raise InputError(
                "winds-bad",
                "A plain direction is neither a number nor a compass point.",
                where="directions",
                value=part or "nothing",
                hint="Write degrees or compass points with commas between them, such as SW,WSW.",
            ) from None
    if bad := [d for d in found if not math.isfinite(d)]:
        raise InputError(
            "winds-bad",
            "A plain direction must be a number of degrees.",
            where="directions",
            value=str(bad[0]),
            hint="Write degrees or compass points with commas between them, such as SW,WSW.",
        )
    return found


def _report_rose(rose: RoseTable, name: str, reader: Reader) -> None:
    text = f"{name}: cells taken as {rose.form}; speeds from a Weibull distribution in each sector"
    reader.notice(Notice("value-assumed", text))
    if rose.pooled:
        text = f"{name}: sectors with wind in one class alone have the Weibull shape of all sectors"
        reader.notice(Notice("value-assumed", text, rose.pooled))


def _from_records(
    params: WindSetInputs, reader: Reader, height_m: float, roughness_m: float
) -> WindSetData:
    """A record with its quality control, and the subsets it covers."""
    known = columns_by_layer(params.fields, COLUMNS)["record"]
    columns = {name: known.get(name, name) for name in RECORD_COLUMNS}
    needed = (*NEEDED, *(name for name in known if name not in NEEDED))
    options = RecordOptions(
        params.speed_unit,
        params.direction_unit,
        params.temperature_unit,
        params.rain_unit,
        params.units_certain,
        params.missing,
        params.time_format,
        params.time_zone,
        params.declination_deg,
        params.stations,
    )
    where = Path(params.records[0]).name
    rows, notices = rows_of(reader.records(params.records, columns, needed), options)
    record, more = check_record(rows, options, where)
    wanted = usual_subsets(
        record.hours,
        in_leaf=params.in_leaf_months,
        storm_ms=params.storm_ms,
        cold_c=params.cold_c,
    )
    subsets, left_out = usable_subsets(wanted, record.hours, params.months or None, where)
    reader.notices([*notices, *more, *left_out])
    used = record.stations["station"][record.stations["station_used"] == "yes"]
    title = f"weather record {where}" + (f", station {', '.join(used)}" if used.any() else "")
    if len(used) > 1:
        text = f"{where}: values of {len(used)} stations counted together"
        reader.notice(Notice("stations-joined", text, len(used)))
    return WindSetData(params, title, height_m, roughness_m, record=record, subsets=subsets)


def work_bytes(params: WindSetInputs, sizes: InputSizes) -> float:
    """Memory held at most, bytes: the rows of the record."""
    return BYTES_PER_CHARACTER * sum(size_of_record(source) for source in params.records)
