"""What a register holds, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from audit.errors import AuditError
from audit.figures import moment, quantity
from audit.register.altered_records import all_alterations
from audit.register.records import versions_of
from audit.register.schema import ANSWERS, DECISIONS, PAPER_SAMPLES, RUNS, SEALS, VERDICTS
from audit.register.store import Register, refusing

_SEAL_DIGITS = 16


def run_lines(register: Register) -> Iterator[str]:
    """A line for each run: number, when it was made, what it was, what it added, and the beginning of its seal.

    A finding has changed where it is new, or the run said something else of it than the run before.
    """
    with refusing(register.name):
        connection = register.connection
        added: dict[str, dict[int, int]] = {}
        for each, table in (("changed finding", VERDICTS), ("decision", DECISIONS), ("answer", ANSWERS)):
            count = sa.select(table.c.run, sa.func.count().label("rows")).group_by(table.c.run)
            added[each] = {row.run: row.rows for row in connection.execute(count)}
        whole = sa.select(PAPER_SAMPLES).where(PAPER_SAMPLES.c.number == 0)
        samples = {row.run: row for row in connection.execute(whole)}
        query = sa.select(RUNS, SEALS.c.seal).join(SEALS, SEALS.c.run == RUNS.c.run, isouter=True).order_by(RUNS.c.run)
        rows = list(connection.execute(query))
    if not rows:
        yield "The register has no run yet."
    for row in rows:
        parts = [f"{row.run:>5}", f"{row.made_at:%Y-%m-%d %H:%M} UTC", f"{row.kind:<7}"]
        if row.as_of is not None:
            parts.append(f"{row.export} as of {row.as_of:%Y-%m-%d %H:%M} UTC")
        counts = [quantity(number, each) for each in added if (number := added[each].get(row.run, 0))]
        if row.run in samples:
            shown = samples[row.run]
            counts.append(f"at most {shown.at_most:,} of {shown.records:,} records differ from the paper")
        parts.append(", ".join(counts) or "nothing changed")
        parts.append(f"seal {(row.seal or 'missing')[:_SEAL_DIGITS]}")
        yield "  ".join(parts)


def alteration_lines(register: Register) -> Iterator[str]:
    """A line for each thing that happened to a record since it was signed; one sentence where nothing did."""
    with refusing(register.name):
        altered = all_alterations(register.connection)
    for task, what, column, was, now, seen in altered.itertuples(index=False):
        told = ""
        if column:
            told = f" {column}: {was or 'blank'} -> {now or 'blank'}"
        elif now:
            told = f": its work ended {moment(now)}, and the run as of {moment(was)} did not have it"
        yield f"{seen:%Y-%m-%d}  {task}  {what}{told}"
    if altered.empty:
        yield "Nothing has happened to a record since it was signed."


def version_lines(register: Register, task: str) -> Iterator[str]:
    """Every version of a record, the first first, with the run that saw it. AuditError where there is none."""
    with refusing(register.name):
        versions = list(versions_of(register.connection, task))
    if not versions:
        raise AuditError(f"{register.name} has no task record {task[:40]!r}")
    for run, cells in versions:
        yield f"run {run}: " + (", ".join(f"{name} {cell}" for name, cell in cells.items()) or "not in the export")
