"""Task records as the register knows them: a version where something changed, and what happened to signed ones."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import takewhile
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa

from audit.findings.standing import ALTERED_COLUMNS
from audit.intake.names import cell_meaning
from audit.intake.words import words_in
from audit.register.digests import (
    COLUMNS,
    KEY,
    SIZE,
    TEXTS,
    Bools,
    Bytes,
    Ints,
    record_digests,
    same_cells,
    with_words_used,
)
from audit.register.merkle import merkle_root
from audit.register.packing import Damaged, Kept, kept_of, packed, refusing_damage, table_of, unpacked_cells
from audit.register.schema import ALTERATIONS, RECORDS, RUNS
from audit.register.states import AUDITS, Run

ALTERED: Final = "altered"
VANISHED: Final = "vanished"
ENTERED_LATE: Final = "entered late"
LATE: Final = timedelta(days=3)
"""Lists tell of a record as entered late whose work ended longer before an earlier run that did not have it. Rules
have limits of their own. Common practice, no source."""

GONE, UNSIGNED, SIGNED = 0, 1, 2
RECORDS_IN_A_LEAF: Final = 1024
"""A tree with a leaf for each of millions of records took a third of the time of a check."""
_MOST_ROWS: Final = 500_000
"""Rows of one part: databases take no values of any size."""
_WORTH_A_PROCESS: Final = 300_000
"""So many records are digested sooner beside the audit, by a process that has to begin first."""
_WORTH_READING: Final = 1_000
"""So many records of a batch are compared sooner with what it says of them than digested."""
_NOTHING: Final = pd.Index([], dtype="str")


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
class Versions:
    """The last version of every record: its id, kind (GONE, UNSIGNED, SIGNED), digest, and the batch and row it is in.

    `batches` are the runs and parts of those, and `unread` numbers by column the rows of each whose cell was never
    known: it could not be read, or the column was not exported. `columns` are those that an export ever had.
    """

    ids: pd.Index[str]
    kind: npt.NDArray[np.uint8]
    digests: Bytes
    batch: Ints
    row: Ints
    batches: list[tuple[int, int]]
    unread: list[Mapping[str, list[int]]]
    columns: frozenset[str]

    def never_read(self, places: Ints, name: str) -> Bools:
        """Whether what a column says was never known of the last versions at these places."""
        found, batch = np.zeros(len(places), bool), self.batch[places]
        for number in np.unique(batch).tolist():
            if rows := self.unread[number].get(name):
                mine = np.flatnonzero(batch == number)
                found[mine] = np.isin(self.row[places[mine]], rows)
        return found


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


def last_versions(connection: sa.Connection, up_to_run: int | None = None) -> Versions:
    """The records as the register knows them, or knew them after a run."""
    names = ("run", "part", "ids", "digests")
    query = sa.select(*(RECORDS.c[name] for name in names)).order_by(RECORDS.c.run, RECORDS.c.part)
    if up_to_run is not None:
        query = query.where(RECORDS.c.run <= up_to_run)
    batches, ids, kinds, digests, sizes, unread = [], [], [], [], [], []
    columns: frozenset[str] = frozenset()
    for run, part, ids_of, hashes in connection.execute(query):
        with refusing_damage():
            table = table_of(ids_of)
            ids.append(table[KEY].to_pandas())
            kinds.append(table["kind"].to_numpy())
            digests.append(np.frombuffer(hashes, np.uint8).reshape(-1, SIZE))
            columns |= frozenset(_told_beside(table)["columns"])
            unread.append(_told_beside(table)["unread"])
        batches.append((run, part))
        sizes.append(len(table))
    if not ids:
        none = np.empty(0, np.int64)
        return Versions(_NOTHING, none.astype(np.uint8), np.empty((0, SIZE), np.uint8), none, none, [], [], columns)
    every = pd.concat(ids, ignore_index=True).astype("str")
    # No run names a record twice: which of the many of the first are not the last is told by the few that came later.
    first = sum(size for size, (run, _) in zip(sizes, batches, strict=True) if run == batches[0][0])
    later = every[first:]
    again = np.concatenate([every[:first].isin(later), later.duplicated(keep="last")])
    last = ~again if again.any() else slice(None)
    batch = np.repeat(np.arange(len(sizes)), sizes)
    row = np.concatenate([np.arange(size) for size in sizes])
    kind = np.concatenate(kinds)
    known = np.concatenate(digests)[last]
    return Versions(pd.Index(every[last]), kind[last], known, batch[last], row[last], batches, unread, columns)


def _told_beside(table: pa.Table) -> dict[str, Any]:
    """What stands beside the ids of a batch: its columns, and which cells were never known (earlier versions did not
    say)."""
    said = {key.decode(): json.loads(text) for key, text in (table.schema.metadata or {}).items()}
    if not {"columns"} <= set(said) <= {"columns", "unread"}:
        raise ValueError(sorted(said))
    return {"unread": {}} | said


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
    last known; where it never was, what it says later is no alteration.
    """
    known = last_versions(connection)
    tasks, unreadable, at = _of_this_time(tonight, known, as_of)
    tasks, unread = _as_last_known(connection, tasks, known, at, unreadable)
    kind = _kinds(tasks)
    changed = np.union1d(_changed(connection, tasks, kind, known, at), _read_at_last(known, at, unread))
    gone = _gone(known, at, tonight.set_aside)
    parts = _in_parts(len(changed) + len(gone))
    kept = _kept([_some(tasks, changed[part]) for part in parts], beside)
    happened: list[tuple[str, str, str, str, str]] = []
    alike = list(takewhile(lambda run: run.reading == reading, reversed(runs)))
    if alike:
        happened += _altered(connection, tasks, known, at, changed[at[changed] >= 0])
        again = changed[_signed_or_there_again(kind[changed], known, at[changed])]
        not_read = {name: set(tasks[KEY].iloc[rows]) for name, rows in unread.items()}
        happened += _altered_meanwhile(connection, tasks.iloc[again], not_read, alike[-1].run)
        happened += [(str(task), VANISHED, "", "", "") for task in known.ids[gone[known.kind[gone] == SIGNED]]]
        happened += _late(tasks, np.flatnonzero(at < 0), runs[-1])
    names = ("task_id", "what", "column", "was", "now")
    alterations = [{"number": n} | dict(zip(names, one, strict=True)) for n, one in enumerate(happened, start=1)]
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
    for number in np.flatnonzero(np.bincount(batch) >= _WORTH_READING).tolist():
        rows = alike[batch == number]
        now = _some(tasks, rows)
        was = _said(connection, known.batches[number], words_in(now)).iloc[known.row[at[rows]]]
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


