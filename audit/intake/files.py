"""Export files: what an export holds, which table each file is, and reading it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Final

from audit.errors import AuditError
from audit.intake.cells import Cells, ExportFile
from audit.intake.csv_files import read_csv
from audit.intake.files_in_archives import unpacked
from audit.intake.location import BY_A_MAPPING
from audit.intake.parquet_files import read_parquet
from audit.intake.refusing import refusing
from audit.intake.tables import TABLES, Column, Table
from audit.intake.workbooks import read_workbook

_READERS: Final[Mapping[str, Callable[[ExportFile, Table, Sequence[Column]], Cells]]] = {
    ".csv": read_csv,
    ".parquet": read_parquet,
    ".xlsx": read_workbook,
}


_NEARLY_READ: Final = (*_READERS, ".tsv", ".txt", ".xlsm", ".xls", ".ods", ".gz", ".zip")
_CALLED_NEARLY: Final = re.compile(rf"(?i)({'|'.join(name.removesuffix('s') for name in TABLES)}|person)s?(?![^\W_\d])")
"""How the name of a file begins that may hold rows of a table: `tasks_2025`, `flight`, `lots (1)`."""

_SQLITE: Final = b"SQLite format 3\0"
"""How the file of an SQLite database begins (its file format, 1.3)."""


def find_files(export: Path) -> tuple[dict[str, ExportFile], tuple[str, ...]]:
    """The file of each canonical table (`tasks.csv`, `TASKS.PARQUET`), in the order of `TABLES`; and the names of files
    that are called nearly as a table is, of which none is read.

    AuditError if the export can't be read, holds no tasks, or two files for one table. Other files are ignored.
    """
    if export.is_file() and export.suffix.lower() != ".zip":
        raise AuditError(f"{export} is not a folder; {_instead(export)}")
    found: dict[str, ExportFile] = {}
    beside = []
    for file in list_files(export, below=False):
        path = PurePosixPath(file.name)
        name, ending = path.stem.lower(), path.suffix.lower()
        if name not in TABLES or ending not in _READERS:
            if _CALLED_NEARLY.match(name) and ending in _NEARLY_READ:
                beside.append(file.name)
            continue
        if name in found:
            raise AuditError(f"{export} holds two files for one table, {found[name].name} and {file.name}; leave one")
        found[name] = file
    if "tasks" not in found:
        near = f", but {beside[0]}" if beside else ""
        raise AuditError(
            f"{export} has no tasks table: neither tasks.csv nor tasks.parquet nor tasks.xlsx is there{near}; "
            f"{BY_A_MAPPING}"
        )
    return {name: found[name] for name in TABLES if name in found}, tuple(beside)


def _instead(file: Path) -> str:
    """What to give in the place of a file that isn't an archive."""
    with refusing(file.name), file.open("rb") as opened:
        if opened.read(len(_SQLITE)) == _SQLITE:
            return f"it is an SQLite database: give its URL, sqlite:///{file}"
    return f"give the folder, or a zip file, that holds the export's files; {BY_A_MAPPING}"


def list_files(export: Path, *, below: bool) -> list[ExportFile]:
    """The files of a folder (with those in folders `below` it) or zip archive, in order of their names; or the one."""
    try:
        if export.is_file():
            return unpacked(export) if export.suffix.lower() == ".zip" else [ExportFile(export.name, export)]
        if not export.exists():
            raise AuditError(f"{export}: there is no such folder")
        if not below:
            return [ExportFile(path.name, path) for path in sorted(export.iterdir()) if path.is_file()]
        return _all_below(export)
    except OSError as error:
        raise AuditError(f"{export} can't be listed: {error.strerror or error}") from error


def _all_below(folder: Path) -> list[ExportFile]:
    """Links that lead out of the folder are none of its files."""

    def refuse(error: OSError) -> None:
        raise error

    root = folder.resolve()
    found = []
    for parent, _, names in os.walk(root, onerror=refuse):
        for name in names:
            path = Path(parent, name)
            if path.resolve().is_relative_to(root) and path.is_file():
                found.append(ExportFile(path.relative_to(root).as_posix(), path))
    return sorted(found, key=lambda file: file.name)


def read_file(file: ExportFile, table: Table, wanted: Sequence[Column]) -> Cells:
    """The wanted columns of one export file; AuditError, naming the file and place, if it can't be read as a whole."""
    return _READERS[PurePosixPath(file.name).suffix.lower()](file, table, wanted)
