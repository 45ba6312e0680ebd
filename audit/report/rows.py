"""Frames as CSV and JSON text, a column at a time.

Times are ISO 8601 with Z, numbers are rounded to four decimals and written without trailing zeros,
missing values and blank text are an empty cell in CSV and null in JSON.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from audit.figures import moment

DECIMALS = 4

_SPREADSHEET_STARTS_A_FORMULA = r"^[=+\-@\t\r＝＋－＠]"
_PLAIN_NUMBER = r"^[+-]?\d+(\.\d+)?$"
_CSV_MUST_QUOTE = '[",\r\n]'
_JSON_MUST_ESCAPE = r'["\\\x00-\x1f]'

_TEXT = pa.large_string()


def csv_text(frame: pd.DataFrame) -> str:
    r"""Write a frame as RFC 4180 CSV with `\n` line ends.

    People open these files in a spreadsheet, where a cell that begins with one of `= + - @` is run
    as a formula. Such a cell gets an apostrophe in front, unless it is a plain number; a NUL, which
    ends a cell early in many readers, is shown as its picture (U+2400). The JSON files hold every
    text unchanged.
    """
    columns = [_cells(frame[name], _csv_cell) for name in frame]
    lines = _join(*columns, between=",")
    return "".join(f"{line}\n" for line in [",".join(frame.columns), *lines.to_pylist()])


def json_rows(frame: pd.DataFrame) -> str:
    """Write a frame as a JSON array, an object a line, so that two files compare line by line."""
    parts: list[pa.Array | str] = []
    for name in frame:
        parts.append(f"{',' if parts else '{'}{json.dumps(name)}:")
        parts.append(pc.fill_null(_cells(frame[name], _json_cell), "null"))
    lines = _join(*parts, "}")
    return "[\n" + ",\n".join(lines.to_pylist()) + "\n]" if len(frame) else "[]"


def texts(column: pd.Series) -> list[str | None]:
    """Return the cells of one column as the files write them, None where there is nothing."""
    cells: list[str | None] = _cells(column, lambda text: text).to_pylist()
    return cells


def instant(at: pd.Timestamp) -> str:
    """Write one instant as the files do: ISO 8601, UTC, with Z; blank where there is none."""
    return texts(pd.Series([at], dtype="datetime64[us, UTC]"))[0] or ""


def day_and_time(instant: str) -> str:
    """Turn an instant as written into one to read: `2026-05-31 22:10 UTC`."""
    return moment(instant) or "unknown"


def level_name(level: str) -> str:
    """Write a level as a person says it."""
    return level if level == "observation" else f"level {level}"


def _join(*parts: pa.Array | str, between: str = "") -> pa.Array:
    wide = [pa.scalar(part, _TEXT) if isinstance(part, str) else part for part in parts]
    return pc.binary_join_element_wise(*wide, pa.scalar(between, _TEXT), null_handling="replace", null_replacement="")


def _cells(column: pd.Series, write_text: Callable[[pa.Array], pa.Array]) -> pa.Array:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return write_text(_instants(column))
    if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_integer_dtype(column.dtype):
        return pc.cast(_flat(pa.array(column, from_pandas=True)), _TEXT)
    if pd.api.types.is_float_dtype(column.dtype):
        return _numbers(column)
    text = _flat(pa.array(column.astype("str"), type=pa.large_string(), from_pandas=True))
    text = pc.if_else(pc.equal(text, ""), pa.scalar(None, _TEXT), text)
    different = pc.dictionary_encode(text)  # most columns repeat few values: write each once
    return pc.take(write_text(different.dictionary), different.indices)


def _flat(array: pa.Array | pa.ChunkedArray) -> pa.Array:
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _instants(column: pd.Series) -> pa.Array:
    instants = column.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[us]")
    seconds = instants.astype("datetime64[s]")
    text = np.datetime_as_string(seconds).astype(object)
    fraction = seconds != instants
    # A time to the second is the rule; a fraction is written in full where there is one.
    text[fraction] = np.datetime_as_string(instants[fraction])
    text = np.where(np.isnat(instants), None, text + "Z")
    return pa.array(text, type=_TEXT)


def _numbers(column: pd.Series) -> pa.Array:
    rounded = np.round(column.to_numpy("float64", na_value=np.nan), DECIMALS) + 0.0  # no -0
    return pc.cast(pa.array(rounded, mask=~np.isfinite(rounded)), _TEXT)


def _csv_cell(text: pa.Array) -> pa.Array:
    text = pc.replace_substring(text, "\x00", "\u2400")
    # A cell that a spreadsheet would run as a formula is led by a sign that makes it text; a negative number is none.
    live = pc.and_not(
        pc.match_substring_regex(text, _SPREADSHEET_STARTS_A_FORMULA),
        pc.match_substring_regex(text, _PLAIN_NUMBER),
    )
    text = pc.if_else(live, _join("'", text), text)
    doubled = pc.replace_substring(text, '"', '""')
    quoted = _join('"', doubled, '"')
    return pc.if_else(pc.match_substring_regex(text, _CSV_MUST_QUOTE), quoted, text)


def _json_cell(text: pa.Array) -> pa.Array:
    quoted = pc.if_else(pc.is_valid(text), _join('"', text, '"'), text)
    special = pc.fill_null(pc.match_substring_regex(text, _JSON_MUST_ESCAPE), False)
    escaped = [json.dumps(value, ensure_ascii=False) for value in text.filter(special).to_pylist()]
    return pc.replace_with_mask(quoted, special, pa.array(escaped, type=_TEXT))
