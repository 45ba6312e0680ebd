"""What a rule checked and found, by station and week of the work, and how near to its limit it came."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.timeline.codes import codes_of
from audit.timeline.instants import DAY, NEVER, Ints
from audit.timeline.timeline import Timeline

WEEK: Final = 7 * DAY
MONDAY: Final = 4 * DAY
"""The first Monday after 1970-01-01, a Thursday."""
WIDEST: Final = 2.0
"""A margin is cut at so many times the limit: what keeps it by far says nothing of how it drifts."""
_PARTS: Final = 2.0**20
_Columns: TypeAlias = Mapping[str, Any] | pd.DataFrame
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
    grid = timeline.memo("weeks", lambda: _grid(timeline))
    sides: tuple[tuple[_Columns, int], ...] = ((complying, count), (found, len(found)))
    cells = [grid.cell[_column(shown, "task", -1, size)] for shown, size in sides]
    # What has no record happened in a week all the same; such cells stand behind those of the grid.
    alone = [np.flatnonzero(cell == _NOWHERE) for cell in cells]
    mondays = [monday(_column(shown, "at", -1, size)[rows]) for (shown, size), rows in zip(sides, alone, strict=True)]
    others = np.unique(np.concatenate(mondays))
    for cell, rows, week in zip(cells, alone, mondays, strict=True):
        cell[rows] = grid.size + np.searchsorted(others, week)
    size = grid.size + len(others)
    checks, findings = (np.bincount(cell, minlength=size) for cell in cells)
    margin, measured = np.zeros(size), np.zeros_like(checks)
    for (shown, length), cell in zip(sides, cells, strict=True) if len(kinds) == 1 else ():
        reached, limit = (_column(shown, name, np.nan, length) for name in ("measured", "limit"))
        share = _margins(reached, limit, kinds)
        known = ~np.isnan(share)
        margin += np.bincount(cell[known], share[known], size)
        measured += np.bincount(cell[known], minlength=size)
    there = np.flatnonzero(checks + findings)
    beyond = there >= grid.size
    week = grid.first + there % grid.weeks * WEEK
    week[beyond] = others[there[beyond] - grid.size]
    counted = pd.DataFrame(
        {
            "station": grid.stations[np.where(beyond, 0, there // grid.weeks)],
            "week": week,
            "checks": (checks + findings)[there],
            "findings": findings[there],
            "margin": margin[there],
            "measured": measured[there],
        }
    )
    return added(counted) if beyond.any() else counted


def added(weeks: pd.DataFrame) -> pd.DataFrame:
    """The counts of each station and week as one row, in order."""
    return weeks.groupby(["station", "week"], as_index=False).sum()


@dataclass(frozen=True)
class _Grid:
    """A cell for each week at each station, the first of which is none: the cell of each task record, and behind them
    that of no record (_NOWHERE, as of a record whose time is not known)."""

    stations: npt.NDArray[np.object_]
    first: int
    weeks: int
    cell: Ints

    @property
    def size(self) -> int:
        return len(self.stations) * self.weeks


_NOWHERE: Final = -1


def _grid(timeline: Timeline) -> _Grid:
    began = timeline.times["started_at"]
    known = began != NEVER
    recorded = timeline.tasks["station"]
    stations = np.array(["", *recorded.cat.categories], object)
    if not known.any():
        return _Grid(stations, 0, 1, np.full(len(began) + 1, _NOWHERE))
    first = monday(began[known].min())
    week = np.where(known, began - first, 0) // WEEK
    weeks = int(week.max()) + 1
    cell = (codes_of(recorded) + 1) * weeks + week
    return _Grid(stations, int(first), weeks, np.append(np.where(known, cell, _NOWHERE), _NOWHERE))


def _column(shown: _Columns, name: str, default: Any, count: int) -> Any:
    return np.broadcast_to(np.asarray(shown.get(name, default), np.asarray(default).dtype), (count,))


def _margins(measured: Any, limit: Any, kinds: Set[str]) -> Any:
    """The distance of each subject from its limit, as a share of the limit."""
    share = np.divide(measured, limit, out=np.full(len(measured), np.nan), where=limit > 0)
    margin = share - 1 if kinds == {"least"} else 1 - share
    # In parts of a power of two, of which millions add up exactly, in whatever order.
    return np.rint(np.clip(margin, -WIDEST, WIDEST) * _PARTS) / _PARTS
