"""What a register says of tonight's findings: new, still, back; and why others are gone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.errors import InternalError
from audit.findings.result import UNJUDGED_COLUMNS
from audit.health.health import Health
from audit.intake.location import Location
from tests.register.nights import ALL_TASKS, changes, finding, gone, record, rule


@pytest.fixture
def where(tmp_path: Path) -> Path:
    return tmp_path / "register.db"


def test_new_still_cleared_back(place: Location) -> None:
    """A finding is new once, still there afterwards, cleared when its subject complies, back when found again."""
    assert changes(record(place, 1, 1, 2)) == {1: "new", 2: "new"}
    second = record(place, 2, 2, 3)
    assert (changes(second), gone(second)) == ({2: "still", 3: "new"}, {1: "cleared"})
    third = record(place, 3, 1, 2)
    assert (changes(third), gone(third)) == ({1: "back", 2: "still"}, {3: "cleared"})
    assert changes(record(place, 4, 1, 2)) == {1: "still", 2: "still"}


def test_one_fixed_and_one_new_are_both_seen(where: Path) -> None:
    """The same number of findings as last night is not the same findings."""
    record(where, 1, 1)
    done = record(where, 2, 2)
    assert (changes(done), gone(done)) == ({2: "new"}, {1: "cleared"})


def test_first_found_is_the_as_of_time_of_the_first_run(where: Path) -> None:
    """However often it went and came."""
    record(where, 3, 1)
    record(where, 4)
    [first] = record(where, 5, 1).findings["first_found"]
    assert first == pd.Timestamp("2026-01-03T22:00Z")


def test_a_corrected_finding_that_is_open_again_is_back(where: Path) -> None:
    """A correction that was taken away again."""
    record(where, 1, 1)
    assert changes(record(where, 2, finding(1, state="corrected"))) == {1: "still"}
    assert changes(record(where, 3, 1)) == {1: "back"}


def test_a_corrected_finding_whose_record_is_gone_was_put_right(where: Path) -> None:
    """It is not listed as gone: it was not open."""
    record(where, 1, finding(1, state="corrected"))
    assert gone(record(where, 2, task_ids=())) == {}


def test_what_never_clears(where: Path) -> None:
    """Everything but a subject that was judged again, by the same rule, on a whole export, and complies."""
    record(where, 1, *range(1, 6))
    told = record(
        where,
        2,
        outcomes={1: "unjudged", 2: "not there", 3: "not there", 4: "not there"},
        task_ids=ALL_TASKS - {"T2"},
        set_aside={"T3"},
    )
    assert gone(told) == {1: "unjudged", 2: "record missing", 3: "quarantined", 4: "record missing", 5: "cleared"}


def test_a_subject_by_another_name_that_can_not_be_judged_is_not_missing(where: Path) -> None:
    """Its record is there, and is part of something that can't be judged, at that position or an unknown one."""
    record(where, 1, *range(1, 6))
    places = {1: "left wing", 2: "", 3: "fin", 4: "left wing"}
    rows = [{"rule": "lot-missing", "task_id": f"T{number}", "position": place} for number, place in places.items()]
    rows[3]["rule"] = "another"
    unjudged = pd.DataFrame(rows, columns=list(UNJUDGED_COLUMNS))
    told = record(where, 2, 5, outcomes=dict.fromkeys(range(1, 5), "not there"), unjudged=unjudged)
    assert gone(told) == {1: "unjudged", 2: "unjudged", 3: "record missing", 4: "record missing"}


def test_nothing_is_cleared_by_taking_away_what_broke_the_rule(place: Location) -> None:
    """A session complies once the flight, or the record, that broke the rule is not exported any more."""
    of_flight = [finding(number, flight_id=f"F{number}") for number in (1, 2, 3)]
    record(place, 1, *of_flight, 4, 5)
    for day in (2, 3):
        told = record(
            place, day, flight_ids={"F1"}, flights_set_aside={"F3"}, task_ids=ALL_TASKS - {"T4"}, set_aside={"T5"}
        )
        still_gone = {2: "record missing", 3: "quarantined", 4: "record missing", 5: "quarantined"}
        assert gone(told) == ({1: "cleared"} if day == 2 else {}) | still_gone
    assert gone(record(place, 4, flight_ids={"F2", "F3"})) == dict.fromkeys((2, 3, 4, 5), "cleared")


def test_the_flight_of_a_finding_known_longer_is_learned_when_it_is_found_again(place: Location) -> None:
    """A register that is older than what it keeps of flights."""
    record(place, 1, 1)
    record(place, 2, finding(1, flight_id="F1"))
    record(place, 3, finding(1, flight_id="F1"))
    assert gone(record(place, 4)) == {1: "record missing"}


def test_a_lost_aircraft_clears_nothing(where: Path) -> None:
    """An export that lost an aircraft: every finding of it has its record missing."""
    record(where, 1, 1, 2, finding(3, task_id=""))
    lost = record(
        where, 2, outcomes={1: "not there", 2: "not there", 3: "not there"}, task_ids=(), aircraft=("TARN-RUST",)
    )
    assert set(gone(lost).values()) == {"record missing"}
    assert len(gone(lost)) == 3


def test_what_is_not_cleared_is_listed_every_night(where: Path) -> None:
    """A record that vanished is told until it is there again, not for one night; what was cleared, on that night."""
    record(where, 1, 1, 2)
    for day in (2, 3, 4):
        told = record(where, day, outcomes={1: "not there"}, task_ids=ALL_TASKS - {"T1"})
        assert gone(told) == ({1: "record missing", 2: "cleared"} if day == 2 else {1: "record missing"})
        assert told.standing is not None
        assert told.standing.gone["since"].tolist()[0] == pd.Timestamp("2026-01-02T22:00Z")
    assert changes(record(where, 5, 1)) == {1: "still"}
    assert gone(record(where, 6)) == {1: "cleared"}


