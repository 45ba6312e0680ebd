"""Foreign exports: which files each feed of a mapping reads, and reading them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from audit.errors import AuditError
from audit.intake.cells import Cells, ExportFile, Grid
from audit.intake.csv_files import Layout, read_csv_grid
from audit.intake.databases import Database
from audit.intake.files import list_files
from audit.intake.mapping import ExportMapping, Feed
from audit.intake.parquet_files import read_parquet_grid
from audit.intake.tables import TABLES
from audit.intake.translation import Recipe, recipe, translate
from audit.intake.workbooks import read_sheet, sheet_names

Choose = Callable[[Sequence[str]], Mapping[str, Any]]

_TEXT = (".csv", ".tsv", ".txt")
_WORKBOOK = (".xlsx", ".xlsm")


Opener = Callable[[], Sequence[Cells]]


def foreign_tables(
    export: Path | Database, mapping: ExportMapping, text_columns: Mapping[str, Collection[str]]
) -> dict[str, Opener]:
    """What reads each table that the mapping maps, in the order of `TABLES`.

    AuditError if a feed's files aren't there, or if it is about files and the export is a database, or the other way.
    """
    files = list_files(export, below=True) if isinstance(export, Path) else []
    openers: dict[str, Opener] = {}
    for name in (name for name in TABLES if name in mapping.written.tables):
        feeds = range(len(mapping.written.tables[name]))
        recipes = [recipe(mapping, name, number, TABLES[name], text_columns.get(name, ())) for number in feeds]
        if isinstance(export, Path):
            found = [(each, file) for each in recipes for file in _files_of(each, files)]
            openers[name] = partial(_read_all, found)
        else:
            openers[name] = partial(_read_from, export, recipes)
    return openers


def _read_from(database: Database, recipes: Sequence[Recipe]) -> list[Cells]:
    cells = []
    for each in recipes:
        feed = each.feed
        if feed.query is not None:
            at = f"query of {each.table.name}"
            number = each.place[-1]
            name = at if len(recipes) == 1 else f"{at}, feed {int(number) + 1}"
            grid = database.read_query(feed.query, name, partial(each.choose, file=name))
        elif feed.table is not None:
            grid = database.read_table(feed.table, partial(each.choose, file=f"table {feed.table}"))
        else:
            raise AuditError(f"{each.mapping.place((*each.place, 'files'))}: the export is a database, with no files")
        cells.append(translate(grid, each))
    return cells


def _files_of(recipe: Recipe, files: Sequence[ExportFile]) -> list[ExportFile]:
    """The files that a feed's patterns match, each once."""
    found: dict[str, ExportFile] = {}
    if recipe.feed.files is None:
        key = "table" if recipe.feed.table is not None else "query"
        raise AuditError(f"{recipe.mapping.place((*recipe.place, key))}: the export is not a database; give its URL")
    for pattern in recipe.feed.files:
        matching = [file for file in files if fnmatchcase(file.name, pattern)]
        if not matching:
            there = ", ".join(file.name for file in files[:10])
            raise AuditError(
                f"{recipe.mapping.place((*recipe.place, 'files'))}: the export has no file `{pattern}`; it has {there}"
            )
        found |= {file.name: file for file in matching}
    return [found[name] for name in sorted(found)]


def _read_all(found: Sequence[tuple[Recipe, ExportFile]]) -> list[Cells]:
    return [translate(grid, each) for each, file in found for grid in _read(each, file)]


def _read(recipe: Recipe, file: ExportFile) -> Iterator[Grid]:
    """What a feed reads of a file: the file, or each sheet of it that the feed names."""
    choose = partial(recipe.choose, file=file.name)
    ending = PurePosixPath(file.name).suffix.lower()
    if ending in _TEXT:
        yield read_csv_grid(file, layout(recipe.mapping, recipe.feed), choose)
        return
    if ending == ".parquet":
        yield read_parquet_grid(file, choose)
        return
    if ending in _WORKBOOK:
        for sheet in _sheets(recipe, file):
            yield read_sheet(file, sheet, layout(recipe.mapping, recipe.feed), choose)
        return
    raise AuditError(
        f"{recipe.mapping.place((*recipe.place, 'files'))}: {file.name} is neither text (.csv, .tsv, .txt) nor a "
        "workbook (.xlsx, .xlsm) nor Parquet"
    )


def _sheets(recipe: Recipe, file: ExportFile) -> list[str]:
    pattern = recipe.feed.sheet
    there = sheet_names(file)
    found = [name for name in there if fnmatchcase(name, pattern)] if pattern is not None else there
    if found and (pattern is not None or len(found) == 1):
        return found
    at = recipe.mapping.place((*recipe.place, "sheet" if pattern is not None else "files"))
    what = f"has no sheet `{pattern}`" if pattern is not None else "has several sheets, and the mapping names none"
    raise AuditError(f"{at}: {file.name} {what}; there are {', '.join(there)}")


def layout(mapping: ExportMapping, feed: Feed) -> Layout:
    """How the text files of a feed are written."""
    given = {
        key: value
        for key in ("encoding", "separator", "skip_rows", "header_rows", "footer_rows")
        if (value := mapping.setting(feed, key)) is not None
    }
    return Layout(**given)
