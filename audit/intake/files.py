"""Export files: which table each one holds, and reading it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from audit.errors import AuditError
from audit.intake.cells import Cells
from audit.intake.csv_files import read_csv
from audit.intake.parquet_files import read_parquet
from audit.intake.tables import TABLES, Column, Table

_READERS: Final[Mapping[str, Callable[[Path, Table, Sequence[Column]], Cells]]] = {
    ".csv": read_csv,
    ".parquet": read_parquet,
}


def find_files(folder: Path) -> dict[str, Path]:
    """The file of each canonical table in `folder` (`tasks.csv`, `TASKS.PARQUET`), in the order of `TABLES`.

    AuditError if the folder can't be read, holds no tasks, or two files for one table. Other files are ignored.
    """
    if not folder.exists():
        raise AuditError(f"{folder}: there is no such folder")
    if not folder.is_dir():
        raise AuditError(f"{folder} is not a folder; give the folder that holds the export's files")
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise AuditError(f"{folder} can't be listed: {error.strerror}") from error
    found: dict[str, Path] = {}
    for path in entries:
        name = path.stem.lower()
        if name not in TABLES or path.suffix.lower() not in _READERS or not path.is_file():
            continue
        if name in found:
            raise AuditError(f"{folder} holds two files for one table, {found[name].name} and {path.name}; leave one")
        found[name] = path
    if "tasks" not in found:
        raise AuditError(f"{folder} has no tasks table: neither tasks.csv nor tasks.parquet is there")
    return {name: found[name] for name in TABLES if name in found}


def read_file(path: Path, table: Table, wanted: Sequence[Column]) -> Cells:
    """The wanted columns of one export file; AuditError, naming the file and place, if it can't be read as a whole."""
    try:
        return _READERS[path.suffix.lower()](path, table, wanted)
    except OSError as error:
        raise AuditError(f"{path.name} can't be read: {error}") from error
