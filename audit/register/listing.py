"""What a register holds, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

import sqlalchemy as sa

from audit.register.schema import ANSWERS, DECISIONS, RUNS, SEALS, VERDICTS
from audit.register.store import Register, refusing

_SEAL_DIGITS = 16


def run_lines(register: Register) -> Iterator[str]:
    """A line for each run: number, when it was made, what it was, what it added, and the beginning of its seal."""
    with refusing(register.name):
        connection = register.connection
        added: dict[str, dict[int, int]] = {}
        for table in (VERDICTS, DECISIONS, ANSWERS):
            count = sa.select(table.c.run, sa.func.count().label("rows")).group_by(table.c.run)
            added[table.name] = {row.run: row.rows for row in connection.execute(count)}
        query = sa.select(RUNS, SEALS.c.seal).join(SEALS, SEALS.c.run == RUNS.c.run, isouter=True).order_by(RUNS.c.run)
        rows = list(connection.execute(query))
    for row in rows:
        parts = [f"{row.run:>5}", f"{row.made_at:%Y-%m-%d %H:%M} UTC", f"{row.kind:<7}"]
        if row.as_of is not None:
            parts.append(f"{row.export} as of {row.as_of:%Y-%m-%d %H:%M} UTC")
        counts = [f"{number:,} {name}" for name in added if (number := added[name].get(row.run, 0))]
        parts.append(", ".join(counts) or "nothing changed")
        parts.append(f"seal {(row.seal or 'missing')[:_SEAL_DIGITS]}")
        yield "  ".join(parts)
