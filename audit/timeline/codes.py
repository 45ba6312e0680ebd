"""Categories of several tables brought onto one list of names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.intake.names import near_keys
from audit.timeline.instants import Ints

MISSING = -1
"""Code of a missing value."""


def names_of(columns: Iterable[pd.Series]) -> pd.Index:
    """Return the sorted names that occur as categories of any of the columns."""
    names: set[str] = set()
    for column in columns:
        names.update(map(str, column.cat.categories))
    return pd.Index(sorted(names))


def coded(texts: Sequence[str]) -> tuple[Ints, pd.Index]:
    """Each text's place among their sorted names, MISSING where it is blank, with one more MISSING behind them."""
    names = sorted({*texts} - {""})
    place = {name: code for code, name in enumerate(names)}
    return np.array([*(place.get(text, MISSING) for text in texts), MISSING]), pd.Index(names)


def codes_in(names: pd.Index, column: pd.Series) -> Ints:
    """Return each value's place in `names`, MISSING where the value is missing or not among them."""
    # The last entry serves the code -1 of a missing value.
    table: Ints = np.append(names.get_indexer(column.cat.categories.astype("str")), MISSING)
    return table[column.cat.codes.to_numpy()]


def codes_of(column: pd.Series) -> Ints:
    """Return the category of each value, by number, MISSING where the value is missing."""
    codes: Ints = column.cat.codes.to_numpy().astype(np.int64)
    return codes


def by_name(column: pd.Series, said: Callable[[str], Any], missing: Any, rows: Ints | None = None) -> npt.NDArray[Any]:
    """What is said of each value, worked out once for each name; `missing` where there is none. `rows` (default: all)
    are those asked about."""
    codes = column.cat.codes.to_numpy()
    # The last entry serves the code -1 of a missing value.
    told = np.array([*(said(str(name)) for name in column.cat.categories), missing])
    return told[codes if rows is None else codes[rows]]


def nearly_equal(names: pd.Index, alike: Mapping[str, Iterable[str]]) -> Ints:
    """Pairs of places in `names` of which the names are nearly equal, both ways; `alike` has for each name the others.

    An array of two columns."""
    place = {str(name): number for number, name in enumerate(names)} if alike else {}
    pairs = [(place[one], place[other]) for one in alike if one in place for other in alike[one] if other in place]
    return np.array(sorted(pairs), np.int64).reshape(-1, 2)


def may_be(names: pd.Index, column: pd.Series) -> tuple[Ints, Ints]:
    """Which of the names each value may stand for, as pairs of its row and a place in `names`: itself, else those that
    it nearly equals; a missing one for any."""
    known: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        for key in near_keys(str(name)):
            known.setdefault(key, []).append(place)
    words = column.cat.categories.astype("str")
    choices = [
        [place] if place != MISSING else sorted({near for key in near_keys(word) for near in known.get(key, ())})
        for word, place in zip(words, names.get_indexer(words).tolist(), strict=True)
    ]
    # The last choice serves the code -1 of a missing value.
    choices.append(list(range(len(names))))
    of_row = [choices[code] for code in column.cat.codes.tolist()]
    row = np.repeat(np.arange(len(of_row)), [len(places) for places in of_row])
    return row, np.array([place for places in of_row for place in places], np.int64)