def test_half_the_rules_change_nothing_of_the_others(where: Path) -> None:
    """A run with other rules leaves what it didn't look at as it was."""
    both = (rule(), rule("coat-missing"))
    record(where, 1, 1, finding(2, rule="coat-missing"), rules=both)
    half = record(where, 2, finding(2, rule="coat-missing"), rules=both[1:])
    assert (changes(half), gone(half)) == ({2: "still"}, {1: "rule not run"})
    assert changes(record(where, 3, 1, finding(2, rule="coat-missing"), rules=both)) == {1: "still", 2: "still"}


def test_another_limit_clears_nothing(where: Path) -> None:
    """What goes because the rule asks less was not put right, tomorrow neither; the words of a rule don't matter."""
    record(where, 1, 1)
    for day in (2, 3):
        assert gone(record(where, day, rules=(rule(limit=2),))) == {1: "rule changed"}
    record(where, 4, 2, rules=(rule(limit=2),))
    other_words = rule(limit=2).model_copy(update={"title": "Another title", "why": "Another reason."})
    assert gone(record(where, 5, rules=(other_words,))) == {1: "rule changed", 2: "cleared"}


def test_another_level_is_the_same_finding(where: Path) -> None:
    """Settings that raise a level make nothing new."""
    record(where, 1, 1)
    assert changes(record(where, 2, finding(1, level="1"), rules=(rule(level="1"),))) == {1: "still"}


def test_an_earlier_as_of_time_clears_nothing(where: Path) -> None:
    """An audit that looks back from an earlier time, or a clock that went back, sees less: that puts nothing right."""
    record(where, 10, 1, finding(2, at=pd.Timestamp("2026-01-09T12:00Z")))
    back = record(where, 5, 1)
    assert (changes(back), gone(back)) == ({1: "still"}, {2: "out of time"})
    again = record(where, 4)
    assert gone(again) == {1: "out of time", 2: "out of time"}
    assert changes(record(where, 11, 1, finding(2, at=pd.Timestamp("2026-01-09T12:00Z")))) == {1: "still", 2: "still"}


def test_what_is_lost_is_told_though_the_export_ends_earlier_for_it(where: Path) -> None:
    """Without its flights an export ends with its last record: that they are missing says more than the time."""
    record(where, 10, 1, 2, 3)
    lost = record(where, 9, outcomes={1: "unjudged"}, task_ids=ALL_TASKS - {"T2"})
    assert gone(lost) == {1: "unjudged", 2: "record missing", 3: "out of time"}


def test_an_export_that_is_not_whole_clears_nothing(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where half the flights are missing, a flight too early is missing, too."""

    class NotWhole:
        failed = True

    record(where, 1, 1)
    health: Health = NotWhole()  # type: ignore[assignment]
    assert gone(record(where, 2, health=health)) == {1: "export not whole"}
    assert gone(record(where, 3)) == {1: "cleared"}


def test_a_renamed_work_order_is_never_merged(where: Path) -> None:
    """One finding's record is missing, another is new: nothing takes the one for the other, and it is proposed."""
    record(where, 1, 1)
    done = record(where, 2, 2, outcomes={1: "not there"}, task_ids=ALL_TASKS - {"T1"})
    assert (changes(done), gone(done)) == ({2: "new"}, {1: "record missing"})
    assert done.standing is not None
    assert done.standing.renamed == (
        "010101010101 of work order W1 is not found, and 020202020202 of work order W2 is new: "
        "same rule, place and time",
    )


@pytest.mark.parametrize(
    "other",
    [{"position": "fin"}, {"aircraft": "TARN-GULL"}, {"at": pd.Timestamp("2026-01-01T12:01Z")}, {"rule": "other"}],
)
def test_what_differs_in_more_is_not_proposed(where: Path, other: dict[str, Any]) -> None:
    """Another boot, time or rule is another finding, and of two that fit nothing tells which it is."""
    both = (rule(), rule("other"))
    record(where, 1, 1, rules=both)
    missing: dict[str, Any] = {"outcomes": {1: "not there"}, "task_ids": ALL_TASKS - {"T1"}, "rules": both}
    done = record(where, 2, finding(2, **other), keep=False, **missing)
    two = record(where, 2, 2, 3, **missing)
    assert done.standing is not None
    assert two.standing is not None
    assert (done.standing.renamed, two.standing.renamed) == ((), ())


def test_a_run_that_is_not_kept_changes_nothing(where: Path) -> None:
    """The report failed: the next run finds the register as it was."""
    record(where, 1, 1)
    record(where, 2, keep=False)
    third = record(where, 3, 1, 2)
    assert changes(third) == {1: "still", 2: "new"}
    assert third.standing is not None
    assert (third.standing.run, third.standing.previous) == (2, pd.Timestamp("2026-01-01T22:00Z"))


def test_a_finding_both_found_and_not_is_a_mistake_of_the_program(where: Path) -> None:
    """Never quietly one or the other."""
    record(where, 1, 1)
    with pytest.raises(InternalError):
        record(where, 2, outcomes={1: "finding"})


def test_hostile_text_is_kept_as_text(place: Location) -> None:
    """NUL, broken Unicode and SQL in records stop no run."""
    hostile = "\x00'; DROP TABLE runs; --"
    record(place, 1, finding(1, aircraft=hostile, message=hostile, work_order=hostile), export_name="\udcff")
    done = record(place, 2, outcomes={1: "not there"}, task_ids=())
    assert gone(done) == {1: "record missing"}
