"""Wall clocks to UTC: by the station's time zone, with readings that occurred twice or never."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from audit.intake.cell_faults import Faults
from audit.intake.parsing import Parsed

NO_ZONE: Final = "the stations table has no time zone for it, and times of the row are wall clock"
NO_STATION: Final = "wall clock of a station, and none is given"
TWICE: Final = "occurred twice: the clocks went back over it"
MIDNIGHT: Final = "a time in UTC that is midnight of the next day at a station: which day is meant?"
NEVER: Final = "never occurred: the clocks of the station went forward over it"


@dataclass(frozen=True)
class Clocked:
    """Time columns in UTC (datetime64[us], no zone); an ambiguous reading is the earlier instant.

    `later` lists the other instant of each: columns row, column, later. A reading that no clock is known for, or that
    never occurred, is missing.
    """

    instants: Mapping[str, NDArray[np.datetime64]]
    later: pd.DataFrame
    faults: tuple[Faults, ...]


@dataclass(frozen=True)
class Clock:
    """By which time zone each row is read: `zone` counts in `names`, -1 where none is known; `told_by` is the column
    of stations that says so, blank where the zone is given."""

    names: tuple[str, ...]
    zone: NDArray[np.int16]
    told_by: str = ""


def station_clock(stations: pd.Categorical, zones: Mapping[str, str], told_by: str) -> Clock:
    """The clock of the station that each row names, by the time zones of the stations."""
    names = sorted(set(zones.values()))
    zone_of_word = [names.index(zones[word]) if word in zones else -1 for word in stations.categories]
    return Clock(tuple(names), np.array([*zone_of_word, -1], dtype=np.int16)[stations.codes], told_by)


def to_utc(times: Mapping[str, Parsed], clocks: Mapping[str, Clock], stations: Mapping[str, pd.Categorical]) -> Clocked:
    """Place the wall-clock readings among `times` by the clock of their column; `stations` are those told by."""
    instants, later, faults = {}, [no_later()], []
    unplaced = {name: np.zeros(len(column.codes), dtype=bool) for name, column in stations.items()}
    sorted_by: dict[int, tuple[NDArray[np.intp], NDArray[np.intp]]] = {}
    for column, parsed in times.items():
        assert parsed.wall is not None
        wall = parsed.wall & ~np.isnat(parsed.values)
        if column not in clocks or not wall.any():
            instants[column] = parsed.values
            continue
        clock = clocks[column]
        # Columns often share a clock: its rows are sorted by zone once.
        if id(clock) not in sorted_by:
            order = np.argsort(clock.zone, kind="stable")
            sorted_by[id(clock)] = order, np.searchsorted(clock.zone[order], np.arange(len(clock.names) + 1))
        by_zone, bounds = sorted_by[id(clock)]
        utc = parsed.values.copy()
        if clock.told_by:
            unknown = wall & (clock.zone < 0)
            unplaced[clock.told_by] |= unknown
            # A blank station is at fault already where one is required.
            nowhere = unknown & (stations[clock.told_by].codes < 0) if clock.told_by != "station" else unknown & False
            faults.append(Faults((column,), np.flatnonzero(nowhere), NO_STATION))
            wall &= ~unknown
            utc[unknown] = np.datetime64("NaT")
        for name, start, end in zip(clock.names, bounds[:-1], bounds[1:], strict=True):
            rows = by_zone[start:end]
            rows = rows[wall[rows]]
            utc[rows], second = wall_to_utc(parsed.values[rows], name)
            twice = ~np.isnat(second)
            later.append(_later(rows[twice], column, second[twice]))
        never = np.flatnonzero(wall & np.isnat(utc))
        faults.append(Faults((column,), never, NEVER))
        instants[column] = utc
    for name, rows in unplaced.items():
        faults.append(Faults((name,), np.flatnonzero(rows & (stations[name].codes >= 0)), NO_ZONE))
    return Clocked(instants, pd.concat(later).sort_values(["row", "column"], ignore_index=True), tuple(faults))


def next_day(
    clocked: Clocked,
    column: str,
    early: NDArray[np.bool_],
    times: Mapping[str, Parsed],
    clocks: Mapping[str, Clock],
    stations: Mapping[str, pd.Categorical],
) -> Clocked:
    """The same, with the times of a column read as of the next day in the rows that are too early."""
    if not early.any():
        return clocked
    parsed = times[column]
    values = parsed.values.copy()
    values[early] += np.timedelta64(1, "D")
    again = to_utc({column: replace(parsed, values=values)}, clocks, stations)
    others = clocked.later[clocked.later["column"] != column]
    return Clocked(
        {**clocked.instants, **again.instants},
        pd.concat([others, again.later]).sort_values(["row", "column"], ignore_index=True),
        # What is at fault with the stations themselves is said already.
        tuple(
            fault
            for faults, its in ((clocked.faults, False), (again.faults, True))
            for fault in faults
            if (fault.columns == (column,)) == its
        ),
    )


def of_two_days(name: str, in_utc: NDArray[np.datetime64], zones: Collection[str]) -> Faults:
    """The dates of a column that were given as a time in UTC at which another day begins at a station."""
    rows = np.flatnonzero(~np.isnat(in_utc))
    given = pd.DatetimeIndex(in_utc[rows], tz="UTC")
    found = np.zeros(len(rows), dtype=bool)
    for zone in set(zones):
        local = given.tz_convert(zone).tz_localize(None)
        found |= (local == local.normalize()) & (local.normalize() != given.tz_localize(None).normalize())
    return Faults((name,), rows[found], MIDNIGHT)


def wall_to_utc(readings: NDArray[np.datetime64], zone: str) -> tuple[NDArray[np.datetime64], NDArray[np.datetime64]]:
    """The instant of each reading (the earlier of two; NaT where it never occurred), and the later.

    The later one is NaT save where the reading is ambiguous.
    """
    clock = ZoneInfo(zone)
    wall = pd.DatetimeIndex(readings)
    instants = _utc(wall.tz_localize(clock, ambiguous="NaT", nonexistent="NaT"))
    later = np.full_like(instants, "NaT")
    # What pandas leaves open occurred twice, or never: both readings tell which.
    odd = np.flatnonzero(np.isnat(instants))
    if len(odd):
        summer, winter = (
            _utc(wall[odd].tz_localize(clock, ambiguous=np.full(len(odd), dst), nonexistent="NaT"))
            for dst in (True, False)
        )
        instants[odd] = np.minimum(summer, winter)
        later[odd] = np.where(summer != winter, np.maximum(summer, winter), np.datetime64("NaT", "us"))
    return instants, later


NO_PLACE: Final = ("localtime", "posixrules", "Factory")
"""Names that a system may know beside the zones: what they mean differs from machine to machine."""


def is_zone(name: str) -> bool:
    """Whether the name is a time zone of the IANA database."""
    if name in NO_PLACE or name.startswith(("posix/", "right/")):
        return False
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown; not a name at all; a folder of zones
        return False
    return True


def no_later() -> pd.DataFrame:
    """An empty list of later instants."""
    return _no_later().copy(deep=False)


@cache
def _no_later() -> pd.DataFrame:
    return _later(np.empty(0, dtype=np.intp), "", np.empty(0, "datetime64[us]"))


def _later(rows: NDArray[np.intp], column: str, later: NDArray[np.datetime64]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "row": rows.astype(np.int64),
            "column": pd.Series(column, index=range(len(rows)), dtype="str"),
            "later": pd.DatetimeIndex(later).tz_localize("UTC"),
        }
    )


def _utc(times: pd.DatetimeIndex) -> NDArray[np.datetime64]:
    return np.array(times.tz_convert("UTC").tz_localize(None), dtype="datetime64[us]")
