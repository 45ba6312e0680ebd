"""Values of any column of the vocabulary, for any task records, as of their own time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from audit.errors import InternalError
from audit.intake.tables import EVERY_POSITION
from audit.intake.words import canonical
from audit.timeline.certificates import certificate
from audit.timeline.codes import by_name
from audit.timeline.column_values import (
    Values,
    blank,
    not_exported,
    not_supplied,
    of_instants,
    own,
    plain,
    reasoned,
    unreadable,
)
from audit.timeline.components import NONE_KNOWN, NOT_CLEAR, TWO_RECORDED
from audit.timeline.days import work_day
from audit.timeline.instants import DAY, MINUTE, NEVER, Bools, Ints, micros
from audit.timeline.lists import LISTS, of_list
from audit.timeline.people import of_person, of_signatory
from audit.timeline.timeline import TASK_TIMES, Timeline
from audit.timeline.vocabulary import ONLY_OF, VOCABULARY

NO_COMPONENT = "no boot known at that position and time"
TWO_COMPONENTS = "two boots recorded at that position and time"
WHICH_COMPONENT = "which boot was at that position and time is not known"

UNCLEAR_CORRECTION: Final = (
    "two corrections of one value were made at the same time, or one says nearly what the record does"
)


def values(timeline: Timeline, name: str, rows: Ints, component: Ints | None = None) -> Values:
    """Return column `name` of the task records `rows`; `component` is the component row joined with each.

    InternalError where the column was not read: that would look as if it were blank.
    """
    column = VOCABULARY[name]
    if (column.table, column.column.name) in timeline.unread:
        raise InternalError(f"{name} was requested and had not been read: what a rule reads has to be declared")
    found = _found(timeline, name, rows, component)
    # What can't be read, or stands in a record that was set aside, is not known to be missing.
    missing = np.flatnonzero(found.missing & ~found.undecidable)
    of_record = ONLY_OF.get(name.partition(".")[0]) is None
    hidden = np.zeros(len(rows), bool)
    hidden[missing] = (timeline.record(rows[missing]) >= timeline.audited) & of_record
    found = _undecidable(found, hidden, name)
    # A column that is found by, or made of, cells that can't be read may be anything.
    for source in (name, *_CELLS_BEHIND.get(name, ()), *_CELLS_BEHIND.get(name.partition(".")[0], ())):
        if ("tasks", source) in timeline.unreadable:
            found = _undecidable(found, ~found.undecidable & unreadable(timeline, "tasks", source, rows), source)
    return found


def _undecidable(found: Values, hidden: Bools, name: str) -> Values:
    """The values, of which the `hidden`, decidable before, are not even known to be missing: a cell can't be read."""
    if not hidden.any():
        return found
    reasons = (*found.reasons, f"can't be read: {name}")
    why = np.where(hidden, len(found.reasons), found.why)
    return replace(found, undecidable=found.undecidable | hidden, reasons=reasons, why=why)


def _found(timeline: Timeline, name: str, rows: Ints, component: Ints | None) -> Values:
    if name in TASK_TIMES:
        if name in timeline.times:
            return of_instants(name, timeline.times[name][rows])
        return not_exported(name, len(rows))
    if name in _MADE:
        return _MADE[name](timeline, name, rows)
    prefix, _, column = name.partition(".")
    if not column:
        return own(timeline.tasks, name, rows)
    if prefix == "component":
        return _of_component(timeline, name, column, component)
    if prefix in LISTS:
        return of_list(timeline, name, prefix, column, rows)
    if prefix == "corrector":
        made = micros(timeline.tasks["correction.made_at"])[rows]
        return of_person(timeline, name, column, "correction.made_by", rows, made)
    if prefix in ONLY_OF:
        return _of_subject(timeline, name, rows)
    return of_signatory(timeline, name, prefix, column, rows)


def whole(timeline: Timeline, name: str, rows: Ints) -> tuple[Ints, Bools]:
    """A column of whole numbers, 0 where one is missing, and where there is one."""
    found = values(timeline, name, rows)
    assert found.numbers is not None
    return np.where(found.missing, 0, found.numbers).astype(np.int64), ~found.missing


