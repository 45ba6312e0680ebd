"""Which boot was installed at a position at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from audit.intake.tables import COMPONENTS
from audit.timeline.codes import codes_of
from audit.timeline.instants import (
    DAY,
    FOREVER,
    HOUR,
    NEVER,
    Bools,
    Ints,
    Order,
    group_begins,
    micros,
    next_of,
    running_max,
    take,
)
from audit.timeline.possible_stays import NO_STAYS, PossibleStays, Stretches

NONE_KNOWN = -1
"""No component is recorded at that position at that time."""
TWO_RECORDED = -2
"""More than one component is recorded there: which one it was can't be told."""
NOT_CLEAR = -3
"""Which one it was can't be told for another reason, see `Components.unclear`."""


@dataclass(frozen=True)
class Unclear:
    """Stretches [start, end) in which it isn't clear which boot is at a place."""

    place: Ints
    start: Ints
    end: Ints

    @classmethod
    def of(cls, place: Ints, start: Ints, end: Ints) -> Unclear:
        """Those stretches that last."""
        real = start < end
        return cls(place[real], start[real], end[real])

    def at(self, place: Ints, instant: Ints) -> Bools:
        """Whether it isn't clear which boot is at each place at an instant."""
        opened, closed = (order.until(place, instant) for order in (self._by_start, self._by_end))
        return np.asarray(opened > closed)

    def from_then(self, place: Ints, instant: Ints) -> Ints:
        """The first instant from each on at which it isn't clear; FOREVER where there is none."""
        row = take(self._by_start.row, self._by_start.until(place, instant), -1)
        ahead = np.where(take(self.place, row, -1) == place, take(self.start, row, FOREVER), FOREVER)
        return np.where(self.at(place, instant), instant, ahead)

    @cached_property
    def _by_start(self) -> Order:
        return Order.of(self.place, self.start)

    @cached_property
    def _by_end(self) -> Order:
        return Order.of(self.place, self.end)


