"""Sessions: what was done to a boot at one go under a work order, and what may have been part of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from audit.evidence.columns import Columns, first_of_each, matching
from audit.evidence.doubt import CERTAIN, JOB_RUNNING, RECORDS_END, Rank, Why, coverage_doubt, first_of, reasons_of
from audit.evidence.treatments import NO_BOOT, NO_POSITION, Counted, Treatments, treatments
from audit.language.condition import Conditions
from audit.timeline.codes import MISSING
from audit.timeline.coverage import Missing, recorded_until, uncovered
from audit.timeline.instants import DAY, FOREVER, NEVER, Bools, Ints, group_begins, running_max
from audit.timeline.records import values
from audit.timeline.timeline import Timeline

LONGEST_PAUSE = DAY
"""Work that goes on later than this is another session, whatever its work order says."""


@dataclass(frozen=True)
class Sessions(Columns):
    """Treatments of one work order, boot and product class, without a takeoff or a long pause in between.

    One row a session, in order of (place, start). `number` is its number among all sessions of the rule, which it
    keeps; `task` its lowest task row, which names it whatever the order of its records. `first` and `last` are the task
    rows that begin and end it; `start` and `end` its first start and last end, `latest` its last start. `named_at` is
    the place of the first record: no two boots were there at once, whatever places they changed since. `place`,
    `component` and `boot` are those of the last record. `doubt` is CERTAIN where every record of it is in scope.
    """

    number: Ints
    task: Ints
    first: Ints
    last: Ints
    named_at: Ints
    place: Ints
    component: Ints
    boot: Ints
    start: Ints
    end: Ints
    latest: Ints
    doubt: Ints

    @property
    def named(self) -> Mapping[str, Ints]:
        """The columns of a case that name a session and where it was."""
        return {
            "subject": self.task,
            "named_by": self.first,
            "named_at": self.named_at,
            "task": self.last,
            "place": self.place,
            "component": self.component,
        }


@dataclass(frozen=True)
class InSessions:
    """Treatments of work done, their sessions, and the number of the session that each treatment belongs to.

    `perhaps` is the same of work that may have been done: it is still open, or its records can't be read.
    """

    treated: Treatments
    sessions: Sessions
    session_of: Ints
    perhaps: InSessions | None = None

    @property
    def evidence(self) -> Sessions:
        """The sessions, and behind them those of work that may have been done."""
        return self._with(np.arange(0 if self.perhaps is None else len(self.perhaps.sessions)))

    def elsewhere(self, timeline: Timeline) -> Sessions:
        """The sessions as evidence for other jobs: of what isn't surely done only what can't be read."""
        if self.perhaps is None:
            return self.sessions
        return self._with(np.flatnonzero(~timeline.is_open(self.perhaps.sessions.task)))

    def records(self, numbers: Ints) -> Ints:
        """The task records of some of the sessions, by number."""
        return self.treated.task[np.isin(self.session_of, numbers)]

    def _with(self, index: Ints) -> Sessions:
        if self.perhaps is None:
            return self.sessions
        found = self.sessions.followed_by(self.perhaps.sessions.take(index))
        return replace(found, number=np.arange(len(found)))


def in_sessions(timeline: Timeline, conditions: Conditions) -> InSessions:
    """The records in scope and their sessions."""
    key = ("sessions", conditions.model_dump_json())
    return timeline.memo(key, lambda: sessions(timeline, treatments(timeline, conditions)))


def sessions(timeline: Timeline, treated: Treatments) -> InSessions:
    """Group treatments into sessions, those of work done by themselves."""
    if treated.done.all():
        return InSessions(treated, *_grouped(timeline, treated))
    done, undone = treated.take(treated.done), treated.take(~treated.done)
    perhaps = InSessions(undone, *_grouped(timeline, undone))
    return InSessions(done, *_grouped(timeline, done), perhaps)


def _grouped(timeline: Timeline, treated: Treatments) -> tuple[Sessions, Ints]:
    start, end = timeline.span(treated.task)
    order, begins = runs(timeline, _session_key(timeline, treated), treated)
    if not len(order):
        none = np.empty(0, np.int64)
        return Sessions(*[none] * 12), none
    # `number` counts the sessions in order of their keys, of which `firsts` are the first rows.
    number = np.cumsum(begins) - 1
    firsts = np.flatnonzero(begins)
    treated = flown_unseen(timeline, treated, order, begins)
    # The last row is the one that ends last; of several the one that started last. Most sessions have a single row.
    closing = order.copy()
    several = np.flatnonzero(np.bincount(number)[number] > 1)
    rows = closing[several]
    closing[several] = rows[np.lexsort((treated.task[rows], start[rows], end[rows], number[several]))]
    last = closing[np.append(firsts[1:], len(order)) - 1]

    def lowest(wanted: Bools) -> Ints:
        """The row of the lowest task among the wanted ones of each session (one of them is wanted)."""
        named = np.where(wanted, treated.task[order], np.iinfo(np.int64).max)
        return order[np.flatnonzero(named == np.minimum.reduceat(named, firsts)[number])]

    opening = order[earliest(timeline, treated.task[order], start[order], firsts)]
    doubtful = treated.doubt[order] != CERTAIN
    # Of a session in doubt, the first record in doubt gives the reason.
    in_doubt = lowest(doubtful | ~np.maximum.reduceat(doubtful, firsts)[number])
    # Sessions are handed out in order of (place, start): `rank` is the place of each in that order.
    by_place = np.lexsort((treated.task[opening], start[opening], treated.place[last]))
    rank = np.empty(len(by_place), np.int64)
    rank[by_place] = np.arange(len(by_place))
    session_of = np.empty(len(order), np.int64)
    session_of[order] = rank[number]
    found = Sessions(
        number=np.arange(len(firsts)),
        task=np.minimum.reduceat(treated.task[order], firsts)[by_place],
        first=treated.task[opening][by_place],
        last=treated.task[last][by_place],
        named_at=treated.place[opening][by_place],
        place=treated.place[last][by_place],
        component=treated.component[last][by_place],
        boot=treated.boot[last][by_place],
        start=start[opening][by_place],
        end=end[last][by_place],
        latest=np.maximum.reduceat(start[order], firsts)[by_place],
        doubt=treated.doubt[in_doubt][by_place],
    )
    return found, session_of


def earliest(timeline: Timeline, task: Ints, start: Ints, firsts: Ints) -> Ints:
    """The places of the records that begin each session, of rows in order of (session, start).

    Of several that start together it is the one whose number comes first: the order of the rows tells nothing.
    """
    number = np.repeat(np.arange(len(firsts)), np.diff(np.append(firsts, len(task))))
    together = start == start[firsts][number]
    tied = np.flatnonzero(together & (np.bincount(number[together])[number] > 1))
    found = firsts.copy()
    if len(tied):
        names = timeline.tasks["task_id"].array.take(task[tied]).to_numpy(object)
        by_name = tied[first_of_each(number[tied], pd.factorize(names, sort=True)[0])]
        found[number[by_name]] = by_name
    return found


def runs(timeline: Timeline, key: Ints, treated: Treatments) -> tuple[Ints, Bools]:
    """Treatments in order of (key, start, task), and where a new run begins.

    A run ends where its aircraft takes off, or where nothing goes on for longer than LONGEST_PAUSE.
    """
    if not len(key):
        return np.empty(0, np.int64), np.empty(0, bool)
    start, end = timeline.span(treated.task)
    order = np.argsort(key, kind="stable")
    new = group_begins(key[order])
    # Most keys have one row; to sort all by time as well is the costly step.
    alone = new & np.append(new[1:], True)
    several = np.flatnonzero(~alone)
    rows = order[several]
    rows = rows[np.lexsort((treated.task[rows], start[rows], key[rows]))]
    order[several] = rows
    # How far the work of a run had reached when its next record began.
    reached = running_max(end[rows], new[several])
    so_far, follows = reached[:-1], np.flatnonzero(~new[several][1:])
    so_far, next_row = so_far[follows], rows[1:][follows]
    begins = start[next_row]
    aircraft = timeline.aircraft_of(treated.place[next_row])
    flew = timeline.flights.took_off(aircraft, so_far, begins)
    apart = np.flatnonzero(flew | (begins - so_far > LONGEST_PAUSE))
    new[several[1:][follows[apart]]] = True
    return order, new


def flown_unseen(timeline: Timeline, treated: Treatments, order: Ints, begins: Bools) -> Treatments:
    """The treatments, of which those are in doubt before which their run may have been interrupted by a flight that the
    log lacks, that can't be read, or of an aircraft of nearly the same name: the work before may have been another
    session."""
    stretches = uncovered(timeline)
    # A flight of which no time can be read may have been at any time: a pause between coats is not a sign of it. What
    # landed in a pause took off in it: it can't have flown while it was worked on.
    flown = np.isin(stretches.why, (Missing.UNREADABLE, Missing.NAME)) & (stretches.start > NEVER)
    signs = stretches.take(flown | (stretches.why == Missing.ELSEWHERE))
    signs = replace(signs, start=np.where(signs.why == Missing.ELSEWHERE, signs.start, signs.end - 1))
    if not len(signs.start):
        return treated
    follows = np.flatnonzero(~begins)
    end = running_max(timeline.times["finished_at"][treated.task][order], begins)[follows - 1]
    rows = order[follows]
    start = timeline.times["started_at"][treated.task[rows]]
    aircraft = timeline.aircraft_of(treated.place[rows])
    doubt = treated.doubt.copy()
    for sign in (Missing.ELSEWHERE, Missing.UNREADABLE, Missing.NAME):
        between = signs.first_from(aircraft, end, partial(np.equal, sign)) < start
        doubt[rows[between & (doubt[rows] == CERTAIN)]] = coverage_doubt(reasons_of(timeline), sign)
    return replace(treated, doubt=doubt)


def perhaps_swapped(timeline: Timeline, place: Ints, since: Ints, until: Ints) -> Ints:
    """Why another boot may have come to each place in [since, until): on a day without a time. CERTAIN where none
    did."""
    return reasons_of(timeline).where(timeline.components.perhaps_swapped(place, since, until), NO_BOOT)


def _session_key(timeline: Timeline, treated: Treatments) -> Ints:
    work_order = timeline.work_orders(treated.task)
    product_class = classes(timeline, treated.task)
    class_count = int(product_class.max(initial=0)) + 2
    # One number for work order, class and boot; a class that is not known counts as one of its own.
    job = work_order * class_count + product_class + 1
    return job * timeline.boots_and_places + timeline.boot_or_place(treated.boot, treated.place)


def classes(timeline: Timeline, rows: Ints) -> Ints:
    """Codes of the product classes of records, MISSING where the product is not known."""
    if not timeline.supplied("products") or "product" not in timeline.tasks:
        return np.full(len(rows), MISSING, np.int64)
    found = values(timeline, "product_class", rows)
    assert found.codes is not None
    return found.codes.astype(np.int64)


@dataclass(frozen=True)
class Parts:
    """Pairs of sessions that may be one: `of`, which is surely in scope, and `part`, which may belong to it.

    `doubt` is the number of the reason why that can't be told.
    """

    of: Ints
    part: Ints
    doubt: Ints


def possible_parts(timeline: Timeline, found: Sessions) -> Parts:
    """The sessions that may be parts of others of their work order: a product, boot or position is not known, or
    whether the work was done."""
    reasons = reasons_of(timeline)
    unplaced = timeline.nowhere(found.place)
    product_class = classes(timeline, found.task)
    # Work that may not have been done, or not on this aircraft, is in doubt as well.
    sure = found.doubt == CERTAIN
    unclear = unplaced | (product_class == MISSING) | (found.boot < 0) | ~sure
    work_order = timeline.work_orders(found.task)
    key = work_order * (len(timeline.aircraft_names) + 1) + timeline.aircraft_of(found.place)
    # A record that was set aside for its lack of a work order may be of any.
    jobless = np.flatnonzero(unclear & (work_order == MISSING))
    sides = (
        # What has no work order, beside all that is sure on its aircraft.
        _sharing(timeline.aircraft_of(found.place), np.flatnonzero(sure), jobless),
        # What is unclear, beside all that is sure of its work order.
        _sharing(key, np.flatnonzero(sure), np.flatnonzero(unclear)),
        # What is clear, beside what is surely done though its product, boot or position is not known.
        _sharing(key, np.flatnonzero(sure & unclear), np.flatnonzero(~unclear)),
    )
    of, part = (np.concatenate(side) for side in zip(*sides, strict=True))
    # Two can be one session where boot and product agree, or may, and neither a takeoff nor a long pause parts them.
    nowhere = unplaced[of] | unplaced[part]
    anything = (product_class[of] == MISSING) | (product_class[part] == MISSING)
    same = (found.boot[of] == found.boot[part]) & ((found.boot[of] >= 0) | (found.place[of] == found.place[part]))
    bootless = ((found.boot[of] < 0) | (found.boot[part] < 0)) & (found.place[of] == found.place[part])
    may = (of != part) & (nowhere | bootless | same)
    may &= anything | (product_class[of] == product_class[part])
    times = ((found.start[side], found.end[side]) for side in (of, part))
    may &= at_one_go(timeline, timeline.aircraft_of(found.place[of]), *times)
    number = first_of(
        found.doubt[part],
        reasons.where(nowhere, NO_POSITION),
        reasons.where(anything, (Rank.RECORD, "value missing: product")),
        np.full(len(of), reasons.number(*NO_BOOT)),
    )
    return Parts(of[may], part[may], number[may])


Reach = Callable[[Counted], tuple[Ints, Ints]]
"""The first start and the last end that each session may have, with what may be part of it where that counts."""


def reach(timeline: Timeline, found: InSessions) -> Reach:
    """How far each session may reach."""
    everything, count = found.evidence, len(found.sessions)
    parts = possible_parts(timeline, everything)

    def reached(counted: Counted) -> tuple[Ints, Ints]:
        start, end = everything.start[:count].copy(), everything.end[:count].copy()
        taken = np.flatnonzero(counted(parts.doubt))
        np.minimum.at(start, parts.of[taken], everything.start[parts.part[taken]])
        np.maximum.at(end, parts.of[taken], everything.end[parts.part[taken]])
        return start, end

    return reached


def _sharing(key: Ints, one: Ints, other: Ints) -> tuple[Ints, Ints]:
    """All pairs of the two that share a key."""
    which, place = matching(key[other], key[one])
    return one[which], other[place]


def unrecorded_from(timeline: Timeline) -> tuple[int, Why]:
    """From when on work has no record: after the as-of time, or since the export of the records was cut; and why."""
    last = recorded_until(timeline)
    return (timeline.as_of + 1, JOB_RUNNING) if last == FOREVER else (last, RECORDS_END)


def may_go_on(timeline: Timeline, place: Ints, end: Ints) -> Ints:
    """Why a job whose last record ended at an instant may have another to come: no takeoff of its aircraft and no long
    pause parts it from when records end. CERTAIN where it is over."""
    opens, why = unrecorded_from(timeline)
    aircraft = timeline.aircraft_of(place)
    flown = timeline.flights.took_off(aircraft, end, np.full(len(end), opens))
    return reasons_of(timeline).where(~flown & (opens - end <= LONGEST_PAUSE), why)


def at_one_go(timeline: Timeline, aircraft: Ints, one: tuple[Ints, Ints], other: tuple[Ints, Ints]) -> Bools:
    """Whether neither a takeoff nor a long pause lies between two pieces of work, each from its start to its end."""
    # The gap between the end of the earlier and the start of the later; an empty one where they overlap.
    closes = np.maximum(one[0], other[0])
    opens = np.minimum(np.minimum(one[1], other[1]), closes)
    return ~timeline.flights.took_off(aircraft, opens, closes) & (closes - opens <= LONGEST_PAUSE)
