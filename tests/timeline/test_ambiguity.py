"""Times in the hour that comes twice: what a record decides itself, and in what readings the others are tried."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from audit.intake.reading import read_rows
from audit.timeline.instants import DAY, MINUTE
from audit.timeline.readings import Owner, other_readings, owners_of
from audit.timeline.timeline import Timeline, build_timeline

Row = Mapping[str, str]
MIDNIGHT = 1_761_436_800_000_000
"""2025-10-26T00:00Z: from 02:00 to 03:00 the wall clock in Berlin then comes twice, at 00:00 and at 01:00 UTC."""
STATIONS = [{"station": "S1", "timezone": "Europe/Berlin"}]


def task(start: str, end: str, **cells: str) -> dict[str, str]:
    """A record of that night: `02:30` by the clock of the station, `01:30Z` by UTC."""
    numbered = {"task_id": f"T{start}{end}", "work_order": "W1", "aircraft": "A1", "action": "apply", "station": "S1"}
    times = {"started_at": f"2025-10-26T{start}", "finished_at": f"2025-10-26T{end}"}
    return numbered | times | cells


def timeline(*tasks: Row) -> Timeline:
    numbered = [{**row, "task_id": f"T{number}"} for number, row in enumerate(tasks)]
    return build_timeline(read_rows({"tasks": numbered, "stations": STATIONS}))


def clock(instant: int) -> str:
    """Hours and minutes UTC since that midnight."""
    minutes = (instant - MIDNIGHT) // MINUTE
    return f"{minutes // 60}:{minutes % 60:02}"


def times(line: Timeline) -> list[str]:
    start, end = line.times["started_at"].tolist(), line.times["finished_at"].tolist()
    return [f"{clock(a)}-{clock(b)}" for a, b in zip(start, end, strict=True)]


@pytest.mark.parametrize(
    ("start", "end", "read", "ambiguous"),
    [
        pytest.param("00:10Z", "02:30", "0:10-0:30", ["finished_at"], id="an-end"),
        pytest.param("02:30", "03:10", "0:30-2:10", ["started_at"], id="a-start"),
        pytest.param("02:10", "02:50", "0:10-0:50", ["started_at", "finished_at"], id="both"),
        pytest.param("02:50", "02:10", "0:50-1:10", [], id="the-end-is-of-the-second-pass-and-the-start-of-the-first"),
        pytest.param("02:30", "02:30", "0:30-0:30", ["started_at", "finished_at"], id="both-at-once"),
        pytest.param("02:30", "01:10Z", "0:30-1:10", [], id="a-start-that-can-only-be-of-the-first-pass"),
        pytest.param("02:30", "01:30Z", "0:30-1:30", ["started_at"], id="a-start-perhaps-as-it-ended"),
        pytest.param("00:40Z", "02:30", "0:40-1:30", [], id="an-end-that-can-only-be-of-the-second-pass"),
        pytest.param("00:30Z", "02:30", "0:30-0:30", ["finished_at"], id="an-end-perhaps-as-it-began"),
        pytest.param("00:30Z", "01:30Z", "0:30-1:30", [], id="neither"),
    ],
)
def test_what_a_record_decides_itself(start: str, end: str, read: str, ambiguous: list[str]) -> None:
    """Work can't end before it began; all else stays open, and is read as of the first pass."""
    line = timeline(task("03:10", "03:20"), task(start, end), task("02:20", "03:30"))
    assert times(line) == ["2:10-2:20", read, "0:20-2:30"]
    found = line.later.sort_values(["row", "column"], ascending=[True, False])
    assert list(zip(found["row"], found["column"], strict=True)) == [
        *((1, column) for column in ambiguous),
        (2, "started_at"),
    ]


def test_a_signature_decides_nothing() -> None:
    """It may be given before the end of the work, as well as long after it."""
    line = timeline(task("02:50", "02:10", signed_at="2025-10-26T02:05"))
    assert times(line) == ["0:50-1:10"]
    assert line.later["column"].tolist() == ["signed_at"]
    assert clock(int(line.times["signed_at"][0])) == "0:05"


def readings(line: Timeline, owner: Owner = "aircraft") -> list[dict[int, str]]:
    """Each further reading: the times of the records that it judges."""
    found = []
    for reading in other_readings(line, owner):
        of = times(reading)
        found.append({row: of[row] for row in reading.rows.tolist()})
    return found


