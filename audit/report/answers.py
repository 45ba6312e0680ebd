"""A filled-in work list read back: which answers are complete, and what the others lack."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from audit.errors import AuditError
from audit.intake.filled_in import cell_day, cell_said, cell_text, filled_sheets, rows_under

FORMAT: Final = "deicer-audit-worklist/1"
"""The number changes when a reader of the workbook would have to."""
HOW_SHEET: Final = "How to answer"
ISSUED_SHEET: Final = "Issued"
DONE_SHEET: Final = "Put right already"
"""The sheets that no station has."""
ISSUED_COLUMNS: Final = ("finding", "sheet", "day")
ANSWER, WHO, DAY, NOTE, FINDING = "Answer", "Answered by", "On day", "Note", "Finding"
"""Columns of a station's sheet that are read back."""

_ID = re.compile(r"[0-9a-f]{12}")
_ROW_GONE: Final = (
    "stood on the list when it was made, and its row is gone, or the first row of its sheet, which names the columns"
)


@dataclass(frozen=True)
class Answer:
    """What an answer means, and what its note has to say (blank: a note is welcome, but not requested)."""

    meaning: str
    note: str
    work: bool


ANSWERS: Final[Mapping[str, Answer]] = {
    "done": Answer("The boot was inspected or the work repeated, and a new, dated entry says so.", "", True),
    "late entry": Answer(
        "The work had been done in time but not written down: a late entry was added. The note names it.",
        "the late entry",
        True,
    ),
    "not yet": Answer("It can't be put right yet. The note says why, and until when.", "why, and until when", False),
    "no fault": Answer("The record or the audit is wrong about this boot. The note says why.", "why", False),
    "another station": Answer("Somebody else has to answer. The note says which station.", "which station", False),
}
"""The answers that the list offers, in its order."""


@dataclass(frozen=True)
class Answered:
    """One row of a station's sheet; `day` is None where there is none, or where `odd_day` can't be read as one."""

    sheet: str
    row: int
    finding_id: str
    answer: str
    who: str
    day: date | None
    odd_day: str
    note: str


@dataclass(frozen=True)
class Fault:
    """Something to mend in the sheet: where, and what, as one sentence."""

    sheet: str
    row: int
    finding_id: str
    what: str


@dataclass(frozen=True)
class Answers:
    """A work list as it came back: complete answers by finding, faults, and the findings nobody has answered."""

    complete: Mapping[str, Answered]
    faults: tuple[Fault, ...]
    unanswered: tuple[str, ...]
    issued: int

    @property
    def counts(self) -> Mapping[str, int]:
        """How many complete answers of each kind there are."""
        found = Counter(answered.answer for answered in self.complete.values())
        return {word: found[word] for word in ANSWERS}


def read_answers(path: Path, today: date) -> Answers:
    """Read a filled-in work list. AuditError, with one sentence, where the file is not a work list or is damaged.

    A day after `today`, or before the day of the fault where work is claimed, is a fault.
    """
    sheets = filled_sheets(path, "work list")
    issued = _issued(path, sheets)
    answered: dict[str, list[Answered]] = {}
    faults: list[Fault] = []
    for name, rows in sheets.items():
        if name in (HOW_SHEET, ISSUED_SHEET, DONE_SHEET):
            continue
        for row in _rows(path, name, rows):
            if row.finding_id in issued:
                answered.setdefault(row.finding_id, []).append(row)
            elif row.finding_id or row.answer or row.who or row.note:
                faults.append(Fault(name, row.row, row.finding_id, _unknown(row.finding_id)))
    complete, unanswered = {}, []
    for finding_id, day in issued.items():
        rows_of = answered.get(finding_id, [])
        found = list(_faults_of(finding_id, rows_of, day, today))
        faults += found
        given = [row for row in rows_of if row.answer]
        if rows_of and not given:
            unanswered.append(finding_id)
        elif given and not found:
            complete[finding_id] = given[0]
    order = {name: number for number, name in enumerate(sheets)}
    faults.sort(key=lambda fault: (order.get(fault.sheet, -1), fault.row))
    return Answers(complete, tuple(faults), tuple(unanswered), len(issued))


