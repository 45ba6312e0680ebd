"""Trends as pictures: what is drawn where."""

from __future__ import annotations

import re

import numpy as np

from audit.forms.judging import judge_by_week
from audit.pipeline import Audited
from audit.report.trend_pictures import FOOT, pictures
from audit.trends.signals import half_of, trends


def heights(path: str) -> list[float]:
    """The second number of every point of a path."""
    return [float(y) for y in re.findall(r"[ML][0-9.]+ ([0-9.]+)", path)]


def test_a_margin_that_shrinks_is_drawn(sample_audit: Audited) -> None:
    """The weighted mean falls below its limit where the signal says so; nothing left is between bottom and top."""
    timeline = sample_audit.timeline
    counted = {rule.id: judge_by_week(rule, timeline)[1] for rule in sample_audit.result.rules}
    found = trends(counted, timeline, half_of(timeline))
    drawn = next(one for one in pictures(found) if one.of_margins)
    trend = next(one for one in found.every if (one.rule, one.station) == (drawn.rule, drawn.station))
    assert trend.drift is not None
    mean = trend.drift.mean[~np.isnan(trend.drift.mean)]
    line, (limit, *others) = heights(drawn.mean), heights(drawn.limit)
    assert len(line) == len(drawn.dots) == len(mean)
    assert set(others) == {limit}
    # Down the page is lower, and a diamond is where the mean is below the limit.
    assert [y > limit for y in line] == (mean < trend.drift.lower[0]).tolist() == [dot[2] for dot in drawn.dots]
    assert any(dot[2] for dot in drawn.dots)
    assert drawn.zero is not None
    assert limit < drawn.zero < FOOT
    assert drawn.bottom.startswith("−")
    (sentence,) = drawn.signals
    assert sentence.startswith("Work comes closer to the limit")
