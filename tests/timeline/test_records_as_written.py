"""Values of records as people write them, by the clock of the station, and what may not be asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from audit.errors import InternalError
from audit.intake.reading import read_rows
from audit.timeline.days import local_day, work_day
from audit.timeline.instants import instant
from audit.timeline.people import signed
from audit.timeline.records import values, whole
from audit.timeline.timeline import Timeline, build_timeline
from audit.timeline.vocabulary import VOCABULARY

STATIONS = [
    {"station": "B", "timezone": "Europe/Berlin"},
    {"station": "T", "timezone": "Asia/Tokyo"},
    {"station": "N", "timezone": "America/New_York"},
    {"station": "D", "timezone": "Europe/Berlin"},
]


def timeline(*cells: dict[str, str], stations: list[dict[str, str]] | None = None) -> Timeline:
    """Records with some cells, one a row, at station B unless said otherwise."""
    default = {
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "B",
        "started_at": "2025-06-02T09:00:00Z",
        "finished_at": "2025-06-02T10:00:00Z",
    }
    tasks = [default | {"task_id": f"T{number}"} | row for number, row in enumerate(cells)]
    tables = {"tasks": tasks} | ({"stations": STATIONS if stations is None else stations} if stations != [] else {})
    return build_timeline(read_rows(tables))


def texts(line: Timeline, name: str) -> list[str]:
    return values(line, name, np.arange(len(line.tasks))).texts()


@pytest.mark.parametrize(
    ("name", "cells", "expected"),
    [
        pytest.param("coat", ["3", "", "10"], ["3", "", "10"], id="counts"),
        pytest.param("ambient_c", ["-3.50", "0", "20"], ["-3.5", "0", "20"], id="numbers"),
        pytest.param("ambient_c", ["0.1", "", "12.125"], ["0.1", "", "12.125"], id="decimals"),
        pytest.param(
            "signed_at",
            ["2025-06-02T10:05:09Z", "", "2025-06-02T23:30:00-01:00"],
            ["2025-06-02T10:05:09Z", "", "2025-06-03T00:30:00Z"],
            id="times",
        ),
        pytest.param("lot", ["L2", "", "L1"], ["L2", "", "L1"], id="codes"),
        pytest.param("remarks", ["b", "", "a"], ["b", "", "a"], id="texts"),
        pytest.param("action", ["apply", "clean", "apply"], ["apply", "clean", "apply"], id="choices"),
    ],
)
def test_values_as_they_are_written(name: str, cells: list[str], expected: list[str]) -> None:
    """In one form for each kind, blank where missing; and so are some of them, in any order."""
    line = timeline(*({name: cell} for cell in cells))
    assert texts(line, name) == expected
    found = values(line, name, np.arange(3))
    assert [found.text(index) for index in range(3)] == expected
    assert found.missing.tolist() == [cell == "" for cell in cells]
    assert found[np.array([2, 0])].texts() == [expected[2], expected[0]]
    assert found[np.array([1])].missing.tolist() == [cells[1] == ""]
    assert values(line, name, np.array([2, 1])).texts() == [expected[2], expected[1]]


@pytest.mark.parametrize("name", ["lot", "coat", "signed_at", "remarks"])
def test_of_no_records_there_are_no_values(name: str) -> None:
    """In an export without records, too."""
    assert texts(timeline({name: ""}), name) == [""]
    bare = build_timeline(read_rows({"tasks": []}))
    assert texts(bare, name) == []


def test_whole_numbers() -> None:
    """0 where one is missing, and where there is one."""
    numbers, there = whole(timeline({"coat": "2"}, {"coat": ""}, {"coat": "3"}), "coat", np.array([2, 1, 0]))
    assert (numbers.tolist(), there.tolist()) == ([3, 0, 2], [True, False, True])


NIGHT = {"started_at": "2025-06-02T22:30:00Z", "finished_at": "2025-06-03T04:30:00Z"}


def test_the_day_of_the_work_by_the_clock_of_its_station() -> None:
    """Each record by its own; where the station is not listed, or not told, by UTC."""
    line = timeline(
        NIGHT,
        NIGHT | {"station": "T"},
        NIGHT | {"station": "N"},
        NIGHT | {"station": "D", "started_at": "2025-06-02T21:59:59Z"},
        NIGHT | {"station": "X"},
        NIGHT | {"station": ""},
        NIGHT | {"station": "N", "started_at": "2025-06-02T03:59:59Z"},
    )
    days = ["2025-06-03", "2025-06-03", "2025-06-02", "2025-06-02", "2025-06-02", "2025-06-01", "2025-06-02"]
    ids = line.tasks["task_id"].tolist()
    assert ids == ["T0", "T1", "T2", "T3", "T4", "T6", "T5"], "the one without a station is behind the others"
    assert texts(line, "work_date") == days
    first = work_day(line, np.array([5, 1]))
    assert (first - first[0]).tolist() == [0, 2]
    instants = np.array([instant(pd.Timestamp("2025-06-02T23:00:00Z"))] * 2)
    local = local_day(line, np.array([0, 2]), instants)
    assert (local[0] - local[1], instants.tolist()) == (1, [instants[0]] * 2)


def test_without_stations_days_are_by_utc() -> None:
    """Nobody knows of another clock."""
    line = timeline(NIGHT, NIGHT | {"station": "T"}, stations=[])
    assert texts(line, "work_date") == ["2025-06-02"] * 2


def test_minutes_of_the_work_and_to_its_signature() -> None:
    """Negative where it was signed before its end; missing without a signature."""
    line = timeline(
        {"signed_at": "2025-06-02T09:30:00Z"},
        {"signed_at": ""},
        {"finished_at": "2025-06-02T09:00:30Z", "signed_at": "2025-06-02T09:01:00Z"},
    )
    assert texts(line, "work_minutes") == ["60", "60", "0.5"]
    assert texts(line, "signed_after_minutes") == ["-30", "", "0.5"]


def test_when_a_record_was_signed() -> None:
    """Where it doesn't say, when its work ended."""
    line = timeline({"signed_at": "2025-06-02T09:30:00Z"}, {"signed_at": ""})
    half, ten = (instant(pd.Timestamp(f"2025-06-02T{time}:00Z")) for time in ("09:30", "10:00"))
    assert signed(line, np.array([1, 0])).tolist() == [ten, half]
    assert signed(timeline({}, {}), np.array([1, 0])).tolist() == [ten, ten]


def test_what_was_not_read_may_not_be_asked() -> None:
    """That would look as if it were blank."""
    line = replace(timeline({"lot": "L1", "remarks": "a"}), unread=frozenset({("tasks", "remarks"), ("lots", "lot")}))
    with pytest.raises(InternalError, match=r"^remarks was requested and had not been read"):
        values(line, "remarks", np.array([0]))
    assert texts(line, "lot") == ["L1"]
    with pytest.raises(InternalError, match=r"^lot\.lot was requested"):
        values(line, "lot.lot", np.array([0]))


@pytest.mark.parametrize(
    "name", ["work_minutes", "work_date", "position_count", "certificate", "coat", "lot", "signed_at"]
)
def test_the_kind_of_a_column_is_that_of_the_vocabulary(name: str) -> None:
    """Conditions compare its values by it, whether the records were exported with what it is made of or not."""
    cells = {"certificate_number": "7", "certificate_kind": "airframe", "coat": "1", "lot": "L1", "position": "left"}
    for line in (timeline(cells), timeline({})):
        assert values(line, name, np.array([0])).kind == VOCABULARY[name].kind
