"""Columns of one length: what is known of several things, a row each."""

from __future__ import annotations

from typing import Self

import numpy as np

from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, expand, group_begins


class Columns:
    """A frozen dataclass whose fields are columns, all of one length."""

    def __len__(self) -> int:
        return len(next(iter(vars(self).values())))

    def take(self, index: Ints | Bools) -> Self:
        """The rows at `index`."""
        return type(self)(**{name: column[index] for name, column in vars(self).items()})

    def followed_by(self, other: Self) -> Self:
        """These rows, and those of another one behind them."""
        pairs = zip(vars(self).items(), vars(other).values(), strict=True)
        return type(self)(**{name: np.concatenate((one, more)) for (name, one), more in pairs})


def matching(key: Ints, asked: Ints) -> tuple[Ints, Ints]:
    """Every pair of equal numbers: its place among those asked, and its place in the key."""
    order = np.argsort(key, kind="stable")
    low, high = (np.searchsorted(key[order], asked, side) for side in ("left", "right"))
    which, nth = expand(high - low)
    return which, order[low[which] + nth]


def first_of_each(groups: Ints, *ranks: Ints) -> Ints:
    """The row of each group that comes first by the ranks, the weightiest of these first; in order of the groups."""
    order = np.lexsort((*ranks[::-1], groups))
    return order[group_begins(groups[order])]


def least_of(groups: Ints, values: Ints, count: int) -> Ints:
    """The least of the values of each group, by its number; FOREVER of a group without any."""
    found = np.full(count, FOREVER)
    np.minimum.at(found, groups, values)
    return found


def most_of(groups: Ints, values: Ints, count: int) -> Ints:
    """The greatest of the values of each group, by its number; NEVER of a group without any."""
    found = np.full(count, NEVER)
    np.maximum.at(found, groups, values)
    return found