@pytest.mark.parametrize(
    ("tasks", "expected"),
    [
        pytest.param([task("03:10", "03:20")], [], id="nothing-ambiguous"),
        pytest.param([task("02:30", "03:10")], [{0: "1:30-2:10"}], id="a-start"),
        pytest.param(
            [task("02:10", "02:50")],
            [{0: "1:10-1:50"}, {0: "0:10-1:50"}, {0: "1:10-1:50"}],
            id="never-an-end-before-its-start",
        ),
        pytest.param(
            [task("02:10", "03:10"), task("02:20", "03:20"), task("02:30", "03:30")],
            [
                {0: "1:10-2:10", 1: "1:20-2:20", 2: "1:30-2:30"},
                {0: "0:10-2:10", 1: "1:20-2:20", 2: "1:30-2:30"},
                {0: "1:10-2:10", 1: "0:20-2:20", 2: "0:30-2:30"},
                {0: "0:10-2:10", 1: "0:20-2:20", 2: "1:30-2:30"},
                {0: "1:10-2:10", 1: "1:20-2:20", 2: "0:30-2:30"},
            ],
            id="three-by-their-order-in-time",
        ),
        pytest.param(
            [task("02:20", "03:20"), task("02:10", "03:10")],
            [
                {0: "1:20-2:20", 1: "1:10-2:10"},
                {0: "1:20-2:20", 1: "0:10-2:10"},
                {0: "0:20-2:20", 1: "1:10-2:10"},
            ],
            id="two-however-they-are-listed",
        ),
        pytest.param(
            [task("02:20", "03:20"), task("02:20", "03:20")],
            [
                {0: "1:20-2:20", 1: "1:20-2:20"},
                {0: "0:20-2:20", 1: "1:20-2:20"},
                {0: "1:20-2:20", 1: "0:20-2:20"},
            ],
            id="two-at-the-same-reading-may-be-an-hour-apart",
        ),
        pytest.param(
            [task("02:20", "03:20"), task("02:10", "03:10", aircraft="A2"), task("02:50", "03:10", aircraft="A2")],
            [
                {0: "1:20-2:20", 1: "1:10-2:10", 2: "1:50-2:10"},
                {1: "0:10-2:10", 2: "1:50-2:10"},
                {1: "1:10-2:10", 2: "0:50-2:10"},
            ],
            id="aircraft-by-themselves-and-side-by-side",
        ),
        pytest.param(
            [task("02:20", "03:20"), task("04:10", "04:20"), task("04:10", "04:20", aircraft="A2")],
            [{0: "1:20-2:20", 1: "3:10-3:20"}],
            id="with-all-records-of-that-aircraft-alone",
        ),
    ],
)
def test_the_readings_of_a_night(tasks: Sequence[Row], expected: list[dict[int, str]]) -> None:
    """Those before a turning point are of one pass, those after it of the other: both ways round, by aircraft."""
    line = timeline(*tasks)
    before = times(line)
    assert readings(line) == expected
    assert times(line) == before, "the timeline itself stays as it was"


def test_two_nights_turn_by_themselves() -> None:
    """A turning point of one night says nothing of another: a night with fewer is then left as it was."""
    a_year_ago = task("", "") | {"started_at": "2024-10-27T02:30", "finished_at": "2024-10-27T03:10"}
    line = timeline(task("02:20", "03:20"), task("02:40", "03:40"), a_year_ago)
    back = np.array([0, 0, 364 * DAY])
    started = [list(map(clock, (one.times["started_at"] + back).tolist())) for one in other_readings(line, "aircraft")]
    assert started == [["1:20", "1:40", "1:30"], ["0:20", "1:40", "0:30"], ["1:20", "0:40", "0:30"]]


@pytest.mark.parametrize(
    ("owner", "expected"),
    [
        pytest.param("performed_by", [{0: "1:20-2:20", 2: "3:10-3:20"}], id="a-person"),
        pytest.param("certified_by", [{0: "1:20-2:20", 1: "3:10-3:20", 2: "3:10-3:20"}], id="a-column-not-exported"),
        pytest.param("none", [{0: "1:20-2:20", 1: "3:10-3:20", 2: "3:10-3:20"}], id="all"),
    ],
)
def test_whose_records_a_reading_judges(owner: Owner, expected: list[dict[int, str]]) -> None:
    """Those of the same person, by whatever aircraft; with no owner known, all."""
    line = timeline(
        task("02:20", "03:20", performed_by="P1"),
        task("04:10", "04:20", performed_by="P2"),
        task("04:10", "04:20", performed_by="P1", aircraft="A2"),
    )
    assert readings(line, owner) == expected
    (reading,) = other_readings(line, owner)
    assert reading.in_play.tolist() == [True, True], "whoever is looked at, all aircraft are"


def test_only_the_aircraft_of_ambiguous_times_are_judged_again() -> None:
    """The others stay what they were found to be."""
    line = timeline(task("04:10", "04:20"), task("02:20", "03:20", aircraft="A2"))
    (reading,) = other_readings(line, "aircraft")
    assert reading.in_play.tolist() == [False, True]
    assert line.in_play.tolist() == [True, True]


def test_records_without_an_owner() -> None:
    """Nobody's are by no number; of a column that was not exported all are nobody's."""
    line = timeline(task("04:10", "04:20", performed_by="P2"), task("04:10", "04:20"), task("04:10", "04:30"))
    assert owners_of(line, "performed_by").tolist() == [0, -1, -1]
    assert owners_of(line, "certified_by").tolist() == [-1] * 3
    assert owners_of(line, "aircraft").tolist() == [0] * 3
