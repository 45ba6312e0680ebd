"""hold [bounded absence after]: nothing forbidden within a time after a session. Subject: a session."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_POSITION, Sessions, Treatments, sessions, treatments
from audit.rulebook.models import HoldRule
from audit.timeline.instants import FOREVER, HOUR, Bools, Ints, Order
from audit.timeline.timeline import Timeline


def evaluate(rule: HoldRule, timeline: Timeline) -> Outcomes:
    """A finding when the forbidden event starts in [end of session, end + duration); at its end it complies.

    A boot taken off the aircraft takes the hold with it: what happens from its removal on happens without it.
    """
    held = sessions(timeline, treatments(timeline, rule.scope))
    limit = round(rule.duration.total_seconds() * 1_000_000)
    until = np.minimum(held.end + limit, _removal(timeline, held.component))
    if rule.forbid.where is None:
        return _takeoff(timeline, held, until, limit)
    near = _begun_within(timeline, held, limit)
    return _treatment(timeline, held, until, limit, treatments(timeline, rule.forbid.where, near))


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


def _treatment(timeline: Timeline, held: Sessions, until: Ints, limit: int, others: Treatments) -> Outcomes:
    started = timeline.times["started_at"]
    known_place = timeline.position_of(others.place) != timeline.unknown_position
    sure = others.those(known_place & (others.truth == TRUE))
    doubtful = others.those(known_place & (others.truth == UNKNOWN))
    nowhere = others.those(~known_place)
    placed = timeline.position_of(held.place) != timeline.unknown_position
    judged = (held.truth == TRUE) & placed

    first, at = _first_in(sure.place, started[sure.task], held.place, held.end, until)
    broken = judged & (first != NONE)
    maybe, _ = _first_in(doubtful.place, started[doubtful.task], held.place, held.end, until)
    aircraft = timeline.aircraft_of(held.place)
    somewhere, _ = _first_in(timeline.aircraft_of(nowhere.place), started[nowhere.task], aircraft, held.end, until)
    reason = np.full(len(judged), "", object)
    reason[~placed] = NO_POSITION
    reason[somewhere != NONE] = NO_POSITION
    in_doubt = maybe != NONE
    reason[in_doubt] = doubtful.reason[maybe[in_doubt]]
    reason[held.truth == UNKNOWN] = held.reason[held.truth == UNKNOWN]
    unjudged = np.flatnonzero(~broken & (reason != ""))
    found = np.flatnonzero(broken)
    return joined(
        len(judged),
        cases(
            len(found),
            subject=held.task[found],
            task=held.last[found],
            other=sure.task[first[found]],
            place=held.place[found],
            component=held.component[found],
            at=at[found],
            anchor=held.end[found],
            measured=(at[found] - held.end[found]) / HOUR,
            limit=limit / HOUR,
            unit="h",
        ),
        _unjudged(held, unjudged, reason[unjudged]),
    )


def _first_in(owners: Ints, instants: Ints, owner: Ints, start: Ints, until: Ints) -> tuple[Ints, Ints]:
    """Index and instant of the owner's first event in [start, until); NONE where there is none."""
    if not len(owners):
        return np.full(len(owner), NONE), np.zeros(len(owner), np.int64)
    order = Order.of(owners, instants)
    index = order.count(owner, start, "before")
    row = order.row[np.minimum(index, len(owners) - 1)]
    found: Bools = (index < len(owners)) & (owners[row] == owner) & (instants[row] < until)
    return np.where(found, row, NONE), np.where(found, instants[row], 0)


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
