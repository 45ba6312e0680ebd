"""What makes rows unbelievable: found in many places on the way through intake, listed in one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Faults:
    """Rows (counted from 0 as they were read) that are quarantined for what `columns` say.

    `first`, of the same length, is the row that each one repeats: its line follows the reason.
    """

    columns: tuple[str, ...]
    rows: NDArray[np.intp]
    reason: str
    first: NDArray[np.intp] | None = None
