"""Values of workbooks and databases spelled out as canonical text, told apart from what is text already."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

_LARGEST_WHOLE = 2.0**53


def canonical_text(values: Sequence[Any]) -> tuple[pa.Array, NDArray[np.bool_] | None]:
    """The values as text, and which of them are none by themselves; None where all are text (or missing).

    Where a column has times of day, a date in it is a time too: midnight is stored without one.
    """
    types = set(map(type, values))
    if types <= {str, type(None)}:
        return pa.array(values, pa.string()), None
    at_midnight = datetime in types
    if types <= {float, str} or (types <= {datetime, date, str} and at_midnight):
        # The usual columns of a sheet: all at once.
        typed_only = [None if type(value) is str else value for value in values]
        if all(value == "" for value in values if type(value) is str):
            found = _times(typed_only) if at_midnight else _numbers(typed_only)
            if found is not None:
                return found, np.asarray(pc.is_valid(found))
    typed = np.fromiter((value is not None and type(value) is not str for value in values), bool, len(values))
    return pa.array([_one_text(value, at_midnight) for value in values], pa.string()), typed


Piece = tuple[pa.Array, NDArray[np.bool_] | None]
"""What `canonical_text` makes of some cells of a column."""


def joined(pieces: Sequence[Piece]) -> tuple[pa.ChunkedArray, NDArray[np.bool_] | None]:
    """Pieces of a column as one."""
    cells = pa.chunked_array([text for text, _ in pieces], pa.string())
    if all(typed is None for _, typed in pieces):
        return cells, None
    return cells, np.concatenate([np.zeros(len(text), bool) if typed is None else typed for text, typed in pieces])


def _times(values: Sequence[datetime | date | None]) -> pa.Array | None:
    """Naive times to the second; None where there are others, which only Python spells out."""
    moments = [datetime(value.year, value.month, value.day) if type(value) is date else value for value in values]
    found = pa.array(moments, pa.timestamp("us"))
    to_the_second = pc.equal(found, pc.floor_temporal(found, unit="second"))
    if any(isinstance(moment, datetime) and moment.tzinfo for moment in moments) or not pc.all(to_the_second).as_py():
        return None
    return pc.binary_replace_slice(found.cast(pa.timestamp("s")).cast(pa.string()), 10, 11, "T")


def _numbers(values: Sequence[float | None]) -> pa.Array:
    return numbers_as_text(pa.array(values, pa.float64()))


def numbers_as_text(numbers: Any) -> Any:
    """Floating point numbers as text (an Arrow array, or a chunked one): whole ones without decimals, and others, and
    those too large to have all their digits, as they are."""
    if numbers.type == pa.float16():
        numbers = numbers.cast(pa.float32())
    whole = pc.and_(pc.equal(numbers, pc.floor(numbers)), pc.less(pc.abs(numbers), _LARGEST_WHOLE))
    counts = pc.if_else(whole, numbers, pa.scalar(0, numbers.type)).cast(pa.int64()).cast(pa.string())
    return pc.if_else(whole, counts, numbers.cast(pa.string()))


def _one_text(value: Any, at_midnight: bool) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < _LARGEST_WHOLE else repr(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, date):
        return f"{value.isoformat()}T00:00:00" if at_midnight else value.isoformat()
    if isinstance(value, time):
        return value.isoformat()
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds())
        sign, seconds = ("-", -seconds) if seconds < 0 else ("", seconds)
        return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    if isinstance(value, bytes):
        return f"\\x{value.hex()}"  # no number, whatever its digits
    return str(value)
