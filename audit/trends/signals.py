"""Signals: which rule at which station drifts, since when, against what."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from audit.figures import quantity
from audit.forms.weeks import WEEK, monday
from audit.timeline.instants import DAY, NEVER, Ints
from audit.timeline.timeline import Timeline
from audit.trends.charts import (
    RUN,
    Bools,
    CountChart,
    DriftChart,
    Floats,
    count_charts,
    drift_charts,
    from_moving_ranges,
)

ENOUGH_WEEKS: Final = 8
"""Frozen weeks with a check that a chart needs; starting value, no public source."""
WEIGHT: Final = 0.2
"""Of each new week in the mean of margins; starting value, no public source (usual are 0.2 to 0.3)."""
ALL: Final = "all stations"
UNCHANGED: Final[Mapping[str, datetime]] = {}
_EPOCH: Final = date(1970, 1, 1)


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

    @property
    def later(self) -> Bools:
        """The weeks that are looked at: those after the first that sets limits, and none that does."""
        after: Bools = ~self.frozen & (np.cumsum(self.frozen) > 0)
        return after


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
    def without_limits(self) -> int:
        """How many have no limits, so that nothing can stand out of them."""
        return sum(trend.counts is None for trend in self.every)

    @property
    def unable(self) -> str:
        """Why nothing can stand out, in words that go on from `Nothing can stand out: `; blank where something can."""
        if not self.every:
            return "nothing was checked"
        if self.without_limits == len(self.every):
            return f"no chart has limits, since none has eight weeks with a check from {self.frozen.text}"
        if not any(trend.counts is not None and (trend.later & (trend.checks > 0)).any() for trend in self.every):
            return f"no week with a check comes after those that set the limits, from {self.frozen.text}"
        return ""

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
    judged = {rule: of_rule for rule, of_rule in counted.items() if len(of_rule)}
    if not judged:
        return Trends(frozen, (), ())
    places, weeks, summed = _by_station(judged, monday(_first_work(timeline)))
    made = _charted(places, weeks, summed, frozen, changed)
    return Trends(frozen, tuple(made), tuple(_in_order(signal for trend in made for signal in _signals(trend))))


def _by_station(counted: Mapping[str, pd.DataFrame], first: int) -> tuple[list[tuple[str, str]], Ints, Floats]:
    """Each rule at ALL stations and at each where it checked something, and the weeks from the `first` on; a row for
    each of these places, week by week, of checks, of findings, of margins, of how many these are."""
    rows = pd.concat(counted.values(), ignore_index=True)
    rule = np.repeat(np.arange(len(counted)), [len(of_rule) for of_rule in counted.values()])
    week = rows["week"].to_numpy(np.int64)
    weeks = np.arange(first, week.max() + 1, WEEK)
    number, stations = pd.factorize(rows["station"], sort=True)
    # What happened before the first record (a boot's installation) is not work that could drift.
    kept = week >= first
    shape = len(counted), len(stations), len(weeks)
    # Rule, station and week as one number: what is counted in each is one sum.
    cell = (rule * shape[1] + number) * shape[2] + (week - first) // WEEK
    each = np.array(
        [
            np.bincount(cell[kept], rows[name].to_numpy(np.float64)[kept], np.prod(shape)).reshape(shape)
            for name in ("checks", "findings", "margin", "measured")
        ]
    )
    # What has no station counts at all of them together only.
    named = stations != ""
    summed = np.concatenate((each.sum(axis=2, keepdims=True), each[:, :, named]), axis=2)
    there = summed[0].any(axis=2)
    there[:, 0] = True
    rules, names = list(counted), [ALL, *map(str, stations[named])]
    return [(rules[of], names[at]) for of, at in np.argwhere(there).tolist()], weeks, summed[:, there]


def _charted(
    places: Sequence[tuple[str, str]], weeks: Ints, summed: Floats, frozen: Frozen, changed: Mapping[str, datetime]
) -> list[Trend]:
    """The trends of rules at stations, a row each: `summed` are their checks, findings, margins, how many of these."""
    checks, findings, margin, measured = summed
    margins = np.divide(margin, measured, out=np.full(margin.shape, np.nan), where=measured > 0)
    since = [changed[rule].date() if rule in changed else None for rule, _ in places]
    seen = weeks > np.array([NEVER if day is None else _instant(day) for day in since])[:, np.newaxis]
    kept = _set_limits(weeks, checks > 0, frozen, seen, np.array([day is not None for day in since]))

    # Counts are charted where enough weeks with a check set their limits, margins where enough with a margin do.
    enough = np.flatnonzero((kept & (checks > 0)).sum(axis=1) >= ENOUGH_WEEKS)
    found, checked = (np.where(seen[enough], count[enough], 0) for count in (findings, checks))
    counts = dict(zip(enough.tolist(), count_charts(found, checked, kept[enough]), strict=True))

    usual = kept & (measured > 0)
    enough = np.flatnonzero(usual.sum(axis=1) >= ENOUGH_WEEKS)
    single = np.array([from_moving_ranges(margins[row, usual[row]]) for row in enough]).reshape(-1, 2)
    of_late = np.where(seen[enough], margins[enough], np.nan)
    drifts = dict(zip(enough.tolist(), drift_charts(of_late, single[:, 0], single[:, 1], WEIGHT), strict=True))

    days = tuple(_day(week) for week in weeks.tolist())
    made = []
    for row, (rule, station) in enumerate(places):
        own = since[row] is not None and kept[row].any()
        base = Frozen(*_ends(days, kept[row])) if own else frozen
        figures = checks[row], findings[row], margins[row], kept[row]
        made.append(Trend(rule, station, days, *figures, base, since[row], counts.get(row), drifts.get(row)))
    return made


def _set_limits(weeks: Ints, checked: Bools, frozen: Frozen, seen: Bools, changed: Bools) -> Bools:
    """The weeks that set the limits of each row: the frozen ones; of a `changed` rule those that have `seen` it as it
    is, or, where they are too few, the first ENOUGH_WEEKS with checks since."""
    within = seen & (weeks >= _instant(frozen.first)) & (weeks + 6 * DAY <= _instant(frozen.last))
    number = np.cumsum(seen & checked, axis=1)
    # The first weeks since the change, which say nothing until there are enough of them.
    anew = seen & (number > 0) & (number <= ENOUGH_WEEKS) & (number[:, -1:] >= ENOUGH_WEEKS)
    few = changed & ((within & checked).sum(axis=1) < ENOUGH_WEEKS)
    kept: Bools = np.where(few[:, np.newaxis], anew, within)
    return kept


def _ends(days: Sequence[date], kept: Bools) -> tuple[date, date]:
    first, last = np.flatnonzero(kept)[[0, -1]].tolist()
    return days[first], days[last] + timedelta(days=6)


def _in_order(found: Iterable[Signal]) -> list[Signal]:
    """The latest first; of each trend there is the last of a kind."""
    return sorted(
        found, key=lambda signal: (-signal.since.toordinal(), signal.rule, signal.station != ALL, signal.station)
    )


def _signals(trend: Trend) -> Iterator[Signal]:
    later, chart, drift, usual = trend.later, trend.counts, trend.drift, trend.base.text
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
    return f"{quantity(int(findings), 'finding')} in {quantity(int(checks), 'check')}"


def _day(instant: int) -> date:
    return _EPOCH + timedelta(days=instant // DAY)


def _instant(day: date) -> int:
    return (day - _EPOCH).days * DAY
