"""Trends as a page, the signals in words and then a picture for each rule and station, and as a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from audit.findings.result import Trends
from audit.report.pages import content_hash, page_template, side_style
from audit.report.trend_pictures import pictures

MOST: Final = 60
"""Pictures on one page; everything is in trends.csv."""
TREND_COLUMNS: Final = (
    "rule", "station", "week", "checks", "findings", "centre", "upper", "above", "run",
    "margin", "weighted_margin", "lowest_margin",
)  # fmt: skip


def page(name: str, as_of: str, trends: Trends, titles: Mapping[str, str]) -> str:
    """Return the page, which loads nothing; `titles` are those of the rules."""
    drawn = list(pictures(trends))
    style = side_style("trends.css")
    return page_template("trends.html.j2").render(
        name=name,
        as_of=as_of,
        trends=trends,
        changed=trends.changed,
        titles=titles,
        pictures=drawn[:MOST],
        more=max(len(drawn) - MOST, 0),
        without=trends.without_limits,
        style=style,
        style_hash=content_hash(style),
    )


def table(trends: Trends) -> pd.DataFrame:
    """All weeks with a check, with the limits, as trends.csv has them (TREND_COLUMNS)."""
    parts = [pd.DataFrame(columns=list(TREND_COLUMNS))]
    for trend in trends.every:
        none = np.full(len(trend.weeks), np.nan)
        chart, drift = trend.counts, trend.drift
        part = pd.DataFrame(
            {
                "rule": trend.rule,
                "station": trend.station,
                "week": [str(week) for week in trend.weeks],
                "checks": trend.checks.astype(int),
                "findings": trend.findings.astype(int),
                "centre": none if chart is None else chart.centre,
                "upper": none if chart is None else chart.upper,
                "above": False if chart is None else chart.above,
                "run": False if chart is None else chart.run,
                "margin": trend.margins,
                "weighted_margin": none if drift is None else drift.mean,
                "lowest_margin": none if drift is None else drift.lower,
            }
        )
        parts.append(part[trend.checks > 0])
    return pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
