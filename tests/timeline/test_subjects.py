"""Corrections and alterations looked at as records are: each with what its task record says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline.instants import instant
from audit.timeline.subjects import happened, looked_at
from audit.timeline.timeline import Timeline, build_timeline

Row = Mapping[str, str]


def task(number: int, **cells: str) -> dict[str, str]:
    return {
        "task_id": f"T{number}",
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "S1",
        "started_at": f"2025-06-0{number}T09:00:00Z",
        "finished_at": f"2025-06-0{number}T10:00:00Z",
        "lot": "L2",
        "performed_by": "Ann Lee",
    } | cells


def correction(number: int, of: int, **cells: str) -> dict[str, str]:
    return {
        "correction_id": f"K{number}",
        "task_id": f"T{of}",
        "column": "lot",
        "was": "L1",
        "now": "L2",
        "made_by": "Bo Dahl",
        "signed_by": "Cy Moss",
        "made_at": f"2025-07-0{number}T09:00:00Z",
    } | cells


TASKS = [task(1), task(2, aircraft="A2"), task(3, aircraft="A3")]
CORRECTIONS = [correction(1, 3), correction(2, 1), correction(3, 3), correction(4, 2)]


def timeline(
    tasks: Sequence[Row] = TASKS, corrections: Sequence[Row] = CORRECTIONS, as_of: str = "2025-07-30T00:00:00Z"
) -> Timeline:
    return build_timeline(read_rows({"tasks": tasks, "corrections": corrections}), pd.Timestamp(as_of))


def test_task_records_are_looked_at_as_they_are() -> None:
    """They happened when their work began."""
    line = timeline()
    assert looked_at(line, "tasks") is line
    rows = np.array([2, 0])
    assert happened(line, rows).tolist() == line.times["started_at"][rows].tolist()
    assert line.record(rows).tolist() == [2, 0]


def test_corrections_with_what_their_records_say() -> None:
    """In the order in which they are listed, each with the cells, times and aircraft of its own record."""
    line = timeline()
    found = looked_at(line, "corrections")
    assert found.of == "corrections"
    assert found.tasks["correction.correction_id"].tolist() == ["K1", "K2", "K3", "K4"]
    assert found.tasks["task_id"].tolist() == ["T3", "T1", "T3", "T2"]
    assert "correction.task_id" not in found.tasks
    assert found.record(np.arange(4)).tolist() == [2, 0, 2, 1]
    assert found.record(np.array([3])).tolist() == [1]
    assert [str(found.aircraft_names[code]) for code in found.aircraft] == ["A3", "A1", "A3", "A2"]
    assert found.times["started_at"].tolist() == line.times["started_at"][[2, 0, 2, 1]].tolist()
    made = [instant(pd.Timestamp(f"2025-07-0{day}T09:00:00Z")) for day in (4, 1)]
    assert happened(found, np.array([3, 0])).tolist() == made
    assert (found.rows.tolist(), found.perhaps.tolist()) == ([0, 1, 2, 3], [])
    assert looked_at(line, "corrections").tasks is found.tasks, "joined once"
    # What was worked out of the records is not what is worked out of their corrections.
    assert line.memo("words", lambda: "of records") != found.memo("words", lambda: "of corrections")
    assert line.timeless("words", lambda: "of records") != found.timeless("words", lambda: "of corrections")
    assert looked_at(replace(line, unread=frozenset({("tasks", "lot")})), "corrections").unread


@pytest.mark.parametrize(
    ("as_of", "expected"),
    [("2025-07-02T08:59:59Z", [0]), ("2025-07-02T09:00:00Z", [0, 1]), ("2025-06-30T00:00:00Z", [])],
)
def test_only_corrections_made_by_the_as_of_time(as_of: str, expected: list[int]) -> None:
    """One made at that time is known."""
    assert looked_at(timeline(as_of=as_of), "corrections").rows.tolist() == expected


def test_no_corrections() -> None:
    """Whether the table was supplied without rows or not at all, there is nothing to look at."""
    bare = build_timeline(read_rows({"tasks": TASKS}))
    for line in (timeline(corrections=[]), bare, timeline(tasks=[], corrections=[])):
        found = looked_at(line, "corrections")
        assert (len(found.tasks), found.rows.tolist(), found.aircraft.tolist()) == (0, [], [])
        assert "correction.made_at" in found.tasks
        assert happened(found, found.rows).tolist() == []


def test_in_another_reading_only_those_of_the_aircraft_in_play() -> None:
    """Of a record that does not tell its aircraft only where all are."""
    line = timeline()
    played = line.read_as(line.times, line.rows, np.array([False, False, True]))
    assert looked_at(played, "corrections").rows.tolist() == [0, 2]
    nobody = timeline([*TASKS, task(4, aircraft="")], [*CORRECTIONS, correction(5, 4)])
    assert looked_at(nobody, "corrections").rows.tolist() == [0, 1, 2, 3, 4]
    assert looked_at(nobody, "corrections").tasks["task_id"].tolist()[-1] == "T4"
    played = nobody.read_as(nobody.times, nobody.rows, np.array([False, False, True]))
    assert looked_at(played, "corrections").rows.tolist() == [0, 2]


def test_what_is_in_doubt_of_records_is_so_of_their_corrections() -> None:
    """A cell of the record for all of its corrections, a cell of a correction for that one."""
    tasks = [task(1, performed_by="Ann Lee; Bo Dahl"), TASKS[1], TASKS[2] | {"coat": "2"}, TASKS[2] | {"coat": "3"}]
    corrections = [*CORRECTIONS[:3], CORRECTIONS[3] | {"reason": "misread"}, CORRECTIONS[3] | {"reason": "other"}]
    line = timeline([{"coat": "", **row} for row in tasks], [{"reason": "", **row} for row in corrections])
    found = looked_at(line, "corrections")
    assert {key: rows.tolist() for key, rows in line.unreadable.items()} == {
        ("tasks", "coat"): [2],
        ("corrections", "reason"): [3],
    }
    assert found.unreadable[("tasks", "coat")].tolist() == [0, 2]
    assert found.unreadable[("tasks", "correction.reason")].tolist() == [3]
    assert {key: rows.tolist() for key, rows in found.several_names.items()} == {("tasks", "performed_by"): [1]}


def test_a_correction_of_a_record_that_is_there_twice() -> None:
    """Of two contents under one number, none of them audited, it is looked at once, with the first."""
    tasks = [TASKS[0], TASKS[1], TASKS[1] | {"finished_at": "2025-06-02T11:00:00Z"}, TASKS[2]]
    line = timeline(tasks)
    assert line.tasks["task_id"].tolist() == ["T1", "T3", "T2", "T2"]
    found = looked_at(line, "corrections")
    assert found.record(np.arange(4)).tolist() == [1, 0, 1, 2]
