"""Task records as the register knows them: a version where something changed, and what happened to signed ones."""

from __future__ import annotations

import io
import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import sqlalchemy as sa

from audit.findings.standing import ALTERED_COLUMNS
from audit.register.digests import (
    COLUMNS,
    KEY,
    SIZE,
    TEXTS,
    Bytes,
    Ints,
    record_digests,
    same_cells,
    with_words_used,
    words_in,
)
from audit.register.merkle import merkle_root
from audit.register.schema import ALTERATIONS, RECORDS, RUNS
from audit.register.states import AUDITS, Run
from audit.register.store import Damaged

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

    `batches` are the runs and parts of those, `columns` those that an export ever had.
    """

    ids: pd.Index[str]
    kind: npt.NDArray[np.uint8]
    digests: Bytes
    batch: Ints
    row: Ints
    batches: list[tuple[int, int]]
    columns: frozenset[str]


@dataclass(frozen=True, eq=False)
class Seen:
    """What a run adds: rows of RECORDS and of ALTERATIONS; how many records there are then, and their Merkle root."""

    batches: list[dict[str, Any]]
    alterations: list[dict[str, Any]]
    count: int
    root: str


def last_versions(connection: sa.Connection, up_to_run: int | None = None) -> Versions:
    """The records as the register knows them, or knew them after a run."""
    names = ("run", "part", "ids", "digests")
    query = sa.select(*(RECORDS.c[name] for name in names)).order_by(RECORDS.c.run, RECORDS.c.part)
    if up_to_run is not None:
        query = query.where(RECORDS.c.run <= up_to_run)
    batches, ids, kinds, digests, sizes = [], [], [], [], []
    columns: frozenset[str] = frozenset()
    for run, part, packed, hashes in connection.execute(query):
        with _refusing_damage():
            table = _table(packed)
            ids.append(table[KEY].to_pandas())
            kinds.append(table["kind"].to_numpy())
            digests.append(np.frombuffer(hashes, np.uint8).reshape(-1, SIZE))
            columns |= frozenset(json.loads(table.schema.metadata[b"columns"]))
        batches.append((run, part))
        sizes.append(len(table))
    if not ids:
        none = np.empty(0, np.int64)
        return Versions(_NOTHING, none.astype(np.uint8), np.empty((0, SIZE), np.uint8), none, none, [], columns)
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
    return Versions(pd.Index(every[last]), kind[last], known, batch[last], row[last], batches, columns)


def see_records(
    connection: sa.Connection, tonight: Tonight, as_of: datetime, last: Run | None, *, comparable: bool
) -> Seen:
    """Compare tonight's records with the last version of each.

    Where the mapping or the program that read them is another one (`comparable` is false) nothing is said to have
    happened to them. A column that tonight's export lacks, or a cell that can't be read, is as it was last known.
    """
    known = last_versions(connection)
    tasks, unreadable, at = _of_this_time(tonight, known, as_of)
    tasks = _as_last_known(connection, tasks, known, at, unreadable)
    kind = _kinds(tasks)
    changed, digests = _changed(connection, tasks, kind, known, at)
    gone = _gone(known, at, tonight.set_aside)
    happened: list[tuple[str, str, str, str, str]] = []
    if comparable:
        happened += _altered(connection, tasks, known, at, changed[at[changed] >= 0])
        happened += [(str(task), VANISHED, "", "", "") for task in known.ids[gone[known.kind[gone] == SIGNED]]]
        happened += _late(tasks, np.flatnonzero(at < 0), last)
    batches = _batches(tasks, kind, changed, digests, known.ids[gone], known.columns | set(map(str, tasks)))
    names = ("task_id", "what", "column", "was", "now")
    alterations = [{"number": n} | dict(zip(names, one, strict=True)) for n, one in enumerate(happened, start=1)]
    count, root = _root(known, gone, at[changed], pd.Index(tasks[KEY].astype("str"))[changed], digests)
    return Seen(batches, alterations, count, root)


def unseen(connection: sa.Connection) -> Seen:
    """What a run adds that looks back from an earlier time than one before: nothing."""
    known = last_versions(connection)
    kept = known.kind != GONE
    count, root = root_of(known.ids[kept], known.digests[kept])
    return Seen([], [], count, root)


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
    return tasks[kept].reset_index(drop=True), unreadable, at[kept]


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
) -> tuple[Ints, Bytes]:
    """The records that are new or not as they were last known, and their digests.

    Those that say what the register keeps of them have the digests that it keeps: only others are digested.
    """
    same = at >= 0
    same[same] = kind[same] == known.kind[at[same]]
    alike, as_kept = np.flatnonzero(same), np.zeros(len(tasks), bool)
    batch = known.batch[at[alike]]
    for number in np.flatnonzero(np.bincount(batch) >= _WORTH_READING).tolist():
        rows = alike[batch == number]
        now = with_words_used(tasks.iloc[rows])
        was = _said(connection, known.batches[number], words_in(now)).iloc[known.row[at[rows]]]
        as_kept[rows] = same_cells(now, was)
    rest = np.flatnonzero(~as_kept)
    parts = [rest[start : start + _MOST_ROWS] for start in range(0, len(rest), _MOST_ROWS)]
    digests = _together([record_digests(with_words_used(tasks.iloc[part])) for part in parts])
    again = np.flatnonzero(same[rest])
    changed = np.ones(len(rest), bool)
    changed[again] = (digests[again] != known.digests[at[rest[again]]]).any(axis=1)
    return rest[changed], digests[changed]


def _together(digests: list[Bytes]) -> Bytes:
    return np.concatenate([np.empty((0, SIZE), np.uint8), *digests])


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
) -> pd.DataFrame:
    """The records with what can't be read of them tonight as it was last known."""
    lacking = {name: np.arange(len(tasks)) for name in known.columns - set(tasks)}
    lacking |= {name: np.asarray(rows) for name, rows in unreadable.items() if name in tasks and len(rows)}
    there = at >= 0
    there[there] = known.kind[at[there]] != GONE  # of what was gone nothing is kept any more
    lacking = {name: rows[there[rows]] for name, rows in lacking.items()}
    rows = np.unique(np.concatenate([np.empty(0, np.int64), *lacking.values()]))
    if not len(rows):
        return tasks
    before, tasks = contents(connection, known, at[rows]), tasks.copy()
    for name, its in lacking.items():
        if name in before:
            column = tasks[name].astype(object) if name in tasks else pd.Series([None] * len(tasks), dtype=object)
            column.iloc[its] = before[name].astype(object).to_numpy()[np.searchsorted(rows, its)]
            tasks[name] = _typed(column, name)
    return tasks


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
    for name in COLUMNS:
        if name == KEY or name not in known.columns or name not in now:
            continue
        texts = as_texts(now[name]), as_texts(before[name]) if name in before else [""] * len(now)
        for task, new, old in zip(now[KEY], *texts, strict=True):
            if new != old:
                yield str(task), ALTERED, name, old, new


