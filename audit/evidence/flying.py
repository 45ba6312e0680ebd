"""Takeoffs of boots: recorded ones, and those that may be missing where the flight log does not cover an aircraft."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import chain

import numpy as np

from audit.evidence.columns import matching
from audit.evidence.doubt import RECORDS_END, View, coverage_doubt, reasons_of
from audit.evidence.sessions import Sessions
from audit.evidence.treatments import NO_BOOT, NONE, Counted, Subjects, boots_there
from audit.timeline.coverage import Missing, recorded_until, uncovered
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, take
from audit.timeline.timeline import Timeline


def _stretches_that_count(timeline: Timeline, counted: Counted) -> Callable[[Ints], Bools]:
    reasons = reasons_of(timeline)
    numbers = np.array([coverage_doubt(reasons, missing) for missing in Missing])
    return lambda why: counted(numbers[why])


def first_takeoff(
    timeline: Timeline, view: View, subjects: Subjects, after: Ints, made: Ints | None = None
) -> tuple[Ints, Ints]:
    """The first takeoff with each subject's boot at or after an instant: when, and the row in the flights frame.

    FOREVER and NONE where there is none. Takeoffs speak against their subjects: what the log does not cover is taken
    as flown in a harsh view. Of a boot that isn't known, those of its aircraft, and perhaps of one that any boot was
    moved to since that may have been there when the subject's record (`made`) was.
    """
    best, row = np.full(len(after), FOREVER), np.full(len(after), NONE)
    counts = _stretches_that_count(timeline, view.against)
    reasons = reasons_of(timeline)
    for index, aircraft, opens, closes, twice_from in chain(
        _carried(timeline, view, subjects, after),
        () if made is None else _moved_on(timeline, view, subjects, after, made),
    ):
        place, takeoff = timeline.flights.next_takeoff(aircraft, opens)
        # A boot recorded at two places at once flew with one of the two aircraft.
        with_it = view.against(reasons.where((twice_from < FOREVER) & (takeoff >= twice_from), NO_BOOT))
        place = np.where(with_it, place, NONE)
        at = np.where(place == NONE, FOREVER, takeoff)
        # Where the log has a gap before the first recorded takeoff, the gap comes first, and no flight is named.
        perhaps = uncovered(timeline).first_from(aircraft, opens, counts)
        flight = np.where(at <= perhaps, take(timeline.flights.row, place, NONE), NONE)
        at = np.minimum(at, perhaps)
        sooner = (at < closes) & (at < best[index])
        best[index[sooner]], row[index[sooner]] = at[sooner], flight[sooner]
    return best, row


def first_uncovered(
    timeline: Timeline, view: View, subjects: Subjects, after: Ints, leaving: Collection[Missing] = ()
) -> Ints:
    """The first instant from which on each subject's boot may have flown unrecorded; FOREVER where it can't have.

    `leaving` are kinds of stretches that are of no matter.
    """
    best = np.full(len(after), FOREVER)
    counts = _stretches_that_count(timeline, view.against)

    def matters(why: Ints) -> Bools:
        return counts(why) & ~np.isin(why, list(leaving))

    for index, aircraft, opens, closes, _ in _carried(timeline, view, subjects, after):
        at = uncovered(timeline).first_from(aircraft, opens, matters)
        sooner = (at < closes) & (at < best[index])
        best[index[sooner]] = at[sooner]
    return best


def _carried(
    timeline: Timeline, view: View, subjects: Subjects, after: Ints
) -> Iterator[tuple[Ints, Ints, Ints, Ints, Ints]]:
    """The aircraft that carry each subject's boot from an instant on, stay by stay: index, aircraft, from, to, and
    from when on the boot is recorded elsewhere at the same time.

    On a day of which the time of a swap is not recorded, both boots may have been on, and count as the view has it. So
    does a boot where only a row set aside may have it.
    """
    bootless = np.flatnonzero(subjects.boot < 0)
    if len(bootless):
        forever = np.full(len(bootless), FOREVER)
        yield bootless, timeline.aircraft_of(subjects.place[bootless]), after[bootless], forever, forever
    history = timeline.components
    no_boot = np.array([reasons_of(timeline).number(*NO_BOOT)])
    perhaps = view.against(no_boot)[0]
    installed, removed = history.perhaps if perhaps else history.surely
    if perhaps and len(history.possible):
        for index, stay in _one_by_one(*history.possible.of(subjects.boot)):
            opens = np.maximum(after[index], history.possible.start[stay])
            aircraft = timeline.aircraft_of(history.possible.place[stay])
            yield index, aircraft, opens, history.possible.end[stay], np.full(len(index), FOREVER)
    index = np.flatnonzero(subjects.boot >= 0)
    stay, end = history.stays_from(subjects.boot[index], after[index])
    # Each round takes the next stay of every boot that has one left.
    while len(index):
        there = stay < end
        index, stay, end = index[there], stay[there], end[there]
        component = history.by_boot.row[stay]
        opens = np.maximum(after[index], installed[component])
        aircraft = timeline.aircraft_of(history.place[component])
        yield index, aircraft, opens, removed[component], history.twice_from[component]
        stay = stay + 1


def _moved_on(
    timeline: Timeline, view: View, subjects: Subjects, after: Ints, made: Ints
) -> Iterator[tuple[Ints, Ints, Ints, Ints, Ints]]:
    """The same of boots that aren't known: where those went since that may have been there when a record was made."""
    history = timeline.components
    unknown = np.flatnonzero(subjects.boot < 0)
    if not len(unknown) or not view.against(np.array([reasons_of(timeline).number(*NO_BOOT)]))[0]:
        return
    case, boot = boots_there(timeline, subjects.place[unknown], made[unknown])
    which, row = history.by_boot.rows(boot, boot + 1)
    who = unknown[case[which]]
    # Where it stood then, all takeoffs count already: see `_carried`.
    later = history.installed[row] > timeline.times["started_at"][made[who]]
    since, until = history.perhaps
    for index, stay in _one_by_one(who[later], row[later]):
        opens = np.maximum(after[index], since[stay])
        yield index, timeline.aircraft_of(history.place[stay]), opens, until[stay], np.full(len(index), NEVER)


