"""Rows of another table that are about task records, each joined with its record: looked at as records are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from audit.timeline.instants import Bools, Ints, micros
from audit.timeline.memo import Memo
from audit.timeline.timeline import Timeline

PREFIXES: Final[Mapping[str, str]] = {"corrections": "correction", "alterations": "alteration"}
"""What the names of such a table's columns begin with, next to those of the record."""
AT: Final[Mapping[str, str]] = {"corrections": "made_at", "alterations": "first_seen"}
"""When a row of such a table happened."""


def looked_at(timeline: Timeline, table: str) -> Timeline:
    """The timeline whose records are the rows of a table, each with what its task record says, under the same numbers.

    `rows` are those that happened by the as-of time; none where the table was not supplied. Columns of the table begin
    with its prefix (`correction.made_at`).
    """
    if table == "tasks":
        return timeline
    joined = timeline.memo(("looked_at", table), lambda: _joined(timeline, table))
    return replace(joined, unread=timeline.unread)


def happened(timeline: Timeline, rows: Ints) -> Ints:
    """When what the rows are about happened: for a task record when its work began."""
    if timeline.of == "tasks":
        return timeline.times["started_at"][rows]
    return micros(timeline.tasks[f"{PREFIXES[timeline.of]}.{AT[timeline.of]}"])[rows]


def _joined(timeline: Timeline, table: str) -> Timeline:
    frame = timeline.tables.get(table)
    if frame is None:
        frame = pd.DataFrame({"task_id": pd.Series(dtype="str"), AT[table]: pd.Series(dtype="datetime64[us, UTC]")})
    # Of a record exported twice the audited row comes first; what intake set aside stands behind them.
    named = timeline.tasks["task_id"]
    first = named[named.isin(frame["task_id"])].drop_duplicates().dropna()
    records: Ints = first.index.to_numpy()[pd.Index(first).get_indexer(pd.Index(frame["task_id"]))]
    own = frame.drop(columns="task_id").add_prefix(f"{PREFIXES[table]}.")
    tasks = pd.concat([timeline.tasks.iloc[records].reset_index(drop=True), own.reset_index(drop=True)], axis=1)

    def of_records(rows: Ints) -> Ints:
        return np.flatnonzero(np.isin(records, rows))

    def renumbered(found: Mapping[tuple[str, str], Ints]) -> dict[tuple[str, str], Ints]:
        return {
            ("tasks", f"{PREFIXES[table]}.{column}") if of == table else (of, column): rows
            if of == table
            else of_records(rows)
            for (of, column), rows in found.items()
            if of in ("tasks", table)
        }

    begun: Bools = micros(frame[AT[table]]) <= timeline.as_of
    aircraft = timeline.aircraft[records]
    # Where ambiguous times are tried in another reading, only the aircraft that these concern are judged.
    judged = np.append(timeline.in_play, timeline.in_play.all())[aircraft]
    return replace(
        timeline,
        of=table,
        records=records,
        tasks=tasks,
        rows=np.flatnonzero(begun & judged),
        perhaps=np.empty(0, np.int64),
        times={name: times[records] for name, times in timeline.times.items()},
        aircraft=aircraft,
        unreadable={**timeline.unreadable, **renumbered(timeline.unreadable)},
        several_names=renumbered(timeline.several_names),
        _memo=Memo(),
        _timeless=Memo(),
    )
