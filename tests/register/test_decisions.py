"""Decisions on findings: what may be decided by whom until when, and what holds in a check."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from audit.cli.check import failing_findings
from audit.errors import AuditError
from audit.findings.result import AuditResult
from audit.intake.location import Location
from audit.register.deciding import decide
from audit.register.decisions import Decision, months_after
from audit.register.opening import open_register
from tests.register.nights import ALL_TASKS, changes, finding, key, record, rule


@pytest.fixture
def where(tmp_path: Path) -> Path:
    return tmp_path / "register.db"


def decided(where: Location, *numbers: int, today: str = "2026-01-02", **changes: Any) -> None:
    """Decide on invented findings, by default to defer them by one person alone until 1 February."""
    made = {
        "kind": "deferred",
        "decided_by": "A. Plover",
        "approved_by": "",
        "reason": "Parts on order",
        "until": date(2026, 2, 1),
    } | changes
    with open_register(where) as register:
        decide(register, [key(number)[:12] for number in numbers], Decision("", **made), date.fromisoformat(today))
        register.commit()


def marks(done: AuditResult) -> dict[int, str]:
    return {int(one[:2]): kind for one, kind in done.findings[["finding_id", "decision"]].itertuples(index=False)}


def counted(done: AuditResult, new_only: bool = False) -> int:
    return failing_findings(done, ("1", "2", "observation"), new_only)


def test_a_deferred_finding_does_not_fail_and_is_shown(place: Location) -> None:
    """It stays in the list, marked, with who, why and until when; the others count."""
    record(place, 1, 1, 2)
    decided(place, 1)
    done = record(place, 3, 1, 2)
    assert marks(done) == {1: "deferred", 2: ""}
    assert counted(done) == 1
    assert done.findings["decided"][0] == "deferred until 2026-02-01 by A. Plover: Parts on order"


def test_an_expired_decision_counts_again_and_says_so(where: Path) -> None:
    """On its last day it holds; the day after the finding is back, for the gate of what is new too."""
    record(where, 1, 1)
    decided(where, 1)
    held = record(where, 32, 1)  # as of 1 February
    assert (marks(held), counted(held)) == ({1: "deferred"}, 0)
    over = record(where, 33, 1)
    assert (marks(over), changes(over), counted(over), counted(over, True)) == ({1: "expired"}, {1: "back"}, 1, 1)
    assert over.findings["decided"][0].endswith("counts again: expired")
    later = record(where, 34, 1)
    assert (changes(later), counted(later), counted(later, True)) == ({1: "still"}, 1, 0)


def test_a_withdrawn_decision_counts_again(where: Path) -> None:
    """Nothing is erased: a later decision ends an earlier one."""
    record(where, 1, 1)
    decided(where, 1)
    record(where, 2, 1)
    decided(where, 1, kind="withdrawn", until=None)
    done = record(where, 3, 1)
    assert (marks(done), changes(done), counted(done)) == ({1: ""}, {1: "back"}, 1)


def test_nothing_to_withdraw(where: Path) -> None:
    """A decision that isn't there can't be withdrawn, nor one twice."""
    record(where, 1, 1)
    with pytest.raises(AuditError, match="no decision"):
        decided(where, 1, kind="withdrawn", until=None)
    decided(where, 1)
    decided(where, 1, kind="withdrawn", until=None)
    with pytest.raises(AuditError, match="no decision"):
        decided(where, 1, kind="withdrawn", until=None)


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"until": date(2026, 1, 1)}, "is past on 2026-01-02"),
    ({"until": None}, "is past"),
    ({"decided_by": " "}, "needs who decides"),
    ({"reason": ""}, "needs who decides"),
    ({"reason": "n/a"}, "needs who decides"),
    ({"decided_by": "-"}, "needs who decides"),
    ({"kind": "accepted", "approved_by": "none"}, "one person alone"),
    ({"approved_by": "a.  PLOVER"}, "of their own"),
    ({"decided_by": "J. Río", "approved_by": "J. Ri\u0301o"}, "of their own"),  # the accent as a sign of its own
    ({"kind": "accepted"}, "one person alone"),
    ({"until": date(2026, 4, 2)}, "until 2026-04-01, longer only with"),
]


@pytest.mark.parametrize(("changed", "told"), REFUSED)
def test_what_is_refused(where: Path, changed: dict[str, Any], told: str) -> None:
    """One sentence, and nothing decided."""
    record(where, 1, 1)
    with pytest.raises(AuditError, match=told):
        decided(where, 1, **changed)
    assert marks(record(where, 2, 1)) == {1: ""}


def test_a_longer_time_and_an_acceptance_are_approved_by_another(where: Path) -> None:
    """Three calendar months from when it was first found, the last day included; longer only approved."""
    record(where, 1, 1, 2, 3)
    decided(where, 1, until=date(2026, 4, 1))
    decided(where, 2, until=date(2027, 4, 1), approved_by="B. Wren")
    decided(where, 3, kind="accepted", until=date(2030, 1, 1), approved_by="B. Wren")
    assert marks(record(where, 2, 1, 2, 3)) == {1: "deferred", 2: "deferred", 3: "accepted"}


def test_the_months_count_from_when_it_was_first_found(where: Path) -> None:
    """Not from today: a finding that stands open longer has less time left."""
    record(where, 1, 1)
    with pytest.raises(AuditError, match="2026-04-01"):
        decided(where, 1, today="2026-03-01", until=date(2026, 5, 1))


def test_level_1_can_not_be_deferred(where: Path) -> None:
    """However often it is approved; nor does a deferral hold once settings have made a level 1 of it."""
    record(where, 1, finding(1, level="1"), 2)
    with pytest.raises(AuditError, match="level 1"):
        decided(where, 1, approved_by="B. Wren")
    decided(where, 2)
    done = record(where, 2, finding(1, level="1"), finding(2, level="1"), rules=(rule(level="1"),))
    assert (marks(done), counted(done)) == ({1: "", 2: "expired"}, 2)
    assert "can't be deferred" in done.findings["decided"][1]


def test_a_deferred_finding_that_becomes_level_1_is_back(where: Path) -> None:
    """It was let pass and isn't any more: a gate on what is new or back has to see it, once."""
    record(where, 1, 1)
    decided(where, 1)
    record(where, 2, 1)
    nights = [record(where, night, finding(1, level="1"), rules=(rule(level="1"),)) for night in (3, 4)]
    assert [list(done.findings["change"]) for done in nights] == [["back"], ["still"]]


