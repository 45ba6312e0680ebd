"""What a rule checked and found, by station and week of the work, and how near to its limit it came."""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any, Final

import numpy as np
import pandas as pd

from audit.timeline.instants import DAY, Bools, Ints
from audit.timeline.timeline import Timeline

WEEK: Final = 7 * DAY
MONDAY: Final = 4 * DAY
"""The first Monday after 1970-01-01, a Thursday."""
WIDEST: Final = 2.0
"""A margin is cut at so many times the limit: what keeps it by far says nothing of how it drifts."""
_PARTS: Final = 2.0**20
WEEK_COLUMNS: Final = ("station", "week", "checks", "findings", "margin", "measured")


def monday(instants: Any) -> Any:
    """The beginning of the week (UTC) of instants."""
    return instants - (instants - MONDAY) % WEEK


def by_week(shown: Mapping[str, Any], finding: Bools, kinds: Set[str], timeline: Timeline) -> pd.DataFrame:
    """Count what was judged, by station and week: of each subject its evidence (see Outcomes) and whether it broke
    the rule; `kinds` are those of the rule's limits (see Margins).

    Columns (WEEK_COLUMNS): `week` is the Monday (UTC) of the week in which the work began that a subject is of, of one
    without a record that in which it happened; `checks` what complies or is a finding; `margin` the sum of the
    distances from the limit, as shares of it, negative beyond it, over the `measured` subjects that have one.
    """
    task, at = (np.broadcast_to(np.asarray(shown.get(name, -1), np.int64), finding.shape) for name in ("task", "at"))
    if not len(finding):
        return pd.DataFrame({name: [] for name in WEEK_COLUMNS})
    began = timeline.times["started_at"][np.maximum(task, 0)] if len(timeline.tasks) else at
    week = monday(np.where(task >= 0, began, at))
    margin = _margins(shown, finding.shape, kinds)
    stations, station = _stations(timeline, task)
    first = int(week.min())
    weeks = (int(week.max()) - first) // WEEK + 1
    cell = station * weeks + (week - first) // WEEK
    known = ~np.isnan(margin)

    def counted(of: Ints, weights: Any = None) -> Any:
        return np.bincount(of, weights, minlength=len(stations) * weeks)

    checks = counted(cell)
    there = np.flatnonzero(checks)
    return pd.DataFrame(
        {
            "station": stations[there // weeks],
            "week": first + there % weeks * WEEK,
            "checks": checks[there],
            "findings": counted(cell[finding])[there],
            "margin": counted(cell[known], margin[known])[there],
            "measured": counted(cell[known])[there],
        }
    )


def _stations(timeline: Timeline, task: Ints) -> tuple[Any, Ints]:
    """The names of the stations, the last blank, and which of them each record is of (no record, or none known: it)."""
    recorded = timeline.tasks["station"].cat
    names = np.append(recorded.categories.to_numpy(object), "")
    if not len(timeline.tasks):
        return names, np.zeros(len(task), np.int64)
    codes = recorded.codes.to_numpy().astype(np.int64)[np.maximum(task, 0)]
    return names, np.where((task >= 0) & (codes >= 0), codes, len(names) - 1)


def _margins(shown: Mapping[str, Any], shape: tuple[int, ...], kinds: Set[str]) -> Any:
    """The distance of each subject from its limit, as a share of the limit."""
    if len(kinds) != 1:
        return np.full(shape, np.nan)
    measured, limit = (
        np.broadcast_to(np.asarray(shown.get(name, np.nan), np.float64), shape) for name in ("measured", "limit")
    )
    share = np.divide(measured, limit, out=np.full(shape, np.nan), where=limit > 0)
    margin = share - 1 if kinds == {"least"} else 1 - share
    # In parts of a power of two, of which millions add up exactly, in whatever order.
    return np.rint(np.clip(margin, -WIDEST, WIDEST) * _PARTS) / _PARTS
