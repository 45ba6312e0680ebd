"""Rows that can't be believed: which, why, and where they stand in the export."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.intake.cells import Cells

REJECT_COLUMNS: Final = ("table", "file", "line", "column", "value", "reason")

LONGEST_VALUE: Final = 1000
"""Longer values are cut in the quarantine list: one broken cell may hold the rest of a file."""


@dataclass(frozen=True)
class Faults:
    """Rows (counted from 0 as they were read) that are quarantined for what `columns` say.

    `first`, of the same length, is the row that each one repeats: its line follows the reason.
    """

    columns: tuple[str, ...]
    rows: NDArray[np.intp]
    reason: str
    first: NDArray[np.intp] | None = None


def list_rejects(cells: Cells, faults: Iterable[Faults]) -> pd.DataFrame:
    """The table's part of quarantine.csv, in line order; a row with several faults has a line for each."""
    listed = [_list_faults(cells, found) for found in faults if len(found.rows)]
    if cells.ragged:
        records = np.array([row.record for row in cells.ragged], dtype=np.intp)
        texts = pa.array([row.text for row in cells.ragged])
        reasons = pa.array([row.reason for row in cells.ragged])
        listed.append(_frame(cells, cells.lines_of(records), "", texts, reasons))
    if not listed:
        return no_rejects()
    return pd.concat(listed).sort_values("line", kind="stable", ignore_index=True)


def no_rejects() -> pd.DataFrame:
    """An empty quarantine list."""
    return pd.DataFrame({name: pd.Series(dtype="int64" if name == "line" else "str") for name in REJECT_COLUMNS})


def _list_faults(cells: Cells, found: Faults) -> pd.DataFrame:
    reasons = pa.repeat(found.reason, len(found.rows))
    if found.first is not None:
        lines = pa.array(cells.lines(found.first)).cast(pa.string())
        reasons = pc.binary_join_element_wise(reasons, lines, " ")
    written = [
        cells.columns[column].take(pa.array(found.rows)).cast(pa.string()).fill_null("") for column in found.columns
    ]
    values = pc.binary_join_element_wise(*written, "; ")
    return _frame(cells, cells.lines(found.rows), "; ".join(found.columns), values, reasons)


def _frame(cells: Cells, lines: NDArray[np.int64], column: str, values: Any, reasons: Any) -> pd.DataFrame:
    too_long = pc.greater(pc.utf8_length(values), LONGEST_VALUE)
    cut = pc.binary_join_element_wise(pc.utf8_slice_codeunits(values, 0, LONGEST_VALUE), "…", "")
    frame = pd.DataFrame(
        {
            "table": pd.Series(cells.table.name, index=range(len(lines)), dtype="str"),
            "file": pd.Series(cells.file, index=range(len(lines)), dtype="str"),
            "line": lines.astype(np.int64),
            "column": pd.Series(column, index=range(len(lines)), dtype="str"),
            "value": text_array(pc.if_else(too_long, cut, values)),
            "reason": text_array(reasons),
        }
    )
    return frame[list(REJECT_COLUMNS)]


def text_array(cells: pa.ChunkedArray | pa.Array) -> Any:
    """Arrow strings as a pandas `str` array."""
    dtype: Any = pd.StringDtype("pyarrow", na_value=np.nan)
    return dtype.__from_arrow__(cells)
