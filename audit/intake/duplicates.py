"""Rows that repeat the key of an earlier one: the same again, or something else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.intake.cell_faults import Faults
from audit.intake.names import entries
from audit.intake.tables import Column, Table

AGAIN: Final = "duplicate of line"
OTHER: Final = "other contents under the same key; see line"
IN_DOUBT: Final = "said otherwise under the same key; see line"


@dataclass(frozen=True)
class Repeated:
    """What is wrong with rows that share a key.

    `rows` are set aside, with the faults that say why; of those `told` add nothing to what stands elsewhere. `cells`
    are at fault in rows that stay: what is said otherwise under the same key.
    """

    rows: tuple[Faults, ...] = ()
    told: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    cells: tuple[Faults, ...] = ()


def repeated(
    table: Table, frame: pd.DataFrame, not_exported: Mapping[str, NDArray[np.integer[Any]]] = MappingProxyType({})
) -> Repeated:
    """Compare the rows of each key that stands in several.

    Rows that say the same are duplicates, and the first of them stays. Of contents that differ, as where a record was
    exported again after a correction, any may hold: where they agree in every required cell the first stays, without
    the cells in which they differ; else none does. Free text is not a reason to set a row aside, not always being read.
    `not_exported` are the rows, by column, of files that lack it: these say nothing there that could differ.
    """
    rows, first = repeats(frame, table.key)
    if not len(rows):
        return Repeated()
    differs = {
        name: _differ(table.columns[name], frame[name], rows, first) for name in frame.columns if name not in table.key
    }
    for name in not_exported.keys() & differs:
        differs[name] &= ~(np.isin(rows, not_exported[name]) | np.isin(first, not_exported[name]))
    # `otherwise`: not a plain duplicate. `apart`: so different that none of the rows can be believed.
    otherwise = np.zeros(len(rows), dtype=bool)
    apart = np.zeros(len(rows), dtype=bool)
    for name, marks in differs.items():
        if table.columns[name].kind != "text":
            otherwise |= marks
        if table.columns[name].required:
            apart |= marks
    torn = np.isin(first, first[apart])  # keys of which no row can stay
    faults = [Faults(table.key, rows[~otherwise], AGAIN, first[~otherwise])]
    faults.append(Faults(table.key, rows[otherwise], OTHER, first[otherwise]))
    heads, at = np.unique(first[apart], return_index=True)
    faults.append(Faults(table.key, heads, OTHER, rows[apart][at]))
    cells = []
    for name, marks in differs.items():
        rows_of, at = np.unique(first[marks & ~torn], return_index=True)
        cells.append(Faults((name,), rows_of, IN_DOUBT, rows[marks & ~torn][at]))
    return Repeated(
        tuple(fault for fault in faults if len(fault.rows)),
        rows[~(otherwise & torn)],
        tuple(fault for fault in cells if len(fault.rows)),
    )


def listed_twice(flights: pd.DataFrame) -> NDArray[np.intp]:
    """Flights of the aircraft, takeoff and landing of an earlier row, under another key."""
    # Most exports have none: whole numbers tell that many times as fast as rows do.
    started = flights["takeoff_at"].to_numpy("datetime64[s]").astype(np.int64)
    aircraft = flights["aircraft"].cat.codes.to_numpy().astype(np.int64)
    when_and_who = started * (len(flights["aircraft"].cat.categories) + 1) + aircraft
    in_order = np.sort(when_and_who)
    alike = in_order[1:][in_order[1:] == in_order[:-1]]
    if not len(alike):
        return np.empty(0, dtype=np.intp)
    rows = np.flatnonzero(np.isin(when_and_who, alike))
    again = flights.iloc[rows].duplicated(["aircraft", "takeoff_at", "landing_at"]).to_numpy()
    return np.asarray(rows[again])


def _differ(
    column: Column, cells: pd.Series[Any], rows: NDArray[np.intp], first: NDArray[np.intp]
) -> NDArray[np.bool_]:
    compared = pd.concat([cells.iloc[rows], cells.iloc[first]])
    if column.kind == "codes":
        # A list is the same in any order.
        compared = compared.astype("object").map(lambda cell: "; ".join(sorted({*entries(cell)})), na_action="ignore")
    codes = pd.factorize(compared)[0]  # -1 for every missing value
    return np.asarray(codes[: len(rows)] != codes[len(rows) :])


def repeats(frame: pd.DataFrame, key: Sequence[str]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The rows whose key stands in an earlier row, and the first row of that key.

    A key with a missing value equals no other.
    """
    if len(key) > 1:
        groups = frame.groupby(list(key), sort=False, observed=True).ngroup()
        # A key with a missing value has no group.
        codes = pd.factorize(groups.where(groups >= 0))[0]
    elif isinstance(frame[key[0]].dtype, pd.CategoricalDtype):
        codes = pd.factorize(frame[key[0]])[0]
    else:
        text = pa.chunked_array(pa.array(frame[key[0]].array)).combine_chunks()
        if _ascending(text):
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
        codes = text.dictionary_encode().indices.fill_null(-1).to_numpy()
    # Codes are given in order of first appearance: a first one is larger than all before it.
    highest = np.maximum.accumulate(np.concatenate([[-1], codes]))[:-1]
    rows = np.flatnonzero((codes <= highest) & (codes >= 0))
    return rows, np.flatnonzero(codes > highest)[codes[rows]]


def _ascending(text: Any) -> bool:
    """Whether each value is larger than the one before (or longer: T9, T10), so that all differ."""
    if text.null_count:
        return False
    before, after = text[:-1], text[1:]
    larger = pc.greater(after, before)
    if pc.all(larger).as_py():
        return True
    longer = pc.subtract(pc.binary_length(after), pc.binary_length(before))
    rises = pc.or_(pc.greater(longer, 0), pc.and_(pc.equal(longer, 0), larger))
    return bool(pc.all(rises).as_py())