def _of_subject(timeline: Timeline, name: str, rows: Ints) -> Values:
    """A column of the correction or alteration itself."""
    found = own(timeline.tasks, name, rows)
    made = timeline.tables.get("corrections")
    told = made is None or made.empty or "was" in made
    lacking = "column not supplied: corrections.was"
    if name == "alteration.correction" and not told:
        # Without what was there before nobody knows which of them say the same.
        every = np.ones(len(rows), bool)
        return replace(found, missing=every, undecidable=every, reasons=(lacking,))
    if name == "correction.state":
        return replace(found, undecidable=found.missing, reasons=(UNCLEAR_CORRECTION if told else lacking,))
    return found


def _of_component(timeline: Timeline, name: str, column: str, component: Ints | None) -> Values:
    assert component is not None, f"{name} asked without the component joined"
    if not timeline.supplied("components"):
        return not_supplied(name, "components", len(component))
    found = own(timeline.tables["components"], name, np.maximum(component, -1), column)
    if column not in timeline.tables["components"]:
        return found
    unread = unreadable(timeline, "components", column, component)
    nowhere = (component == NONE_KNOWN) & ("position" not in timeline.tasks)
    reasons, why = reasoned(
        (unread, f"can't be read: {name}"),
        (nowhere, "column not supplied: tasks.position"),
        (component == NONE_KNOWN, NO_COMPONENT),
        (component == TWO_RECORDED, TWO_COMPONENTS),
        (component == NOT_CLEAR, WHICH_COMPONENT),
        otherwise=blank(name),
    )
    undecidable = np.isin(component, (TWO_RECORDED, NOT_CLEAR)) | unread | nowhere
    return replace(found, undecidable=undecidable, reasons=reasons, why=why)


def _minutes(timeline: Timeline, name: str, rows: Ints, start: str, end: str) -> Values:
    if end not in timeline.times:
        return not_exported(name, len(rows), end)
    first, last = timeline.times[start][rows], timeline.times[end][rows]
    missing = (first == NEVER) | (last == NEVER)
    return plain(name, missing, numbers=np.where(missing, np.nan, (last - first) / MINUTE))


def _position_count(timeline: Timeline, name: str, rows: Ints) -> Values:
    """How many positions a record names; `all` names none by itself."""
    if "position" not in timeline.tasks:
        return not_exported(name, len(rows), "position")

    def count(text: str) -> float:
        named = {canonical(part) for part in text.split(";")} - {""}
        return np.nan if named == {EVERY_POSITION} else float(len(named))

    numbers = by_name(timeline.tasks["position"], count, np.nan, rows)
    return plain(name, np.isnan(numbers), numbers=numbers)


_CELLS_BEHIND: Final[Mapping[str, tuple[str, ...]]] = {
    **{prefix: task_columns for prefix, (_, _, task_columns) in LISTS.items()},
    "certificate": ("certificate_number", "certificate_kind"),
    "certifier": ("certified_by",),
    "component": ("position",),
    "performer": ("performed_by",),
    "position_count": ("position",),
    "product_class": ("product",),
    "signed_after_minutes": ("signed_at",),
}
"""The cells of a record by which a column, or those with its prefix, is found, or of which it is made: where one can't
be read, it may be anything."""

_MADE: Final[Mapping[str, Callable[[Timeline, str, Ints], Values]]] = {
    "work_date": lambda timeline, name, rows: of_instants(name, work_day(timeline, rows) * DAY),
    "work_minutes": lambda timeline, name, rows: _minutes(timeline, name, rows, "started_at", "finished_at"),
    "signed_after_minutes": lambda timeline, name, rows: _minutes(timeline, name, rows, "finished_at", "signed_at"),
    "position_count": _position_count,
    "certificate": certificate,
    "product_class": lambda timeline, name, rows: of_list(timeline, name, "product", name, rows),
}
"""Columns that no table has as they stand, and how each is made."""
