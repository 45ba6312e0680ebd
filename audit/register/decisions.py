"""Decisions on findings: accepted or deferred, by whom, approved by whom, why and until when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import sqlalchemy as sa

from audit.errors import AuditError
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

    def in_force(self, day: date, level: str) -> bool:
        """Whether it holds on a day for a finding of a level: the one place that says so."""
        return self.allows(level) and self.until is not None and day <= self.until

    def allows(self, level: str) -> bool:
        """Whether a finding of that level may be decided so; settings may have raised it since."""
        return self.kind == "accepted" or (self.kind == "deferred" and level != "1")

    def words(self, day: date, level: str) -> str:
        """Say it in a sentence, as it stands on a day."""
        approved = f", approved by {self.approved_by}" if self.approved_by else ""
        expired = "" if self.in_force(day, level) else "; counts again: "
        if expired:
            expired += "expired" if self.allows(level) else "a level 1 finding can't be deferred"
        return f"{self.kind} until {self.until} by {self.decided_by}{approved}: {self.reason}{expired}"


def check_decision(decision: Decision, level: str, first_found: date, today: date) -> None:
    """AuditError where a finding of that level, first found on that day, can't be decided so today."""
    if decision.kind == "withdrawn":
        return
    short = decision.finding[:12]
    if decision.until is None or decision.until < today:
        raise AuditError(f"{short} can't be {decision.kind} until {decision.until}: that day is past on {today}")
    if not decision.allows(level):
        raise AuditError(f"{short} is of level 1, which can't be deferred: it is put right before the next flight")
    if _same(decision.approved_by, decision.decided_by):
        raise AuditError(f"{short}: {decision.decided_by} can't approve a decision of their own; name somebody else")
    if decision.approved_by:
        return
    if decision.kind == "accepted":
        raise AuditError(f"{short} can't be accepted by one person alone: say with --approved-by who approves it")
    last = months_after(first_found, LEVEL_2_MONTHS)
    if level == "2" and decision.until > last:
        raise AuditError(
            f"{short} was first found on {first_found}: level 2 can be deferred until {last}, longer only with "
            "--approved-by"
        )


def _same(one: str, other: str) -> bool:
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


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
