"""Rows that can't be believed: which, why, and where they stand in the export."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from audit.intake.cell_faults import Faults
from audit.intake.cells import Cells

REJECT_COLUMNS: Final = ("table", "file", "line", "column", "value", "reason")

LONGEST_VALUE: Final = 1000
"""Longer values are cut in the quarantine list: one broken cell may hold the rest of a file."""


def list_rejects(parts: Sequence[Cells], faults: Iterable[Faults]) -> list[pd.DataFrame]:
    """What quarantine.csv says of each part of a table, in line order; a row has a line for each of its faults."""
    listed = [[_list_ragged(cells)] if cells.ragged else [] for cells in parts]
    starts = np.cumsum([0, *(cells.rows for cells in parts)])
    for found in faults:
        for number in np.unique(np.searchsorted(starts, found.rows, side="right") - 1) if len(found.rows) else ():
            here = (found.rows >= starts[number]) & (found.rows < starts[number + 1])
            first = None if found.first is None else found.first[here]
            here_alone = replace(found, rows=found.rows[here], first=first)
            listed[number].append(_list_faults(parts, starts, int(number), here_alone))
    return [
        pd.concat(part).sort_values("line", kind="stable", ignore_index=True) if part else no_rejects()
        for part in listed
    ]


LEFT_OUT: Final = "above or below the records: left out by the mapping"


def list_dropped(parts: Sequence[Cells]) -> pd.DataFrame:
    """The rows above or below the records that a mapping leaves out (REJECT_COLUMNS): none is the table's."""
    listed = [
        _frame(
            cells,
            np.array([line for line, _ in cells.translated.dropped], dtype=np.int64),
            "",
            pa.array([text for _, text in cells.translated.dropped], pa.string()),
            pa.repeat(LEFT_OUT, len(cells.translated.dropped)),
        )
        for cells in parts
        if cells.translated and cells.translated.dropped
    ]
    return pd.concat(listed, ignore_index=True) if listed else no_rejects()


def _list_ragged(cells: Cells) -> pd.DataFrame:
    records = np.array([row.record for row in cells.ragged], dtype=np.intp)
    texts = pa.array([row.text for row in cells.ragged])
    reasons = pa.array([row.reason for row in cells.ragged])
    return _frame(cells, cells.lines_of(records), "", texts, reasons)


def no_rejects() -> pd.DataFrame:
    """An empty quarantine list."""
    return _no_rejects().copy(deep=False)


@cache
def _no_rejects() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype="int64" if name == "line" else "str") for name in REJECT_COLUMNS})


def _list_faults(parts: Sequence[Cells], starts: NDArray[np.intp], number: int, found: Faults) -> pd.DataFrame:
    """The faults of one part; `starts` is where the rows of each part begin among those of the table."""
    cells, rows = parts[number], found.rows - starts[number]
    reasons = pa.repeat(found.reason, len(rows))
    if found.first is not None:
        owners = np.searchsorted(starts, found.first, side="right") - 1
        lines = np.empty(len(rows), dtype=object)
        for owner in np.unique(owners):
            there = owners == owner
            of_file = "" if owner == number else f" of {parts[owner].file}"
            numbers = parts[owner].lines(found.first[there] - starts[owner])
            lines[there] = [f"{line}{of_file}" for line in numbers]
        reasons = pc.binary_join_element_wise(reasons, pa.array(lines, pa.string()), " ")
    written = [cells.as_written(column, rows) for column in found.columns]
    values = pc.binary_join_element_wise(*(text for _, text in written), "; ")
    return _frame(cells, cells.lines(rows), "; ".join(name for name, _ in written), values, reasons)


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
