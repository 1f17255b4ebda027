"""Time and memory of wind records, and of days of sheep chill and windy hours on places.

``python benchmarks/winds.py``: each measurement in a process of its own.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

STATIONS, CELLS, TEN_YEARS = 25, 100_000, 10
GOALS = {"record 1": (3.0, ""), "record 10": (30.0, ""), "hours": (30.0, "1024")}
HEAD = [
    "| what | rows or cells | s | processor s | goal, s | peak memory, MiB | goal, MiB |",
    "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
]


def seeded_hours(years: int, station: int) -> pd.DataFrame:
    """Hours of one station in knots, with temperature and rain."""
    rng = np.random.default_rng(station)
    time_of = pd.date_range("2010-01-01", f"{2010 + years}-01-01", freq="h", inclusive="left")
    n = len(time_of)
    speed = np.round(10 * rng.weibull(2.0, n)).astype(int)
    direction = np.where(speed > 0, 10 * rng.integers(1, 37, n), 0)
    season = np.cos(2 * np.pi * (time_of.day_of_year - 200) / 365.25)
    return pd.DataFrame(
        {
            "station": f"station {station}",
            "time": time_of.strftime("%Y-%m-%dT%H:%M"),
            "direction": direction,
            "speed": speed,
            "temperature": np.round(9 + 7 * season + rng.normal(0, 2, n), 1),
            "rain": np.round(np.maximum(rng.normal(-1, 1, n), 0), 1),
        }
    )


def write_record(path: Path, years: int, stations: int) -> int:
    """Write a record packed with gzip, and return its number of rows."""
    count = 0
    for station in range(stations):
        rows = seeded_hours(years, station)
        rows.to_csv(path, mode="a", header=not station, index=False, compression="gzip")
        count += len(rows)
    return count


def _spent(started: float, worked: float) -> dict[str, float]:
    """Seconds and processor seconds since two readings."""
    return {"seconds": time.perf_counter() - started, "processor": time.process_time() - worked}


def record(years: int, folder: Path) -> dict[str, float]:
    """Time of `wind-set` over a record of all stations."""
    import shelterscape

    found = {}
    for name, long, stations in (("small", 1, 1), ("whole", years, STATIONS)):
        path = folder / f"{name}.csv.gz"
        rows = write_record(path, long, stations)
        started, worked = time.perf_counter(), time.process_time()
        shelterscape.wind_set(
            records=str(path),
            stations=("all",),
            speed_unit="kn",
            time_zone="UTC",
            measured_height_m=10,
            station_roughness_m=0.03,
            pictures=False,
            out=folder / name,
        )
        found = {"count": rows, **_spent(started, worked)}
    return found


def hours() -> dict[str, float]:
    """Time of counting on the cells of a hundred places."""
    from shelterscape.science.hours_on_places import HourRules, hours_on_places
    from shelterscape.science.places import Coverage
    from shelterscape.science.wind import WindSet
    from shelterscape.science.wind_sectors import Hours

    frame = seeded_hours(TEN_YEARS, 0)
    blank = np.full(len(frame), np.nan)
    speed = frame["speed"].to_numpy(float) * 0.514444
    all_hours = Hours(
        frame["time"].to_numpy("datetime64[m]"),
        np.zeros(len(frame), int),
        np.where(speed > 0, frame["direction"] % 360.0, np.nan),
        speed,
        blank,
        frame["temperature"].to_numpy(float),
        frame["rain"].to_numpy(float),
        10.0,
        60.0,
    )
    places = gpd.GeoDataFrame({"purpose": [""] * 100}, geometry=[shapely.Point(0, 0)] * 100)
    first = np.arange(101) * (CELLS // 100)
    covered = Coverage(first, np.arange(CELLS), np.ones(CELLS, np.float32))
    wind = np.random.default_rng(0).uniform(0.2, 1.0, (16, CELLS)).astype(np.float32)
    ones = np.ones(16)
    winds = WindSet("", np.arange(16) * 22.5, ones / 16, 5 * ones, 2 * ones)
    started, worked = time.perf_counter(), time.process_time()
    found = hours_on_places(all_hours, places, covered, winds, wind, HourRules())
    spent = _spent(started, worked)
    if not found.gt(0).all(axis=None):
        raise SystemExit("no chill days or windy hours were counted")
    return {"count": CELLS, **spent}


def measured(what: str) -> dict[str, float]:
    """One measurement in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, what], stdout=subprocess.PIPE, text=True, check=True
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def tables() -> list[str]:
    """The rows of the table."""
    titles = {
        "record 1": f"`wind-set`, one year of {STATIONS} stations",
        "record 10": f"`wind-set`, ten years of {STATIONS} stations",
        "hours": "hours on places, ten years",
    }
    lines = list(HEAD)
    for what, title in titles.items():
        found, (goal, most_mib) = measured(what), GOALS[what]
        lines.append(
            f"| {title} | {found['count']:,.0f} | {found['seconds']:.1f} | "
            f"{found['processor']:.1f} | {goal:g} | "
            f"{found['mib']:,.0f} | {most_mib} |"
        )
    return lines


def main(what: str) -> None:
    """Measure one thing and print it."""
    if what == "hours":
        found = hours()
    else:
        with tempfile.TemporaryDirectory() as folder:
            found = record(int(what.split()[1]), Path(folder))
    found["mib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(found))


if __name__ == "__main__":
    if sys.argv[1:]:
        main(sys.argv[1])
    else:
        print("\n".join(tables()))
