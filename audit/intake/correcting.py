"""Corrections of entries: applied to the task records that they name, as of a time.

The cells of a record are compared with what its corrections say by what they mean, not by how they are written: each
is typed as if it stood in that record. A record is typed anew with the cells that it had at a time, so that a corrected
station changes the clock that its times are read by.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, cast

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from audit.intake.cell_faults import Faults
from audit.intake.cells import Cells
from audit.intake.chains import Link, Unreadable, followed, perhaps_followed
from audit.intake.contracts import breaches
from audit.intake.duplicates import AGAIN, repeated
from audit.intake.names import Aliases, entries
from audit.intake.parsing import BLANK
from audit.intake.resolving import Typed, typed_rows, without_cells
from audit.intake.tables import CORRECTIONS, NAMES, TASKS
from audit.intake.words import canonical

NO_RECORD: Final = "the export has no task record of that id"
NO_COLUMN: Final = "the task records are exported without that column"
NO_VALUE: Final = "the corrections are exported without the values as corrected"
UNREAD: Final = "a correction of it can't be read"

_KIND_OF_NAME: Final = {column: kind for kind, places in NAMES.items() for table, column in places if table == "tasks"}

Rows = NDArray[np.intp]
Cell = tuple[int, str]
"""A row of the task records, and a column."""


@dataclass(frozen=True)
class Corrected:
    """Task records as corrected by a time and as first made, whether these differ, and the states of the corrections.

    There is one of `states` (CORRECTION_STATES, UNCLEAR) for each correction, in the order in which they were read.
    """

    tasks: Typed
    first_made: Typed
    corrections: Typed
    states: NDArray[np.object_]
    changes: bool


def correct(
    tasks: Typed, corrections: Typed, zones: Mapping[str, str], aliases: Aliases, as_of: pd.Timestamp | None
) -> Corrected:
    """Lay the corrections made by a time (None: all) over the task records, and take back those made later.

    What can't be told of a cell (a correction of it doesn't fit, can't be read, or has another at its instant) makes
    that cell unreadable. A correction of no record, no column or with no value that can be read is at fault itself.
    """
    rows_of = _rows_of(tasks, corrections)
    usable, faults = _usable(tasks, corrections, rows_of)
    said = _said(tasks, corrections, usable, rows_of, zones, aliases)
    faults += said.faults
    states = np.full(len(corrections.frame), "", object)
    corrected: dict[Cell, str] = {}
    first: dict[Cell, str] = {}
    doubts: dict[Cell, str] = dict(_unread(corrections, faults, rows_of, frozenset(map(str, tasks.frame)), as_of))
    follow = followed if "was" in corrections.frame else perhaps_followed
    for cell, chain in said.chains.items():
        outcome = follow(chain, said.cells[cell], as_of)
        for link, state in zip(chain, outcome.states, strict=True):
            states[link.row] = states[link.row] or state
        if outcome.doubt:
            doubts.setdefault(cell, outcome.doubt)
        elif cell not in doubts:
            corrected |= {} if outcome.corrected is None else {cell: outcome.corrected}
            first |= {} if outcome.first_made is None else {cell: outcome.first_made}
    in_doubt = [Faults((column,), np.array([row]), reason) for (row, column), reason in sorted(doubts.items())]
    return Corrected(
        tasks=_with_faults(_entered(tasks, corrected, zones), in_doubt),
        first_made=_with_faults(_entered(tasks, first, zones), in_doubt),
        corrections=replace(corrections, frame=said.canonical, faults=(*corrections.faults, *faults)),
        states=states,
        changes=bool(corrected or first),
    )


def _rows_of(tasks: Typed, corrections: Typed) -> dict[str, list[int]]:
    """The rows of each task record that a correction names: several where it was exported twice."""
    ids = tasks.frame["task_id"]
    rows = np.flatnonzero(ids.isin(corrections.frame["task_id"].dropna()).to_numpy())
    found: dict[str, list[int]] = {}
    for row, task in zip(rows.tolist(), ids.iloc[rows], strict=True):
        found.setdefault(str(task), []).append(row)
    return found


def _usable(tasks: Typed, corrections: Typed, rows_of: Mapping[str, list[int]]) -> tuple[list[int], list[Faults]]:
    """The corrections that can be followed, and what is wrong with the others beside what is known already."""
    frame = corrections.frame
    bad = frame[list(CORRECTIONS.required)].isna().any(axis=1).to_numpy().copy()
    again = repeated(CORRECTIONS, frame)
    for fault in (*corrections.faults, *again.rows, *again.cells):
        if {"was", "now", *CORRECTIONS.required} & set(fault.columns):
            bad[fault.rows] = True
    # A file of the records may lack a column that another file has.
    exported = {part: frozenset(cells.columns) for part, cells in enumerate(tasks.parts)}
    unknown, lacking = [], []
    for row, task, column in zip(range(len(frame)), frame["task_id"], frame["column"], strict=True):
        if pd.notna(task) and task not in rows_of:
            unknown.append(row)
        elif not bad[row] and any(column not in exported[_part(tasks, one)] for one in rows_of[task]):
            lacking.append(row)
    # Without the column `now` no correction says what is to be entered.
    valueless = np.arange(0 if "now" in frame else len(frame))
    bad[[*unknown, *lacking, *valueless]] = True
    faults = [
        Faults(("task_id",), np.array(unknown, np.intp), NO_RECORD),
        Faults(("column",), np.array(lacking, np.intp), NO_COLUMN),
        Faults(("column",), valueless, NO_VALUE),
    ]
    return np.flatnonzero(~bad).tolist(), [fault for fault in faults if len(fault.rows)]


def _part(tasks: Typed, row: int) -> int:
    return int(np.searchsorted(tasks.starts, row, side="right")) - 1


# What cells and corrections mean


@dataclass(frozen=True)
class _Said:
    """What cells mean, as they were exported, and the corrections of each, the earliest first; corrections at fault.

    `canonical` are the corrections with `was` and `now` in canonical text.
    """

    canonical: pd.DataFrame
    cells: dict[Cell, Hashable] = field(default_factory=dict)
    chains: dict[Cell, list[Link]] = field(default_factory=dict)
    faults: list[Faults] = field(default_factory=list)


@dataclass(frozen=True)
class _EitherOf:
    """The meaning of a time that the clock showed twice: it is one of two."""

    first: Hashable
    second: Hashable


def _said(
    tasks: Typed,
    corrections: Typed,
    usable: Sequence[int],
    rows_of: Mapping[str, list[int]],
    zones: Mapping[str, str],
    aliases: Aliases,
) -> _Said:
    frame = corrections.frame
    texts = {
        name: frame[name].fillna("").astype(object) if name in frame else [""] * len(frame) for name in ("was", "now")
    }
    asked: list[tuple[int, int, str]] = []  # correction, row of the record, column
    for row in sorted(usable, key=lambda one: frame["made_at"].iloc[one]):
        column = str(frame["column"].iloc[row])
        asked += [(row, record, column) for record in rows_of[frame["task_id"].iloc[row]]]
    records = [record for _, record, _ in asked]
    # Each cell is typed three times in its record: as it was exported, as `was` has it, and as `now` has it; so all
    # three are read alike.
    entered: list[dict[str, str]] = [{} for _ in asked]
    for name in ("was", "now"):
        entered += [{column: str(texts[name][row])} for row, _, column in asked]
    written = [_text(tasks, record, column) for _, record, column in asked]
    written += [text for one in entered[len(asked) :] for text in one.values()]
    typed = _retyped(tasks, records * 3, entered, zones)
    cells = [(record, column) for _, record, column in asked] * 3
    means = _meanings(typed, [column for _, column in cells], written, aliases)
    means = list(zip(_resolved([meaning for meaning, _ in means], cells), [reason for _, reason in means], strict=True))
    said, misread = _Said(_canonical(frame, asked, typed)), {}
    # The thirds of what was typed: exported, was, now.
    for number, (row, record, column) in enumerate(asked):
        is_, was, now = (means[number + len(asked) * third][0] for third in range(3))
        said.cells[record, column] = is_
        if isinstance(now, Unreadable):
            misread[row] = means[number + len(asked) * 2][1]
            continue
        link = Link(row, frame["made_at"].iloc[row], str(texts["was"][row]), str(texts["now"][row]), was, now)
        said.chains.setdefault((record, column), []).append(link)
    said.faults.extend(Faults(("column", "now"), np.array([row]), reason) for row, reason in sorted(misread.items()))
    return said


def _canonical(frame: pd.DataFrame, asked: Sequence[tuple[int, int, str]], typed: Typed) -> pd.DataFrame:
    """The corrections, `was` and `now` as canonical text, as of typed cells; what can't be read stays as written.

    A duplicate, which is not followed, gets the text of the row that it repeats: else it would no longer be one.
    """
    changed = {}
    again = [(one.rows, one.first) for one in repeated(CORRECTIONS, frame).rows if one.reason == AGAIN]
    for third, name in enumerate(("was", "now"), start=1):
        if name in frame:
            texts = frame[name].astype(object)
            for number, (row, _, column) in enumerate(asked):
                value = typed.frame[column].iloc[number + third * len(asked)]
                if pd.notna(value):
                    texts.iloc[row] = value.isoformat() if isinstance(value, pd.Timestamp) else str(value)
            for rows, first in again:
                if first is not None:
                    texts.iloc[rows] = texts.iloc[first].to_numpy()
            changed[name] = texts.astype(frame[name].dtype)
    return frame.assign(**changed)


def _meanings(
    typed: Typed, columns: Sequence[str], written: Sequence[str], aliases: Aliases
) -> list[tuple[Hashable, str]]:
    """What one cell of each row means; where it can't be read, what was `written`, and why."""
    wrong: dict[Cell, str] = {}
    broken = breaches(TASKS, typed.frame, complete=False) if len(typed.frame) else []
    for fault in (*typed.faults, *broken):
        if fault.reason != BLANK:
            for name in fault.columns:
                wrong |= {(row, name): fault.reason for row in fault.rows.tolist()}
    twice = {(row, name): later for row, name, later in typed.later.itertuples(index=False)}
    found: list[tuple[Hashable, str]] = []
    for row, (name, text) in enumerate(zip(columns, written, strict=True)):
        meaning = _meaning(typed.frame[name].iloc[row], name, aliases)
        if (row, name) in wrong:
            found.append((Unreadable(text.strip()), wrong[row, name]))
        else:
            found.append((_EitherOf(meaning, twice[row, name]) if (row, name) in twice else meaning, ""))
    return found


