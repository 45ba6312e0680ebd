"""Foreign exports: which files each feed of a mapping reads, and reading them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from audit.errors import AuditError
from audit.intake.cells import Cells, ExportFile, Grid
from audit.intake.csv_files import Layout, read_csv_grid
from audit.intake.files import list_files
from audit.intake.mapping import ExportMapping, Feed
from audit.intake.parquet_files import read_parquet_grid
from audit.intake.tables import TABLES
from audit.intake.translation import Recipe, recipe, translate

Choose = Callable[[Sequence[str]], Mapping[str, Any]]

_TEXT = (".csv", ".tsv", ".txt")


def foreign_tables(
    export: Path, mapping: ExportMapping, text_columns: Mapping[str, Collection[str]]
) -> dict[str, Callable[[], Sequence[Cells]]]:
    """What reads each table that the mapping maps, in the order of `TABLES`.

    AuditError if a feed's files aren't there.
    """
    files = list_files(export, below=True)
    openers: dict[str, Callable[[], Sequence[Cells]]] = {}
    for name in (name for name in TABLES if name in mapping.written.tables):
        feeds = range(len(mapping.written.tables[name]))
        recipes = [recipe(mapping, name, number, TABLES[name], text_columns.get(name, ())) for number in feeds]
        found = [(each, file) for each in recipes for file in _files_of(each, files)]
        openers[name] = partial(_read_all, found)
    return openers


def _files_of(recipe: Recipe, files: Sequence[ExportFile]) -> list[ExportFile]:
    """The files that a feed's patterns match, each once."""
    found: dict[str, ExportFile] = {}
    for pattern in recipe.feed.files or ():
        matching = [file for file in files if fnmatchcase(file.name, pattern)]
        if not matching:
            there = ", ".join(file.name for file in files[:10])
            raise AuditError(
                f"{recipe.mapping.place((*recipe.place, 'files'))}: the export has no file `{pattern}`; it has {there}"
            )
        found |= {file.name: file for file in matching}
    return [found[name] for name in sorted(found)]


def _read_all(found: Sequence[tuple[Recipe, ExportFile]]) -> list[Cells]:
    return [translate(_read(each, file), each) for each, file in found]


def _read(recipe: Recipe, file: ExportFile) -> Grid:
    choose = partial(recipe.choose, file=file.name)
    ending = PurePosixPath(file.name).suffix.lower()
    try:
        if ending in _TEXT:
            return read_csv_grid(file, layout(recipe.mapping, recipe.feed), choose)
        if ending == ".parquet":
            return read_parquet_grid(file, choose)
    except OSError as error:
        raise AuditError(f"{file.name} can't be read: {error}") from error
    raise AuditError(
        f"{recipe.mapping.place((*recipe.place, 'files'))}: {file.name} is neither text (.csv, .tsv, .txt) nor Parquet"
    )


def layout(mapping: ExportMapping, feed: Feed) -> Layout:
    """How the text files of a feed are written."""
    given = {
        key: value
        for key in ("encoding", "separator", "skip_rows", "header_rows", "footer_rows")
        if (value := mapping.setting(feed, key)) is not None
    }
    return Layout(**given)
