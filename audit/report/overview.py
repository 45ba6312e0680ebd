"""Where and when: the findings by station and week, as rectangles to be drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.findings.result import LEVELS
from audit.report.visible import visible
from audit.timeline.instants import DAY, micros, stamp

MOST_STATIONS = 10
LEFT, RIGHT, WIDTH = 150, 590, 640
ROW = 34
TALLEST = 26
MOST_BARS = 146
"""So many fit beside each other in three units each; beyond, a bar stands for several weeks."""

_MONDAY = 4 * DAY
"""1970-01-01 was a Thursday: the first week that began after it began on the 5th."""


@dataclass(frozen=True)
class Bar:
    """One rectangle: the findings of a level, a station and a week (or several)."""

    level: str
    x: float
    y: float
    width: float
    height: float
    says: str


@dataclass(frozen=True)
class StationRow:
    """One station: its bars and their total; `says` is the same in words."""

    name: str
    y: int
    total: int
    bars: tuple[Bar, ...]
    says: str


@dataclass(frozen=True)
class StationWeeks:
    """The picture: stations with most findings first, ticks as (x, label), and how many weeks a bar stands for."""

    rows: tuple[StationRow, ...]
    ticks: tuple[tuple[float, str], ...]
    weeks: int
    most: int
    height: int
    undated: int


def station_weeks(findings: pd.DataFrame) -> StationWeeks | None:
    """Count the findings by station and week (UTC, from Monday); None where no finding has a time."""
    dated = findings[findings["at"].notna()]
    if dated.empty:
        return None
    week = (micros(dated["at"]) - _MONDAY) // (7 * DAY)
    first = int(week.min())
    # Where more weeks than bars have room, a bar stands for several.
    several = max(-(-(int(week.max()) - first + 1) // MOST_BARS), 1)
    column = (week - first) // several
    columns = int(column.max()) + 1
    station = dated["station"].fillna("").replace("", "no station recorded")
    totals = station.value_counts().sort_index(kind="stable").sort_values(ascending=False, kind="stable")
    names = [str(name) for name in totals.index[:MOST_STATIONS]]
    if len(totals) > MOST_STATIONS:
        station = station.where(station.isin(names), f"{len(totals) - MOST_STATIONS} more stations")
        names.append(f"{len(totals) - MOST_STATIONS} more stations")
    counts = np.zeros((len(names), columns, len(LEVELS)), np.int64)
    level = pd.Index(LEVELS).get_indexer(pd.Index(dated["level"].astype("str")))
    np.add.at(counts, (pd.Index(names).get_indexer(pd.Index(station)), column, level), 1)
    most = int(counts.sum(axis=2).max())
    step = (RIGHT - LEFT) / columns
    starts = [stamp((first + several * n) * 7 * DAY + _MONDAY) for n in range(columns)]
    rows = tuple(
        _row(name, counts[place], 8 + place * ROW, step, most, [f"{start:%Y-%m-%d}" for start in starts])
        for place, name in enumerate(names)
    )
    return StationWeeks(
        rows=rows,
        ticks=_ticks(starts, step),
        weeks=several,
        most=most,
        height=8 + len(names) * ROW + 22,
        undated=len(findings) - len(dated),
    )


def _row(name: str, counts: np.ndarray, y: int, step: float, most: int, days: list[str]) -> StationRow:
    bars = []
    base = y + TALLEST
    for column in np.flatnonzero(counts.sum(axis=1)).tolist():
        top = float(base)
        for place, level in enumerate(LEVELS):
            number = int(counts[column, place])
            if not number:
                continue
            height = max(number / most * TALLEST, 2.0)
            top -= height
            said = level if level == "observation" else f"level {level}"
            bars.append(
                Bar(
                    level,
                    round(LEFT + column * step, 1),
                    round(top, 1),
                    round(max(min(step - 0.6, 9.0), 1.2), 1),
                    round(height, 1),
                    f"{visible(name)}, from {days[column]}: {number:,} {said}",
                )
            )
    by_column = counts.sum(axis=1)
    peak = int(by_column.argmax())
    says = f"{int(counts.sum()):,} findings, most of them ({int(by_column[peak]):,}) from {days[peak]}"
    return StationRow(name, y, int(counts.sum()), tuple(bars), says)


def _ticks(starts: list[pd.Timestamp], step: float) -> tuple[tuple[float, str], ...]:
    """A tick at the first week of each month, thinned out until the labels have room."""
    ticks = []
    month = None
    for place, start in enumerate(starts):
        if (start.year, start.month) != month:
            month = (start.year, start.month)
            ticks.append((round(LEFT + place * step, 1), f"{start:%b %Y}"))
    every = 1
    while len(ticks[::every]) > 1 and (RIGHT - LEFT) / len(ticks[::every]) < 58:
        every += 1
    return tuple(tick for tick in ticks[::every] if tick[0] < RIGHT - 40 or len(ticks) == 1)
