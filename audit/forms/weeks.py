"""What a rule checked and found, by station and week of the work, and how near to its limit it came."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.forms.outcomes import column
from audit.timeline.codes import codes_of
from audit.timeline.instants import DAY, NEVER, Ints
from audit.timeline.timeline import Timeline

WEEK: Final = 7 * DAY
MONDAY: Final = 4 * DAY
"""The first Monday after 1970-01-01, a Thursday."""
WIDEST: Final = 2.0
"""A margin is cut at so many times the limit: what keeps it by far says nothing of how it drifts."""
_PARTS: Final = 2.0**20
WEEK_COLUMNS: Final = {
    "station": "str",
    "week": "int64",
    "checks": "int64",
    "findings": "int64",
    "margin": "float64",
    "measured": "int64",
}


def monday(instants: Any) -> Any:
    """The beginning of the week (UTC) of instants."""
    return instants - (instants - MONDAY) % WEEK


def by_week(
    complying: Mapping[str, Any], count: int, found: pd.DataFrame, kinds: Set[str], timeline: Timeline
) -> pd.DataFrame:
    """Count what was judged, by station and week: the evidence (see Outcomes) of `count` subjects that comply, and of
    the findings; `kinds` are those of the rule's limits (see Margins).

    Columns (WEEK_COLUMNS): `week` is the Monday (UTC) of the week in which the work began that a subject is of, of one
    without a record that in which it happened; `checks` what complies or is a finding; `margin` the sum of the
    distances from the limit, as shares of it, negative beyond it, over the `measured` subjects that have one.
    """
    if not count and found.empty:
        return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in WEEK_COLUMNS.items()})

    def both(said: Callable[..., Any], *names: str) -> Any:
        """What is said of all subjects by some of their columns, the complying ones first."""
        sides = ((complying, count), (found, len(found)))
        return np.concatenate([said(*(column(side, name, size) for name in names)) for side, size in sides])

    grid = timeline.memo("weeks", lambda: _grid(timeline))
    cell = both(lambda task: grid.cell[task], "task")
    # What has no record happened in a week all the same; such cells stand behind those of the grid.
    alone = np.flatnonzero(cell == _NOWHERE)
    others, place = np.unique(both(monday, "at")[alone] if len(alone) else alone, return_inverse=True)
    cell[alone] = len(grid.week) + place
    station, week = np.append(grid.station, np.full(len(others), "", object)), np.append(grid.week, others)
    checks, findings = (np.bincount(some, minlength=len(week)) for some in (cell, cell[count:]))
    margin, measured = np.zeros(len(week)), np.zeros_like(checks)
    if len(kinds) == 1:
        share = both(partial(_margins, kinds), "measured", "limit")
        known = ~np.isnan(share)
        margin += np.bincount(cell[known], share[known], len(week))
        measured += np.bincount(cell[known], minlength=len(week))
    columns = (station, week, checks, findings, margin, measured)
    there = np.flatnonzero(checks)
    counted = pd.DataFrame({name: values[there] for name, values in zip(WEEK_COLUMNS, columns, strict=True)})
    return added(counted) if len(others) else counted


def added(weeks: pd.DataFrame) -> pd.DataFrame:
    """The counts of each station and week as one row, in order."""
    return weeks.groupby(["station", "week"], as_index=False).sum()


@dataclass(frozen=True)
class _Grid:
    """A cell for each week at each station, the first of which is none: its `station` and its `week`; and the `cell` of
    each task record, and behind them that of no record (_NOWHERE, as of a record whose time is not known)."""

    station: npt.NDArray[np.object_]
    week: Ints
    cell: Ints


_NOWHERE: Final = -1


def _grid(timeline: Timeline) -> _Grid:
    began, recorded = timeline.times["started_at"], timeline.tasks["station"]
    known = np.append(began != NEVER, False)
    mondays = monday(began[known[:-1]])
    weeks = np.arange(mondays.min(), mondays.max() + WEEK, WEEK) if len(mondays) else np.empty(0, np.int64)
    stations = np.array(["", *recorded.cat.categories], object)
    cell = np.full(len(known), _NOWHERE)
    # Station by station, week by week; the first station stands for none recorded.
    cell[known] = (codes_of(recorded)[known[:-1]] + 1) * len(weeks) + (mondays - weeks[:1]) // WEEK
    return _Grid(np.repeat(stations, len(weeks)), np.tile(weeks, len(stations)), cell)


def _margins(kinds: Set[str], measured: Any, limit: Any) -> Any:
    """The distance of each subject from its limit, as a share of the limit."""
    share = np.divide(measured, limit, out=np.full(len(measured), np.nan), where=limit > 0)
    margin = share - 1 if kinds == {"least"} else 1 - share
    # In parts of a power of two, of which millions add up exactly, in whatever order.
    return np.rint(np.clip(margin, -WIDEST, WIDEST) * _PARTS) / _PARTS
