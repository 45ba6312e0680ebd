"""Instants as whole microseconds since 1970 UTC, and rows in order of (owner, instant)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.integer[Any]]
Bools = npt.NDArray[np.bool_]

SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
NEVER = np.iinfo(np.int64).min
"""A missing instant: what pandas' NaT is underneath."""
FOREVER = np.iinfo(np.int64).max
"""Later than any instant: the removal of a boot that is still installed."""


def micros(times: pd.Series) -> Ints:
    """Return datetimes of any resolution as microseconds UTC, NEVER where missing."""
    return times.to_numpy(dtype="datetime64[us]").view(np.int64)


def instant(moment: pd.Timestamp) -> int:
    """Return a zoned timestamp as microseconds UTC."""
    return int((moment - stamp(0)) // pd.Timedelta(1, "us"))


def stamp(instant: int) -> pd.Timestamp:
    """Return microseconds UTC as a timestamp."""
    return pd.Timestamp(instant, unit="us", tz="UTC")


def day_of(instants: Ints) -> Ints:
    """Return the UTC calendar day, counted from 1970-01-01, of each instant."""
    return np.floor_divide(instants, DAY)


@dataclass(frozen=True)
class Order:
    """Rows in order of (owner, instant), to be asked by binary search.

    `row` holds the row numbers in that order. The keys combine owner and instant into one integer; instants are ranked
    first where the plain combination would not fit into 64 bits.
    """

    row: Ints
    keys: Ints
    base: int
    span: int
    ranked: Ints | None

    @classmethod
    def of(cls, owners: Ints, instants: Ints) -> Order:
        """Sort rows by owner (small whole numbers from 0) and instant; rows already in order aren't sorted again."""
        if not len(owners):
            return cls(instants, instants, 0, 1, None)
        base = int(instants.min())
        span = int(instants.max()) - base + 2
        ranked = None
        if span * (int(owners.max()) + 2) >= FOREVER:
            ranked = np.unique(instants)
            base, span = 0, len(ranked) + 2
            instants = np.searchsorted(ranked, instants).astype(np.int64)
        keys = owners.astype(np.int64) * span + (instants - base)
        if bool((keys[1:] >= keys[:-1]).all()):
            return cls(np.arange(len(keys)), keys, base, span, ranked)
        if bool((instants[1:] >= instants[:-1]).all()) and int(owners.max()) < 2**15:
            # Exports are written in order of time: numpy sorts 16-bit codes by radix, ten times as fast.
            row = np.argsort(owners.astype(np.int16), kind="stable")
        else:
            row = np.argsort(keys, kind="stable")
        return cls(row, keys[row], base, span, ranked)

    def before(self, owners: Ints, instants: Ints) -> Ints:
        """How many rows stand ahead of each (owner, instant)."""
        return self._ahead_of(owners, instants, 0)

    def until(self, owners: Ints, instants: Ints) -> Ints:
        """How many rows stand ahead of each (owner, instant) or at it."""
        return self._ahead_of(owners, instants, 1)

    def _ahead_of(self, owners: Ints, instants: Ints, included: Literal[0, 1]) -> Ints:
        if self.ranked is None:
            # Cut before it is moved to the base: what lies far outside would overflow.
            offset = np.clip(instants, self.base - 1, self.base + self.span - 1) - self.base + included
            offset = np.clip(offset, 0, self.span - 1)
        else:
            offset = np.searchsorted(self.ranked, instants, ("left", "right")[included])
        return np.searchsorted(self.keys, owners.astype(np.int64) * self.span + offset, "left")

    def ahead(self, owners: Ints) -> Ints:
        """How many rows stand ahead of each owner's first."""
        return np.searchsorted(self.keys, owners.astype(np.int64) * self.span, "left")

    def block(self, owners: Ints) -> tuple[Ints, Ints]:
        """First and one-past-last place in the order of each owner's rows."""
        return self.ahead(owners), self.ahead(owners + 1)

    def rows(self, first: Ints, after: Ints) -> tuple[Ints, Ints]:
        """The rows of the owners [first, after): the index of what was asked, in order, and the row."""
        begin, end = self.ahead(first), self.ahead(after)
        index, nth = expand(end - begin)
        return index, self.row[begin[index] + nth]


def group_begins(*keys: Ints) -> Bools:
    """Which of some rows begin a group: one of their keys is another than in the row before."""
    found = np.zeros(len(keys[0]), bool)
    found[:1] = True
    for key in keys:
        found[1:] |= key[1:] != key[:-1]
    return found


def running_max(values: Ints, group_starts: Bools) -> Ints:
    """Running maximum that starts anew wherever `group_starts` is true (true at the first row)."""
    if not len(values):
        return values
    groups = np.cumsum(group_starts) - 1
    base = int(values.min())
    span = int(values.max()) - base + 1
    if span * (int(groups[-1]) + 1) < FOREVER:
        # Each group is lifted above all before it, so that one running maximum serves them all.
        offset = groups * span - base
        best: Ints = np.maximum.accumulate(values + offset) - offset
        return best
    # The plain combination would not fit into 64 bits.
    ordered, ranks = np.unique(values, return_inverse=True)
    found: Ints = ordered[np.maximum.accumulate(groups * len(ordered) + ranks) - groups * len(ordered)]
    return found


def take(values: Ints, index: Ints, missing: int) -> Ints:
    """Return the values at an index, and what stands for a missing one where it points outside."""
    if not len(values):
        return np.full(len(index), missing, values.dtype)
    inside = (index >= 0) & (index < len(values))
    found: Ints = np.where(inside, values[np.where(inside, index, 0)], missing)
    return found


def next_of(owner: Ints, instants: Ints) -> Ints:
    """The next instant of the owner of each row after its own, FOREVER where it has none."""
    order = Order.of(owner, instants)
    row = take(order.row, order.until(owner, instants), -1)
    return np.where(take(owner, row, -1) == owner, take(instants, row, FOREVER), FOREVER)


def micros_of(duration: timedelta) -> int:
    """Return a duration as microseconds."""
    return round(duration.total_seconds() * 1_000_000)


def expand(lengths: Ints) -> tuple[Ints, Ints]:
    """For blocks of the given lengths: the block that each element is in, and its place within the block."""
    owner = np.repeat(np.arange(len(lengths)), lengths)
    starts = np.cumsum(lengths) - lengths
    return owner, np.arange(len(owner)) - starts[owner]
