"""Lists: the product, lot and manual revision that a record names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from audit.intake.names import names_several_listed
from audit.timeline.codes import MISSING, by_name, codes_in, codes_of, names_of
from audit.timeline.column_values import NEARLY, Values, blank, not_exported, not_supplied, own, reasoned, unreadable
from audit.timeline.days import work_day
from audit.timeline.instants import DAY, NEVER, Bools, Ints, Order, micros, take
from audit.timeline.timeline import Timeline

LISTS: Final[Mapping[str, tuple[str, tuple[str, ...], tuple[str, ...]]]] = {
    "product": ("products", ("product",), ("product",)),
    "lot": ("lots", ("lot", "product"), ("lot", "product")),
    "manual": ("manuals", ("manual", "revision"), ("manual", "manual_revision")),
}
"""The lists that a record is joined with: table, the columns that name its rows, and those of the record."""

LATER_REVISION: Final = "a later revision was in force, and the list does not say when this one was superseded"

_LARGEST_LOOKUP = 4_000_000
"""Keys for which a row is looked up in a table of all of them; more are searched for."""


def of_list(timeline: Timeline, name: str, prefix: str, column: str, tasks: Ints) -> Values:
    """A column of the row of a list that each record names."""
    table, columns, task_columns = LISTS[prefix]
    if not timeline.supplied(table):
        return not_supplied(name, table, len(tasks))
    if lacking := [one for one in task_columns if one not in timeline.tasks]:
        return not_exported(name, len(tasks), lacking[0])
    row, names_one = timeline.timeless(("pair", table), lambda: _pairs(timeline, table, columns, task_columns))
    rows, named = row[tasks], names_one[tasks]
    found = own(timeline.tables[table], name, rows, column)
    if column not in timeline.tables[table]:
        return found
    what = {"lots": "lot", "manuals": "manual revision"}.get(table, table.removesuffix("s"))
    unlisted = named & (rows < 0)
    near = unlisted & _nearly_known(timeline, table, task_columns, tasks)
    several = _several_listed(timeline, table, columns, task_columns, np.where(unlisted, tasks, MISSING))
    unread = unreadable(timeline, table, column, rows)
    aside = unlisted & _perhaps_listed(timeline, table, columns, task_columns, tasks)
    later = (
        _perhaps_superseded(timeline, tasks, rows, found.missing)
        if name == "manual.superseded_on"
        else np.zeros_like(near)
    )
    reasons, why = reasoned(
        (near, f"{what} {NEARLY} {table}"),
        (several, f"one cell names several: {' or '.join(task_columns)}"),
        (aside, f"a row of {table} in quarantine may be that {what}"),
        (unread, f"can't be read: {name}"),
        (later, LATER_REVISION),
        (named & (rows < 0), f"{what} not listed in {table}"),
        *((codes_of(timeline.tasks[one])[tasks] == MISSING, blank(one)) for one in task_columns),
        otherwise=blank(name),
    )
    undecidable = found.undecidable | near | several | unread | aside | later
    return replace(found, undecidable=undecidable, reasons=reasons, why=why)


def _pairs(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...]
) -> tuple[Ints, Bools]:
    """Row in `table` that agrees with each record on all columns, -1 where none; and whether the record names one."""
    frame, count = timeline.tables[table], len(timeline.tasks)
    combined_task = np.zeros(count, np.int64)
    combined_row = np.zeros(len(frame), np.int64)
    named = np.ones(count, bool)
    listed = np.ones(len(frame), bool)
    size = 1
    for column, task_column in zip(columns, task_columns, strict=True):
        task_values = timeline.tasks[task_column]
        names = names_of((frame[column], task_values))
        task_codes = codes_in(names, task_values)
        row_codes = codes_in(names, frame[column])
        named &= task_codes != MISSING
        listed &= row_codes != MISSING
        combined_task = combined_task * (len(names) + 1) + task_codes + 1
        combined_row = combined_row * (len(names) + 1) + row_codes + 1
        size *= len(names) + 1
    # The columns of a key became one number, on the list as in the records.
    keys = np.flatnonzero(listed)
    if size <= _LARGEST_LOOKUP:
        row_of = np.full(size, -1)
        row_of[combined_row[keys]] = keys
        return np.where(named, row_of[combined_task], -1), named
    if not len(keys):
        return np.full(count, -1), named
    order = keys[np.argsort(combined_row[keys], kind="stable")]
    place = np.searchsorted(combined_row[order], combined_task)
    place = np.minimum(place, len(order) - 1)
    hit = named & (combined_row[order[place]] == combined_task)
    return np.where(hit, order[place], -1), named


def _perhaps_superseded(timeline: Timeline, tasks: Ints, rows: Ints, undated: Bools) -> Bools:
    """Of which records the revision, of no known day of supersession, had a later one of its manual by the day of the
    work."""
    manuals = timeline.tables["manuals"]
    manual, since = codes_of(manuals["manual"]), micros(manuals["effective_from"])
    order, cited, began = Order.of(manual, since), take(manual, rows, MISSING), take(since, rows, NEVER)
    by_then = order.until(cited, work_day(timeline, tasks) * DAY)
    found: Bools = (rows >= 0) & undated & (by_then > order.until(cited, began))
    return found


def _several_listed(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...], tasks: Ints
) -> Bools:
    """Which records (MISSING: not asked about) name several things of a list in one cell."""
    found = np.zeros(len(tasks), bool)
    for column, task_column in zip(columns, task_columns, strict=True):
        listed = frozenset(map(str, timeline.tables[table][column].cat.categories))
        cells = timeline.tasks[task_column].cat
        codes = np.where(tasks == MISSING, MISSING, cells.codes.to_numpy()[tasks])
        asked = np.setdiff1d(codes, [MISSING])
        found |= np.isin(codes, [code for code in asked if names_several_listed(str(cells.categories[code]), listed)])
    return found


def _perhaps_listed(
    timeline: Timeline, table: str, columns: tuple[str, ...], task_columns: tuple[str, ...], tasks: Ints
) -> Bools:
    """Which records may name a row that was set aside: it agrees in all cells of its key that can be read."""
    found = np.zeros(len(tasks), bool)
    aside = timeline.aside[table]
    if aside.empty:
        return found
    # Rows that lack the same cells agree in the others.
    lacks = aside[list(columns)].isna().to_numpy()
    for pattern in np.unique(lacks, axis=0):
        some = aside[(lacks == pattern).all(axis=1)]
        key, asked = np.zeros(len(some), np.int64), np.zeros(len(tasks), np.int64)
        for column, task_column, lacking in zip(columns, task_columns, pattern, strict=True):
            if not lacking:
                names = names_of((some[column], timeline.tasks[task_column]))
                key = key * (len(names) + 1) + codes_in(names, some[column]) + 1
                asked = asked * (len(names) + 1) + codes_in(names, timeline.tasks[task_column])[tasks] + 1
        found |= np.isin(asked, key)
    return found


def _nearly_known(timeline: Timeline, table: str, columns: tuple[str, ...], tasks: Ints) -> Bools:
    """Which records have a name that a list nearly knows."""
    found = np.zeros(len(tasks), bool)
    for column in columns:
        near = timeline.near_names.get((column, table), frozenset())
        if near:
            found |= by_name(timeline.tasks[column], near.__contains__, False, tasks)
    return found
