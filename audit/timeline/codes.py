"""Categories of several tables brought onto one list of names."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from audit.timeline.instants import Ints

MISSING = -1
"""Code of a missing value."""


def names_of(columns: Iterable[pd.Series]) -> pd.Index:
    """Return the sorted names that occur as categories of any of the columns."""
    names: set[str] = set()
    for column in columns:
        names.update(map(str, column.cat.categories))
    return pd.Index(sorted(names), dtype="str")


def codes_in(names: pd.Index, column: pd.Series) -> Ints:
    """Return each value's place in `names`, MISSING where the value is missing or not among them."""
    # The last entry serves the code -1 of a missing value.
    table = np.append(names.get_indexer(column.cat.categories.astype("str")), MISSING)
    return table.astype(np.int32)[column.cat.codes.to_numpy()]