def _resolved(meanings: Sequence[Hashable], cells: Sequence[Cell]) -> list[Hashable]:
    """The meanings of what is said of cells: a time that may be one of two is the second where only that is told of its
    cell elsewhere, else the first."""
    certain: dict[Cell, set[Hashable]] = {}
    for cell, meaning in zip(cells, meanings, strict=True):
        if not isinstance(meaning, _EitherOf):
            certain.setdefault(cell, set()).add(meaning)

    def resolved(meaning: Hashable, told: Collection[Hashable]) -> Hashable:
        if not isinstance(meaning, _EitherOf):
            return meaning
        return meaning.second if meaning.second in told and meaning.first not in told else meaning.first

    return [resolved(meaning, certain.get(cell, ())) for cell, meaning in zip(cells, meanings, strict=True)]


def _text(typed: Typed, row: int, name: str) -> str:
    part = _part(typed, row)
    _, text = typed.parts[part].as_written(name, np.array([row - int(typed.starts[part])]))
    return str(text[0].as_py())


def _meaning(value: Any, name: str, aliases: Aliases) -> Hashable:
    """A typed cell as a value that equals all others of one meaning; None where it is blank, which means nothing."""
    if pd.isna(value):
        return TASKS.columns[name].blank or None
    kind = _KIND_OF_NAME.get(name)
    if kind is None:
        return tuple(sorted(set(entries(value)))) if TASKS.columns[name].kind == "codes" else cast("Hashable", value)
    names = [aliases.same.get(kind, {}).get(one, one) for one in entries(str(value))]
    return tuple(sorted(set(map(canonical, names) if kind == "person" else names)))