def _one_by_one(who: Ints, stays: Ints) -> Iterable[tuple[Ints, Ints]]:
    """Of the stays of each (`who` in order) the first, then the second and so on, so that nobody is named twice."""
    nth = np.arange(len(who)) - np.searchsorted(who, who)
    return ((who[nth == number], stays[nth == number]) for number in range(int(nth.max(initial=-1)) + 1))


def removal(timeline: Timeline, view: View, held: Sessions) -> Ints:
    """When the boot of each session may have come off unseen: of one that isn't known, at the next change at its place,
    or anywhere on its aircraft where its position isn't known either.

    FOREVER where it can't have. A known boot takes what was done to it along.
    """
    off = np.full(len(held), FOREVER)
    unknown = np.flatnonzero(held.boot < 0)
    if len(unknown) and view.favour(np.array([reasons_of(timeline).number(*NO_BOOT)]))[0]:
        treated = timeline.times["started_at"][held.last[unknown]]
        off[unknown] = _next_change(timeline, held.place[unknown], treated)
    return off


def _next_change(timeline: Timeline, place: Ints, instants: Ints) -> Ints:
    """When a boot next comes or goes at each place after an instant, or at any of its aircraft where the position isn't
    known; FOREVER where none does."""
    history, nowhere = timeline.components, np.flatnonzero(timeline.nowhere(place))
    found = history.next_change(place, instants)
    if len(nowhere):
        every = np.unique(np.append(history.place, history.unclear.place))
        which, there = matching(timeline.aircraft_of(every), timeline.aircraft_of(place[nowhere]))
        np.minimum.at(found, nowhere[which], history.next_change(every[there], instants[nowhere[which]]))
    return found


def still_running(timeline: Timeline, view: View) -> int:
    """From when on nothing is recorded yet, and something forbidden may come; FOREVER where that doesn't count."""
    after = np.array([coverage_doubt(reasons_of(timeline), Missing.AFTER)])
    return min(timeline.as_of + 1 if view.against(after)[0] else FOREVER, records_end(timeline, view.against))


def records_end(timeline: Timeline, counted: Counted) -> int:
    """From when on work may have been done without a record, since all end; FOREVER where that doesn't count."""
    end = recorded_until(timeline)
    return end if end < FOREVER and counted(np.array([reasons_of(timeline).number(*RECORDS_END)]))[0] else FOREVER


def carriers(timeline: Timeline, held: Sessions) -> tuple[Ints, Ints]:
    """Every aircraft that the boot of a session is ever on, or may be: the index of the session, and the aircraft."""
    history = timeline.components
    boot = np.where(held.boot >= 0, held.boot, history.boots)
    perhaps, elsewhere = history.possible.of(boot)
    unknown = np.flatnonzero(held.boot < 0)
    case, there = boots_there(timeline, held.place[unknown], held.task[unknown])
    who, boot = np.append(np.arange(len(held)), unknown[case]), np.append(boot, there)
    first, end = history.by_boot.block(boot)
    # A boot that never moved is on no other aircraft than that of its session.
    moved = np.flatnonzero((boot < history.boots) & (end - first > 1))
    which, stay = history.by_boot.rows(boot[moved], boot[moved] + 1)
    return (
        np.concatenate((np.arange(len(held)), who[moved[which]], perhaps)),
        timeline.aircraft_of(np.concatenate((held.place, history.place[stay], history.possible.place[elsewhere]))),
    )
