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

Bytes = npt.NDArray[np.uint8]

FORMAT: Final = "deicer-audit-record/1"
SIZE: Final = 32
COLUMNS: Final = TABLES["tasks"].columns
KEY: Final = "task_id"
_CELLS: Final = {name: column.kind for name, column in COLUMNS.items() if name != KEY}
_HEAD: Final = sha256(json.dumps([FORMAT, [*_CELLS.items(), (KEY, "id")]]).encode()).digest()
_ROWS_AT_A_TIME: Final = 20_000
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
    cells = [_cells_of(tasks.get(name), kind) for name, kind in _CELLS.items()]
    keys = pa.array(tasks[KEY].astype("str"), pa.large_string()).cast(pa.large_binary())
    digests: list[bytes] = []
    for start in range(0, len(tasks), _ROWS_AT_A_TIME):
        end = min(start + _ROWS_AT_A_TIME, len(tasks))
        head = np.broadcast_to(np.frombuffer(_HEAD, np.uint8), (end - start, SIZE))
        rows = np.hstack([head, *(cut(start, end) for cut in cells)])
        width, content = rows.shape[1], rows.tobytes()
        # Millions of records: what is done for each is kept short.
        digests += [
            sha256(content[at : at + width] + key).digest()
            for at, key in zip(range(0, len(content), width), keys[start:end].to_pylist(), strict=True)
        ]
    return np.frombuffer(b"".join(digests), np.uint8).reshape(-1, SIZE)


Cut = Callable[[int, int], Bytes]


def _cells_of(column: pd.Series[Any] | None, kind: str) -> Cut:
    """What gives the bytes of some rows of a column."""
    if kind in ("time", "date", "count", "number"):
        if column is None:
            return lambda start, end: _eight_bytes(np.full(end - start, _MISSING))
        numbers = _numbers(column, kind)
        return lambda start, end: _eight_bytes(numbers[start:end])
    if column is None:
        return lambda start, end: np.zeros((end - start, SIZE), np.uint8)
    if isinstance(column.dtype, pd.CategoricalDtype):
        # Words that many records share are hashed once.
        table, codes = _hashed(column.cat.categories.astype("str").tolist()), column.cat.codes.to_numpy() + 1
        return lambda start, end: np.asarray(table[codes[start:end]], np.uint8)
    texts = pa.array(column, pa.large_string(), from_pandas=True)

    def cut(start: int, end: int) -> Bytes:
        different = pc.dictionary_encode(_whole(texts).slice(start, end - start))
        codes = pc.add(pc.fill_null(different.indices, -1), 1).to_numpy(zero_copy_only=False)
        return np.asarray(_hashed(different.dictionary.to_pylist())[codes], np.uint8)

    return cut


def _whole(texts: pa.Array | pa.ChunkedArray) -> pa.Array:
    return texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts


def _hashed(texts: list[str]) -> Bytes:
    """The hash of each text, after that of a missing one. A blank text is a missing one, as everywhere."""
    hashes = [sha256(text.encode("utf-8", "surrogatepass")).digest() if text else bytes(SIZE) for text in texts]
    return np.frombuffer(b"".join([bytes(SIZE), *hashes]), np.uint8).reshape(-1, SIZE)


def _numbers(column: pd.Series[Any], kind: str) -> npt.NDArray[np.int64]:
    """Times and counts as whole numbers, numbers as the bits of a float."""
    if kind == "number":
        floats = column.to_numpy("float64", na_value=np.nan)
        bits: npt.NDArray[np.int64] = (floats + 0.0).view(np.int64)  # no -0
        return np.where(np.isnan(floats), _MISSING, bits)
    if kind == "count":
        counts: npt.NDArray[np.int64] = column.fillna(_MISSING).to_numpy("int64")
        return counts
    naive = column.dt.tz_convert("UTC").dt.tz_localize(None) if kind == "time" else column
    whole: npt.NDArray[np.int64] = naive.to_numpy("datetime64[us]").view(np.int64)
    return whole


def _eight_bytes(numbers: npt.NDArray[np.int64]) -> Bytes:
    big: Bytes = np.ascontiguousarray(numbers, ">i8").view(np.uint8).reshape(-1, 8)
    return big
