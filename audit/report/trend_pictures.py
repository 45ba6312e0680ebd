"""Trends as pictures: findings or margins week by week, with the mean and the limit of the weeks that set it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

import numpy as np

from audit.findings.result import Trend, Trends

WIDTH: Final = 640.0
LEFT: Final = 40.0
RIGHT: Final = 632.0
FOOT: Final = 128.0
MARKS: Final = 6
"""So many months have a label at most: that many fit on a narrow screen."""


@dataclass(frozen=True)
class Picture:
    """A drawn trend: findings per 1,000 checks, or `of_margins` the margin that was left, in per cent of the limit.

    `limit` is the path of the limit (the upper one of findings, the lower one of margins), `mean` that of the weighted
    mean of margins, `dots` are single weeks (x, y, whether what the limit holds for is beyond it, text), `frozen` is
    where the weeks that set the limits begin and end, `changed` is where the rule was changed, `marks` are months below
    (x, text, anchor), `top` and `bottom` are the values there, `zero` is where nothing is left, if that is above the
    bottom; `says` is the same in words.
    """

    rule: str
    station: str
    of_margins: bool
    limit: str
    mean: str
    centre: float | None
    dots: tuple[tuple[float, float, bool, str], ...]
    frozen: tuple[float, float] | None
    changed: float | None
    marks: tuple[tuple[float, str, str], ...]
    top: str
    bottom: str
    zero: float | None
    signals: tuple[str, ...]
    says: str


def pictures(trends: Trends) -> Iterator[Picture]:
    """Draw every trend that has a signal, the latest first, and then those with findings: each when it is asked for."""
    of = {(trend.rule, trend.station): trend for trend in trends.every}
    told: dict[tuple[str, str, bool], list[str]] = {}
    for signal in trends.signals:
        told.setdefault((signal.rule, signal.station, signal.of_margins), []).append(signal.sentence)
    found = ((rule, station, False) for (rule, station), trend in of.items() if trend.findings.any())
    shown = [*told, *(key for key in found if key not in told)]
    for rule, station, of_margins in shown:
        draw = margin_picture if of_margins else picture
        yield draw(of[rule, station], told.get((rule, station, of_margins), ()))


def picture(trend: Trend, signals: Sequence[str]) -> Picture:
    """Draw the findings of one trend, with the limit and the mean where there are some."""
    rate = 1000 * np.divide(
        trend.findings, trend.checks, out=np.full(len(trend.checks), np.nan), where=trend.checks > 0
    )
    chart = trend.counts
    place = _Places(len(rate), 0, max(float(np.nanmax(rate, initial=0)), 1.0) * 1.1)
    dots = tuple(
        (
            place.across(week),
            place.down(rate[week]),
            bool(chart is not None and chart.above[week]),
            f"week from {trend.weeks[week]}: {trend.findings[week]:.0f} of {trend.checks[week]:.0f}",
        )
        for week in np.flatnonzero(~np.isnan(rate)).tolist()
    )
    says = (
        f"{trend.rule}, {trend.station}: {trend.findings.sum():,.0f} findings in {trend.checks.sum():,.0f} checks in "
        f"{len(dots)} weeks with checks, from {trend.weeks[0]} to {trend.weeks[-1]}."
    )
    limit = "" if chart is None else place.path(1000 * chart.upper)
    centre = None if chart is None else place.down(1000 * chart.centre)
    return _drawn(trend, place, limit=limit, centre=centre, dots=dots, signals=signals, says=says)


def margin_picture(trend: Trend, signals: Sequence[str]) -> Picture:
    """Draw how much of the limit was left in each week, with the weighted mean and the lowest expected."""
    drift = trend.drift
    if drift is None:
        raise ValueError(f"{trend.rule} has no chart of margins at {trend.station}")
    per_cent, mean, lower = 100 * trend.margins, 100 * drift.mean, 100 * drift.lower
    highest = float(np.nanmax(np.append(per_cent, mean)))
    lowest = float(np.nanmin(np.concatenate((per_cent, mean, lower))))
    place = _Places(len(per_cent), min(lowest, 0.0), max(highest, 1.0) * 1.1)
    dots = tuple(
        (
            place.across(week),
            place.down(per_cent[week]),
            bool(mean[week] < lower[week]),
            f"week from {trend.weeks[week]}: {per_cent[week]:.0f} % left, weighted mean {mean[week]:.0f} %",
        )
        for week in np.flatnonzero(~np.isnan(mean)).tolist()
    )
    says = (
        f"{trend.rule}, {trend.station}: how much of the limit was left in {len(dots)} weeks, from {trend.weeks[0]} to "
        f"{trend.weeks[-1]}; the weighted mean ended at {mean[~np.isnan(mean)][-1]:.0f} %."
    )
    limit, centre = place.path(lower), place.down(100 * drift.centre)
    drawn = _drawn(trend, place, limit=limit, centre=centre, dots=dots, signals=signals, says=says, unit=" %")
    return replace(drawn, of_margins=True, mean=place.path(mean))


def _drawn(
    trend: Trend,
    place: _Places,
    *,
    limit: str,
    centre: float | None,
    dots: tuple[tuple[float, float, bool, str], ...],
    signals: Sequence[str],
    says: str,
    unit: str = "",
) -> Picture:
    return Picture(
        rule=trend.rule,
        station=trend.station,
        of_margins=False,
        limit=limit,
        mean="",
        centre=centre,
        dots=dots,
        frozen=place.frozen(trend),
        changed=place.changed(trend),
        marks=tuple(place.months(trend.weeks)),
        top=f"{place.top:.0f}{unit}",
        bottom=f"{place.bottom:.0f}{unit}".replace("-", "−"),
        zero=place.down(0) if place.bottom < 0 else None,
        signals=tuple(signals),
        says=says,
    )


@dataclass(frozen=True)
class _Places:
    """Weeks and values turned into places: so many weeks, the values at the bottom and at the top."""

    weeks: int
    bottom: float
    top: float

    @property
    def step(self) -> float:
        return (RIGHT - LEFT) / max(self.weeks, 1)

    def across(self, week: int) -> float:
        return round(LEFT + (week + 0.5) * self.step, 1)

    def down(self, value: float) -> float:
        return round(FOOT * (1 - min((value - self.bottom) / (self.top - self.bottom), 1)), 1)

    def path(self, values: Any) -> str:
        known = np.flatnonzero(~np.isnan(values)).tolist()
        return " ".join(
            f"{'L' if nth else 'M'}{self.across(week)} {self.down(values[week])}" for nth, week in enumerate(known)
        )

    def frozen(self, trend: Trend) -> tuple[float, float] | None:
        """Where the weeks that set the limits begin and end."""
        kept = np.flatnonzero(trend.frozen)
        if not len(kept):
            return None
        return self.across(int(kept[0])) - self.step / 2, self.across(int(kept[-1])) + self.step / 2

    def changed(self, trend: Trend) -> float | None:
        """The place of the first week after the rule was changed, where there is one."""
        later = [week for week, day in enumerate(trend.weeks) if trend.changed is not None and day > trend.changed]
        return round(self.across(later[0]) - self.step / 2, 1) if later else None

    def months(self, weeks: Sequence[date]) -> Iterator[tuple[float, str, str]]:
        """The first week of each month, thinned out; a label that would run out of the picture ends there."""
        first = [week for week in range(len(weeks)) if weeks[week].day <= 7]
        for week in first[:: -(-len(first) // MARKS) or 1]:
            x = self.across(week)
            yield x, f"{weeks[week]:%b %Y}", "end" if x + 45 > WIDTH else "middle"
