"""One column for some task records: its values, which are missing, and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.timeline.codes import MISSING
from audit.timeline.instants import NEVER, Bools, Ints, micros
from audit.timeline.timeline import Timeline
from audit.timeline.vocabulary import VOCABULARY

_MANY = 0.1
"""The share of all records from which on a column is worked out for all of them."""


NEARLY = "is not listed, but one of nearly the same name is in"


@dataclass(frozen=True)
class Values:
    """One column for some records.

    Text kinds carry `codes` into `names` (MISSING where missing); times and dates carry microseconds UTC and numbers
    floats in `numbers`. `missing` marks the missing values; `undecidable` those of which not even that is known (the
    table was not supplied, it is not clear which component it was). `reasons` holds why, by `why` where that differs.
    `shorter` marks the lists among them of which only that is not known whether all that they say held (None: none).
    """

    kind: str
    codes: Ints | None
    names: pd.Index | None
    numbers: npt.NDArray[np.float64] | Ints | None
    missing: Bools
    undecidable: Bools
    reasons: tuple[str, ...]
    why: Ints
    shorter: Bools | None = None

    def __getitem__(self, rows: Ints) -> Values:
        """The values of some of the records."""
        return replace(
            self,
            codes=None if self.codes is None else self.codes[rows],
            numbers=None if self.numbers is None else self.numbers[rows],
            missing=self.missing[rows],
            undecidable=self.undecidable[rows],
            why=self.why[rows],
            shorter=None if self.shorter is None else self.shorter[rows],
        )

    def lacking(self, found: Bools) -> Bools:
        """Where a list surely lacks what wasn't `found` in it, though it isn't known what it says."""
        none = np.zeros(len(found), bool)
        return none if self.shorter is None else self.shorter & ~found

    def so(self, said: Callable[[str], bool]) -> Bools:
        """Where something is so of a text, asked once for each; nowhere where it is missing."""
        assert self.codes is not None
        assert self.names is not None
        # One place more, for the code of what is missing: it is so of none.
        table = np.zeros(len(self.names) + 1, bool)
        there = np.flatnonzero(np.bincount(self.codes[self.codes != MISSING]))
        table[there] = [said(str(name)) for name in self.names[there]]
        return table[self.codes]

    def texts(self) -> list[str]:
        """The values as people write them, blank where missing."""
        if self.codes is None or self.names is None:
            return [self.text(index) for index in range(len(self.missing))]
        found = np.full(len(self.missing), "", object)
        there = ~self.missing
        found[there] = self.names.take(self.codes[there]).to_numpy(object)
        return list(map(str, found))

    def text(self, index: int) -> str:
        """One value as people write it, blank where missing."""
        if self.missing[index]:
            return ""
        if self.codes is not None and self.names is not None:
            return str(self.names[self.codes[index]])
        assert self.numbers is not None
        value = self.numbers[index]
        if self.kind == "date":
            return f"{pd.Timestamp(int(value), unit='us'):%Y-%m-%d}"
        if self.kind == "time":
            return f"{pd.Timestamp(int(value), unit='us'):%Y-%m-%dT%H:%M:%SZ}"
        return f"{float(value):.9f}".rstrip("0").removesuffix(".")


def plain(
    name: str,
    missing: Bools,
    codes: Ints | None = None,
    names: pd.Index | None = None,
    numbers: npt.NDArray[np.float64] | Ints | None = None,
) -> Values:
    """Values of which each that is missing is known to be missing."""
    return Values(
        kind=VOCABULARY[name].kind,
        codes=codes,
        names=names,
        numbers=numbers,
        missing=missing,
        undecidable=np.zeros(len(missing), bool),
        reasons=(blank(name),),
        why=np.zeros(len(missing), np.int8),
    )


def of_instants(name: str, instants: Ints) -> Values:
    """A column of times, NEVER where one is missing."""
    return plain(name, instants == NEVER, numbers=instants)


def own(frame: pd.DataFrame, name: str, rows: Ints, column: str | None = None) -> Values:
    """A column of the frame's own rows; row -1 gives a missing value."""
    column = column or name
    if column not in frame:
        return not_exported(name, len(rows))
    if frame.empty:
        return absent(name, len(rows))
    kind = VOCABULARY[name].kind
    series = frame[column]
    if kind in ("time", "date"):
        return of_instants(name, _picked(micros(series), rows, NEVER))
    if kind in ("number", "count"):
        numbers = _picked(series.to_numpy(dtype=np.float64, na_value=np.nan), rows, np.nan)
        return plain(name, np.isnan(numbers), numbers=numbers)
    if not isinstance(series.dtype, pd.CategoricalDtype):
        series = series.iloc[rows].astype("category")
        codes = series.cat.codes.to_numpy()
    else:
        codes = series.cat.codes.to_numpy()[rows]
    codes = np.where(rows < 0, MISSING, codes)
    return plain(name, codes == MISSING, codes=codes, names=series.cat.categories)


def _picked(column: npt.NDArray[Any], rows: Ints, missing: float) -> npt.NDArray[Any]:
    """The values of some rows of a column, and what stands for a missing one where there is no row (-1)."""
    found = column[rows]
    found[rows < 0] = missing
    return found


def absent(name: str, count: int) -> Values:
    """A column without a single value."""
    missing = np.ones(count, bool)
    if VOCABULARY[name].kind in ("time", "date", "number", "count"):
        return plain(name, missing, numbers=np.full(count, NEVER))
    return plain(name, missing, codes=np.full(count, MISSING), names=pd.Index([], dtype="str"))


def not_supplied(name: str, table: str, count: int) -> Values:
    """A column of a table that the export lacks: that says nothing of what was recorded."""
    reason = f"table not supplied: {table}"
    return replace(absent(name, count), undecidable=np.ones(count, bool), reasons=(reason,))


def not_exported(name: str, count: int, lacking: str = "") -> Values:
    """A column that the export lacks, or that is made of one it lacks."""
    column = VOCABULARY[lacking or name]
    reason = f"column not supplied: {column.table}.{column.column.name}"
    return replace(absent(name, count), undecidable=np.ones(count, bool), reasons=(reason,))


def blank(name: str) -> str:
    """The reason why a value isn't known where its cell is blank."""
    return f"value missing: {name}"


def reasoned(*cases: tuple[Bools, str], otherwise: str) -> tuple[tuple[str, ...], Ints]:
    """The reasons why values aren't known, and for each value the code of its own: the first that is so of it."""
    why = np.select([so for so, _ in cases], list(range(len(cases))), len(cases)).astype(np.int8)
    return (*(reason for _, reason in cases), otherwise), why


def unreadable(timeline: Timeline, table: str, column: str, rows: Ints) -> Bools:
    """Of which rows of a table (-1: none) a cell can't be read."""
    found: Bools = np.isin(rows, timeline.unreadable.get((table, column), ()))
    return found


_Column = TypeVar("_Column", Values, Ints)


def shared(timeline: Timeline, name: str, rows: Ints, work_out: Callable[[Ints], _Column]) -> _Column:
    """What is worked out of records: once for all of them where many are asked for, since several rules ask the same.

    A reading of ambiguous times judges a few records only, and works out no more. What is worked out serves the few
    that findings are of as well.
    """
    every = len(timeline.tasks)
    if len(rows) < every * _MANY and not timeline.known(name):
        return work_out(rows)
    whole: _Column = timeline.memo(name, lambda: work_out(np.arange(every)))
    return whole[rows]