def _in_parts(rows: int) -> list[slice]:
    return [slice(start, start + _MOST_ROWS) for start in range(0, rows, _MOST_ROWS)]


def _some(tasks: pd.DataFrame, rows: Ints) -> pd.DataFrame:
    """Some of the records; where nothing lies between them they are not copied."""
    together = len(rows) and rows[-1] - rows[0] == len(rows) - 1
    return with_words_used(tasks.iloc[rows[0] : rows[-1] + 1] if together else tasks.iloc[rows])


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


def _gone(known: Versions, at: Ints, set_aside: Collection[str]) -> Ints:
    """Places of the records that were there last and are not tonight, neither audited nor in quarantine."""
    missing = known.kind != GONE
    missing[at[at >= 0]] = False
    places = np.flatnonzero(missing)
    held = frozenset(set_aside)
    return places[[task not in held for task in known.ids[places]]] if len(places) else places


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


def _altered(
    connection: sa.Connection, tasks: pd.DataFrame, known: Versions, at: Ints, changed: Ints
) -> Iterator[tuple[str, str, str, str, str]]:
    """Each cell of a signed record that is not what it was, in columns that both exports have."""
    changed = changed[known.kind[at[changed]] == SIGNED]
    if not len(changed):
        return
    before, now = contents(connection, known, at[changed]), tasks.iloc[changed]
    for name, told in _differing(before, now, known.columns):
        never = set(now[KEY][known.never_read(at[changed], name)])
        yield from ((task, ALTERED, name, old, new) for task, old, new in told if task not in never)


def _signed_or_there_again(kind: npt.NDArray[np.uint8], known: Versions, at: Ints) -> Bools:
    """Which of some records that changed were gone, or are signed and were not."""
    was = np.where(at >= 0, known.kind[at] if len(known.kind) else GONE, SIGNED)
    found: Bools = (was == GONE) | ((was == UNSIGNED) & (kind == SIGNED))
    return found


def _altered_meanwhile(
    connection: sa.Connection, tasks: pd.DataFrame, not_read: Mapping[str, Collection[str]], since: int
) -> Iterator[tuple[str, str, str, str, str]]:
    """Each cell of records that are there or signed again that is not what it was when they were last signed.

    They must have been seen to vanish, or to be signed no more, since a run. `not_read` are by column those of which it
    can't be read tonight. What was told since they were last signed is not told again.
    """
    names = [ALTERATIONS.c[name] for name in ("task_id", "column", "was", "now", "run")]
    query = sa.select(*names).where(ALTERATIONS.c.run >= since, ALTERATIONS.c.what.in_((ALTERED, VANISHED)))
    seen = {tuple(row[:4]): row[4] for row in connection.execute(query.order_by(ALTERATIONS.c.run))}
    left = {task for task, *_ in seen}.intersection(tasks[KEY])
    query = sa.select(RECORDS.c.run, RECORDS.c.part, RECORDS.c.ids).order_by(RECORDS.c.run.desc(), RECORDS.c.part)
    for run, part, ids_of in connection.execute(query) if left else ():
        with refusing_damage():
            table = table_of(ids_of)
            beside, ids = _told_beside(table), table[KEY].to_pandas()
        rows = np.flatnonzero((table["kind"].to_numpy() == SIGNED) & ids.isin(left).to_numpy())
        before = _said(connection, (run, part)).iloc[rows].set_index(KEY, drop=False)
        now = tasks.set_index(KEY, drop=False).loc[before.index]
        for name, told in _differing(before, now, beside["columns"]):
            never = {*ids.iloc[beside["unread"].get(name, [])], *not_read.get(name, ())}
            for task, old, new in told:
                if task not in never and seen.get((task, name, old, new), 0) <= run:
                    yield task, ALTERED, name, old, new
        left -= set(before.index)
        if not left:
            return


