"""Trends as a page: the signals in words, then a picture for each rule and station that has findings or a signal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from audit.report.pages import content_hash, own_text, page_template
from audit.trends.charts import Floats
from audit.trends.signals import Frozen, Signal, Trend

WIDTH: Final = 720.0
HEIGHT: Final = 150.0
LEFT: Final = 40.0
FOOT: Final = 18.0
MOST: Final = 60
"""Pictures on one page; everything is in trends.csv."""
TREND_COLUMNS: Final = ("rule", "station", "week", "checks", "findings", "margin", "centre", "upper", "above", "run")


@dataclass(frozen=True)
class Picture:
    """A drawn trend: `line` and `limit` are points of SVG paths, `dots` single weeks (x, y, whether beyond the limit,
    text), `frozen` where the frozen weeks begin and end, `marks` dates below (x, text), `top` the rate at the top."""

    rule: str
    station: str
    limit: str
    centre: float | None
    dots: tuple[tuple[float, float, bool, str], ...]
    frozen: tuple[float, float] | None
    marks: tuple[tuple[float, str], ...]
    top: str
    signals: tuple[str, ...]


def picture(trend: Trend, signals: Sequence[Signal]) -> Picture:
    """Draw findings per 1,000 checks week by week, with the limit and the centre where there are some."""
    rate = 1000 * np.divide(
        trend.findings, trend.checks, out=np.full(len(trend.checks), np.nan), where=trend.checks > 0
    )
    chart = trend.counts
    top = max(float(np.nanmax(rate, initial=0)), 1.0) * 1.1
    step = (WIDTH - LEFT) / max(len(rate), 1)

    def across(week: int) -> float:
        return round(LEFT + (week + 0.5) * step, 1)

    def down(value: float) -> float:
        return round((HEIGHT - FOOT) * (1 - min(value / top, 1)), 1)

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
    months = [week for week in range(len(trend.weeks)) if trend.weeks[week].day <= 7]
    every = max(len(months) // 6, 1)
    return Picture(
        trend.rule,
        trend.station,
        "" if chart is None else _path(1000 * chart.upper, across, down),
        None if chart is None else down(1000 * chart.centre),
        dots,
        (across(int(kept[0])) - step / 2, across(int(kept[-1])) + step / 2) if len(kept) else None,
        tuple((across(week), f"{trend.weeks[week]:%Y-%m}") for week in months[::every]),
        f"{top:.0f}",
        tuple(signal.sentence for signal in signals),
    )


def _path(values: Floats, across: Callable[[int], float], down: Callable[[float], float]) -> str:
    known = np.flatnonzero(~np.isnan(values)).tolist()
    return " ".join(f"{'L' if nth else 'M'}{across(week)} {down(values[week])}" for nth, week in enumerate(known))


def page(name: str, as_of: str, every: Sequence[Trend], found: Sequence[Signal], frozen: Frozen) -> str:
    """Return the page; it loads nothing."""
    of = {(trend.rule, trend.station): trend for trend in every}
    by_trend: dict[tuple[str, str], list[Signal]] = {}
    for signal in found:
        by_trend.setdefault((signal.rule, signal.station), []).append(signal)
    shown = [*by_trend, *(key for key, trend in of.items() if trend.findings.any() and key not in by_trend)]
    style = own_text("trends.css")
    return page_template("trends.html.j2").render(
        name=name,
        as_of=as_of,
        frozen=frozen.text,
        signals=found,
        pictures=[picture(of[key], by_trend.get(key, ())) for key in shown[:MOST]],
        more=max(len(shown) - MOST, 0),
        without=sum(trend.counts is None for trend in every),
        charts=len(every),
        width=WIDTH,
        height=HEIGHT,
        left=LEFT,
        foot=HEIGHT - FOOT,
        style=style,
        style_hash=content_hash(style),
    )


def table(every: Sequence[Trend]) -> pd.DataFrame:
    """All weeks with a check, with the limits, as trends.csv has them (TREND_COLUMNS)."""
    parts = [pd.DataFrame(columns=list(TREND_COLUMNS))]
    for trend in every:
        none = np.full(len(trend.weeks), np.nan)
        chart = trend.counts
        part = pd.DataFrame(
            {
                "rule": trend.rule,
                "station": trend.station,
                "week": [str(week) for week in trend.weeks],
                "checks": trend.checks.astype(int),
                "findings": trend.findings.astype(int),
                "margin": trend.margins,
                "centre": none if chart is None else chart.centre,
                "upper": none if chart is None else chart.upper,
                "above": False if chart is None else chart.above,
                "run": False if chart is None else chart.run,
            }
        )
        parts.append(part[trend.checks > 0])
    return pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