@dataclass(frozen=True)
class Components:
    """The stays of boots at places, by row of the components frame; a place is an aircraft's position, see Timeline.

    A boot is its serial, by number. Intervals are half-open: installed <= t < removed.
    """

    place: Ints
    installed: Ints
    removed: Ints
    """When each stay ended: FOREVER where it goes on; where that is not known (`open_ended`) the latest that it can
    have been. Of a boot that is listed twice at one place, to the same end, the row that begins first is removed where
    the other begins."""
    recorded: Ints
    """When each was removed as its row says."""
    boot: Ints
    boots: int
    """How many boots there are."""
    twice_from: Ints
    """From when on the boot of a stay is recorded elsewhere, too; FOREVER where it isn't meanwhile, NEVER of a row that
    is `removed` where another one of its boot begins."""
    open_ended: Bools
    """Whose removal is not known: it can't be read, or the export has no column for it, and another installation shows
    that the stay ended."""
    by_installation: Order
    by_removal: Order
    by_boot: Order
    unclear: Unclear
    """Where a row that can't be read, or a day without a time, leaves it unclear which boot was installed."""
    surely: tuple[Ints, Ints]
    perhaps: tuple[Ints, Ints]
    """From when to when each stay surely lasted, and from when to when it may have: they differ where a day was
    recorded without a time."""
    possible: PossibleStays = NO_STAYS

    @property
    def sure(self) -> Stretches:
        """When each boot surely was where its stays tell, by the row of the stay."""
        since, until = self.surely
        return Stretches(self.boot, since, np.where(self.open_ended, self.installed, until))

    @property
    def twice(self) -> Bools:
        """The stays of a boot that is recorded elsewhere meanwhile, for a time at least."""
        recorded: Bools = self.twice_from < FOREVER
        return recorded

    def boot_of(self, component: Ints, instant: Ints | int = FOREVER) -> Ints:
        """The boot of each component row at an instant; NONE_KNOWN, TWO_RECORDED, NOT_CLEAR stay what they are.

        From when on a serial is recorded at two places it isn't known which of them the boot was at: NONE_KNOWN.
        """
        since = take(self.twice_from, component, FOREVER)
        known = np.where((since < FOREVER) & (since <= instant), NONE_KNOWN, take(self.boot, component, NONE_KNOWN))
        return np.where(component >= 0, known, component)

    def stays_from(self, boot: Ints, instants: Ints) -> tuple[Ints, Ints]:
        """First and one-past-last place in `by_boot` of the stays of each boot that may not have ended before an
        instant."""
        # A later one does not end it: a day without a time begins at midnight, a removal may be missing.
        return self._by_end.until(boot, instants), self.by_boot.ahead(boot + 1)

    @cached_property
    def _by_end(self) -> Order:
        """The places in `by_boot` by boot, and by when the stays up to each have all surely ended."""
        boot = self.boot[self.by_boot.row]
        return Order.of(boot, running_max(self.perhaps[1][self.by_boot.row], group_begins(boot)))

    def at(self, place: Ints, instant: Ints) -> Ints:
        """Row of the component installed at each place and instant; NONE_KNOWN, TWO_RECORDED or NOT_CLEAR
        where there is no one."""
        found = self._recorded(place, instant)
        found[self.unclear.at(place, instant)] = NOT_CLEAR
        return found

    def _recorded(self, place: Ints, instant: Ints) -> Ints:
        # So many had come by then, less those that had gone, are there.
        until = self.by_installation.until(place, instant)
        gone = self.by_removal.until(place, instant)
        blocks = self.by_installation.ahead(place)
        gone_blocks = self.by_removal.ahead(place)
        present = (until - blocks) - (gone - gone_blocks)
        found = np.full(len(place), NONE_KNOWN, np.int64)
        found[present > 1] = TWO_RECORDED
        one = np.flatnonzero(present == 1)
        if len(one):
            latest = self.by_installation.row[until[one] - 1]
            found[one] = latest
            # A component installed later may be gone already while an earlier one is still there: look further back.
            for case in one[self.removed[latest] <= instant[one]]:
                rows = self.by_installation.row[blocks[case] : until[case]]
                found[case] = rows[self.removed[rows] > instant[case]][0]
        return found

    def all_at(self, first: Ints, last: Ints, instant: Ints) -> tuple[Ints, Ints]:
        """Every component installed at the places [first, last) at each instant: the index, in order, and the row."""
        index, row = self.by_installation.rows(first, last)
        there = (self.installed[row] <= instant[index]) & (instant[index] < self.removed[row])
        return index[there], row[there]

    def surely_together(self, one: Ints, other: Ints) -> Bools:
        """Whether two stays surely overlap, whatever the times of days that were recorded without one.

        Of two days both are by one clock.
        """
        since, until = self.surely[0], np.where(self.recorded != self.removed, self.recorded, self.surely[1])
        # Whether the installation, or the removal, is a day without a time.
        days = (since != self.installed, self.surely[1] != self.removed)

        def began_before(a: Ints, b: Ints) -> Bools:
            by_day = days[0][a] & days[1][b]
            sooner: Bools = np.where(by_day, self.installed[a] < self.removed[b], since[a] < until[b])
            return sooner

        return began_before(one, other) & began_before(other, one)

    def next_change(self, place: Ints, instant: Ints) -> Ints:
        """When a component is next installed at each place after an instant, or removed from it then or later, or may
        be where that is unclear; FOREVER if none is."""
        found = np.full(len(place), FOREVER)
        gone = np.flatnonzero(self.removed < FOREVER)
        for order, places, instants, since in (
            (self.by_installation, self.place, self.installed, instant + 1),
            (self.by_removal, self.place[gone], self.removed[gone], instant),
        ):
            if len(order.row):
                behind = order.before(place, since)
                row = order.row[np.minimum(behind, len(order.row) - 1)]
                there = (behind < len(order.row)) & (places[row] == place)
                found = np.where(there, np.minimum(found, instants[row]), found)
        # The beginning of a time in which it isn't clear may be a change, too.
        perhaps: Ints = np.minimum(found, self._unclear_for_a_time.from_then(place, instant))
        return perhaps

    def perhaps_swapped(self, place: Ints, since: Ints, until: Ints) -> Bools:
        """Whether a boot may have come or gone at each place in [since, until), on a day without a time."""
        return np.asarray(self._swap_days.from_then(place, since) < until)

    @cached_property
    def _swap_days(self) -> Unclear:
        # A boot may come between the earliest and the latest start of a stay, and go between its earliest and latest
        # end.
        on, off = zip(self.perhaps, self.surely, strict=True)
        return Unclear.of(np.tile(self.place, 2), np.append(on[0], off[1]), np.append(on[1], off[0]))

    @cached_property
    def _unclear_for_a_time(self) -> Unclear:
        """Without what is unclear at all times, which tells of no change."""
        every, some = self.unclear, self.unclear.start > NEVER
        return Unclear(every.place[some], every.start[some], every.end[some])


def some_time_of(day: Ints) -> tuple[Ints, Ints]:
    """From when to when (excluded) a day lasts by whatever clock: it may begin 14 h before that of UTC, and end 12 h
    after it."""
    return day - 14 * HOUR, day + DAY + 12 * HOUR


