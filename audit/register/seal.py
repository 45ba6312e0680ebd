"""Seals: each run's, over the seal before and all that the run added.

A chain alone doesn't stop whoever holds the register from rewriting all of it; a seal that was printed, or signed with
a key that they don't have, does.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Collection, Iterator
from datetime import date, datetime
from typing import Any, Final

import sqlalchemy as sa

from audit.register.merkle import merkle_root
from audit.register.packing import Damaged
from audit.register.records import first_wrong
from audit.register.schema import RUNS, SEALED, SEALED_WHERE_USED, SEALS

FORMAT: Final = "deicer-audit-seal/1"
_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"))
_ALWAYS: Final = frozenset(table.name for table in SEALED)
NO_SEAL: Final = "0" * 64
"""What stands for the seal before the first."""


def add_seal(connection: sa.Connection, run: int) -> str:
    """Seal a run, all of whose rows have been added, and return the seal."""
    previous = connection.execute(sa.select(SEALS.c.seal).where(SEALS.c.run == run - 1)).scalar() or NO_SEAL
    seal = seal_of(connection, run, previous)
    connection.execute(sa.insert(SEALS), [{"run": run, "previous": previous, "seal": seal}])
    return seal


def seal_of(connection: sa.Connection, run: int, previous: str) -> str:
    """The seal of a run as its rows stand now: SHA-256 (hexadecimal) of canonical JSON.

    It holds the seal before, the run's own row, and for each table the Merkle root of what the run added to it, a leaf
    a row, in the order of their bytes. Every row is the JSON array of its cells: times as ISO 8601 in UTC, bytes as
    their SHA-256.
    """
    head, *_ = _rows(connection, RUNS, run)
    added = {table.name: list(_rows(connection, table, run)) for table in (*SEALED, *SEALED_WHERE_USED)}
    kept = {name: rows for name, rows in added.items() if rows or name in _ALWAYS}
    roots = {name: merkle_root(rows).hex() for name, rows in kept.items()}
    content = {"format": FORMAT, "previous": previous, "run": head.decode(), "roots": roots}
    return hashlib.sha256(_json(content)).hexdigest()


def _rows(connection: sa.Connection, table: sa.Table, run: int) -> Iterator[bytes]:
    query = sa.select(table).where(table.c.run == run)
    # Databases order text each in their own way.
    yield from sorted(_json([_cell(cell) for cell in row]) for row in connection.execute(query))


def _cell(cell: Any) -> Any:
    if isinstance(cell, datetime | date):
        return cell.isoformat()
    if isinstance(cell, bytes | memoryview):
        return hashlib.sha256(cell).hexdigest()
    return cell


def _json(value: Any) -> bytes:
    return _ENCODER.encode(value).encode()


def first_broken(connection: sa.Connection) -> tuple[int, str] | None:
    """The first run that doesn't fit, and how; None where all do, and nothing stands under a run that there isn't."""
    sealed = {row.run: (row.previous, row.seal) for row in connection.execute(sa.select(SEALS))}
    runs = set(connection.execute(sa.select(RUNS.c.run)).scalars())
    previous = NO_SEAL
    # Numbered without a gap, each sealed, each over the seal before, and each as its rows stand now.
    for expected, run in enumerate(sorted(runs | set(sealed)), start=1):
        if run != expected:
            return expected, "it is missing"
        if run not in sealed or run not in runs:
            return run, "it has no seal" if run in runs else "its seal is all that is left of it"
        before, seal = sealed[run]
        if before != previous:
            return run, "it doesn't follow the run before"
        try:
            same = seal == seal_of(connection, run, previous)
        except Damaged as damage:
            return run, str(damage)
        if not same:
            return run, "what stands under it is not what was sealed"
        previous = seal
    if strays := _strays(connection, runs):
        return strays[0], "there is no such run, and something stands under it"
    wrong = first_wrong(connection)
    return None if wrong is None else (wrong, "its task records are not those that its row in the register speaks of")


def has_runs(connection: sa.Connection) -> bool:
    """Whether anything was ever added: of an empty register every run is as it was sealed."""
    return connection.execute(sa.select(RUNS.c.run).limit(1)).first() is not None


def _strays(connection: sa.Connection, runs: Collection[int]) -> list[int]:
    """Numbers under which rows stand though there is no such run: no seal covers them."""
    named: set[int] = set()
    for table in (*SEALED, *SEALED_WHERE_USED):
        named |= set(connection.execute(sa.select(table.c.run).distinct()).scalars())
    return sorted(named - set(runs), key=str)


def sealed_as(connection: sa.Connection, begins: str) -> int | None:
    """The number of the run whose seal begins so, as `seal_digits` writes it; None where none does."""
    seals = connection.execute(sa.select(SEALS).order_by(SEALS.c.run))
    return next((row.run for row in seals if row.seal.startswith(begins)), None)


def seal_digits(written: str) -> str:
    """The digits of a seal, or of its beginning, as somebody wrote it. ValueError where they are not those of one."""
    digits = "".join(written.split()).lower()
    if not re.fullmatch("[0-9a-f]{8,64}", digits):
        raise ValueError(written)
    return digits
