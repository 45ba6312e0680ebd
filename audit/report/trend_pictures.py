"""Trends as pictures: findings per 1,000 checks week by week, with the mean and the limit of the weeks that set it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np

from audit.findings.result import Signal, Trend, Trends

WIDTH: Final = 640.0
LEFT: Final = 40.0
RIGHT: Final = 632.0
FOOT: Final = 128.0
MARKS: Final = 6
"""So many months have a label at most: that many fit on a narrow screen."""


@dataclass(frozen=True)
class Picture:
    """A drawn trend.

    `limit` is the path of the upper limit, `dots` are single weeks (x, y, whether beyond the limit, text), `frozen` is
    where the weeks that set the limits begin and end, `changed` is where the rule was changed, `marks` are months below
    (x, text, anchor), `top` is the rate at the top; `says` is the same in words.
    """

    rule: str
    station: str
    limit: str
    centre: float | None
    dots: tuple[tuple[float, float, bool, str], ...]
    frozen: tuple[float, float] | None
    changed: float | None
    marks: tuple[tuple[float, str, str], ...]
    top: str
    signals: tuple[str, ...]
    says: str


def pictures(trends: Trends) -> list[Picture]:
    """Draw every trend that has a signal, the latest first, and then those with findings."""
    of = {(trend.rule, trend.station): trend for trend in trends.every}
    told: dict[tuple[str, str], list[Signal]] = {}
    for signal in trends.signals:
        told.setdefault((signal.rule, signal.station), []).append(signal)
    shown = [*told, *(key for key, trend in of.items() if trend.findings.any() and key not in told)]
    return [picture(of[key], told.get(key, ())) for key in shown]


def picture(trend: Trend, signals: Sequence[Signal]) -> Picture:
    """Draw one trend, with the limit and the mean where there are some."""
    rate = 1000 * np.divide(
        trend.findings, trend.checks, out=np.full(len(trend.checks), np.nan), where=trend.checks > 0
    )
    chart = trend.counts
    top = max(float(np.nanmax(rate, initial=0)), 1.0) * 1.1
    step = (RIGHT - LEFT) / max(len(rate), 1)

    def across(week: int) -> float:
        return round(LEFT + (week + 0.5) * step, 1)

    def down(value: float) -> float:
        return round(FOOT * (1 - min(value / top, 1)), 1)

    dots = tuple(
        (
            across(week),
            down(rate[week]),
            bool(chart is not None and chart.above[week]),
            f"week from {trend.weeks[week]}: {trend.findings[week]:.0f} of {trend.checks[week]:.0f}",
        )
        for week in np.flatnonzero(~np.isnan(rate)).tolist()
    )
    kept = np.flatnonzero(trend.frozen)
    return Picture(
        trend.rule,
        trend.station,
        "" if chart is None else _path(1000 * chart.upper, across, down),
        None if chart is None else down(1000 * chart.centre),
        dots,
        (across(int(kept[0])) - step / 2, across(int(kept[-1])) + step / 2) if len(kept) else None,
        _changed(trend, across, step),
        tuple(_months(trend.weeks, across)),
        f"{top:.0f}",
        tuple(signal.sentence for signal in signals),
        f"{trend.rule}, {trend.station}: {trend.findings.sum():,.0f} findings in {trend.checks.sum():,.0f} checks in "
        f"{len(dots)} weeks with checks, from {trend.weeks[0]} to {trend.weeks[-1]}.",
    )


def _changed(trend: Trend, across: Callable[[int], float], step: float) -> float | None:
    """The place of the first week after the rule was changed, where there is one."""
    later = [week for week, day in enumerate(trend.weeks) if trend.changed is not None and day > trend.changed]
    return round(across(later[0]) - step / 2, 1) if later else None


def _path(values: Any, across: Callable[[int], float], down: Callable[[float], float]) -> str:
    known = np.flatnonzero(~np.isnan(values)).tolist()
    return " ".join(f"{'L' if nth else 'M'}{across(week)} {down(values[week])}" for nth, week in enumerate(known))


def _months(weeks: Sequence[date], across: Callable[[int], float]) -> Iterator[tuple[float, str, str]]:
    """The first week of each month, thinned out; a label that would run out of the picture ends there."""
    first = [week for week in range(len(weeks)) if weeks[week].day <= 7]
    for week in first[:: -(-len(first) // MARKS) or 1]:
        x = across(week)
        yield x, f"{weeks[week]:%b %Y}", "end" if x + 45 > WIDTH else "middle"
