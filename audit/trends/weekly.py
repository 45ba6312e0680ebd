"""What each rule checked and found, by station and week of the work, and how near to its limit it came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from audit.forms.judging import every_subject, judge_rule
from audit.forms.naming import cells
from audit.language.rule import Rule
from audit.timeline.instants import DAY
from audit.timeline.timeline import Timeline

WEEK: Final = 7 * DAY
MONDAY: Final = 4 * DAY
"""The first Monday after 1970-01-01, a Thursday."""
WIDEST: Final = 2.0
"""A margin is cut at so many times the limit: what keeps it by far says nothing of how it drifts."""
WEEKLY_COLUMNS: Final = ("rule", "station", "week", "checks", "findings", "margin")


def weekly(rules: Sequence[Rule], timeline: Timeline) -> pd.DataFrame:
    """Count what was judged, by rule, station and week.

    Columns (WEEKLY_COLUMNS): `week` is the Monday (UTC) of the week in which the work began that a subject is
    of, of one without a record that in which it happened; `checks` what complies or is a finding, unjudged subjects
    left out; `margin` the mean distance from the limit, as a share of it, negative beyond it (NaN: no limit).
    """
    parts = [_of_rule(rule, timeline) for rule in rules]
    every = pd.concat([pd.DataFrame(columns=list(WEEKLY_COLUMNS)), *(part for part in parts if len(part))])
    return every.reset_index(drop=True)


def monday(instants: Any) -> Any:
    """The beginning of the week (UTC) of instants."""
    return instants - (instants - MONDAY) % WEEK


def _of_rule(rule: Rule, timeline: Timeline) -> pd.DataFrame:
    subjects = every_subject(rule, timeline)
    subjects = subjects[subjects["outcome"] != "unjudged"].reset_index(drop=True)
    task = subjects["task"].to_numpy()
    at = subjects["at"].to_numpy().astype(np.int64)
    began = timeline.times["started_at"][np.maximum(task, 0)] if len(timeline.tasks) else at
    at = np.where(task >= 0, began, at)
    found = pd.DataFrame(
        {
            "station": cells(timeline.tasks, "station", task),
            "week": monday(at),
            "checks": 1,
            "findings": (subjects["outcome"] == "finding").astype(int),
            "margin": _margins(rule, subjects, timeline),
        }
    )
    grouped = found.groupby(["station", "week"], sort=True)
    counted = grouped[["checks", "findings"]].sum().assign(margin=grouped["margin"].mean()).reset_index()
    counted.insert(0, "rule", rule.id)
    return counted


def _margins(rule: Rule, subjects: pd.DataFrame, timeline: Timeline) -> pd.Series:
    """The distance of each subject from its limit, as a share of the limit."""
    kinds = {margin.kind for margin in judge_rule(rule, timeline).margins}
    if len(kinds) != 1:
        return pd.Series(np.nan, subjects.index)
    share = subjects["measured"] / subjects["limit"].where(subjects["limit"] > 0)
    margin = share - 1 if kinds == {"least"} else 1 - share
    return margin.clip(-WIDEST, WIDEST)
