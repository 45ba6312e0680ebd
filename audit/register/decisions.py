"""Decisions on findings: accepted or deferred, by whom, approved by whom, why and until when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import sqlalchemy as sa

from audit.errors import AuditError
from audit.intake.words import canonical
from audit.register.schema import DECISIONS

Kind = Literal["accepted", "deferred", "withdrawn"]

LEVEL_2_MONTHS: Final = 3
"""EASA 145.B.350 (d): a level 2 finding is put right within three months; longer takes a plan that was agreed."""


@dataclass(frozen=True)
class Decision:
    """A decision on a finding; `run` is the number under which it stands in the register."""

    finding: str
    kind: Kind
    decided_by: str
    approved_by: str
    reason: str
    until: date | None
    run: int = 0

    def last_day(self, level: str, first_found: date) -> date | None:
        """The last day on which it holds for a finding of a level, first found on that day; None where it never does.

        Settings may have raised the level since it was decided.
        """
        if self.kind != "deferred" or self.until is None or level not in ("1", "2"):
            return self.until
        if level == "1":
            return None
        return self.until if self.approved_by else min(self.until, months_after(first_found, LEVEL_2_MONTHS))

    def in_force(self, day: date, level: str, first_found: date) -> bool:
        """Whether it holds on a day for a finding of a level, first found on that day: the one place that says so."""
        last = self.last_day(level, first_found)
        return last is not None and day <= last

    def words(self, day: date, level: str, first_found: date) -> str:
        """Say it in a sentence, as it stands on a day."""
        approved = f", approved by {self.approved_by}" if self.approved_by else ""
        said = f"{self.kind} until {self.until} by {self.decided_by}{approved}: {self.reason}"
        if self.in_force(day, level, first_found):
            return said
        last = self.last_day(level, first_found)
        if last is None:
            return f"{said}; counts again: a level 1 finding can't be deferred"
        why = "expired" if last == self.until else f"level 2 can be deferred until {last}, longer only approved"
        return f"{said}; counts again: {why}"


def check_decision(decision: Decision, level: str, first_found: date, today: date) -> None:
    """AuditError where a finding of that level, first found on that day, can't be decided so today."""
    if decision.kind == "withdrawn":
        return
    short = decision.finding[:12]
    if decision.until is None or decision.until < today:
        raise AuditError(f"{short} can't be {decision.kind} until {decision.until}: that day is past on {today}")
    last = decision.last_day(level, first_found)
    if last is None:
        raise AuditError(f"{short} is of level 1, which can't be deferred: it is put right before the next flight")
    if canonical(decision.approved_by) == canonical(decision.decided_by):
        raise AuditError(f"{short}: {decision.decided_by} can't approve a decision of their own; name somebody else")
    if decision.kind == "accepted" and not decision.approved_by:
        raise AuditError(f"{short} can't be accepted by one person alone: say with --approved-by who approves it")
    if last < decision.until:
        raise AuditError(
            f"{short} was first found on {first_found}: level 2 can be deferred until {last}, longer only with "
            "--approved-by"
        )


def months_after(day: date, months: int) -> date:
    """The same day so many calendar months later; the month's last where it has no such day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for last in (day.day, 30, 29, 28):
        try:
            return date(year, month + 1, min(day.day, last))
        except ValueError:
            continue
    raise ValueError(day)


def last_decisions(connection: sa.Connection, before_run: int | None = None) -> dict[str, Decision]:
    """The last decision on each finding, or the last that was made before a run."""
    query = sa.select(DECISIONS).order_by(DECISIONS.c.run)
    if before_run is not None:
        query = query.where(DECISIONS.c.run < before_run)
    return {row["finding"]: Decision(**row) for row in connection.execute(query).mappings()}
