"""Where boots may have been by the rows of the component history that were set aside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from audit.timeline.codes import MISSING, codes_in, may_be
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, expand, group_begins, running_max


@dataclass(frozen=True)
class PossibleStays:
    """Stays [`start`, `end`) of boots, by number, at places, in order of place."""

    place: Ints
    boot: Ints
    start: Ints
    end: Ints

    def __len__(self) -> int:
        return len(self.place)

    def at(self, first: Ints, after: Ints) -> tuple[Ints, Ints]:
        """Those at the places [first, after): the index of what was asked, in order, and the stay."""
        return _blocks(self.place, first, after)

    def of(self, boot: Ints) -> tuple[Ints, Ints]:
        """Those of each boot: the index of what was asked, in order, and the stay."""
        which, nth = _blocks(self.boot[self._by_boot], boot, boot + 1)
        return which, self._by_boot[nth]

    @cached_property
    def _by_boot(self) -> Ints:
        return np.argsort(self.boot, kind="stable")


MOST_BOOTS = 100
"""A row that may be about more boots than this tells nothing of any of them, only that its place has one."""

NO_STAYS = PossibleStays(*[np.empty(0, np.int64)] * 4)


def _blocks(known: Ints, first: Ints, after: Ints) -> tuple[Ints, Ints]:
    low, high = (np.searchsorted(known, side) for side in (first, after))
    which, nth = expand(high - low)
    return which, low[which] + nth


class Stretches(NamedTuple):
    """From when to when (excluded) something is so of each owner: a boot, or a place."""

    owner: Ints
    start: Ints
    end: Ints

    def where(self, so: Bools) -> Stretches:
        """Some of them."""
        return Stretches(*(column[so] for column in self))

    def within(self, start: int, end: int) -> Stretches:
        """What of them lies within [start, end)."""
        cut = Stretches(self.owner, np.maximum(self.start, start), np.minimum(self.end, end))
        return cut.where(cut.start < cut.end)


def places_told(rows: pd.DataFrame, aircraft_names: pd.Index, position_names: pd.Index) -> list[Ints]:
    """The places that each row of components may be about.

    One that doesn't tell its aircraft may be about any; one whose position nobody else names, about any of its own.
    """
    width = len(position_names) + 1
    named = codes_in(position_names, rows["position"])
    crafts: list[list[int]] = [[] for _ in named]
    for row, craft in zip(*(column.tolist() for column in may_be(aircraft_names, rows["aircraft"])), strict=True):
        crafts[row].append(craft)
    every = np.arange(len(position_names))
    return [
        (np.array(of_row, np.int64)[:, None] * width + (every if position == MISSING else position)).ravel()
        for of_row, position in zip(crafts, named.tolist(), strict=True)
    ]


def possible_stays(
    rows: pd.DataFrame, places: list[Ints], when: tuple[Ints, Ints], serials: pd.Index, boots: Stretches, at: Ints
) -> PossibleStays:
    """The stays that rows set aside may tell of, each about one of its `places`, from when to when it says.

    `boots` says where (`at`) each boot surely was, by its number among the `serials`. A row that leaves its boot open
    may be about any that is nowhere else meanwhile, where no other is, if these are no more than `MOST_BOOTS`; one that
    leaves its place open, about any where no other boot is. What else is recorded of the boot at such a place is what
    the row tells.
    """
    # A serial that is only nearly one of a boot may be that one.
    index, number = may_be(serials, rows.loc[rows["component_serial"].notna(), "component_serial"])
    told = np.flatnonzero(rows["component_serial"].notna())
    named: dict[int, list[int]] = {row: [] for row in told.tolist()}
    for row, boot in zip(told[index].tolist(), number.tolist(), strict=True):
        named[row].append(boot)
    anywhere = _free(boots, np.arange(len(serials)))

    def of_row(row: int) -> Iterator[Stretches]:
        """Where, and which boots, one row may be about."""
        start, end = (int(side[row]) for side in when)
        here, mine = np.isin(at, places[row]), np.isin(boots.owner, named.get(row, ()))
        occupied = Stretches(at, boots.start, boots.end).where(here & ~mine)
        # A row that names both boot and place tells what it tells, whatever else is recorded there.
        if row in named and len(places[row]) == 1:
            occupied = occupied.where(np.zeros(len(occupied.owner), bool))
        free = _free(boots.where(here & mine), np.array(named[row], np.int64)) if row in named else anywhere
        yield free.within(start, end)
        yield _free(occupied, places[row]).within(start, end)

    found = [np.empty((4, 0), np.int64)]
    for row in range(len(rows)):
        # A serial that no known boot has, or nearly has, is of no boot that is judged.
        if named.get(row) != []:
            free, vacant = of_row(row)
            if row not in named and len(np.unique(free.owner)) > MOST_BOOTS:
                continue
            for place, start, end in zip(*(column.tolist() for column in vacant), strict=True):
                there = free.within(start, end)
                found.append(np.stack((np.full(len(there.owner), place), *there)))
    return PossibleStays(*np.unique(np.concatenate(found, axis=1), axis=1))


def _free(taken: Stretches, owners: Ints) -> Stretches:
    """When each of the owners, which own all that is taken, is in none of these stretches."""
    taken = taken.where(taken.start < taken.end)
    # An empty stretch at the beginning and one at the end of all time: what is free lies between two that follow.
    ends = (np.full(len(owners), NEVER), np.full(len(owners), FOREVER))
    owner, start, end = (
        np.concatenate(parts) for parts in zip(taken, *((owners, one, one) for one in ends), strict=True)
    )
    order = np.lexsort((end, start, owner))
    owner, start, end = owner[order], start[order], end[order]
    if not len(owner):
        return Stretches(owner, start, end)
    new = group_begins(owner)
    reached = np.roll(running_max(end, new), 1)
    return Stretches(owner, reached, start).where(~new & (reached < start))
