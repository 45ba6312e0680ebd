"""What can't be believed: found in many places on the way through intake, listed in one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

PERHAPS_A_TOTAL: Final = "; a total or the like is left out by `footer_rows` in a mapping"
"""Follows the reason of the last row of a file: what it may be evidence of is unjudged, and a total is evidence of
nothing."""


@dataclass(frozen=True)
class Faults:
    """Rows (counted from 0 as they were read) of which the cells in `columns` can't be believed.

    Where such a cell is required, or the columns are the table's key, the row is quarantined; else the cell is missing.
    `first`, of the same length, is the row that each one is compared with: its line follows the reason.
    """

    columns: tuple[str, ...]
    rows: NDArray[np.intp]
    reason: str
    first: NDArray[np.intp] | None = None

    def among(self, rows: NDArray[np.bool_]) -> Faults:
        """Those in some of the rows, given as a mask over all of them."""
        there = rows[self.rows]
        return replace(self, rows=self.rows[there], first=None if self.first is None else self.first[there])
