"""Answers to the work list: what the shop says that it did, kept beside what the next exports show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import sqlalchemy as sa

from audit.findings.result import InputFile
from audit.register.schema import ANSWERS
from audit.register.seal import add_seal
from audit.register.states import known_findings, meant
from audit.register.store import Register, refusing
from audit.register.writing import add_rows, begin_run

DONE: Final = "done"
"""The answer that a later export may contradict."""


@dataclass(frozen=True)
class Answer:
    """What somebody answered on a finding of the work list."""

    finding: str
    answer: str
    answered_by: str
    day: date
    note: str


def add_answers(register: Register, answers: Iterable[Answer], sheet: InputFile) -> list[Answer]:
    """Add the answers that the register doesn't have yet, uncommitted, and return them."""
    with refusing(register.name):
        connection = register.connection
        ids = list(known_findings(connection))
        told = [replace(each, finding=meant(ids, each.finding, register.name)) for each in answers]
        # Yesterday's sheet, read again after today's, isn't a new answer either.
        before = set(_answers(connection))
        new = [each for each in told if each not in before]
        if new:
            number = begin_run(connection, "answers", files=[("answers", sheet)])
            add_rows(connection, ANSWERS, number, [vars(each) for each in new])
            add_seal(connection, number)
        return new


def last_answers(connection: sa.Connection) -> dict[str, Answer]:
    """The last answer on each finding."""
    return {answer.finding: answer for answer in _answers(connection)}


def _answers(connection: sa.Connection) -> Iterator[Answer]:
    """Every answer, the first first."""
    columns = [ANSWERS.c[name] for name in Answer.__dataclass_fields__]
    for row in connection.execute(sa.select(*columns).order_by(ANSWERS.c.run)):
        yield Answer(*tuple(row))