def test_a_deferred_observation_that_becomes_level_2_holds_three_months(where: Path) -> None:
    """Alone one defers an observation until any day; nobody passes level 2 so. Approved it holds as was decided."""
    record(where, 1, finding(1, level="observation"), finding(2, level="observation"))
    decided(where, 1, until=date(2030, 1, 1))
    decided(where, 2, until=date(2030, 1, 1), approved_by="B. Wren")
    last, over = (record(where, day, 1, 2) for day in (91, 92))  # as of 1 and 2 April
    assert (marks(last), counted(last)) == ({1: "deferred", 2: "deferred"}, 0)
    assert (marks(over), counted(over)) == ({1: "expired", 2: "deferred"}, 1)
    assert changes(over) == {1: "back", 2: "still"}
    assert over.findings["decided"][0].endswith("level 2 can be deferred until 2026-04-01, longer only approved")


def test_one_of_several_that_is_refused_decides_none(where: Path) -> None:
    """Half a command is none."""
    record(where, 1, 1, finding(2, level="1"))
    with pytest.raises(AuditError):
        decided(where, 1, 2)
    assert marks(record(where, 2, 1, 2)) == {1: "", 2: ""}


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("ffff00001111", "has no finding 'ffff00001111'"),
        ("01", "'01' is too short for a finding's id: write at least 4 digits"),
        ("", "'' is too short"),
        ("zz", "'zz' is too short"),
    ],
)
def test_a_finding_that_is_not_there_is_refused(where: Path, written: str, told: str) -> None:
    """A mistyped id decides nothing, and never everything."""
    record(where, 1, 1)
    with open_register(where) as register, pytest.raises(AuditError, match=told):
        decide(register, [written], Decision("", "deferred", "A", "", "b", date(2026, 2, 1)), date(2026, 1, 2))


def test_an_id_that_two_findings_begin_with_is_refused(where: Path) -> None:
    """Which of the two was meant nobody can know."""
    alike = "abcdef" + "0" * 58, "abcdef" + "1" * 58
    record(where, 1, *(finding(1, finding_id=each) for each in alike))
    with open_register(where) as register:
        made = Decision("", "deferred", "A", "", "b", date(2026, 2, 1))
        with pytest.raises(AuditError, match=r"2 findings .* begin with"):
            decide(register, ["abcdef"], made, date(2026, 1, 2))
        assert [one.finding for one in decide(register, ["abcdef0"], made, date(2026, 1, 2))] == [alike[0]]


def unused(done: AuditResult) -> tuple[str, ...]:
    assert done.standing is not None
    return done.standing.unused


def test_a_decision_that_covers_nothing_is_told(where: Path) -> None:
    """Only where its finding is put right; what is missing for any other reason may come back."""
    record(where, 1, 1, 2, 3, 4)
    decided(where, 1, 2, 3, 4)
    corrected = finding(4, state="corrected")
    done = record(where, 2, 1, corrected, outcomes={3: "not there"}, task_ids=ALL_TASKS - {"T3"})
    assert [sentence[:12] for sentence in unused(done)] == [key(2)[:12], key(4)[:12]]
    assert "cleared" in unused(done)[0]
    assert unused(record(where, 40, 1, corrected)) == ()  # expired by then


def test_a_clock_that_went_back_lets_nothing_pass(where: Path) -> None:
    """What is past is so by the register's last run, too, whatever the clock of the machine says."""
    record(where, 20, 1)
    with pytest.raises(AuditError, match="is past on 2026-01-20"):
        decided(where, 1, today="1970-01-01", until=date(2026, 1, 15))


@pytest.mark.parametrize(
    ("day", "after"),
    [
        ("2026-01-31", "2026-04-30"),
        ("2025-11-30", "2026-02-28"),
        ("2023-11-29", "2024-02-29"),
        ("2026-10-01", "2027-01-01"),
    ],
)
def test_calendar_months(day: str, after: str) -> None:
    """The same day three months later, or the last of that month."""
    assert months_after(date.fromisoformat(day), 3) == date.fromisoformat(after)
