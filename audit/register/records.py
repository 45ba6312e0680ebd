"""Task records as the register keeps them: a version where something changed, and the root over the last of each."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa

from audit.register.digests import KEY, SIZE, TEXTS, Bools, Bytes, Ints, record_digests
from audit.register.merkle import merkle_root
from audit.register.packing import Damaged, refusing_damage, table_of, unpacked_cells
from audit.register.schema import RECORDS, RUNS
from audit.register.states import AUDITS

GONE, UNSIGNED, SIGNED = 0, 1, 2
RECORDS_IN_A_LEAF: Final = 1024
"""A tree with a leaf for each of millions of records took a third of the time of a check."""
_NO_IDS: Final = pd.Index([], dtype="str")


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
            columns |= frozenset(told_beside(table)["columns"])
            unread.append(told_beside(table)["unread"])
        batches.append((run, part))
        sizes.append(len(table))
    if not ids:
        none = np.empty(0, np.int64)
        return Versions(_NO_IDS, none.astype(np.uint8), np.empty((0, SIZE), np.uint8), none, none, [], [], columns)
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


def told_beside(table: pa.Table) -> dict[str, Any]:
    """What a batch says beside its ids: its columns, and which cells were never known (earlier versions did not
    say)."""
    said = {key.decode(): json.loads(text) for key, text in (table.schema.metadata or {}).items()}
    if not {"columns"} <= set(said) <= {"columns", "unread"}:
        raise ValueError(sorted(said))
    return {"unread": {}} | said


def said_of(connection: sa.Connection, batch: tuple[int, int], words: Sequence[str] = ()) -> pd.DataFrame:
    """What the records of a batch, a run and a part of it, say; see `unpacked_cells` for `words`."""
    run, part = batch
    query = sa.select(RECORDS.c.contents).where(RECORDS.c.run == run, RECORDS.c.part == part)
    return unpacked_cells(connection.execute(query).scalar_one(), words)


def contents(connection: sa.Connection, known: Versions, places: Ints) -> pd.DataFrame:
    """What the last versions at these places say, in their order, canonical columns; absent ones are missing."""
    batch, parts = known.batch[places], []
    for number in np.unique(batch).tolist():
        mine = np.flatnonzero(batch == number)
        frame = said_of(connection, known.batches[number])
        parts.append(frame.iloc[known.row[places[mine]]].set_index(pd.Index(mine)))
    whole = pd.concat(parts) if parts else pd.DataFrame({KEY: []})
    return whole.sort_index()


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


def as_texts(column: pd.Series[Any]) -> list[str]:
    """Cells as a person reads them; blank where there is none."""
    return ["" if pd.isna(cell) else cell.isoformat() if hasattr(cell, "isoformat") else str(cell) for cell in column]


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


def first_wrong(connection: sa.Connection) -> int | None:
    """The first run whose records are not what their digests, or whose Merkle root is not what its row says."""
    sealed = {row.run: row.records_root for row in connection.execute(sa.select(RUNS).where(RUNS.c.kind.in_(AUDITS)))}
    batches = connection.execute(sa.select(RECORDS).order_by(RECORDS.c.run, RECORDS.c.part))
    changed = set()
    for batch in batches:
        changed.add(batch.run)
        if not _as_digested(batch.ids, batch.digests, batch.contents):
            return int(batch.run)
    ids, digests = _NO_IDS, np.empty((0, SIZE), np.uint8)
    right: set[str] = {root_of(ids, digests)[1]}
    # The root of a run is worked out anew only where it added records: else it is that of the run before.
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
            unread = told_beside(table)["unread"]
            blank = all(frame[name].iloc[rows].isna().all() for name, rows in unread.items() if name in frame)
    except Damaged:
        return False
    there = table["kind"].to_numpy() != GONE
    if len(digests) != len(table) * SIZE or table[KEY].to_pylist()[: len(frame)] != frame[KEY].tolist():
        return False
    hashes = np.frombuffer(digests, np.uint8).reshape(-1, SIZE)
    return blank and int(there.sum()) == len(frame) and np.array_equal(record_digests(frame), hashes[: len(frame)])
