"""The tables of a register. Rows are only ever added; what belongs together was added by one run."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any, Final

import sqlalchemy as sa

from audit.register.packing import Damaged

HEAD: Final = "0005"
"""The revision (`migrations/versions`) that makes the tables as they stand here."""
VERSION_TABLE: Final = "register_version"
"""Where the revision of a register stands; a database without it is not a register."""


Read = Callable[[Any], Any]


def _telling(read: Read | None) -> Read:
    """The same reading of a cell, that raises Damaged of one that can't be read: SQLite keeps any value anywhere."""

    def told(cell: Any) -> Any:
        try:
            return read(cell) if read else cell
        except (ValueError, TypeError, LookupError) as error:
            raise Damaged(f"a cell of it holds {str(cell)[:40]!r}") from error

    return told


class UtcTime(sa.types.TypeDecorator[datetime]):
    """An instant in UTC, in every database: SQLite gives back naive times, PostgreSQL those of the session's zone."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def result_processor(self, dialect: sa.Dialect, coltype: object) -> Read:
        """What reads a cell."""
        return _telling(super().result_processor(dialect, coltype))

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """An instant on its way in; a naive one is a mistake of the program."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise TypeError("an instant needs a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        """An instant on its way out."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Day(sa.types.TypeDecorator[date]):
    """A day of the calendar."""

    impl = sa.Date
    cache_ok = True

    def result_processor(self, dialect: sa.Dialect, coltype: object) -> Read:
        """What reads a cell."""
        return _telling(super().result_processor(dialect, coltype))


class YesNo(sa.types.TypeDecorator[bool]):
    """A truth value: SQLite has a number in its place, and would take any other than 0 for true."""

    impl = sa.Boolean
    cache_ok = True

    def result_processor(self, dialect: sa.Dialect, coltype: object) -> Read:
        """What reads a cell."""

        def read(cell: Any) -> bool | None:
            return None if cell is None else {0: False, 1: True}[cell]

        return _telling(read)


METADATA: Final = sa.MetaData()


def _text(name: str, **options: Any) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False, **options)


def _run(**options: Any) -> sa.Column[int]:
    return sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False, **options)


RUNS: Final = sa.Table(
    "runs",
    METADATA,
    sa.Column("run", sa.Integer, primary_key=True, autoincrement=False),
    _text("kind"),
    sa.Column("made_at", UtcTime, nullable=False),
    sa.Column("as_of", UtcTime),
    _text("export"),
    _text("version"),
    _text("reading"),
    sa.Column("whole", YesNo),
    sa.Column("records", sa.Integer, nullable=False),
    _text("records_root"),
)
"""Whatever was added at one go: kind is check, start, decide, answers or sample. `as_of`, `export` and `whole`
(whether the export was; null: nobody asked) are those of the audit, `reading` tells which mapping and version read it;
`records` and `records_root` count and seal the task records as the register knows them."""

RUN_FILES: Final = sa.Table(
    "run_files",
    METADATA,
    _run(primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    _text("kind"),
    _text("name"),
    _text("sha256"),
    sa.Column("size", sa.BigInteger, nullable=False),
)
"""The files that a run read: kind is input, rules, settings, answers or paper."""

FINDINGS: Final = sa.Table(
    "findings",
    METADATA,
    _text("finding", primary_key=True),
    _run(),
    _text("rule"),
    _text("aircraft"),
    _text("position"),
    _text("work_order"),
    _text("task_id"),
    _text("station"),
    sa.Column("at", UtcTime),
    _text("message"),
)
"""Every finding, as the run said that first found it."""

FINDING_FLIGHTS: Final = sa.Table(
    "finding_flights",
    METADATA,
    _run(),
    sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), primary_key=True),
    _text("flight_id"),
)
"""The flight of each finding that names one, as it was first known: without it in the export nothing is cleared."""

VERDICTS: Final = sa.Table(
    "verdicts",
    METADATA,
    _run(primary_key=True),
    sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), primary_key=True, index=True),
    _text("state"),
    _text("why"),
    _text("level"),
    _text("rule_digest"),
)
"""What a run said of a finding, where that differs from the run before: its state (open, corrected, cleared); why it
was not found, blank where it was; its level, and the digest of the rule that last found it."""

DECISIONS: Final = sa.Table(
    "decisions",
    METADATA,
    _run(primary_key=True),
    sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), primary_key=True),
    _text("kind"),
    _text("decided_by"),
    _text("approved_by"),
    _text("reason"),
    sa.Column("until", Day),
)
"""Decisions on findings: kind is accepted, deferred or withdrawn. The last on a finding is the one that counts."""

SEALS: Final = sa.Table(
    "seals",
    METADATA,
    _run(primary_key=True),
    _text("previous"),
    _text("seal"),
)
"""The chain of seals: see `audit.register.seal`."""

ANSWERS: Final = sa.Table(
    "answers",
    METADATA,
    _run(primary_key=True),
    sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), primary_key=True),
    _text("answer"),
    _text("answered_by"),
    sa.Column("day", Day, nullable=False),
    _text("note"),
)
"""Answers of work lists, as they came back."""

RECORDS: Final = sa.Table(
    "records",
    METADATA,
    _run(primary_key=True),
    sa.Column("part", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("rows", sa.Integer, nullable=False),
    sa.Column("ids", sa.LargeBinary, nullable=False),
    sa.Column("digests", sa.LargeBinary, nullable=False),
    sa.Column("contents", sa.LargeBinary, nullable=False),
)
"""Task records that a run saw for the first time, or otherwise than before: see `audit.register.records`. Whole columns
of many rows, since a row each would take minutes for millions."""

ALTERATIONS: Final = sa.Table(
    "alterations",
    METADATA,
    _run(primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    _text("task_id"),
    _text("what"),
    _text("column"),
    _text("was"),
    _text("now"),
)
"""What has happened to task records since they were signed: see `audit.register.altered_records`."""

PAPER_SAMPLES: Final = sa.Table(
    "paper_samples",
    METADATA,
    _run(primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    *(_text(name) for name in ("aim", "seed", "frame", "station", "month")),
    *(sa.Column(name, sa.Integer, nullable=False) for name in ("records", "drawn", "deviating", "at_most")),
)
"""What samples held beside the paper showed, of all records (number 0) and of each stratum: see
`audit.register.paper_samples`."""

SEALED: Final = (RUN_FILES, FINDINGS, VERDICTS, DECISIONS, ANSWERS, RECORDS, ALTERATIONS)
"""The tables that a seal covers, beside the row of `runs`."""
SEALED_WHERE_USED: Final = (PAPER_SAMPLES, FINDING_FLIGHTS)
"""Those that it covers where the run added to them: seals that are older than a table stay as they were."""