def as_texts(column: pd.Series[Any]) -> list[str]:
    """Cells as a person reads them; blank where there is none."""
    return ["" if pd.isna(cell) else cell.isoformat() if hasattr(cell, "isoformat") else str(cell) for cell in column]


def _late(tasks: pd.DataFrame, new: Ints, last: Run | None) -> Iterator[tuple[str, str, str, str, str]]:
    """Records that an earlier run did not have, though their work had ended before."""
    if last is None:
        return
    ended = tasks["finished_at"].iloc[new]
    late = new[(ended < pd.Timestamp(last.as_of)).to_numpy()]
    for task, end in zip(tasks[KEY].iloc[late], tasks["finished_at"].iloc[late], strict=True):
        yield str(task), ENTERED_LATE, "", last.as_of.isoformat(), end.isoformat()


def _batches(
    tasks: pd.DataFrame,
    kind: npt.NDArray[np.uint8],
    changed: Ints,
    digests: Bytes,
    gone: pd.Index[str],
    columns: Collection[str],
) -> list[dict[str, Any]]:
    """Rows of RECORDS: the ids of the records that changed with their kinds, their digests, and what they say; those
    that are gone come last."""
    ids = pa.array(pd.Index(tasks[KEY].astype("str"))[changed].append(gone), pa.string())
    kinds = np.concatenate([kind[changed], np.full(len(gone), GONE, np.uint8)])
    hashes = np.concatenate([digests, np.zeros((len(gone), SIZE), np.uint8)])
    metadata = {"columns": json.dumps(sorted(columns))}
    rows = []
    for part, start in enumerate(range(0, len(ids), _MOST_ROWS)):
        cut = slice(start, start + _MOST_ROWS)
        packed = pa.table({KEY: ids[cut], "kind": kinds[cut]}).replace_schema_metadata(metadata)
        row = {"part": part, "rows": len(packed), "ids": _parquet(packed), "digests": hashes[cut].tobytes()}
        rows.append(row | {"contents": packed_cells(tasks.iloc[changed[cut]])})
    return rows


