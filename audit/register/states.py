"""What the register last knew of each finding."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from audit.errors import AuditError
from audit.register.schema import FINDING_FLIGHTS, FINDINGS, RUNS, VERDICTS
from audit.register.store import Register, refusing

AUDITS = ("check", "start")
"""The kinds of run that judge an export."""
SHORTEST_ID = 4
SHOWN_DIGITS = 12


@dataclass(frozen=True)
class Run:
    """An audit that the register holds."""

    run: int
    kind: str
    as_of: datetime
    export: str
    reading: str


@dataclass(frozen=True)
class Known:
    """A finding as the register last knew it.

    `state` is open, corrected or cleared; `why` says why it is not found, blank where the last run found it; both
    since the run whose as-of time is `since`. `level` and `rule_digest` are those by which it was last found.
    `flight_id` is blank where it names no flight, and where no run yet knew it.
    """

    finding: str
    rule: str
    aircraft: str
    position: str
    work_order: str
    task_id: str
    at: datetime | None
    first_found: datetime
    since: datetime
    state: str
    why: str
    level: str
    rule_digest: str
    flight_id: str


def audits(connection: sa.Connection) -> list[Run]:
    """The audits in the register, the first first."""
    columns = (RUNS.c[name] for name in Run.__dataclass_fields__)
    query = sa.select(*columns).where(RUNS.c.kind.in_(AUDITS)).order_by(RUNS.c.run)
    return [Run(*row) for row in connection.execute(query)]


def latest_as_of(register: Register) -> datetime | None:
    """The latest as-of time of any audit in the register."""
    with refusing(register.name):
        return max((run.as_of for run in audits(register.connection)), default=None)


def known_findings(connection: sa.Connection) -> dict[str, Known]:
    """Every finding of the register, by its id."""
    last = sa.select(VERDICTS.c.finding, sa.func.max(VERDICTS.c.run).label("run")).group_by(VERDICTS.c.finding)
    last_verdict, first, then = last.subquery(), RUNS.alias("first"), RUNS.alias("then")
    columns = [FINDINGS.c[name] for name in ("finding", "rule", "aircraft", "position", "work_order", "task_id", "at")]
    verdict = [VERDICTS.c[name] for name in ("state", "why", "level", "rule_digest")]
    flight = sa.func.coalesce(FINDING_FLIGHTS.c.flight_id, "")
    query = (
        sa.select(*columns, first.c.as_of, then.c.as_of, *verdict, flight)
        .join(last_verdict, last_verdict.c.finding == FINDINGS.c.finding)
        .join(
            VERDICTS,
            sa.and_(VERDICTS.c.finding == last_verdict.c.finding, VERDICTS.c.run == last_verdict.c.run),
        )
        .join(first, first.c.run == FINDINGS.c.run)
        .join(then, then.c.run == VERDICTS.c.run)
        .outerjoin(FINDING_FLIGHTS, FINDING_FLIGHTS.c.finding == FINDINGS.c.finding)
    )
    return {row[0]: Known(*tuple(row)) for row in connection.execute(query)}


def meant(ids: list[str], written: str, name: str) -> str:
    """The one finding whose id begins with what was written. AuditError where none does, or several do."""
    begins = written.strip().lower()
    if len(begins) < SHORTEST_ID:
        raise AuditError(f"{written[:40]!r} is too short for a finding's id: write at least {SHORTEST_ID} digits of it")
    found = [each for each in ids if each.startswith(begins)]
    if not found:
        raise AuditError(f"{name} has no finding {written[:40]!r}; ids are in findings.csv and gone.csv")
    if len(found) > 1:
        raise AuditError(f"{len(found)} findings in {name} begin with {written[:40]!r}: write more of the id")
    return found[0]