def _differing(
    before: pd.DataFrame, now: pd.DataFrame, columns: Collection[str]
) -> Iterator[tuple[str, list[tuple[str, str, str]]]]:
    """By column, each record of which it says something else now: its id, what it said and says."""
    for name in COLUMNS:
        if name != KEY and name in columns and name in now:
            texts = as_texts(before[name]) if name in before else [""] * len(now), as_texts(now[name])
            every = [one for one in zip(map(str, now[KEY]), *texts, strict=True) if one[1] != one[2]]
            yield name, [one for one in every if cell_meaning(name, one[1]) != cell_meaning(name, one[2])]


def as_texts(column: pd.Series[Any]) -> list[str]:
    """Cells as a person reads them; blank where there is none."""
    return ["" if pd.isna(cell) else cell.isoformat() if hasattr(cell, "isoformat") else str(cell) for cell in column]


def _late(tasks: pd.DataFrame, new: Ints, last: Run) -> Iterator[tuple[str, str, str, str, str]]:
    """Records that an earlier run did not have, though their work had ended before."""
    ended = tasks["finished_at"].iloc[new]
    late = new[(ended < pd.Timestamp(last.as_of)).to_numpy()]
    for task, end in zip(tasks[KEY].iloc[late], tasks["finished_at"].iloc[late], strict=True):
        yield str(task), ENTERED_LATE, "", last.as_of.isoformat(), end.isoformat()


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


def _said(connection: sa.Connection, batch: tuple[int, int], words: Sequence[str] = ()) -> pd.DataFrame:
    run, part = batch
    query = sa.select(RECORDS.c.contents).where(RECORDS.c.run == run, RECORDS.c.part == part)
    return unpacked_cells(connection.execute(query).scalar_one(), words)


def contents(connection: sa.Connection, known: Versions, places: Ints) -> pd.DataFrame:
    """What the last versions at these places say, in their order, canonical columns; absent ones are missing."""
    batch, parts = known.batch[places], []
    for number in np.unique(batch).tolist():
        mine = np.flatnonzero(batch == number)
        frame = _said(connection, known.batches[number])
        parts.append(frame.iloc[known.row[places[mine]]].set_index(pd.Index(mine)))
    whole = pd.concat(parts) if parts else pd.DataFrame({KEY: []})
    return whole.sort_index()


def _root(known: Versions, gone: Ints, at: Ints, ids: pd.Index[str], digests: Sequence[Bytes]) -> tuple[int, str]:
    """How many records the register knows after this run, and their Merkle root in the order of their ids. `at`, `ids`
    and `digests`, which come in parts, are of those that changed."""
    there, new = np.flatnonzero(at >= 0), np.flatnonzero(at < 0)
    added = len(known.ids)
    last, kept = np.arange(added), known.kind != GONE
    last[at[there]] = added + there
    kept[at[there]] = True
    kept[gone] = False
    every = np.concatenate([known.digests, *digests])
    return root_of(known.ids[kept].append(ids[new]), every, np.concatenate([last[kept], added + new]))


def root_of(
    ids: pd.Index[str], digests: Bytes, rows: Ints | None = None, in_leaf: int = RECORDS_IN_A_LEAF
) -> tuple[int, str]:
    """Number and Merkle root of records: each leaf holds the digests of as many, in the order of their ids. `rows` are
    those of the digests that are the records' (default: all, in the order of `ids`)."""
    order = pc.sort_indices(pa.array(ids)).to_numpy()
    if rows is not None:
        order = rows[order]
    # A leaf at a time: of all of them at once there would be two more copies.
    leaves = [digests[order[at : at + in_leaf]].tobytes() for at in range(0, len(order), in_leaf)]
    return len(order), merkle_root(leaves).hex()


