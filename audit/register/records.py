"""Task records as the register knows them: a version where something changed, and what happened to signed ones."""

from __future__ import annotations

import io
import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import sqlalchemy as sa

from audit.findings.standing import ALTERED_COLUMNS
from audit.register.digests import COLUMNS, KEY, SIZE, Bytes, record_digests
from audit.register.merkle import merkle_root
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
_NOTHING: Final = pd.Index([], dtype="str")

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


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

    `columns` are those that an export ever had.
    """

    ids: pd.Index[str]
    kind: npt.NDArray[np.uint8]
    digests: Bytes
    batch: Ints
    row: Ints
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
    query = sa.select(RECORDS.c.ids, RECORDS.c.digests).order_by(RECORDS.c.run, RECORDS.c.part)
    if up_to_run is not None:
        query = query.where(RECORDS.c.run <= up_to_run)
    ids, kinds, digests, sizes = [], [], [], []
    columns: frozenset[str] = frozenset()
    for packed, hashes in connection.execute(query):
        table = pq.read_table(io.BytesIO(packed))
        ids.append(table[KEY].to_pandas())
        kinds.append(table["kind"].to_numpy())
        digests.append(np.frombuffer(hashes, np.uint8).reshape(-1, SIZE))
        sizes.append(len(table))
        columns |= frozenset(json.loads(table.schema.metadata[b"columns"]))
    if not ids:
        none = np.empty(0, np.int64)
        return Versions(_NOTHING, none.astype(np.uint8), np.empty((0, SIZE), np.uint8), none, none, columns)
    every = pd.concat(ids, ignore_index=True).astype("str")
    last = np.flatnonzero(~every.duplicated(keep="last").to_numpy())
    batch = np.repeat(np.arange(len(sizes)), sizes)
    row = np.concatenate([np.arange(size) for size in sizes])
    kind = np.concatenate(kinds)
    return Versions(
        pd.Index(every.iloc[last]), kind[last], np.concatenate(digests)[last], batch[last], row[last], columns
    )


def see_records(
    connection: sa.Connection, tonight: Tonight, as_of: datetime, last: Run | None, *, comparable: bool
) -> Seen:
    """Compare tonight's records with the last version of each.

    Where the mapping or the program that read them is another one (`comparable` is false) nothing is said to have
    happened to them. A column that tonight's export lacks, or a cell that can't be read, is as it was last known.
    """
    known = last_versions(connection)
    tasks, unreadable, at = _of_this_time(tonight, known, as_of)
    ids = pd.Index(tasks[KEY].astype("str"))
    tasks = _as_last_known(connection, tasks, known, at, unreadable)
    digests, kind = record_digests(tasks), _kinds(tasks)
    same = at >= 0
    same[same] = (digests[same] == known.digests[at[same]]).all(axis=1) & (kind[same] == known.kind[at[same]])
    gone = _gone(known, at, tonight.set_aside)
    happened: list[tuple[str, str, str, str, str]] = []
    if comparable:
        happened += _altered(connection, tasks, known, at, np.flatnonzero(~same & (at >= 0)))
        happened += [(str(task), VANISHED, "", "", "") for task in known.ids[gone[known.kind[gone] == SIGNED]]]
        happened += _late(tasks, np.flatnonzero(at < 0), last)
    changed = np.flatnonzero(~same)
    columns = known.columns | set(map(str, tasks))
    batches = _batches(tasks.iloc[changed], kind[changed], digests[changed], known.ids[gone], columns)
    names = ("task_id", "what", "column", "was", "now")
    alterations = [{"number": n} | dict(zip(names, one, strict=True)) for n, one in enumerate(happened, start=1)]
    count, root = _root(known, gone, at, ids, digests)
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
    at = known.ids.get_indexer(ids) if len(known.ids) else np.full(len(ids), -1)
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
    tasks: pd.DataFrame, kind: npt.NDArray[np.uint8], digests: Bytes, gone: pd.Index[str], columns: Collection[str]
) -> list[dict[str, Any]]:
    """Rows of RECORDS: the ids with their kinds, their digests, and what they say; those that are gone come last."""
    ids = np.concatenate([tasks[KEY].to_numpy(object), gone.to_numpy(object)])
    kinds = np.concatenate([kind, np.full(len(gone), GONE, np.uint8)])
    hashes = np.concatenate([digests, np.zeros((len(gone), SIZE), np.uint8)])
    metadata = {"columns": json.dumps(sorted(columns))}
    rows = []
    for part, start in enumerate(range(0, len(ids), _MOST_ROWS)):
        cut = slice(start, start + _MOST_ROWS)
        packed = pa.table({KEY: pa.array(ids[cut], pa.string()), "kind": kinds[cut]}).replace_schema_metadata(metadata)
        said = pa.Table.from_pandas(tasks.iloc[cut], preserve_index=False)
        row = {"part": part, "rows": len(packed), "ids": _parquet(packed), "digests": hashes[cut].tobytes()}
        # Words that many records share are written as they stand, and without Arrow's schema read again as text.
        rows.append(row | {"contents": _parquet(said.replace_schema_metadata(None), store_schema=False)})
    return rows


def _parquet(table: pa.Table, *, store_schema: bool = True) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd", store_schema=store_schema)
    return out.getvalue()


def _cells_kept(said: bytes) -> pd.DataFrame:
    """What a batch says; counts stay whole numbers where some are missing."""
    frame: pd.DataFrame = pq.read_table(io.BytesIO(said)).to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    return frame


def contents(connection: sa.Connection, known: Versions, places: Ints) -> pd.DataFrame:
    """What the last versions at these places say, in their order, canonical columns; absent ones are missing."""
    parts = []
    query = sa.select(RECORDS.c.run, RECORDS.c.part).order_by(RECORDS.c.run, RECORDS.c.part)
    keys = [tuple(row) for row in connection.execute(query)]
    for batch in np.unique(known.batch[places]).tolist():
        run, part = keys[batch]
        one = sa.select(RECORDS.c.contents).where(RECORDS.c.run == run, RECORDS.c.part == part)
        frame = _cells_kept(connection.execute(one).scalar_one())
        mine = np.flatnonzero(known.batch[places] == batch)
        parts.append(frame.iloc[known.row[places[mine]]].set_index(pd.Index(mine)))
    whole = pd.concat(parts) if parts else pd.DataFrame({KEY: []})
    return whole.sort_index()


def _root(known: Versions, gone: Ints, at: Ints, ids: pd.Index[str], digests: Bytes) -> tuple[int, str]:
    """How many records the register knows after this run, and their Merkle root in the order of their ids."""
    kept = known.kind != GONE
    kept[gone] = False
    kept[at[at >= 0]] = False  # tonight's digest stands for them
    return root_of(known.ids[kept].append(ids), np.concatenate([known.digests[kept], digests]))


def root_of(ids: pd.Index[str], digests: Bytes, in_leaf: int = RECORDS_IN_A_LEAF) -> tuple[int, str]:
    """Number and Merkle root of records: each leaf holds the digests of as many, in the order of their ids."""
    order = np.argsort(ids.to_numpy(object), kind="stable")
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
        frame = _cells_kept(said)
        found.append(frame[frame[KEY].isin(left)])
        left -= set(found[-1][KEY])
        if not left:
            break
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame({KEY: pd.Series(dtype="str")})


def versions_of(connection: sa.Connection, task: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Every version of a record: the run that saw it first, and its cells; none where it was gone."""
    query = sa.select(RECORDS.c.run, RECORDS.c.ids, RECORDS.c.contents).order_by(RECORDS.c.run, RECORDS.c.part)
    for run, packed, said in connection.execute(query):
        ids = pq.read_table(io.BytesIO(packed))[KEY].to_pandas()
        for row in np.flatnonzero((ids == task).to_numpy()).tolist():
            frame = _cells_kept(said)
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
        table, frame = pq.read_table(io.BytesIO(packed)), _cells_kept(said)
    except pa.ArrowException:
        return False
    there = table["kind"].to_numpy() != GONE
    if len(digests) != len(table) * SIZE or table[KEY].to_pylist()[: len(frame)] != frame[KEY].tolist():
        return False
    hashes = np.frombuffer(digests, np.uint8).reshape(-1, SIZE)
    return int(there.sum()) == len(frame) and np.array_equal(record_digests(frame), hashes[: len(frame)])