def _faults_of(finding_id: str, rows: Sequence[Answered], day: date | None, today: date) -> Iterator[Fault]:
    """What is wrong with the rows of one finding, whose fault was on that day."""
    if not rows:
        yield Fault("", 0, finding_id, _ROW_GONE)
    given = [row for row in rows if row.answer]
    if not given:
        for row in rows:
            if row.who or row.day or row.odd_day or row.note:
                yield Fault(row.sheet, row.row, finding_id, "has no answer, though other cells are filled in")
    elif len({(row.answer, row.who, row.day, row.odd_day, row.note) for row in given}) > 1:
        where = ", ".join(f"{row.sheet} row {row.row}" for row in given)
        yield Fault(given[0].sheet, given[0].row, finding_id, f"has different answers: {where}")
    else:
        for what in _lacking(given[0], day, today):
            yield Fault(given[0].sheet, given[0].row, finding_id, what)


def _lacking(row: Answered, fault_day: date | None, today: date) -> Iterator[str]:
    if row.answer not in ANSWERS:
        yield f"has the answer {row.answer!r}; choose one of {', '.join(ANSWERS)}"
        return
    answer = ANSWERS[row.answer]
    if not row.who:
        yield f"doesn't say who answers ({WHO})"
    if row.odd_day:
        yield f"has {row.odd_day[:40]!r} for a day; write a date, such as 2026-04-30"
    elif row.day is None:
        yield f"doesn't say on which day ({DAY})"
    elif row.day > today:
        yield f"is answered on {row.day}, a day still to come"
    elif answer.work and fault_day and row.day < fault_day:
        yield f"is answered on {row.day}, before the fault itself on {fault_day}"
    if answer.note and not row.note:
        yield f"is answered {row.answer!r}: the note has to say {answer.note}"


def _unknown(finding_id: str) -> str:
    if not finding_id:
        return "has an answer, but no finding beside it"
    if not _ID.fullmatch(finding_id):
        return f"{finding_id[:40]!r} is not a finding id: twelve of the signs 0-9 and a-f"
    return "did not stand on the list when it was made"


def _rows(path: Path, name: str, rows: Sequence[Sequence[Any]]) -> Iterator[Answered]:
    wanted = (FINDING, ANSWER, WHO, DAY, NOTE)
    for number, (finding_id, answer, who, day, note) in rows_under(wanted, path, name, rows):
        read, odd = cell_day(day)
        yield Answered(
            sheet=name,
            row=number,
            finding_id=cell_text(finding_id).lower(),
            answer=" ".join(cell_text(answer).casefold().split()),
            who=cell_said(who),
            day=read,
            odd_day=odd,
            note=cell_said(note),
        )


def _issued(path: Path, sheets: Mapping[str, Sequence[Sequence[Any]]]) -> dict[str, date | None]:
    """The findings that the list held when it was made, with the day of each."""
    rows = sheets.get(ISSUED_SHEET, ())
    if not rows or cell_text(rows[0][0]) != FORMAT or len(rows) < 2:
        raise AuditError(
            f"{path.name} is not a work list of this version, or is damaged: its hidden sheet {ISSUED_SHEET!r} doesn't "
            f"begin with {FORMAT}"
        )
    if [cell_text(cell) for cell in rows[1][: len(ISSUED_COLUMNS)]] != list(ISSUED_COLUMNS):
        raise AuditError(f"{path.name} is damaged: the columns of its hidden sheet {ISSUED_SHEET!r} have been changed")
    issued = {}
    for row in rows[2:]:
        finding_id = cell_text(row[0])
        if not _ID.fullmatch(finding_id):
            raise AuditError(f"{path.name} is damaged: its hidden sheet {ISSUED_SHEET!r} holds {finding_id[:40]!r}")
        issued[finding_id] = cell_day(row[2])[0]
    return issued
