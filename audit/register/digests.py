"""Digests of task records: a SHA-256 for each, over the names of its columns and its values."""

from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import sha256
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from audit.intake.tables import TABLES
from audit.intake.words import words_in

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FORMAT: Final = "deicer-audit-record/1"
SIZE: Final = 32
COLUMNS: Final = TABLES["tasks"].columns
KEY: Final = "task_id"
_CELLS: Final = {name: column.kind for name, column in COLUMNS.items() if name != KEY}
_HEAD: Final = sha256(json.dumps([FORMAT, [*_CELLS.items(), (KEY, "id")]]).encode()).digest()
_ROWS_AT_A_TIME: Final = 4_000
"""As many as stay in a processor's cache: millions of records, some 700 bytes each."""
_NUMBERS: Final = ("time", "date", "count", "number")
TEXTS: Final = [name for name, kind in _CELLS.items() if kind not in _NUMBERS]
_MISSING: Final = np.iinfo(np.int64).min
"""What stands for a missing time or number; no time that is audited is so early."""


def record_digests(tasks: pd.DataFrame) -> Bytes:
    """The digests of task records (canonical columns; absent ones are missing values), SIZE bytes a row.

    A digest is the SHA-256 of a head, which is the SHA-256 of the format, the names and kinds of the columns as JSON;
    of the cells in the order of the canonical table, save task_id; and of task_id in UTF-8, which comes last. A text is
    its SHA-256 (UTF-8), a time its microseconds since 1970 UTC, a count a whole number, both as 8 bytes, big end first,
    a number the 8 bytes of IEEE 754; a missing text is 32 zero bytes, a missing time, count or number the least whole
    number. All but the last have fixed widths: no two records have the same bytes.
    """
    # Each column gives the bytes of some rows at a time: the table of all of them would fill the memory.
    cells = [_cells_of(tasks.get(name), kind) for name, kind in _CELLS.items()]
    keys = pa.array(tasks[KEY].astype("str"), pa.large_string()).cast(pa.large_binary())
    head = np.broadcast_to(np.frombuffer(_HEAD, np.uint64), (_ROWS_AT_A_TIME, SIZE // 8))
    digests: list[bytes] = []
    for start in range(0, len(tasks), _ROWS_AT_A_TIME):
        end = min(start + _ROWS_AT_A_TIME, len(tasks))
        rows = np.hstack([head[: end - start], *(cut(start, end) for cut in cells)])
        # What is done for each record is kept short.
        records = rows.view(f"V{rows.shape[1] * 8}")[:, 0].tolist()
        digests += [sha256(row + key).digest() for row, key in zip(records, keys[start:end].to_pylist(), strict=True)]
    return np.frombuffer(b"".join(digests), np.uint8).reshape(-1, SIZE)


def same_cells(tasks: pd.DataFrame, kept: pd.DataFrame) -> Bools:
    """Whether each record says what was kept of it in the same row, both in canonical columns.

    Where it is so both have the same digest. Where not, they may: a blank text is not taken for a missing one.
    """
    same = np.ones(len(tasks), bool)
    for name, kind in _CELLS.items():
        now, was = tasks.get(name), kept.get(name)
        if now is not None and was is not None:
            same &= _same(now, was, kind)
        elif (there := was if now is None else now) is not None:
            same &= there.isna().to_numpy()
    return same


def _same(now: pd.Series[Any], was: pd.Series[Any], kind: str) -> Bools:
    if kind in _NUMBERS:
        same = _numbers(now, kind) == _numbers(was, kind)
    elif isinstance(now.dtype, pd.CategoricalDtype):
        was = was.astype("category")
        place = now.cat.categories.get_indexer(was.cat.categories)
        # What comes last is the code of a missing text.
        same = np.append(np.where(place < 0, -2, place), -1)[was.cat.codes] == now.cat.codes.to_numpy()
    else:
        texts = now.array, was.astype("str").array
        same = (texts[0] == texts[1]) | (texts[0].isna() & texts[1].isna())
    return np.asarray(same, bool)


def with_words_used(tasks: pd.DataFrame) -> pd.DataFrame:
    """Some of many records; a column that has more words than these are records becomes texts: most are others'."""
    more = [name for name in words_in(tasks) if len(tasks[name].cat.categories) > len(tasks)]
    return tasks.assign(**{name: tasks[name].astype("str") for name in more})


Words = npt.NDArray[np.uint64]
"""Bytes, eight at a time: every cell has a multiple of that, and fewer pieces are copied faster."""
Cut = Callable[[int, int], Words]


def _cells_of(column: pd.Series[Any] | None, kind: str) -> Cut:
    """What gives the bytes of some rows of a column."""
    if kind in _NUMBERS:
        if column is None:
            return lambda start, end: _eight_bytes(np.full(end - start, _MISSING))
        numbers = _numbers(column, kind)
        return lambda start, end: _eight_bytes(numbers[start:end])
    if column is None:
        return lambda start, end: np.zeros((end - start, SIZE // 8), np.uint64)
    if isinstance(column.dtype, pd.CategoricalDtype):
        # Words that many records share are hashed once.
        table, codes = _hashed(column.cat.categories.astype("str").tolist()), column.cat.codes.to_numpy()
        return lambda start, end: np.take(table, codes[start:end] + 1, axis=0)
    texts = pa.array(column, pa.large_string(), from_pandas=True)

    def cut(start: int, end: int) -> Words:
        different = pc.dictionary_encode(_whole(texts).slice(start, end - start))
        codes: Ints = pc.add(pc.fill_null(different.indices, -1), 1).to_numpy(zero_copy_only=False)
        return np.take(_hashed(different.dictionary.to_pylist()), codes, axis=0)

    return cut


def _whole(texts: pa.Array | pa.ChunkedArray) -> pa.Array:
    return texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts


def _hashed(texts: list[str]) -> Words:
    """The hash of each text, after that of a missing one. A blank text is a missing one, as everywhere."""
    hashes = [sha256(text.encode("utf-8", "surrogatepass")).digest() if text else bytes(SIZE) for text in texts]
    return np.frombuffer(b"".join([bytes(SIZE), *hashes]), np.uint64).reshape(-1, SIZE // 8)


def _numbers(column: pd.Series[Any], kind: str) -> npt.NDArray[np.int64]:
    """Times and counts as whole numbers, numbers as the bits of a float."""
    if kind == "number":
        floats = column.to_numpy("float64", na_value=np.nan)
        bits: npt.NDArray[np.int64] = (floats + 0.0).view(np.int64)  # no -0
        return np.where(np.isnan(floats), _MISSING, bits)
    if kind == "count":
        counts: npt.NDArray[np.int64] = column.fillna(_MISSING).to_numpy("int64")
        return counts
    whole: npt.NDArray[np.int64] = column.to_numpy("datetime64[us]").view(np.int64)  # UTC
    return whole


def _eight_bytes(numbers: npt.NDArray[np.int64]) -> Words:
    big: Words = numbers.astype(">i8").view(np.uint64)[:, None]
    return big
