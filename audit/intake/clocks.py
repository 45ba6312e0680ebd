"""Wall clocks to UTC: by the station's time zone, with readings that occurred twice or never."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from audit.intake.parsing import Parsed
from audit.intake.quarantine import Faults

NO_ZONE: Final = "the stations table has no time zone for it, and times of the row are wall clock"
NEVER: Final = "never occurred: the clocks of the station went forward over it"


@dataclass(frozen=True)
class Clocked:
    """Time columns in UTC (datetime64[us], no zone); an ambiguous reading is the earlier instant.

    `later` lists the other instant of each: columns row, column, later.
    """

    instants: Mapping[str, NDArray[np.datetime64]]
    later: pd.DataFrame
    faults: tuple[Faults, ...]


def to_utc(times: Mapping[str, Parsed], stations: pd.Categorical, zones: Mapping[str, str]) -> Clocked:
    """Place the wall-clock readings among `times` by the zone (`zones`) of the row's station."""
    names = sorted(set(zones.values()))
    zone_of_word = [names.index(zones[word]) if word in zones else -1 for word in stations.categories]
    zone = np.array([*zone_of_word, -1], dtype=np.int16)[stations.codes]
    by_zone = np.argsort(zone, kind="stable")
    bounds = np.searchsorted(zone[by_zone], np.arange(len(names) + 1))
    instants, later, faults = {}, [no_later()], []
    unplaced = np.zeros(len(zone), dtype=bool)
    for column, parsed in times.items():
        assert parsed.wall is not None
        wall = parsed.wall & ~np.isnat(parsed.values)
        if not wall.any():
            instants[column] = parsed.values
            continue
        utc = parsed.values.copy()
        unplaced |= wall & (zone < 0)
        for name, start, end in zip(names, bounds[:-1], bounds[1:], strict=True):
            rows = by_zone[start:end]
            rows = rows[wall[rows]]
            utc[rows], second = wall_to_utc(parsed.values[rows], name)
            twice = ~np.isnat(second)
            later.append(_later(rows[twice], column, second[twice]))
        never = np.flatnonzero(wall & np.isnat(utc))
        faults.append(Faults((column,), never, NEVER))
        instants[column] = utc
    # A row without a station is at fault already.
    faults.append(Faults(("station",), np.flatnonzero(unplaced & (stations.codes >= 0)), NO_ZONE))
    return Clocked(instants, pd.concat(later).sort_values(["row", "column"], ignore_index=True), tuple(faults))


def wall_to_utc(readings: NDArray[np.datetime64], zone: str) -> tuple[NDArray[np.datetime64], NDArray[np.datetime64]]:
    """The instant of each reading (the earlier of two; NaT where it never occurred), and the later.

    The later one is NaT save where the reading is ambiguous.
    """
    clock = ZoneInfo(zone)
    wall = pd.DatetimeIndex(readings)
    instants = _utc(wall.tz_localize(clock, ambiguous="NaT", nonexistent="NaT"))
    later = np.full_like(instants, "NaT")
    odd = np.flatnonzero(np.isnat(instants))
    if len(odd):
        summer, winter = (
            _utc(wall[odd].tz_localize(clock, ambiguous=np.full(len(odd), dst), nonexistent="NaT"))
            for dst in (True, False)
        )
        instants[odd] = np.minimum(summer, winter)
        later[odd] = np.where(summer != winter, np.maximum(summer, winter), np.datetime64("NaT", "us"))
    return instants, later


def is_zone(name: str) -> bool:
    """Whether the name is a time zone of the IANA database."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown; not a name at all; a folder of zones
        return False
    return True


def no_later() -> pd.DataFrame:
    """An empty list of later instants."""
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
