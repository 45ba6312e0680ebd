"""What goes wrong with an export: each edit changes its tables in place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from tests.faults.clean_export import Row, Tables

Edit = Callable[[Tables], None]
Change = str | Callable[[str], str]
"""The text that a cell gets, or what makes it of the text that it has."""

EVERY: Final[Row] = {}
"""Selects all rows."""


def _selected(tables: Tables, table: str, where: Row) -> list[Row]:
    """The rows whose cells begin as `where` says; a fault that hits no row would prove nothing."""
    rows = [row for row in tables[table] if all(row[name].startswith(text) for name, text in where.items())]
    assert rows, f"no row of {table} has {where}"
    return rows


def cells(table: str, where: Row, **changes: Change) -> Edit:
    """Write something else into cells."""

    def edit(tables: Tables) -> None:
        for row in _selected(tables, table, where):
            row.update({name: to if isinstance(to, str) else to(row[name]) for name, to in changes.items()})

    return edit


def without_rows(table: str, where: Row) -> Edit:
    """Leave rows out."""

    def edit(tables: Tables) -> None:
        gone = list(map(id, _selected(tables, table, where)))
        tables[table] = [row for row in tables[table] if id(row) not in gone]

    return edit


def without_table(table: str) -> Edit:
    """Don't export a table."""

    def edit(tables: Tables) -> None:
        del tables[table]

    return edit


def without_columns(table: str, *columns: str) -> Edit:
    """Don't export columns."""

    def edit(tables: Tables) -> None:
        for row in tables[table]:
            for column in columns:
                del row[column]

    return edit


def again(table: str, where: Row, **changes: Change) -> Edit:
    """Write rows a second time, with these cells otherwise."""

    def edit(tables: Tables) -> None:
        for row in _selected(tables, table, where):
            tables[table].append(
                row | {name: to if isinstance(to, str) else to(row[name]) for name, to in changes.items()}
            )

    return edit


def swapped(table: str, where: Row, one: str, other: str) -> Edit:
    """Write the cells of two columns under each other's name."""

    def edit(tables: Tables) -> None:
        for row in _selected(tables, table, where):
            row[one], row[other] = row[other], row[one]

    return edit


def appended(table: str, **row: str) -> Edit:
    """Add a row."""
    return lambda tables: tables[table].append(dict.fromkeys(tables[table][0], "") | row)
