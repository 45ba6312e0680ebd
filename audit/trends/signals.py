"""Signals: which rule at which station drifts, since when, against what."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import pandas as pd

from audit.figures import several
from audit.language.rule import Rule
from audit.timeline.instants import DAY, Ints
from audit.timeline.timeline import Timeline
from audit.trends.charts import (
    RUN,
    Bools,
    CountChart,
    DriftChart,
    Floats,
    count_chart,
    drift_chart,
    from_moving_ranges,
)
from audit.trends.weekly import WEEK, monday, weekly

ENOUGH_WEEKS: Final = 8
"""Frozen weeks with a check that a chart needs; starting value, no public source."""
WEIGHT: Final = 0.2
"""Of each new week in the mean of margins; starting value, no public source (usual are 0.2 to 0.3)."""
ALL: Final = "all stations"


@dataclass(frozen=True)
class Frozen:
    """The days, both included, whose weeks set the limits."""

    first: date
    last: date

    @property
    def text(self) -> str:
        """`2025-06-02 to 2025-11-30`."""
        return f"{self.first} to {self.last}"


@dataclass(frozen=True)
class Trend:
    """One rule at one station (ALL: at all of them), week by week: counts with their chart, margins with theirs.

    A chart is None where there are fewer than ENOUGH_WEEKS frozen weeks to set its limits by.
    """

    rule: str
    station: str
    weeks: tuple[date, ...]
    checks: Floats
    findings: Floats
    margins: Floats
    frozen: Bools
    counts: CountChart | None
    drift: DriftChart | None


@dataclass(frozen=True)
class Signal:
    """What stands out: the rule, the station, the week in which it began, and the sentence."""

    rule: str
    station: str
    since: date
    sentence: str


def half_of(timeline: Timeline) -> Frozen:
    """The first half of the time that the task records tell of, in whole days."""
    started = timeline.times["started_at"][timeline.rows]
    first = int(started.min()) if len(started) else timeline.as_of
    middle = first + (timeline.as_of - first) // 2
    return Frozen(_day(first), _day(middle))


def trends(rules: Sequence[Rule], timeline: Timeline, frozen: Frozen) -> list[Trend]:
    """Chart every rule, at all stations together and at each."""
    counted = weekly(rules, timeline)
    if counted.empty:
        return []
    # What happened before the first record (a boot's installation) is no work that could drift.
    first, last = monday(int(timeline.times["started_at"].min())), int(counted["week"].max())
    weeks = np.arange(first, last + 1, WEEK)
    kept = np.array([frozen.first <= _day(week) and _day(week + WEEK - 1) <= frozen.last for week in weeks.tolist()])
    made = []
    for rule, of_rule in counted.groupby("rule", sort=False):
        places = [(ALL, of_rule), *((str(name), part) for name, part in of_rule.groupby("station", sort=True) if name)]
        made += [_trend(str(rule), station, part, weeks, kept) for station, part in places]
    return made


def _trend(rule: str, station: str, rows: pd.DataFrame, weeks: Ints, frozen: Bools) -> Trend:
    margin = rows["margin"].astype(float) * rows["checks"].where(rows["margin"].notna()).astype(float)
    by_week = rows.assign(weighted=margin, weight=rows["checks"].where(rows["margin"].notna())).groupby("week")
    summed = by_week[["checks", "findings", "weighted", "weight"]].sum(min_count=1).reindex(weeks)
    checks, findings = (summed[name].fillna(0).to_numpy(np.float64) for name in ("checks", "findings"))
    margins: Floats = summed["weighted"].to_numpy(np.float64) / summed["weight"].to_numpy(np.float64)
    counts = count_chart(findings, checks, frozen) if (frozen & (checks > 0)).sum() >= ENOUGH_WEEKS else None
    base = margins[frozen & ~np.isnan(margins)]
    drift = drift_chart(margins, *from_moving_ranges(base), WEIGHT) if len(base) >= ENOUGH_WEEKS else None
    days = tuple(_day(week) for week in weeks.tolist())
    return Trend(rule, station, days, checks, findings, margins, frozen, counts, drift)


def signals(every: Sequence[Trend], frozen: Frozen) -> list[Signal]:
    """What stands out after the frozen weeks, the latest first; of each trend the last of a kind."""
    found = [signal for trend in every for signal in _signals(trend, frozen)]
    return sorted(
        found, key=lambda signal: (-signal.since.toordinal(), signal.rule, signal.station != ALL, signal.station)
    )


def _signals(trend: Trend, frozen: Frozen) -> Iterator[Signal]:
    later = ~trend.frozen & (np.cumsum(trend.frozen) > 0)
    chart, drift = trend.counts, trend.drift
    if chart is not None and (chart.above & later).any():
        week = int(np.flatnonzero(chart.above & later)[-1])
        base = trend.frozen
        yield Signal(
            trend.rule,
            trend.station,
            trend.weeks[week],
            f"{_so_many(trend.findings[week], trend.checks[week])} in the week from {trend.weeks[week]}; "
            f"{_so_many(trend.findings[base].sum(), trend.checks[base].sum())} in {frozen.text}.",
        )
    if chart is not None and (chart.run & later).any():
        last = int(np.flatnonzero(chart.run & later)[-1])
        checked = np.flatnonzero(trend.checks[: last + 1] > 0)
        start = int(checked[-RUN])
        yield Signal(
            trend.rule,
            trend.station,
            trend.weeks[start],
            f"More findings than the mean of {frozen.text} ({1000 * chart.centre:.1f} in 1,000 checks) in each of "
            f"{RUN} weeks with checks, from {trend.weeks[start]} to {trend.weeks[last]}.",
        )
    if drift is not None and (drift.below & later).any():
        below = np.flatnonzero(drift.below & later)
        week = int(below[-1])
        yield Signal(
            trend.rule,
            trend.station,
            trend.weeks[week],
            f"Work comes closer to the limit: the weighted mean margin was {100 * drift.mean[week]:.0f} % of the limit "
            f"in the week from {trend.weeks[week]}; {100 * drift.centre:.0f} % in {frozen.text}, lowest expected "
            f"{100 * drift.lower[week]:.0f} %.",
        )


def _so_many(findings: float, checks: float) -> str:
    return f"{several(int(findings), 'finding')} in {several(int(checks), 'check')}"


def _day(instant: int) -> date:
    return date(1970, 1, 1) + timedelta(days=instant // DAY)