def _unread(
    corrections: Typed,
    faults: Sequence[Faults],
    rows_of: Mapping[str, list[int]],
    exported: Collection[str],
    as_of: pd.Timestamp | None,
) -> Iterator[tuple[Cell, str]]:
    """The cells of which a correction can't be read, or was exported with two contents."""
    frame = corrections.frame
    again = repeated(CORRECTIONS, frame)
    told = set(again.told.tolist())
    wrong = {
        row
        for fault in (*corrections.faults, *faults, *again.rows, *again.cells)
        if {"was", "now", *CORRECTIONS.required} & set(fault.columns)
        for row in fault.rows.tolist()
    }
    for row in sorted(wrong - told):
        task, column, at = (frame[name].iloc[row] for name in ("task_id", "column", "made_at"))
        if task in rows_of and column in exported and (as_of is None or pd.isna(at) or at <= as_of):
            yield from (((record, str(column)), UNREAD) for record in rows_of[task])


# Records typed anew


def _retyped(
    tasks: Typed, rows: Sequence[int], entered: Sequence[Mapping[str, str]], zones: Mapping[str, str]
) -> Typed:
    """Rows of the task records, some of them several times, each with other texts in some cells."""
    # Each file has its own way to be read: its rows are typed together.
    of = np.array([_part(tasks, row) for row in rows], np.intp)
    order = np.argsort(of, kind="stable")
    parts = []
    for part in np.unique(of).tolist():
        mine = order[of[order] == part]
        local = np.array(rows, np.intp)[mine] - tasks.starts[part]
        parts.append(_entered_cells(tasks.parts[part], local, [entered[one] for one in mine.tolist()]))
    if not parts:
        parts = [_entered_cells(tasks.parts[0], np.empty(0, np.intp), [])]
    typed = typed_rows(parts, zones)
    # Rows of several files were typed file by file: row n of them is row order[n] of those requested.
    return replace(
        typed,
        frame=typed.frame.iloc[np.argsort(order, kind="stable")].reset_index(drop=True),
        faults=tuple(replace(fault, rows=order[fault.rows]) for fault in typed.faults),
        later=typed.later.assign(row=order[typed.later["row"].to_numpy()]),
    )


