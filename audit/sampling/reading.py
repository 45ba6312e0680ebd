"""A filled-in sheet read back: the verdict on every drawn record, and what the others lack."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

from audit.errors import AuditError
from audit.intake.filled_in import cell_day, cell_said, cell_text, filled_sheets, rows_under
from audit.sampling.chances import Aim, Looked
from audit.sampling.drawing import Draw, Stratum
from audit.sampling.sheet import (
    DAY,
    FORMAT,
    HOW_SHEET,
    ISSUED_COLUMNS,
    ISSUED_SHEET,
    PAPER,
    RECORD,
    VERDICTS,
    WHAT_DIFFERS,
    WHO,
)

WHAT = "filled-in paper sheet"
_ROW_GONE = "was drawn, and its row is gone, or the first row of its sheet, which names the columns"


@dataclass(frozen=True)
class Line:
    """One row of a sheet as it came back, and where it stands."""

    sheet: str
    row: int
    task_id: str
    verdict: str
    what_differs: str
    who: str
    day: date | None
    odd_day: str


@dataclass(frozen=True)
class Fault:
    """What is wrong with a row, or with a record that has none (then `sheet` is blank)."""

    sheet: str
    row: int
    task_id: str
    what: str


@dataclass(frozen=True)
class Compared:
    """A sheet that came back: the draw, each record's complete line, faults, and the records nobody has looked at."""

    draw: Draw
    lines: Mapping[str, Line]
    faults: tuple[Fault, ...]
    unseen: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether every drawn record has its verdict and nothing is wrong: only then does the sample show anything."""
        return not self.faults and not self.unseen

    def looked(self, stratum: Stratum) -> Looked:
        """What was found of a stratum: all that is not equal deviates."""
        deviating = sum(self.lines[task].verdict != "equal" for task in stratum.drawn)
        return Looked(stratum.records, len(stratum.drawn), deviating)


def read_sheet(path: Path, today: date) -> Compared:
    """Read a filled-in sheet. AuditError, with one sentence, where the file isn't such a sheet or is damaged.

    A verdict that is none, what differs left unsaid or said of what is equal, nobody's name, and no day or one after
    `today` are faults; so is a record whose row is gone, is there twice with two verdicts, or was not drawn.
    """
    sheets = filled_sheets(path, WHAT)
    draw = _issued(path, sheets)
    drawn = {task for stratum in draw.strata for task in stratum.drawn}
    given: dict[str, list[Line]] = {}
    faults = []
    for name, rows in sheets.items():
        # Any other sheet may hold rows: people sort, cut and paste.
        if name in (HOW_SHEET, ISSUED_SHEET):
            continue
        for line in _lines(path, name, rows):
            if line.task_id in drawn:
                given.setdefault(line.task_id, []).append(line)
            elif line.task_id or line.verdict or line.who or line.what_differs:
                what = "was not drawn" if line.task_id else f"has something filled in, and no {RECORD} beside it"
                faults.append(Fault(name, line.row, line.task_id, what))
    lines, unseen = {}, []
    for stratum in draw.strata:
        for task in stratum.drawn:
            found = list(_faults_of(task, given.get(task, []), today))
            faults += found
            filled = [line for line in given.get(task, []) if line.verdict]
            if filled and not found:
                lines[task] = filled[0]
            elif not found:
                unseen.append(task)
    order = {name: number for number, name in enumerate(sheets)}
    faults.sort(key=lambda fault: (order.get(fault.sheet, -1), fault.row))
    return Compared(draw, lines, tuple(faults), tuple(unseen))


def _faults_of(task: str, lines: Sequence[Line], today: date) -> Iterator[Fault]:
    if not lines:
        yield Fault("", 0, task, _ROW_GONE)
    filled = [line for line in lines if line.verdict]
    if not filled:
        for line in lines:
            if line.who or line.day or line.odd_day or line.what_differs:
                yield Fault(line.sheet, line.row, task, f"has nothing under {PAPER}, though other cells are filled in")
    # A row that was copied with its verdict says the same twice: that isn't a fault.
    elif len({(line.verdict, line.what_differs, line.who, line.day, line.odd_day) for line in filled}) > 1:
        where = ", ".join(f"{line.sheet} row {line.row}" for line in filled)
        yield Fault(filled[0].sheet, filled[0].row, task, f"has different verdicts: {where}")
    else:
        for what in _lacking(filled[0], today):
            yield Fault(filled[0].sheet, filled[0].row, task, what)


def _lacking(line: Line, today: date) -> Iterator[str]:
    if line.verdict not in VERDICTS:
        yield f"has {line.verdict[:40]!r} under {PAPER}; choose one of {', '.join(VERDICTS)}"
    if line.verdict == "differs" and not line.what_differs:
        yield f"differs, and nothing says what ({WHAT_DIFFERS})"
    if line.verdict == "equal" and line.what_differs:
        yield f"is equal, and has {line.what_differs[:40]!r} under {WHAT_DIFFERS}: only one of them can hold"
    if not line.who:
        yield f"doesn't say who checked it ({WHO})"
    if line.odd_day:
        yield f"has {line.odd_day[:40]!r} for a day; write a date, such as 2026-04-30"
    elif line.day is None:
        yield f"doesn't say on which day ({DAY})"
    elif line.day > today:
        yield f"is checked on {line.day}, a day still to come"


def _lines(path: Path, name: str, rows: Sequence[Sequence[Any]]) -> Iterator[Line]:
    wanted = (RECORD, PAPER, WHAT_DIFFERS, WHO, DAY)
    for number, (task, verdict, what, who, day) in rows_under(wanted, path, name, rows):
        read, odd = cell_day(day)
        yield Line(
            sheet=name,
            row=number,
            task_id=cell_text(task),
            verdict=" ".join(cell_text(verdict).casefold().split()),
            what_differs=cell_said(what),
            who=cell_said(who),
            day=read,
            odd_day=odd,
        )


def _issued(path: Path, sheets: Mapping[str, Sequence[Sequence[Any]]]) -> Draw:
    """The draw that the sheet was made for."""
    rows = [[cell_text(cell) for cell in row] for row in sheets.get(ISSUED_SHEET, ())]
    if len(rows) < 2 or rows[0][0] != FORMAT:
        raise AuditError(
            f"{path.name} is not a paper sheet of this version, or is damaged: its hidden sheet "
            f"{ISSUED_SHEET!r} doesn't begin with {FORMAT}"
        )
    damaged = f"{path.name} is damaged: its hidden sheet {ISSUED_SHEET!r} has been changed"
    if rows[1][: len(ISSUED_COLUMNS)] != list(ISSUED_COLUMNS):
        raise AuditError(damaged)
    try:
        _, export_name, seed, frame, tolerable, confidence, expected = rows[0][:7]
        # The hidden sheet says what was drawn of what, so that the result needs no export.
        strata: dict[tuple[str, str, int], list[str]] = {}
        for station, month, records, task in (row[:4] for row in rows[2:]):
            strata.setdefault((station, month, int(records)), []).append(task)
        aim = Aim(Fraction(tolerable), Fraction(confidence), int(expected))
    except (ValueError, ZeroDivisionError) as error:
        raise AuditError(damaged) from error
    made = tuple(Stratum(*key, tuple(drawn)) for key, drawn in strata.items())
    if not (_can_be(made) and 0 < aim.tolerable < 1 and 0 < aim.confidence < 1 and aim.expected >= 0):
        raise AuditError(damaged)
    return Draw(export_name, aim, seed, frame, made)


def _can_be(strata: Sequence[Stratum]) -> bool:
    """Whether a draw can have such strata: each named once, no record drawn twice, none with fewer than were drawn."""
    names = {(stratum.station, stratum.month) for stratum in strata}
    drawn = [task for stratum in strata for task in stratum.drawn]
    enough = all(stratum.records >= len(stratum.drawn) for stratum in strata)
    return bool(strata) and len(names) == len(strata) and len(set(drawn)) == len(drawn) and enough
