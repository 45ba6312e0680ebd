"""Rows that repeat the key of an earlier one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray


def repeats(frame: pd.DataFrame, key: Sequence[str]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The rows whose key stands in an earlier row, and the first row of that key.

    A key with a missing value equals no other.
    """
    if len(key) > 1:
        groups = frame.groupby(list(key), sort=False, observed=True).ngroup()
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
