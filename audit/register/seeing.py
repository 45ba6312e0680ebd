"""Tonight's task records beside the last version of each: what happened to them, and what a run adds of them."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa

from audit.intake.words import words_in
from audit.register.altered_records import VANISHED, Happened, altered, altered_meanwhile, entered_late
from audit.register.digests import COLUMNS, KEY, SIZE, Bools, Bytes, Ints, record_digests, same_cells, with_words_used
from audit.register.packing import Kept, kept_of, packed
from audit.register.records import GONE, SIGNED, UNSIGNED, Versions, contents, last_versions, root_of, said_of
from audit.register.states import Run

_MOST_ROWS: Final = 500_000
"""Rows of one part: databases take no values of any size."""
_WORTH_A_PROCESS: Final = 300_000
"""So many records are digested sooner beside the audit, by a process that has to begin first."""
_WORTH_READING: Final = 1_000
"""So many records of a batch are compared sooner with what it says of them than digested."""


@dataclass(frozen=True, eq=False)
class Tonight:
    """The task records of an audit.

    `tasks` are the audited ones, `unreadable` numbers the rows in which a column can't be read, `set_aside` are the ids
    of those in quarantine.
    """

    tasks: pd.DataFrame
    unreadable: Mapping[str, npt.NDArray[Any]]
    set_aside: Collection[str]


@dataclass(frozen=True, eq=False)
class Added:
    """What a run adds to the records: rows of RECORDS; how many records there are then, and their Merkle root."""

    batches: list[dict[str, Any]]
    count: int
    root: str


@dataclass(frozen=True, eq=False)
class Seen:
    """What has happened to records, as rows of ALTERATIONS that a run adds, and what it adds to the records, which
    waits until all are digested."""

    alterations: list[dict[str, Any]]
    added: Callable[[], Added]


def see_records(
    connection: sa.Connection,
    tonight: Tonight,
    as_of: datetime,
    runs: Sequence[Run],
    beside: Callable[[], Executor],
    reading: str,
) -> Seen:
    """Compare tonight's records with the last version of each; many new ones are digested `beside` what follows.

    Where the mapping or the program that read them (`reading`) is another one than that of the last of `runs`, nothing
    is said to have happened to them. A column that tonight's export lacks, or a cell that can't be read, is as it was
    last known; where it never was, what it says later isn't an alteration.
    """
    known = last_versions(connection)
    tasks, unreadable, at = _of_this_time(tonight, known, as_of)
    tasks, unread = _as_last_known(connection, tasks, known, at, unreadable)
    kind = _kinds(tasks)
    changed = np.union1d(_changed(connection, tasks, kind, known, at), _read_at_last(known, at, unread))
    gone = _gone(known, at, tonight.set_aside)
    parts = _in_parts(len(changed) + len(gone))
    kept = _kept([_some(tasks, changed[part]) for part in parts], beside)
    happened: list[Happened] = []
    # Only the runs up to the last change of mapping or program can be compared with.
    alike = list(takewhile(lambda run: run.reading == reading, reversed(runs)))
    if alike:
        happened += altered(connection, tasks, known, at, changed[at[changed] >= 0])
        again = changed[_signed_or_there_again(kind[changed], known, at[changed])]
        not_read = {name: set(tasks[KEY].iloc[rows]) for name, rows in unread.items()}
        happened += altered_meanwhile(connection, tasks.iloc[again], not_read, alike[-1].run)
        happened += [Happened(str(task), VANISHED) for task in known.ids[gone[known.kind[gone] == SIGNED]]]
        happened += entered_late(tasks, np.flatnonzero(at < 0), runs[-1])
    alterations = [{"number": number} | one._asdict() for number, one in enumerate(happened, start=1)]
    ids, columns = pd.Index(tasks[KEY].astype("str"))[changed], known.columns | set(map(str, tasks))

    def added() -> Added:
        digested = kept()
        cells = {name: np.flatnonzero(np.isin(changed, rows)) for name, rows in unread.items()}
        batches = _batches(ids.append(known.ids[gone]), kind[changed], columns, cells, digested)
        return Added(batches, *_root(known, gone, at[changed], ids, [part.digests for part in digested]))

    return Seen(alterations, added)


def unseen(connection: sa.Connection) -> Seen:
    """What a run adds that looks back from an earlier time than one before: nothing."""
    known = last_versions(connection)
    kept = known.kind != GONE
    return Seen([], lambda: Added([], *root_of(known.ids[kept], known.digests[kept])))


def _of_this_time(
    tonight: Tonight, known: Versions, as_of: datetime
) -> tuple[pd.DataFrame, dict[str, npt.NDArray[Any]], Ints]:
    """The records that had begun by then, and those that the register knows; what of them is unreadable; and where in
    the register each is, -1 where nowhere."""
    tasks = tonight.tasks[[name for name in tonight.tasks if name in COLUMNS]]
    ids = pd.Index(tasks[KEY].astype("str"))
    at = pc.index_in(pa.array(ids), value_set=pa.array(known.ids)).fill_null(-1).to_numpy().astype(np.int64)
    kept = (at >= 0) | (tasks["started_at"] <= pd.Timestamp(as_of)).to_numpy()
    number = np.cumsum(kept) - 1
    unread = {name: np.asarray(rows, np.int64) for name, rows in tonight.unreadable.items()}
    unreadable = {name: number[rows[kept[rows]]] for name, rows in unread.items()}
    # Of most exports that is all of them, which need no copy while the audit goes on.
    return (tasks if kept.all() else tasks[kept]).reset_index(drop=True), unreadable, at[kept]


def _as_last_known(
    connection: sa.Connection,
    tasks: pd.DataFrame,
    known: Versions,
    at: Ints,
    unreadable: Mapping[str, npt.NDArray[Any]],
) -> tuple[pd.DataFrame, Mapping[str, Ints]]:
    """The records with what can't be read of them tonight as it was last known, and by column those of which it never
    was."""
    lacking = {name: np.arange(len(tasks)) for name in known.columns - set(tasks)}
    lacking |= {name: np.asarray(rows) for name, rows in unreadable.items() if name in tasks and len(rows)}
    there = at >= 0
    there[there] = known.kind[at[there]] != GONE  # of what was gone nothing is kept any more
    unread = {name: rows[~there[rows]] for name, rows in lacking.items()}
    lacking = {name: rows[there[rows]] for name, rows in lacking.items()}
    rows = np.unique(np.concatenate([np.empty(0, np.int64), *lacking.values()]))
    if not len(rows):
        return tasks, unread
    before, tasks = contents(connection, known, at[rows]), tasks.copy()
    for name, its in lacking.items():
        if name in before:
            column = tasks[name].astype(object) if name in tasks else pd.Series([None] * len(tasks), dtype=object)
            column.iloc[its] = before[name].astype(object).to_numpy()[np.searchsorted(rows, its)]
            tasks[name] = _typed(column, name)
        unread[name] = np.concatenate((unread[name], its[known.never_read(at[its], name)]))
    return tasks, unread


def _typed(column: pd.Series[Any], name: str) -> pd.Series[Any]:
    kinds = {"time": "datetime64[us, UTC]", "number": "float64", "count": "Int64"}
    column = column.where(column.notna(), None)
    return column.astype(kinds.get(COLUMNS[name].kind, "str"))  # type: ignore[call-overload,no-any-return]


def _kinds(tasks: pd.DataFrame) -> npt.NDArray[np.uint8]:
    """SIGNED where a record is closed and somebody signed it."""
    signed = np.zeros(len(tasks), bool)
    for name in ("signed_at", "certified_by"):
        if name in tasks:
            signed |= tasks[name].notna().to_numpy()
    if "status" in tasks:
        signed &= (tasks["status"].isna() | (tasks["status"] == "closed")).to_numpy()
    return np.where(signed, SIGNED, UNSIGNED).astype(np.uint8)


def _changed(
    connection: sa.Connection, tasks: pd.DataFrame, kind: npt.NDArray[np.uint8], known: Versions, at: Ints
) -> Ints:
    """The records that are new or not as they were last known.

    Those that say what the register keeps of them have the digests that it keeps: only others are digested.
    """
    same = at >= 0
    same[same] = kind[same] == known.kind[at[same]]
    alike, as_kept = np.flatnonzero(same), np.zeros(len(tasks), bool)
    batch = known.batch[at[alike]]
    # Of a night on which little changed nearly all records lie in a few large batches.
    for number in np.flatnonzero(np.bincount(batch) >= _WORTH_READING).tolist():
        rows = alike[batch == number]
        now = _some(tasks, rows)
        was = said_of(connection, known.batches[number], words_in(now)).iloc[known.row[at[rows]]]
        as_kept[rows] = same_cells(now, was)
    again = np.flatnonzero(same & ~as_kept)
    for part in _in_parts(len(again)):
        rows = again[part]
        digests = record_digests(_some(tasks, rows))
        as_kept[rows] = (digests == known.digests[at[rows]]).all(axis=1)
    return np.flatnonzero(~as_kept)


def _read_at_last(known: Versions, at: Ints, unread: Mapping[str, Ints]) -> Ints:
    """The records of which a cell can be read that never could: also a blank one is known from then on."""
    names = {name for cells in known.unread for name in cells}
    there, found = np.flatnonzero(at >= 0), [np.empty(0, np.int64)]
    for name in sorted(names):
        rows = there[known.never_read(at[there], name)]
        found.append(np.setdiff1d(rows, unread.get(name, [])))
    return np.concatenate(found)


def _signed_or_there_again(kind: npt.NDArray[np.uint8], known: Versions, at: Ints) -> Bools:
    """Which of some records that changed were gone, or are signed and were not."""
    was = np.where(at >= 0, known.kind[at] if len(known.kind) else GONE, SIGNED)
    found: Bools = (was == GONE) | ((was == UNSIGNED) & (kind == SIGNED))
    return found


def _gone(known: Versions, at: Ints, set_aside: Collection[str]) -> Ints:
    """Places of the records that were there last and are not tonight, neither audited nor in quarantine."""
    missing = known.kind != GONE
    missing[at[at >= 0]] = False
    places = np.flatnonzero(missing)
    held = frozenset(set_aside)
    return places[[task not in held for task in known.ids[places]]] if len(places) else places


def _kept(parts: list[pd.DataFrame], beside: Callable[[], Executor]) -> Callable[[], list[Kept]]:
    """What is kept of each part of the records that changed, once it is asked for."""
    if sum(map(len, parts)) < _WORTH_A_PROCESS:
        return lambda: list(map(kept_of, parts))
    process = beside()
    begun = [process.submit(kept_of, part) for part in parts]

    def kept() -> list[Kept]:
        try:
            return [answer.result() for answer in begun]
        except BrokenProcessPool:  # it was killed, as where memory runs out
            return list(map(kept_of, parts))

    return kept


def _some(tasks: pd.DataFrame, rows: Ints) -> pd.DataFrame:
    """Some of the records; where nothing lies between them they are not copied."""
    together = len(rows) and rows[-1] - rows[0] == len(rows) - 1
    return with_words_used(tasks.iloc[rows[0] : rows[-1] + 1] if together else tasks.iloc[rows])


def _in_parts(rows: int) -> list[slice]:
    return [slice(start, start + _MOST_ROWS) for start in range(0, rows, _MOST_ROWS)]


def _batches(
    ids: pd.Index[str],
    kind: npt.NDArray[np.uint8],
    columns: Collection[str],
    unread: Mapping[str, Ints],
    kept: Sequence[Kept],
) -> list[dict[str, Any]]:
    """Rows of RECORDS: the ids of the records that changed with their kinds, their digests, what they say, and which of
    their cells were never known; those that are gone come last, and have no kind yet."""
    kinds = np.concatenate([kind, np.full(len(ids) - len(kind), GONE, np.uint8)])
    rows = []
    for number, (part, its) in enumerate(zip(_in_parts(len(ids)), kept, strict=True)):
        cells = {name: at[(at >= part.start) & (at < part.stop)] - part.start for name, at in sorted(unread.items())}
        metadata = {
            "columns": json.dumps(sorted(columns)),
            "unread": json.dumps({name: at.tolist() for name, at in cells.items() if len(at)}),
        }
        table = pa.table({KEY: pa.array(ids[part], pa.string()), "kind": kinds[part]}).replace_schema_metadata(metadata)
        digests = its.digests.tobytes().ljust(len(table) * SIZE, b"\0")  # zeros for those that are gone
        row = {"part": number, "rows": len(table), "ids": packed(table), "digests": digests}
        rows.append(row | {"contents": its.contents})
    return rows


def _root(known: Versions, gone: Ints, at: Ints, ids: pd.Index[str], digests: Sequence[Bytes]) -> tuple[int, str]:
    """How many records the register knows after this run, and their Merkle root in the order of their ids. `at`, `ids`
    and `digests`, which come in parts, are of those that changed."""
    there, new = np.flatnonzero(at >= 0), np.flatnonzero(at < 0)
    added = len(known.ids)
    # Where the digest of each known record stands: among the old ones, or, if it changed, among the new.
    last, kept = np.arange(added), known.kind != GONE
    last[at[there]] = added + there
    kept[at[there]] = True
    kept[gone] = False
    every = np.concatenate([known.digests, *digests])
    return root_of(known.ids[kept].append(ids[new]), every, np.concatenate([last[kept], added + new]))
