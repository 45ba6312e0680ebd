"""Seasons: yearly windows of UTC dates, both days included."""

from __future__ import annotations

import numpy as np

from audit.timeline.instants import DAY, Ints


def season_windows(first: tuple[int, int], last: tuple[int, int], since: int, until: int) -> tuple[Ints, Ints]:
    """Start and end (excluded) of every season that meets [since, until], in microseconds UTC.

    `first` and `last` are (month, day), both days included; a season whose last day comes before its first spans the
    turn of the year. 29 February stands for 28 February in other years.
    """
    years = range(
        int(np.datetime64(since, "us").astype("M8[Y]").astype(int)) + 1970 - 1,
        int(np.datetime64(until, "us").astype("M8[Y]").astype(int)) + 1970 + 1,
    )
    spans = int(last < first)
    starts = [_day(year, *first) for year in years]
    ends = [_day(year + spans, *last) + DAY for year in years]
    windows = [(a, b) for a, b in zip(starts, ends, strict=True) if a <= until and b > since]
    start = np.array([a for a, _ in windows], np.int64)
    end = np.array([b for _, b in windows], np.int64)
    return start, end


def _day(year: int, month: int, day: int) -> int:
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if (month, day) == (2, 29) and not leap:
        day = 28
    return int(np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "us").astype(np.int64))
