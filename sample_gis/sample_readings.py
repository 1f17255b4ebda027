"""Invented anemometer readings beside one belt of the Ostrel valley; nobody measured them.

Usage: python sample_gis/sample_readings.py

Rewrites readings.csv from ostrel.gpkg; every run gives the same bytes. An instrument in the open
and six behind the belt, over three windy days. The belt of the readings is more open and shelters
farther than its surveyed porosity says, as a fit should find.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from shelterscape.kernels.shelter_curves import CURVES
from shelterscape.science.field_readings import bearing_of

HERE = Path(__file__).resolve().parent
SEED = 20260301
BELT = "Quennock tree belt 5"
POROSITY, RECOVERY_H = 0.55, 10.5
DISTANCES_H = (1.5, 3.0, 5.0, 8.0, 12.0, 18.0)
HEIGHT_M = 1.5


def main() -> None:
    """Write readings.csv."""
    belts = gpd.read_file(HERE / "ostrel.gpkg", layer="belts").set_index("name")
    belt = belts.loc[BELT]
    rng = np.random.default_rng(SEED)
    times = pd.DatetimeIndex(
        [day + pd.Timedelta(minutes=20 * n) for day in DAYS for n in range(24)]
    )
    across = bearing_of(belt.geometry) + 90.0
    wind = np.round((across + rng.normal(0.0, 14.0, len(times))) % 360.0, -1) % 360.0
    speed = np.round(np.clip(rng.normal(7.2, 1.3, len(times)), 2.0, None), 1)
    rows = [_rows(times, "", "", speed, wind)]
    side = POINTS[round(((across + 180.0) % 360.0) / 22.5) % 16]
    hourly = rng.normal(1.0, 0.05, (len(times) // 3, len(DISTANCES_H)))
    for i, distance_h in enumerate(DISTANCES_H):
        along = distance_h / np.maximum(np.abs(np.cos(np.radians(wind - across))), 0.3)
        ratio = CURVES["exponential"].relative_wind(
            along, np.array(POROSITY), np.array(belt.width_m / belt.height_m), RECOVERY_H
        )
        noisy = ratio * np.repeat(hourly[:, i], 3) * rng.normal(1.0, 0.03, len(times))
        metres = round(distance_h * belt.height_m)
        rows.append(_rows(times, metres, side, np.round(speed * noisy, 1), ""))
    table = pd.concat(rows).sort_values(["time", "distance_m"], kind="stable", key=_sorted)
    table.insert(1, "belt", np.where(table["distance_m"] == "", "", BELT))
    table.to_csv(HERE / "readings.csv", index=False, lineterminator="\n")


DAYS = [pd.Timestamp(f"2026-03-{day:02d} 09:00") for day in (3, 4, 9)]
_QUARTERS = "N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW"
POINTS = _QUARTERS.split(" ")


def _sorted(column: pd.Series) -> pd.Series:
    return column if column.name == "time" else pd.to_numeric(column, errors="coerce").fillna(-1)


def _rows(
    times: pd.DatetimeIndex, metres: object, side: str, speed: object, wind: object
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time": times.strftime("%Y-%m-%d %H:%M"),
            "distance_m": metres,
            "side": side,
            "at_height_m": HEIGHT_M,
            "speed_ms": speed,
            "direction_deg": wind,
        }
    )


if __name__ == "__main__":
    main()
