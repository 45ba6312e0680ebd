"""Repeated keys, against a plain loop."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.intake.duplicates import repeats

VALUES = st.lists(st.sampled_from([None, "", "A", "B", "T9", "T10", "ä"]), max_size=12)


def plain(keys: list[tuple[str | None, ...]]) -> list[tuple[int, int]]:
    """Rows that repeat an earlier key, with the first row of it."""
    seen: dict[tuple[str | None, ...], int] = {}
    again = []
    for row, key in enumerate(keys):
        if None in key:
            continue
        if key in seen:
            again.append((row, seen[key]))
        else:
            seen[key] = row
    return again


def found(frame: pd.DataFrame, key: list[str]) -> list[tuple[int, int]]:
    rows, first = repeats(frame, key)
    return list(zip(rows.tolist(), first.tolist(), strict=True))


@given(VALUES, st.sampled_from(["str", "category"]))
def test_single_key(values: list[str | None], dtype: str) -> None:
    """The first row of a key stays, every later one is found, and missing keys equal nothing."""
    frame = pd.DataFrame({"a": pd.Series(values, dtype="str").astype(dtype)})
    assert found(frame, ["a"]) == plain([(value,) for value in values])


@given(st.lists(st.tuples(st.sampled_from([None, "A", "B"]), st.sampled_from([None, "x", "y"])), max_size=12))
def test_composite_key(values: list[tuple[str | None, str | None]]) -> None:
    """A row repeats a key only if all of its parts do."""
    frame = pd.DataFrame(
        {
            "a": pd.Series([a for a, _ in values], dtype="str").astype("category"),
            "b": pd.Series([b for _, b in values], dtype="str"),
        }
    )
    assert found(frame, ["a", "b"]) == plain(list(values))


@pytest.mark.parametrize("order", [slice(None), slice(None, None, -1)])
def test_many_keys(order: slice) -> None:
    """One repeated number is found among many, in ascending order or not."""
    values = np.array([f"T{number}" for number in range(20_000)])[order]
    frame = pd.DataFrame({"a": pd.Series(values, dtype="str")})
    assert found(frame, ["a"]) == []
    frame.loc[19_999, "a"] = values[7]
    assert found(frame, ["a"]) == [(19_999, 7)]