def build_components(
    frame: pd.DataFrame,
    place: Ints,
    unclear: pd.DataFrame,
    unreadable: Ints,
    day_alone: Mapping[str, Ints],
    again: Ints | None = None,
) -> Components:
    """Order the component history. `place` is the place code of each row; `unclear` (place, start, end) says where it
    isn't clear for another reason which boot was installed, `unreadable` are the rows whose removal can't be read,
    `day_alone` those whose `installed_at` or `removed_at` is a day without a time. `again` is from when on another row
    tells the same of a boot, see `told_again`."""
    installed = micros(frame["installed_at"])
    boot = codes_of(frame["component_serial"])
    # No two boots are at one place, nor is one at two.
    latest = np.minimum(next_of(place, installed), next_of(boot, installed))
    if "removed_at" in frame:
        removed = micros(frame["removed_at"])
        removed = np.where(removed == NEVER, FOREVER, removed)
        removed[unreadable] = latest[unreadable]
        open_ended = np.zeros(len(frame), bool)
        open_ended[unreadable] = True
    else:
        removed, open_ended = latest, latest < FOREVER
    recorded = removed
    if again is not None:
        removed = np.minimum(removed, again)
    gone = np.flatnonzero(removed < FOREVER)
    surely = (_moved(installed, day_alone.get("installed_at"), 1), _moved(removed, day_alone.get("removed_at"), 0))
    perhaps = (_moved(installed, day_alone.get("installed_at"), 0), _moved(removed, day_alone.get("removed_at"), 1))
    return Components(
        place=place,
        installed=installed,
        removed=removed,
        recorded=recorded,
        boot=boot,
        boots=len(frame["component_serial"].cat.categories),
        # On a day without a time it may have been moved: only what it surely was longer is two places at once.
        twice_from=np.where(removed != recorded, NEVER, _twice_from(boot, surely, perhaps[0])),
        open_ended=open_ended,
        by_installation=Order.of(place, installed),
        by_removal=Order.of(place[gone], removed[gone]),
        by_boot=Order.of(boot, installed),
        unclear=Unclear.of(
            np.append(unclear["place"], place[unreadable]),
            np.append(unclear["start"], installed[unreadable]),
            np.append(unclear["end"], removed[unreadable]),
        ),
        surely=surely,
        perhaps=perhaps,
    )


def told_again(frame: pd.DataFrame, place: Ints, left_out: Ints) -> Ints:
    """From when on a later row tells the same of each row's boot: that it is at the place until the same removal, of
    the same make; FOREVER where none does. Nothing is said of the rows `left_out`."""
    found = np.full(len(frame), FOREVER)
    if "removed_at" not in frame:
        return found
    rows = np.setdiff1d(np.arange(len(frame)), left_out)
    # All that the row says of the boot, save when it came and went.
    make = [pd.factorize(frame[name])[0] for name in frame if name not in (*COMPONENTS.key, "removed_at")]
    installed, removed = (micros(frame[name])[rows] for name in ("installed_at", "removed_at"))
    keys = [removed, *(key[rows] for key in (place, codes_of(frame["component_serial"]), *make))]
    last = pd.Series(installed).groupby(keys).transform("max").to_numpy()
    told = (installed < last) & ((removed == NEVER) | (last < removed))
    found[rows[told]] = last[told]
    return found


def _moved(instants: Ints, days: Ints | None, side: int) -> Ints:
    """The instants, of which those of some rows are midnights: the first, or the last, that may be meant."""
    if days is None or not len(days):
        return instants
    found = instants.copy()
    found[days] = some_time_of(instants[days])[side]
    return found


def _twice_from(boot: Ints, surely: tuple[Ints, Ints], begins: Ints) -> Ints:
    """From when on another stay of its boot overlaps each stay; FOREVER where none does.

    `surely` is the time in which each stay surely lasted, `begins` is when it may have begun.
    """
    installed, removed = surely
    found = np.full(len(boot), FOREVER)
    order = np.lexsort((installed, boot))
    new = group_begins(boot[order])
    reach = running_max(removed[order], new)
    follows = np.flatnonzero(~new)
    late, early = order[follows], order[follows - 1]
    # A stay that any later one overlaps is overlapped by the next.
    overlapped = installed[late] < removed[early]
    found[early[overlapped]] = begins[late[overlapped]]
    # One that begins while any before it goes on is recorded twice from its own beginning.
    within = installed[late] < reach[follows - 1]
    found[late[within]] = begins[late[within]]
    return found
