"""Adding rows to a register: all that one run adds stands under its number."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from audit.findings.result import InputFile
from audit.register.schema import RUN_FILES, RUNS


def begin_run(
    connection: sa.Connection,
    kind: str,
    *,
    as_of: datetime | None = None,
    export: str = "",
    version: str = "",
    whole: bool | None = None,
    reading: str = "",
    records: tuple[int, str] = (0, ""),
    files: Iterable[tuple[str, InputFile]] = (),
) -> int:
    """Add the row of a run, with the files that it read by their kinds, and return its number."""
    number = (connection.execute(sa.select(sa.func.max(RUNS.c.run))).scalar() or 0) + 1
    row = {
        "run": number,
        "kind": kind,
        "made_at": datetime.now(UTC),
        "as_of": as_of,
        "export": storable(export),
        "version": version,
        "reading": reading,
        "whole": whole,
        "records": records[0],
        "records_root": records[1],
    }
    connection.execute(sa.insert(RUNS), [row])
    read = [
        {"number": place, "kind": of, "name": storable(file.name), "sha256": file.sha256, "size": file.size}
        for place, (of, file) in enumerate(files, start=1)
    ]
    add_rows(connection, RUN_FILES, number, read)
    return number


def storable(text: str) -> str:
    """Text as every database takes it: what is not Unicode is escaped, and a NUL shown as its picture."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\u2400")


def add_rows(connection: sa.Connection, table: sa.Table, run: int, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add rows of a run to a table."""
    if rows:
        told = [{name: storable(cell) if isinstance(cell, str) else cell for name, cell in row.items()} for row in rows]
        connection.execute(sa.insert(table), [row | {"run": run} for row in told])