def _entered_cells(cells: Cells, rows: Rows, entered: Sequence[Mapping[str, str]]) -> Cells:
    columns = {}
    entered = _translated(cells, entered)
    for name, column in cells.columns.items():
        taken = column.take(pa.array(rows))
        if any(name in one for one in entered):
            texts = taken.cast(pa.string()).to_pylist()
            changed = [one.get(name, text) for one, text in zip(entered, texts, strict=True)]
            taken = pa.chunked_array([pa.array(changed, pa.string())])
        columns[name] = taken
    faults = tuple(
        replace(fault, rows=there) for fault in cells.faults for there in [_still(fault, rows, entered)] if len(there)
    )
    translated = cells.translated
    if translated is not None:
        written = {name: {name: column} for name, column in columns.items()}
        translated = replace(translated, kept=None, left_out=0, dropped=(), written=written)
    return replace(cells, columns=columns, rows=len(rows), ragged=(), translated=translated, faults=faults)


def _translated(cells: Cells, entered: Sequence[Mapping[str, str]]) -> Sequence[Mapping[str, str]]:
    """What was entered, in canonical text where a mapping says how the column is written."""
    read = cells.translated.entries if cells.translated else None
    if read is None:
        return entered
    texts: dict[str, dict[str, str]] = {}
    for one in entered:
        for name, text in one.items():
            texts.setdefault(name, {})[text] = text
    canonical = {name: dict(zip(found, read(name, list(found)), strict=True)) for name, found in texts.items()}
    return [{name: canonical[name][text] for name, text in one.items()} for one in entered]


def _still(fault: Faults, rows: Rows, entered: Sequence[Mapping[str, str]]) -> Rows:
    """The rows in which a cell that couldn't be translated still stands."""
    there = np.flatnonzero(np.isin(rows, fault.rows))
    return there[[entered[one].keys().isdisjoint(fault.columns) for one in there.tolist()]] if len(there) else there


def _entered(tasks: Typed, cells: Mapping[Cell, str], zones: Mapping[str, str]) -> Typed:
    """The task records with other texts in some cells."""
    if not cells:
        return tasks
    by_row: dict[int, dict[str, str]] = {}
    for (row, column), text in cells.items():
        by_row.setdefault(row, {})[column] = text
    rows = sorted(by_row)
    anew = _retyped(tasks, rows, [by_row[row] for row in rows], zones)
    at = np.array(rows, np.intp)
    kept = np.ones(len(tasks.frame), bool)
    kept[at] = False
    later = pd.concat(
        [tasks.later[~tasks.later["row"].isin(rows)], anew.later.assign(row=at[anew.later["row"].to_numpy()])]
    )
    faults = [fault.among(kept) for fault in tasks.faults]
    faults += [replace(fault, rows=at[fault.rows]) for fault in anew.faults]
    return replace(
        tasks,
        frame=_replaced(tasks.frame, at, anew.frame),
        faults=tuple(fault for fault in faults if len(fault.rows)),
        later=later.sort_values(["row", "column"], ignore_index=True),
    )


def _replaced(frame: pd.DataFrame, rows: Rows, anew: pd.DataFrame) -> pd.DataFrame:
    """The frame with other rows in the place of some."""
    # The new rows are put behind all, and then taken in the place of the old ones.
    order = np.arange(len(frame))
    order[rows] = len(frame) + np.arange(len(rows))
    changed: dict[str, pd.Series[Any]] = {}
    for name in frame:
        before, after = frame[name].iloc[rows].reset_index(drop=True), anew[name]
        # A column that stays as it is need not be copied.
        if before.astype(object).where(before.notna(), None).equals(after.astype(object).where(after.notna(), None)):
            continue
        if isinstance(frame[name].dtype, pd.CategoricalDtype):
            fixed = TASKS.columns[str(name)].choices
            whole = union_categoricals([frame[name], after], sort_categories=not fixed)
            changed[str(name)] = pd.Series(whole.take(order))
        else:
            changed[str(name)] = pd.concat([frame[name], after], ignore_index=True).take(order).reset_index(drop=True)
    return frame.assign(**changed)


def _with_faults(typed: Typed, faults: Sequence[Faults]) -> Typed:
    """The same with some cells at fault: missing, and told."""
    if not faults:
        return typed
    return replace(typed, frame=without_cells(typed.frame, faults), faults=(*typed.faults, *faults))
