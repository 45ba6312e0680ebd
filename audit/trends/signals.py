"""Signals: which rule at which station drifts, since when, against what."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from audit.figures import several
from audit.forms.weeks import WEEK, monday
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

ENOUGH_WEEKS: Final = 8
"""Frozen weeks with a check that a chart needs; starting value, no public source."""
WEIGHT: Final = 0.2
"""Of each new week in the mean of margins; starting value, no public source (usual are 0.2 to 0.3)."""
ALL: Final = "all stations"
UNCHANGED: Final[Mapping[str, datetime]] = {}


@dataclass(frozen=True)
class Frozen:
    """The first and the last of the days, both included, whose weeks set limits."""

    first: date
    last: date

    @property
    def text(self) -> str:
        """`2025-06-02 to 2025-11-30`."""
        return f"{self.first} to {self.last}"


@dataclass(frozen=True)
class Trend:
    """One rule at one station (ALL: at all of them), week by week: counts with their chart, margins with theirs.

    `frozen` marks the weeks between the days of `base`, which set the limits; `changed` is the day since which the rule
    is as it is, None where it was never known to be otherwise. A chart is None where fewer than ENOUGH_WEEKS weeks can
    set its limits.
    """

    rule: str
    station: str
    weeks: tuple[date, ...]
    checks: Floats
    findings: Floats
    margins: Floats
    frozen: Bools
    base: Frozen
    changed: date | None
    counts: CountChart | None
    drift: DriftChart | None


@dataclass(frozen=True)
class Signal:
    """What stands out: the rule, the station, the week it began in, the sentence, whether it is of margins."""

    rule: str
    station: str
    since: date
    sentence: str
    of_margins: bool = False


@dataclass(frozen=True)
class Trends:
    """Every trend, and what stands out of them: the latest signal first."""

    frozen: Frozen
    every: tuple[Trend, ...]
    signals: tuple[Signal, ...]

    @property
    def changed(self) -> dict[str, date]:
        """The rules that were changed, and since when each is as it is."""
        return {trend.rule: trend.changed for trend in self.every if trend.changed is not None}


def half_of(timeline: Timeline) -> Frozen:
    """The first half of the time that the task records tell of, in whole days."""
    first = _first_work(timeline)
    middle = first + (timeline.as_of - first) // 2
    return Frozen(_day(first), _day(middle))


def _first_work(timeline: Timeline) -> int:
    """When the first of the work began that counts as done; a record that was set aside may not say when it was."""
    started = timeline.times["started_at"][timeline.rows]
    return int(started.min()) if len(started) else timeline.as_of


def trends(
    counted: Mapping[str, pd.DataFrame], timeline: Timeline, frozen: Frozen, changed: Mapping[str, datetime] = UNCHANGED
) -> Trends:
    """Chart every rule, at all stations together and at each, and say what stands out.

    `counted` is what each rule found, by its id, as `judge_by_week` counts it. Of a rule that was `changed`, the limits
    are set anew by the weeks since then: work done before was done by another rule.
    """
    last = max((int(weeks["week"].max()) for weeks in counted.values() if len(weeks)), default=None)
    if last is None:
        return Trends(frozen, (), ())
    # What happened before the first record (a boot's installation) is not work that could drift.
    first = monday(_first_work(timeline))
    weeks = np.arange(first, last + 1, WEEK)
    made = []
    for rule, of_rule in counted.items():
        rows = of_rule[of_rule["week"] >= first]
        number = (rows["week"].to_numpy(np.int64) - first) // WEEK
        counts = [rows[name].to_numpy(np.float64) for name in ("checks", "findings", "margin", "measured")]
        station, names = pd.factorize(rows["station"], sort=True)
        here = [(ALL, np.ones(len(rows), bool)), *((str(name), station == n) for n, name in enumerate(names) if name)]
        for place, chosen in here if len(of_rule) else ():
            summed = [np.bincount(number[chosen], count[chosen], len(weeks)).astype(np.float64) for count in counts]
            made.append(_trend(rule, place, weeks, summed, frozen, changed.get(rule)))
    return Trends(frozen, tuple(made), tuple(_in_order(signal for trend in made for signal in _signals(trend))))


def _trend(
    rule: str, station: str, weeks: Ints, summed: Sequence[Floats], frozen: Frozen, since: datetime | None
) -> Trend:
    checks, findings, margin, measured = summed
    margins = np.divide(margin, measured, out=np.full(len(weeks), np.nan), where=measured > 0)
    days = tuple(_day(week) for week in weeks.tolist())
    changed = None if since is None else since.date()
    kept = _sets_limits(days, checks > 0, frozen, changed)
    base = frozen if changed is None or not kept.any() else Frozen(*_ends(days, kept))
    seen = np.array([changed is None or day > changed for day in days])
    enough = (kept & (checks > 0)).sum() >= ENOUGH_WEEKS
    counts = count_chart(np.where(seen, findings, 0), np.where(seen, checks, 0), kept) if enough else None
    usual, of_late = margins[kept & ~np.isnan(margins)], np.where(seen, margins, np.nan)
    drift = drift_chart(of_late, *from_moving_ranges(usual), WEIGHT) if len(usual) >= ENOUGH_WEEKS else None
    return Trend(rule, station, days, checks, findings, margins, kept, base, changed, counts, drift)


def _sets_limits(days: Sequence[date], checked: Bools, frozen: Frozen, changed: date | None) -> Bools:
    """The weeks that set the limits: the frozen ones; of a changed rule those since, or, where they are too few, the
    first ENOUGH_WEEKS with checks since."""
    within: Bools = np.array([frozen.first <= day and day + timedelta(days=6) <= frozen.last for day in days])
    if changed is None:
        return within
    since: Bools = np.array([day > changed for day in days])
    if (within & since & checked).sum() >= ENOUGH_WEEKS:
        return within & since
    number = np.cumsum(since & checked)
    anew: Bools = since & (number <= ENOUGH_WEEKS) & (number > 0) & (number[-1:] >= ENOUGH_WEEKS)
    return anew


def _ends(days: Sequence[date], kept: Bools) -> tuple[date, date]:
    first, last = np.flatnonzero(kept)[[0, -1]].tolist()
    return days[first], days[last] + timedelta(days=6)


def _in_order(found: Iterable[Signal]) -> list[Signal]:
    """The latest first; of each trend there is the last of a kind."""
    return sorted(
        found, key=lambda signal: (-signal.since.toordinal(), signal.rule, signal.station != ALL, signal.station)
    )


def _signals(trend: Trend) -> Iterator[Signal]:
    later = ~trend.frozen & (np.cumsum(trend.frozen) > 0)
    chart, drift, usual = trend.counts, trend.drift, trend.base.text
    if chart is not None and (chart.above & later).any():
        week = int(np.flatnonzero(chart.above & later)[-1])
        base = trend.frozen
        yield Signal(
            trend.rule,
            trend.station,
            trend.weeks[week],
            f"{_so_many(trend.findings[week], trend.checks[week])} in the week from {trend.weeks[week]}; "
            f"{_so_many(trend.findings[base].sum(), trend.checks[base].sum())} in {usual}.",
        )
    if chart is not None and (chart.run & later).any():
        last = int(np.flatnonzero(chart.run & later)[-1])
        checked = np.flatnonzero(trend.checks[: last + 1] > 0)
        start = int(checked[-RUN])
        yield Signal(
            trend.rule,
            trend.station,
            trend.weeks[start],
            f"More findings than the mean of {usual} ({1000 * chart.centre:.1f} in 1,000 checks) in each of "
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
            f"in the week from {trend.weeks[week]}; {100 * drift.centre:.0f} % in {usual}, lowest expected "
            f"{100 * drift.lower[week]:.0f} %.",
            of_margins=True,
        )


def _so_many(findings: float, checks: float) -> str:
    return f"{several(int(findings), 'finding')} in {several(int(checks), 'check')}"


def _day(instant: int) -> date:
    return date(1970, 1, 1) + timedelta(days=instant // DAY)