def all_alterations(connection: sa.Connection) -> pd.DataFrame:
    """All that has happened to records since they were signed (ALTERED_COLUMNS), the first first."""
    names = [ALTERATIONS.c[name] for name in ("task_id", "what", "column", "was", "now")]
    query = sa.select(*names, RUNS.c.as_of).join(RUNS, RUNS.c.run == ALTERATIONS.c.run)
    rows = [tuple(row) for row in connection.execute(query.order_by(ALTERATIONS.c.run, ALTERATIONS.c.number))]
    frame = pd.DataFrame(rows, columns=list(ALTERED_COLUMNS))
    frame["first_seen"] = pd.to_datetime(frame["first_seen"], utc=True).astype("datetime64[us, UTC]")
    return frame


def told(alterations: pd.DataFrame) -> pd.DataFrame:
    """The alterations that lists tell of: of records entered late only those that came longer than LATE after."""
    audit, end = (
        pd.to_datetime(alterations[name].where(alterations["what"] == ENTERED_LATE), utc=True, format="ISO8601")
        for name in ("was", "now")
    )
    return alterations[~((audit - end) <= LATE)].reset_index(drop=True)


def with_tonight(connection: sa.Connection, seen: Seen, as_of: datetime) -> pd.DataFrame:
    """All alterations (ALTERED_COLUMNS), those that a run is to add among them."""
    before = all_alterations(connection)
    added = pd.DataFrame(seen.alterations, columns=["number", *ALTERED_COLUMNS]).drop(columns="number")
    added["first_seen"] = pd.Series(pd.Timestamp(as_of), index=added.index, dtype="datetime64[us, UTC]")
    return pd.concat([before, added], ignore_index=True) if len(added) else before


def last_said(connection: sa.Connection, tasks: Collection[str]) -> pd.DataFrame:
    """What records said last, the newest version that is kept of each; an empty frame where none is."""
    left, found = set(tasks), []
    query = sa.select(RECORDS.c.contents).order_by(RECORDS.c.run.desc(), RECORDS.c.part)
    for (said,) in connection.execute(query) if left else ():
        frame = unpacked_cells(said)
        found.append(frame[frame[KEY].isin(left)])
        left -= set(found[-1][KEY])
        if not left:
            break
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame({KEY: pd.Series(dtype="str")})


def versions_of(connection: sa.Connection, task: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Every version of a record: the run that saw it first, and its cells; none where it was gone."""
    query = sa.select(RECORDS.c.run, RECORDS.c.ids, RECORDS.c.contents).order_by(RECORDS.c.run, RECORDS.c.part)
    for run, ids_of, said in connection.execute(query):
        ids = table_of(ids_of)[KEY].to_pandas()
        for row in np.flatnonzero((ids == task).to_numpy()).tolist():
            frame = unpacked_cells(said)
            cells = {name: as_texts(frame[name].iloc[[row]])[0] for name in frame} if row < len(frame) else {}
            yield run, {str(name): cell for name, cell in cells.items() if cell}


def first_wrong(connection: sa.Connection) -> int | None:
    """The first run whose records are not what their digests, or whose Merkle root is not what its row says."""
    sealed = {row.run: row.records_root for row in connection.execute(sa.select(RUNS).where(RUNS.c.kind.in_(AUDITS)))}
    batches = connection.execute(sa.select(RECORDS).order_by(RECORDS.c.run, RECORDS.c.part))
    changed = set()
    for batch in batches:
        changed.add(batch.run)
        if not _as_digested(batch.ids, batch.digests, batch.contents):
            return int(batch.run)
    ids, digests = _NOTHING, np.empty((0, SIZE), np.uint8)
    right: set[str] = {root_of(ids, digests)[1]}
    for run in sorted(sealed):
        if run in changed:
            known = last_versions(connection, run)
            ids, digests = known.ids[known.kind != GONE], known.digests[known.kind != GONE]
            right = {root_of(ids, digests)[1]}
        if sealed[run] not in right:
            right.add(root_of(ids, digests, in_leaf=1)[1])  # as earlier versions had it
        if sealed[run] not in right:
            return int(run)
    return None


def _as_digested(ids_of: bytes, digests: bytes, said: bytes) -> bool:
    """Whether the records of a batch are those that its digests speak of."""
    try:
        with refusing_damage():
            table, frame = table_of(ids_of), unpacked_cells(said, TEXTS)
            unread = _told_beside(table)["unread"]
            blank = all(frame[name].iloc[rows].isna().all() for name, rows in unread.items() if name in frame)
    except Damaged:
        return False
    there = table["kind"].to_numpy() != GONE
    if len(digests) != len(table) * SIZE or table[KEY].to_pylist()[: len(frame)] != frame[KEY].tolist():
        return False
    hashes = np.frombuffer(digests, np.uint8).reshape(-1, SIZE)
    return blank and int(there.sum()) == len(frame) and np.array_equal(record_digests(frame), hashes[: len(frame)])
