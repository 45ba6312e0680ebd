"""The profile of an earlier run, from its report folder: what tonight's export is measured against."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from audit.errors import AuditError
from audit.health.facts import PROFILE_FILE
from audit.intake.export import InputFile

PROFILE_COLUMNS: Final = ("run", "table", "column", "fact", "value", "detail")
"""Columns of profile.csv: a profile, and before it `run`: 0 for the run itself, 1 and on for the row counts of those
before it."""

MOST_RUNS: Final = 30
LARGEST: Final = 10_000_000


@dataclass(frozen=True)
class Earlier:
    """An earlier run's facts by table, column and fact; rows read by table, its own and those of runs before."""

    facts: Mapping[tuple[str, str, str], float]
    counts: tuple[Mapping[str, float], ...]
    source: InputFile

    def rows(self, table: str) -> tuple[float, ...]:
        """Rows read of a table, run by run, the latest first; a table that a run didn't have counts as none."""
        return tuple(run.get(table, 0.0) for run in self.counts)


def read_earlier(path: Path) -> Earlier:
    """Read profile.csv, or that of a report folder. AuditError names the file and the line."""
    file = path / PROFILE_FILE if path.is_dir() else path
    try:
        with file.open("rb") as opened:
            content = opened.read(LARGEST + 1)
    except OSError as error:
        raise AuditError(f"{file}: the earlier run's profile can't be read: {error.strerror}") from None
    if len(content) > LARGEST:
        raise AuditError(f"{file}: expected the profile of an earlier run, of at most 10 MB")
    csv.field_size_limit(LARGEST)
    rows = csv.reader(io.StringIO(content.decode("utf-8", "replace"), newline=""))
    if tuple(next(rows, ())) != PROFILE_COLUMNS:
        raise AuditError(f"{file}, line 1: expected the columns {', '.join(PROFILE_COLUMNS)}: is it a {PROFILE_FILE}?")
    facts: dict[tuple[str, str, str], float] = {}
    counts: list[dict[str, float]] = []
    for row in rows:
        try:
            run, table, column, fact, value, _ = row
            number, at = int(run), float(value) if value else math.nan
            if not 0 <= number <= MOST_RUNS or math.isinf(at):
                raise ValueError
        except ValueError:
            raise AuditError(f"{file}, line {rows.line_num}: expected a fact of an earlier run") from None
        if number == 0:
            facts[table, column, fact] = at
        if fact == "rows_read" and not math.isnan(at):
            counts.extend({} for _ in range(number + 1 - len(counts)))
            counts[number][table] = at
    return Earlier(facts, tuple(counts), InputFile(file.name, hashlib.sha256(content).hexdigest(), len(content)))
