"""What `wind-set` needs, writes and warns of."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, field_validator

from shelterscape.process import Output, Picture, Process, Table
from shelterscape.process.cases import PurposeName
from shelterscape.process.inputs import (
    ROUGHNESS_CLASSES,
    FieldNames,
    Inputs,
    Several,
    Source,
    length_of_class,
    quantity,
)


def _of_the_year(month: int) -> int:
    if not 1 <= month <= 12:
        raise ValueError("a month must be a number from 1 to 12")
    return month


Month = Annotated[int, AfterValidator(_of_the_year)]


class WindSetInputs(Inputs):
    """Inputs of `wind-set`."""

    records: Annotated[Several, Source("table", "weather record")] = Field(
        (),
        description="Weather record of hourly or ten-minute values: PATH of a CSV file with a row "
        "for each time, also packed with gzip; several files of one source are joined.",
    )
    rose_table: Annotated[str | None, Source("table", "rose table")] = Field(
        None,
        description="Rose table of a report: PATH of a CSV file with directions in the first "
        "column, a column for each speed class (0-3, 3-6, >6) and a row calm; percent, shares or "
        "counts.",
    )
    directions: str = Field(
        "",
        description="Plain wind directions, each counting the same: degrees or compass points, "
        "such as SW,WSW or 225,250.",
        examples=["225,250"],
    )
    fields: FieldNames = Field(default_factory=dict)
    stations: tuple[str, ...] = Field(
        (),
        description="Stations of the record to use; the word all for every one of them.",
        examples=["all"],
    )
    speed_unit: Literal["kn", "mph", "kmh", "ms"] | None = Field(
        None, description="Unit of wind speeds and gusts, unless their heading states it."
    )
    direction_unit: Literal["degrees", "tens"] | None = Field(
        None, description="Unit of directions, where the numbers leave it open."
    )
    temperature_unit: Literal["c", "f"] = Field(
        "c", description="Unit of temperatures: degrees Celsius or Fahrenheit."
    )
    rain_unit: Literal["mm", "in"] = Field("mm", description="Unit of rain.")
    units_certain: bool = Field(
        False, description="Accept the stated units even where the numbers contradict them."
    )
    missing: tuple[str, ...] = Field(
        (),
        description="Marks of missing values in the record, besides the usual ones.",
        examples=["-999"],
    )
    time_format: str = Field(
        "",
        description="How times are written, such as %d/%m/%Y %H:%M; ISO 8601 by default.",
        examples=["%d/%m/%Y %H:%M"],
    )
    time_zone: str = Field(
        "",
        description="Time zone of the record: UTC, an offset such as +01:00, or a name such as "
        "Europe/Dublin for clocks with daylight saving.",
        examples=["UTC"],
    )
    declination_deg: float = quantity(
        "declination_deg", 0.0, "Added to directions; give it when they are magnetic bearings."
    )
    measured_height_m: float | None = quantity(
        "measured_height_m", None, "10 m by default, with a notice."
    )
    station_roughness_m: float | None = quantity(
        "roughness_m",
        None,
        f"Of the ground around the station. {ROUGHNESS_CLASSES}. 0.03 m by default, with a notice.",
    )
    station_distance_km: float | None = quantity("station_distance_km", None)
    station_sheltered: bool = Field(
        False, description="Whether trees, buildings or terrain shelter the station."
    )
    site_roughness_m: float = quantity("roughness_m", 0.03, f"Of the site. {ROUGHNESS_CLASSES}.")
    at_height_m: float = quantity("at_height_m", 10.0, "Of mean wind speeds at the site.")
    sectors: int = quantity("sectors", 16)
    months: tuple[Month, ...] = Field(
        (),
        description="Months the record is used for, where it does not cover the whole year.",
    )
    in_leaf_months: tuple[Month, ...] = Field(
        (5, 6, 7, 8, 9, 10), description="Months in which deciduous belts carry leaves."
    )
    storm_ms: float = quantity("storm_ms", 13.9, "Beaufort 7.")
    cold_c: float = quantity("cold_c", 5.0)
    purpose: PurposeName | None = Field(
        None, description="Purpose for which damaging wind is reported; all purposes by default."
    )
    hourly: bool = Field(
        False, description="Also write the usable values of the record, for chill calculations."
    )
    seed: int = quantity("seed", 1, "Of the months drawn again.")

    _by_class = field_validator("station_roughness_m", "site_roughness_m", mode="before")(
        length_of_class
    )

    @field_validator("stations", "months", "in_leaf_months", "missing")
    @classmethod
    def _each_once(cls, several: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(dict.fromkeys(several))


OUTPUTS: tuple[Output, ...] = (
    Table(
        "winds",
        ("subset", "direction_deg", "frequency", "mean_speed_ms", "weibull_k"),
        "The wind set that other processes take: every subset with its sectors and calm. Lines "
        "before the headings state how the wind was measured, and months, hours and leaf state "
        "of each subset.",
    ),
    Table(
        "wind_sectors",
        (
            "subset",
            "direction_deg",
            "frequency",
            "frequency_low",
            "frequency_high",
            "mean_speed_ms",
            "weibull_scale_ms",
            "weibull_shape",
            "shape_pooled",
            "speed_p90_ms",
            "speed_p98_ms",
            "value_count",
        ),
        "Frequency with its uncertainty, and the distribution of wind speed, by subset and sector.",
        optional=True,
    ),
    Table(
        "wind_subsets",
        (
            "subset",
            "months_covered",
            "hour_rule",
            "season",
            "bare_share",
            "measured_height_m",
            "value_count",
            "calm",
            "calm_low",
            "calm_high",
            "mean_speed_ms",
            "site_speed_ms",
            "main_direction_deg",
            "frequency_uncertainty",
        ),
        "Subsets of the wind set: their months, hours, leaf state, calm and mean wind speed.",
        optional=True,
    ),
    Table(
        "wind_months",
        ("month", "direction_deg", "frequency", "mean_speed_ms", "value_count"),
        "Frequency and mean wind speed by month and sector; rows without a direction are calm.",
        optional=True,
    ),
    Table(
        "damaging_wind",
        (
            "purpose",
            "subset",
            "speed_exponent",
            "bearing_deg",
            "across_share",
            "side_deg",
            "side_share",
            "corner_deg",
            "leg_bearings",
            "corner_share",
        ),
        "Best belt, best belt on one side of a place, and best L of two legs, by purpose.",
    ),
    Table(
        "damaging_wind_bearings",
        ("purpose", "turned_from_best_deg", "bearing_deg", "effect_lost_share"),
        "Effect lost by belts with another bearing than the best one, by purpose.",
    ),
    Table(
        "wind_record_quality",
        ("station", "finding", "value_count", "treatment", "first_rows", "example"),
        "What quality control found in the record, by station.",
        optional=True,
    ),
    Table(
        "wind_stations",
        (
            "station",
            "row_count",
            "usable_share",
            "calm",
            "mean_speed_ms",
            "first_time",
            "last_time",
            "station_used",
        ),
        "Every station of the record.",
        optional=True,
    ),
    Table(
        "sheep_chill_months",
        ("month", "day_count", "sheep_chill", "sheep_chill_day_count", "wind_chill_c"),
        "Chill on open ground by month: mean daily index of newborn lambs 0.4 m above ground, days "
        "above 1000, and the lowest wind chill of people.",
        optional=True,
    ),
    Table(
        "hourly",
        ("station", "time", "direction_deg", "speed_ms", "gust_ms", "temperature_c", "rain_mm"),
        "Usable values of the record; calm has no direction.",
        optional=True,
    ),
    Picture("wind_rose", "Wind roses of all subsets.", chart=True),
)

PROCESS = Process(
    id="wind-set",
    version="1.0.0",
    title="Wind set from records: from where, how often, how fast",
    summary="Turns a weather record, a rose table or plain directions into the wind set that other "
    "processes take: frequency, speed and their uncertainty by sector, for the whole year, seasons "
    "and kinds of weather. Reports what quality control found and how belts should run against "
    "the damaging wind.",
    inputs=WindSetInputs,
    outputs=OUTPUTS,
    cautions=(
        "The wind of a station is that of its surroundings: terrain, coast and woods between it "
        "and the site change direction and speed. The log law transfers speed between heights and "
        "roughness in neutral air over flat ground; no correction is made for altitude.",
        "Few months make uncertain frequencies: compare the low and high values before relying "
        "on a direction. Rows with wind but without a direction, mostly light wind, are left out.",
        "Chill indices are for comparison: newborn lambs up to three days old and people, not a "
        "forecast of losses.",
        "The best bearing is for wind alone: roads, power lines, drifting snow and cold-air "
        "pooling may forbid it; consult a qualified forester.",
    ),
    sources=(
        "Directions: WMO code 0877 (00 calm, 36 north, 99 variable; status S). Reports in steps of "
        "10° are shared over sectors by overlap: Applequist 2012, Journal of Applied Meteorology "
        "and Climatology (status S).",
        "Weibull distribution by maximum likelihood (status D); Beaufort bounds, knots and miles "
        "per hour in m/s (status S).",
        "Roughness classes: Davenport and Wieringa (status S); log law for neutral air (common "
        "practice).",
        "Sheep chill index: Nixon-Smith 1972; Donnelly 1984, Australian Journal of Agricultural "
        "Research 35:709-721 (status S2). Wind chill: joint index of 2001 (status S).",
        "Thresholds of quality control, months of the subsets and the bounds of storm and cold "
        "hours: assumed values, stated in the page on wind sets.",
    ),
    work="shelterscape.processes.wind_set.work",
    open_first=("preview-wind_rose.png", "tables/winds.csv"),
)