def packed_cells(tasks: pd.DataFrame) -> bytes:
    """What records say, as the register keeps it."""
    tasks = with_words_used(tasks)
    said = pa.Table.from_pandas(tasks, preserve_index=False).replace_schema_metadata(None)
    # Without Arrow's schema words are read again as text.
    return _parquet(said, use_dictionary=words_in(tasks), store_schema=False)


def _parquet(table: pa.Table, **options: Any) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd", write_statistics=False, write_page_checksum=True, **options)
    return out.getvalue()


@contextmanager
def _refusing_damage() -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, ValueError, LookupError) as error:
        raise Damaged("what it keeps of task records can't be read") from error


def _table(packed: bytes, words: Sequence[str] = ()) -> pa.Table:
    return pq.read_table(io.BytesIO(packed), read_dictionary=words, page_checksum_verification=True)


def unpacked_cells(said: bytes, words: Sequence[str] = ()) -> pd.DataFrame:
    """What a batch says, columns of `words` as categories; counts stay whole numbers where some are missing."""
    with _refusing_damage():
        frame: pd.DataFrame = _table(said, words).to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    return frame


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


def _root(known: Versions, gone: Ints, at: Ints, ids: pd.Index[str], digests: Bytes) -> tuple[int, str]:
    """How many records the register knows after this run, and their Merkle root in the order of their ids. `at`, `ids`
    and `digests` are of those that changed."""
    there, new = at >= 0, at < 0
    now, kept = known.digests.copy(), known.kind != GONE
    now[at[there]] = digests[there]
    kept[at[there]] = True
    kept[gone] = False
    return root_of(known.ids[kept].append(ids[new]), np.concatenate([now[kept], digests[new]]))


def root_of(ids: pd.Index[str], digests: Bytes, in_leaf: int = RECORDS_IN_A_LEAF) -> tuple[int, str]:
    """Number and Merkle root of records: each leaf holds the digests of as many, in the order of their ids."""
    order = pc.sort_indices(pa.array(ids)).to_numpy()
    content, size = digests[order].tobytes(), in_leaf * SIZE
    leaves = [content[at : at + size] for at in range(0, len(content), size)]
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
    for run, packed, said in connection.execute(query):
        ids = _table(packed)[KEY].to_pandas()
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


def _as_digested(packed: bytes, digests: bytes, said: bytes) -> bool:
    """Whether the records of a batch are those that its digests speak of."""
    try:
        with _refusing_damage():
            table, frame = _table(packed), unpacked_cells(said, TEXTS)
    except Damaged:
        return False
    there = table["kind"].to_numpy() != GONE
    if len(digests) != len(table) * SIZE or table[KEY].to_pylist()[: len(frame)] != frame[KEY].tolist():
        return False
    hashes = np.frombuffer(digests, np.uint8).reshape(-1, SIZE)
    return int(there.sum()) == len(frame) and np.array_equal(record_digests(frame), hashes[: len(frame)])
