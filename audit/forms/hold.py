"""hold [bounded absence after]: nothing forbidden within a time after a session. Subject: a session."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_POSITION, Sessions, Treatments, own_session, sessions, treatments
from audit.rulebook.models import HoldRule
from audit.timeline.instants import FOREVER, HOUR, Bools, Ints, Order
from audit.timeline.timeline import Timeline


def evaluate(rule: HoldRule, timeline: Timeline) -> Outcomes:
    """A finding when the forbidden event starts in [end of session, end + duration); at its end it complies.

    A boot taken off the aircraft takes the hold with it: what happens from its removal on happens without it.
    """
    treated = treatments(timeline, rule.scope)
    held = sessions(timeline, treated)
    limit = round(rule.duration.total_seconds() * 1_000_000)
    until = np.minimum(held.end + limit, _removal(timeline, held.component))
    if rule.forbid.where is None:
        return _takeoff(timeline, held, until, limit)
    near = _begun_within(timeline, held, limit)
    others = treatments(timeline, rule.forbid.where, near)
    return _treatment(timeline, held, until, limit, others, own_session(others, treated, held))


def _begun_within(timeline: Timeline, held: Sessions, limit: int) -> Ints:
    """The records that began within the time after some session on their aircraft: only these can break the hold."""
    rows = timeline.rows
    if not len(held.end):
        return rows[:0]
    ends = Order.of(timeline.aircraft_of(held.place), held.end)
    aircraft, began = timeline.aircraft[rows], timeline.times["started_at"][rows]
    return rows[ends.count(aircraft, began, "until") > ends.count(aircraft, began - limit, "until")]


def _removal(timeline: Timeline, component: Ints) -> Ints:
    removed = np.append(timeline.components.removed, FOREVER)
    return removed[np.where(component >= 0, component, -1)]


def _takeoff(timeline: Timeline, held: Sessions, until: Ints, limit: int) -> Outcomes:
    judged = held.truth == TRUE
    if not timeline.supplied("flights"):
        reason = np.where(judged, "table not supplied: flights", held.reason)
        return joined(len(judged), _unjudged(held, np.arange(len(judged)), reason))
    place, takeoff = timeline.flights.next_takeoff(timeline.aircraft_of(held.place), held.end)
    broken = np.flatnonzero(judged & (place != NONE) & (takeoff < until))
    undecided = np.flatnonzero(~judged)
    return joined(
        len(judged),
        cases(
            len(broken),
            subject=held.task[broken],
            task=held.last[broken],
            flight=timeline.flights.row[place[broken]],
            place=held.place[broken],
            component=held.component[broken],
            at=takeoff[broken],
            anchor=held.end[broken],
            measured=(takeoff[broken] - held.end[broken]) / HOUR,
            limit=limit / HOUR,
            unit="h",
        ),
        _unjudged(held, undecided, held.reason[undecided]),
    )


def _treatment(timeline: Timeline, held: Sessions, until: Ints, limit: int, others: Treatments, own: Ints) -> Outcomes:
    """Judge by other treatments; `own` is the session that each of them is itself a record of."""
    started = timeline.times["started_at"][others.task]
    here = timeline.position_of(others.place) != timeline.unknown_position
    placed = timeline.position_of(held.place) != timeline.unknown_position
    aircraft, flown = timeline.aircraft_of(others.place), timeline.aircraft_of(held.place)

    def first(wanted: Bools, owners: Ints, owner: Ints) -> Ints:
        """The first of the owner's wanted treatments in [end, until), a session's own records left out."""
        rows = np.flatnonzero(wanted)
        if not len(rows):
            return np.full(len(owner), NONE)
        order = Order.of(owners[rows], started[rows])
        index = order.count(owner, held.end, "before")
        while True:
            row = rows[order.row[np.minimum(index, len(rows) - 1)]]
            theirs = (index < len(rows)) & (owners[row] == owner)
            mine = theirs & (own[row] == np.arange(len(owner)))
            if not mine.any():
                return np.where(theirs & (started[row] < until), row, NONE)
            index = index + mine

    sure = first(here & (others.truth == TRUE), others.place, held.place)
    maybe = first(here & (others.truth == UNKNOWN), others.place, held.place)
    reason = np.full(len(held.task), "", object)
    reason[first(~here, aircraft, flown) != NONE] = NO_POSITION
    # Of a session without a position, whatever was applied to the aircraft may have been applied to its boot.
    reason[~placed & (first(np.ones(len(here), bool), aircraft, flown) != NONE)] = NO_POSITION
    reason[maybe != NONE] = others.reason[maybe[maybe != NONE]]
    reason[held.truth == UNKNOWN] = held.reason[held.truth == UNKNOWN]
    broken = (held.truth == TRUE) & placed & (sure != NONE)
    unjudged = np.flatnonzero(~broken & (reason != ""))
    found = np.flatnonzero(broken)
    event = sure[found]
    return joined(
        len(held.task),
        cases(
            len(found),
            subject=held.task[found],
            task=held.last[found],
            other=others.task[event],
            place=held.place[found],
            component=held.component[found],
            at=started[event],
            anchor=held.end[found],
            measured=(started[event] - held.end[found]) / HOUR,
            limit=limit / HOUR,
            unit="h",
        ),
        _unjudged(held, unjudged, reason[unjudged]),
    )


def _unjudged(held: Sessions, index: Ints, reason: object) -> pd.DataFrame:
    return cases(
        len(index),
        finding=False,
        reason=reason,
        subject=held.task[index],
        task=held.last[index],
        place=held.place[index],
        component=held.component[index],
        at=held.end[index],
    )
