"""Boots' time on the aircraft, season by season, and the treatments that may belong to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.forms.conditions import FALSE, TRUE, UNKNOWN, Truth, judge
from audit.forms.seasons import seasons_of
from audit.forms.treatments import NO_BOOT, NO_POSITION, Sessions
from audit.language.condition import Conditions
from audit.language.events import Season
from audit.timeline.instants import Bools, Ints, Order, spread
from audit.timeline.timeline import Timeline


@dataclass(frozen=True)
class BootTime:
    """Each boot's time on its aircraft, cut into seasons, as far as the export tells of it.

    `component` is the boot, `number` the season; `start` is the later of the season's and the boot's installation,
    `end` (excluded) the earlier of the season's end and the boot's removal, wherever the export begins and ends. Within
    the export it is [`known_start`, `known_end`). `truth` is UNKNOWN where the boot may be none of those asked about,
    for the `reason`.
    """

    component: Ints
    number: Ints
    start: Ints
    end: Ints
    known_start: Ints
    known_end: Ints
    truth: Truth
    reason: npt.NDArray[np.object_]

    def those(self, index: Ints | Bools) -> BootTime:
        """The rows at `index`."""
        return BootTime(
            self.component[index],
            self.number[index],
            self.start[index],
            self.end[index],
            self.known_start[index],
            self.known_end[index],
            self.truth[index],
            self.reason[index],
        )


def boot_time(timeline: Timeline, boots: Conditions, season: Season | None) -> BootTime:
    """The time of the boots asked about, season by season; without a season, from the export's first instant on."""
    history = timeline.components
    rows = np.flatnonzero(timeline.in_play[timeline.aircraft_of(history.place)])
    judged = judge(boots, timeline, rows, rows)
    kept = np.flatnonzero(judged.truth != FALSE)
    index, number, opens, closes = seasons_of(season, timeline, timeline.aircraft_of(history.place[rows[kept]]))
    each = kept[index]
    start = np.maximum(history.installed[rows[each]], opens)
    end = np.minimum(history.removed[rows[each]], closes)
    # The as-of time itself belongs to what is known: it closes a boot's time one microsecond later.
    known_start, known_end = np.maximum(start, timeline.since), np.minimum(end, timeline.as_of + 1)
    return BootTime(
        rows[each], number, start, end, known_start, known_end, judged.truth[each], judged.reason(each)
    ).those(known_start < known_end)


def perhaps_treated(
    timeline: Timeline, done: Sessions, component: Ints, start: Ints, end: Ints
) -> tuple[Ints, npt.NDArray[np.object_]]:
    """How many sessions may have been of each boot in [start, end), and why that can't be told."""
    number = np.zeros(len(component), np.int64)
    why = np.full(len(component), "", object)
    nowhere = timeline.position_of(done.place) == timeline.unknown_position
    no_boot = ~nowhere & (done.component < 0)
    reasons = np.where(no_boot, NO_BOOT, done.reason)
    reasons[nowhere] = NO_POSITION
    reasons[done.truth == UNKNOWN] = done.reason[done.truth == UNKNOWN]
    for session, first, inside in _doubtful(timeline, done, component, start, end):
        new = (inside > 0) & (number == 0)
        why[new] = reasons[session[np.minimum(first, len(session) - 1)]][new]
        number += inside
    return number, why


def perhaps_treated_at(
    timeline: Timeline, done: Sessions, component: Ints, start: Ints, end: Ints
) -> tuple[Ints, Ints]:
    """When sessions ended that may have been of a boot in [start, end): which of the boots, and the instants."""
    none: Ints = np.empty(0, np.int64)
    whose, instants = [none], [none]
    for session, first, inside in _doubtful(timeline, done, component, start, end):
        boot, nth = spread(inside)
        whose.append(boot)
        instants.append(done.end[session[first[boot] + nth]])
    return np.concatenate(whose), np.concatenate(instants)


def _doubtful(
    timeline: Timeline, done: Sessions, component: Ints, start: Ints, end: Ints
) -> Iterator[tuple[Ints, Ints, Ints]]:
    """Sessions that may have been of a boot, by kind of doubt: in order, the first of each boot, and how many."""
    place = timeline.components.place[component]
    nowhere = timeline.position_of(done.place) == timeline.unknown_position
    for chosen, owner, asked in (
        (np.flatnonzero((done.truth == UNKNOWN) & (done.component >= 0)), done.component, component),
        (np.flatnonzero(~nowhere & (done.component < 0)), done.place, place),
        (np.flatnonzero(nowhere), timeline.aircraft_of(done.place), timeline.aircraft_of(place)),
    ):
        if len(chosen):
            order = Order.of(owner[chosen], done.end[chosen])
            first = order.count(asked, start, "before")
            yield chosen[order.row], first, order.count(asked, end, "before") - first


def surely_treated(done: Sessions) -> Ints:
    """The sessions that surely are in scope and of a known boot."""
    return np.flatnonzero((done.truth == TRUE) & (done.component >= 0))
