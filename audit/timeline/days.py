"""Calendar days of records, by the clock of their station."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.timeline.codes import MISSING, by_name
from audit.timeline.column_values import shared
from audit.timeline.instants import DAY, Ints
from audit.timeline.timeline import Timeline


def work_day(timeline: Timeline, rows: Ints) -> Ints:
    """Calendar day, counted from 1970-01-01, on which each record started by the clock of its station."""

    def days(rows: Ints) -> Ints:
        return local_day(timeline, rows, timeline.times["started_at"][rows])

    return shared(timeline, "work_day", rows, days)


def local_day(timeline: Timeline, rows: Ints, instants: Ints) -> Ints:
    """Calendar day, counted from 1970-01-01, of an instant of each record by the clock of the record's station."""
    day = np.floor_divide(instants, DAY)
    if not timeline.supplied("stations"):
        return day
    stations = timeline.tables["stations"]
    zones = dict(zip(stations["station"].astype(str), stations["timezone"].astype(str), strict=True))
    names = sorted(set(zones.values()))
    numbers = by_name(
        timeline.tasks["station"], lambda name: names.index(zones[name]) if name in zones else MISSING, MISSING, rows
    )
    for number, zone in enumerate(names):
        mask = numbers == number
        if mask.any():
            local = pd.DatetimeIndex(instants[mask].view("M8[us]"), tz="UTC").tz_convert(zone)
            day[mask] = np.floor_divide(local.tz_localize(None).to_numpy("datetime64[us]").view(np.int64), DAY)
    return day
