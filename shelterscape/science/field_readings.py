"""Paired anemometer readings beside a belt: pairs, the readings that count, and hourly means."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from shelterscape.errors import InputError
from shelterscape.science.columns import numbers
from shelterscape.science.terrain.guidelines import log_profile
from shelterscape.science.wind_texts import compass_point
from shelterscape.terms import TERMS

COLUMNS = (
    "time",
    "belt",
    "distance_m",
    "side",
    "at_height_m",
    "speed_ms",
    "direction_deg",
)
"""Columns of a table of readings. Rows without a distance are of the open instrument."""

NEEDED = ("time", "distance_m", "at_height_m", "speed_ms", "direction_deg")

MOST_OFF_DEG = 30.0
"""Largest angle between the wind and the perpendicular of the belt, degrees."""

LEAST_SPEED_MS = 4.0
"""Speed in the open above which a pair counts, m/s, at the height of the instrument."""

NEUTRAL_FROM_MS = 6.0
"""Wind speed 10 m above open ground from which air counts as neutral, m/s: class D of Pasquill 1961
in all but strong sunshine (not verified against the source)."""

NOT_PAIRED = "no reading in the open at the same time"
NO_DIRECTION = "no wind direction in the open"
TOO_SLOW = f"wind in the open not above {LEAST_SPEED_MS:g} m/s"
NOT_NEUTRAL = f"wind below {NEUTRAL_FROM_MS:g} m/s 10 m above open ground: air may not be neutral"
OBLIQUE = f"wind more than {MOST_OFF_DEG:g}° off the perpendicular of the belt"
WINDWARD = "the instrument was windward of the belt"
LOWEST_ROUGHNESSES = 2.0
"""Height up to which the log law is not used, in roughness lengths (assumed)."""

REASONS = (NOT_PAIRED, NO_DIRECTION, TOO_SLOW, NOT_NEUTRAL, OBLIQUE, WINDWARD)
"""Why a reading is left out; the first that applies is stated."""


def read_readings(texts: pd.DataFrame, where: str, belts: list[str]) -> pd.DataFrame:
    """A table of readings, checked.

    Parameters
    ----------
    texts : DataFrame of str
        Columns of `COLUMNS`; those that are not in the file are missing.
    where : str
        Name of the file in errors.
    belts : list of str
        Names of the belts. With one belt the column ``belt`` may be missing.

    Returns
    -------
    DataFrame
        ``time`` (datetime), ``belt``, ``distance_m`` (NaN in the open), ``side_deg`` (direction
        from the belt to the instrument, degrees from true north; NaN where not stated),
        ``at_height_m``, ``speed_ms``, ``direction_deg``, ``row`` (of the file, from 1).

    Raises
    ------
    InputError
        ``readings-bad`` for times, numbers, sides or belts that cannot be read.
    """
    time = pd.to_datetime(texts["time"], errors="coerce", format="ISO8601")
    if (bad := time.isna().to_numpy()).any():
        at = int(np.argmax(bad))
        raise _bad("A time cannot be read.", where, at, texts["time"].iloc[at], _TIME_HINT)
    found = pd.DataFrame({"time": time, "row": np.arange(1, len(texts) + 1)})
    for column in ("distance_m", "at_height_m", "speed_ms", "direction_deg"):
        found[column] = numbers(
            texts.replace("", None), column, TERMS[column], where, code="readings-bad", row="row",
            needed=column in ("at_height_m", "speed_ms"),
        )  # fmt: skip
    found["side_deg"] = _sides(texts, where)
    found["belt"] = _belts(texts, found["distance_m"].isna().to_numpy(), where, belts)
    return found


_TIME_HINT = "Write times as 2026-03-01 14:10, in one time zone without daylight saving."


def _bad(what: str, where: str, at: int, value: object, hint: str) -> InputError:
    place = f"{where}, row {at + 1}"
    return InputError("readings-bad", what, where=place, value=str(value)[:40], hint=hint)


def _sides(texts: pd.DataFrame, where: str) -> NDArray[np.float64]:
    if "side" not in texts:
        return np.full(len(texts), np.nan)
    sides = []
    for at, text in enumerate(texts["side"].str.strip()):
        degrees = compass_point(text) if text else np.nan
        if degrees is None:
            hint = "Write the side of the belt as a compass point, such as E or NNE."
            raise _bad("A side cannot be read.", where, at, text, hint)
        sides.append(degrees)
    return np.array(sides, dtype=float)


def _belts(
    texts: pd.DataFrame, is_open: NDArray[np.bool_], where: str, belts: list[str]
) -> NDArray[np.object_]:
    named = texts["belt"].str.strip() if "belt" in texts else pd.Series([""] * len(texts))
    named = named.mask((named == "") & (len(belts) == 1), belts[0] if belts else "")
    unknown = ~named.isin(belts).to_numpy() & ~is_open
    if unknown.any():
        at = int(np.argmax(unknown))
        hint = f"Use the name of a belt in the layer: {', '.join(belts[:8])}."
        raise _bad("A reading names no belt of the layer.", where, at, named.iloc[at], hint)
    return named.where(~is_open, "").to_numpy(dtype=object)


def bearing_of(shape: shapely.Geometry) -> float:
    """Bearing of a belt from grid north: that of the long side of the box around it.

    Parameters
    ----------
    shape : Geometry
        A line or an area.

    Returns
    -------
    float
        Degrees, 0 <= bearing < 180.
    """
    xy = shapely.get_coordinates(shapely.oriented_envelope(shape))
    sides = np.diff(xy, axis=0)
    along = sides[np.argmax(np.hypot(*sides.T))]
    return float(np.degrees(np.arctan2(along[0], along[1])) % 180.0)


def paired(readings: pd.DataFrame, roughness_m: float) -> pd.DataFrame:
    """Each sheltered reading with the open one of the same time.

    Parameters
    ----------
    readings : DataFrame
        As `read_readings` returns it.
    roughness_m : float
        Roughness length of the open ground, m.

    Returns
    -------
    DataFrame
        Sheltered readings with ``open_ms`` (speed in the open at the height of the sheltered
        instrument, by the log law from the open instrument nearest to it in height),
        ``open_10m_ms`` and ``from_deg`` (wind direction in the open); NaN without a reading there.

    Raises
    ------
    InputError
        ``readings-bad`` for an instrument so low that the log law does not hold.
    """
    _refuse_low(readings, roughness_m)
    is_open = readings["distance_m"].isna()
    here = readings[~is_open].copy()
    there = readings.loc[is_open, ["time", "at_height_m", "speed_ms", "direction_deg"]]
    there = there.set_axis(["time", "open_height_m", "open_speed_ms", "from_deg"], axis=1)
    both = here.merge(there, on="time", how="left")
    both["apart"] = np.abs(np.log(both["at_height_m"] / both["open_height_m"]))
    both = both.sort_values(["row", "apart"], kind="stable").drop_duplicates("row")
    for column, height in (("open_ms", both["at_height_m"]), ("open_10m_ms", 10.0)):
        profile = log_profile(height, both["open_height_m"], roughness_m)
        both[column] = both["open_speed_ms"] * profile
    return both.drop(columns="apart").reset_index(drop=True)


def _refuse_low(readings: pd.DataFrame, roughness_m: float) -> None:
    lowest = int(readings["at_height_m"].to_numpy().argmin())
    height = float(readings["at_height_m"].iloc[lowest])
    if height <= LOWEST_ROUGHNESSES * roughness_m:
        raise InputError(
            "readings-bad",
            "An instrument is too low for ground of this roughness.",
            where=f"row {readings['row'].iloc[lowest]}",
            value=f"{height:g} m above ground; roughness length {roughness_m:g} m",
            hint=f"Give the roughness length of the open ground, or readings from "
            f"{LOWEST_ROUGHNESSES * roughness_m:g} m up.",
        )


def with_reasons(pairs: pd.DataFrame, bearing_deg: pd.Series) -> pd.DataFrame:
    """Pairs with the reason for which each is left out, and distance along the wind.

    Parameters
    ----------
    pairs : DataFrame
        As `paired` returns it.
    bearing_deg : Series
        Bearing of each belt from true north, degrees, by its name.

    Returns
    -------
    DataFrame
        With ``reason`` (one of `REASONS`, or empty) and ``along_wind_m``: the distance from the
        belt along the wind, m.
    """
    bearing = pairs["belt"].map(bearing_deg).to_numpy(dtype=float)
    wind = pairs["from_deg"].to_numpy(dtype=float)
    across = np.abs(np.sin(np.radians(wind - bearing)))
    # A side towards which the wind blows is leeward: more than 90° from where the wind comes.
    side = pairs["side_deg"].to_numpy(dtype=float)
    windward = np.cos(np.radians(side - wind)) > 0
    tests = {
        NOT_PAIRED: pairs["open_ms"].isna().to_numpy(),
        NO_DIRECTION: np.isnan(wind),
        TOO_SLOW: ~(pairs["open_speed_ms"].to_numpy() > LEAST_SPEED_MS),
        NOT_NEUTRAL: ~(pairs["open_10m_ms"].to_numpy() >= NEUTRAL_FROM_MS),
        OBLIQUE: ~(across >= np.cos(np.radians(MOST_OFF_DEG)) - 1e-9),
        WINDWARD: windward,
    }
    reason = np.full(len(pairs), "", dtype=object)
    for text, applies in reversed(tests.items()):
        reason[applies] = text
    distance = pairs["distance_m"].to_numpy(dtype=float)
    return pairs.assign(reason=reason, along_wind_m=distance / np.maximum(across, 1e-6))


def hourly_means(pairs: pd.DataFrame) -> pd.DataFrame:
    """Mean wind ratio of each instrument in each hour.

    Parameters
    ----------
    pairs : DataFrame
        Those of `with_reasons` that count.

    Returns
    -------
    DataFrame
        ``belt``, ``distance_m``, ``at_height_m``, ``hour``, ``along_wind_m``, ``ratio`` (mean speed
        at the instrument divided by mean speed in the open) and ``reading_count``. Readings of the
        same hour are not independent of each other, so an hour counts once.
    """
    keys = ["belt", "distance_m", "at_height_m", "hour"]
    groups = pairs.assign(hour=pairs["time"].dt.floor("h")).groupby(keys, sort=True)
    sums = groups[["speed_ms", "open_ms"]].sum()
    return pd.DataFrame(
        {
            "along_wind_m": groups["along_wind_m"].mean(),
            "ratio": sums["speed_ms"] / sums["open_ms"],
            "reading_count": groups.size(),
        }
    ).reset_index()


def left_out(pairs: pd.DataFrame) -> pd.DataFrame:
    """How many sheltered readings were left out, by belt and reason, with the first rows of each.

    Parameters
    ----------
    pairs : DataFrame
        As `with_reasons` returns them.

    Returns
    -------
    DataFrame
        ``belt``, ``reason``, ``value_count``, ``first_rows``.
    """
    rows = []
    for belt, here in pairs.groupby("belt", sort=True):
        for reason in REASONS:
            found = here.loc[here["reason"] == reason, "row"]
            first = ", ".join(str(row) for row in found.head(5))
            counted = {"reason": reason, "value_count": len(found), "first_rows": first}
            rows.append({"belt": belt} | counted)
    return pd.DataFrame(rows, columns=["belt", "reason", "value_count", "first_rows"])
