"""count [bounded existence]: the right number of coats in a session, or of sessions in a season.

Subject: a session; a boot in a season in which it flew.
"""

from __future__ import annotations

import numpy as np

from audit.forms.boots import boot_time, perhaps_treated, surely_treated
from audit.forms.conditions import UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases
from audit.forms.treatments import NO_POSITION, in_sessions, kin
from audit.rulebook.models import CountRule, Number
from audit.timeline.instants import Bools, Ints, Order
from audit.timeline.records import values
from audit.timeline.timeline import Timeline

NOT_OVER = "the season is not over"
UNSEEN = "the season began before the first record or flight of the export"


def evaluate(rule: CountRule, timeline: Timeline) -> Outcomes:
    """Judge what the rule counts: coats of a session, or sessions of a boot in a season."""
    if rule.coats is not None:
        return _coats(rule, rule.coats, timeline)
    assert rule.sessions is not None
    return _sessions(rule, rule.sessions, timeline)


def _coats(rule: CountRule, allowed: Number, timeline: Timeline) -> Outcomes:
    """A finding when a session has fewer or more coats than allowed.

    A record with `coats` stands for that many, one with `coat` for that coat; the same coat entered twice is one coat.
    A record with neither stands for one coat or more. Coats that may be of the session, since their product or position
    isn't known, leave it unjudged where they would mend or spoil it.
    """
    treated, subjects = in_sessions(timeline, rule.scope)
    count = len(subjects.task)
    coat, has_coat = _whole(timeline, "coat", treated.task)
    coats, has_coats = _whole(timeline, "coats", treated.task)

    total = np.zeros(count, np.int64)
    np.add.at(total, subjects.session_of[has_coats], coats[has_coats])
    names, rank = np.unique(coat, return_inverse=True)
    numbered = np.unique((subjects.session_of * len(names) + rank)[has_coat & ~has_coats])
    np.add.at(total, numbered // max(len(names), 1), 1)
    blank = ~has_coat & ~has_coats
    open_ended = np.zeros(count, bool)
    open_ended[subjects.session_of[blank]] = True
    np.add.at(total, subjects.session_of[blank], 1)

    too_few, too_many = _outside(total, allowed)
    reason = np.full(count, "", object)
    # There may be more coats than can be counted: that may mend too few, or make too many.
    countless = too_few | (allowed.at_most is not None)
    reason[open_ended & countless & ~too_many] = "value missing: coat"
    related = kin(timeline, subjects)
    most = total.copy()
    np.add.at(most, related.one, total[related.other])
    still_too_few, perhaps_too_many = _outside(most, allowed)
    in_doubt = (too_few & ~still_too_few) | (~too_few & perhaps_too_many)
    in_doubt[related.one[open_ended[related.other]]] |= countless[related.one[open_ended[related.other]]]
    pairs = np.flatnonzero((in_doubt & ~too_many & (reason == ""))[related.one])
    reason[related.one[pairs]] = related.reason[pairs]
    # What names no position may be of several boots.
    nowhere = timeline.position_of(subjects.place) == timeline.unknown_position
    reason[nowhere & too_many] = NO_POSITION
    undecided = subjects.truth == UNKNOWN
    reason[undecided] = subjects.reason[undecided]
    finding = (too_few | too_many) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    return Outcomes(
        count,
        cases(
            len(index),
            finding=finding[index],
            reason=np.where(finding, "", reason)[index],
            subject=subjects.task[index],
            task=subjects.last[index],
            place=subjects.place[index],
            component=subjects.component[index],
            at=subjects.end[index],
            measured=np.where(finding, total, np.nan)[index],
            limit=np.where(too_few, allowed.at_least or 0, allowed.at_most or 0)[index],
            unit="coats",
        ),
    )


def _outside(total: Ints, allowed: Number) -> tuple[Bools, Bools]:
    """Which are fewer, and which are more, than allowed."""
    few, many = allowed.at_least, allowed.at_most
    none = np.zeros(len(total), bool)
    return (none if few is None else total < few), (none if many is None else total > many)


def _whole(timeline: Timeline, name: str, rows: Ints) -> tuple[Ints, Bools]:
    found = values(timeline, name, rows)
    assert found.numbers is not None
    return np.where(found.missing, 0, found.numbers).astype(np.int64), ~found.missing


def _sessions(rule: CountRule, allowed: Number, timeline: Timeline) -> Outcomes:
    """A finding when a boot that flew in a season had fewer or more sessions in it than allowed.

    A session counts by its end. Too few are only too few once the season, or the boot's time on the aircraft, is over,
    and where the export tells of it from its start.
    """
    _, done = in_sessions(timeline, rule.scope)
    time = boot_time(timeline, rule.boots, rule.season)
    aircraft = timeline.aircraft_of(timeline.components.place[time.component])
    flights = timeline.flights
    takeoff = flights.first_from(aircraft, time.known_start)
    if timeline.supplied("flights"):
        flew = np.flatnonzero(flights.first_from(aircraft, time.known_end) > takeoff)
        time, takeoff = time.those(flew), takeoff[flew]

    sure = surely_treated(done)
    ends = Order.of(done.component[sure], done.end[sure])
    total = ends.count(time.component, time.known_end, "before") - ends.count(
        time.component, time.known_start, "before"
    )
    perhaps, why = perhaps_treated(timeline, done, time.component, time.known_start, time.known_end)
    count = len(total)
    too_few, too_many = _outside(total, allowed)
    perhaps_too_few, perhaps_too_many = _outside(total + perhaps, allowed)
    reason = np.full(count, "", object)
    unseen = time.start < timeline.since
    reason[~too_many & unseen & (too_few | (allowed.at_most is not None))] = UNSEEN
    reason[too_few & (time.end > timeline.as_of)] = NOT_OVER
    in_doubt = (perhaps_too_many & ~too_many) | (too_few & ~perhaps_too_few)
    reason[in_doubt] = why[in_doubt]
    if not timeline.supplied("flights"):
        reason[:] = "table not supplied: flights"
    unsure = time.truth == UNKNOWN
    reason[unsure] = time.reason[unsure]
    finding = (too_few | too_many) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    return Outcomes(
        count,
        cases(
            len(index),
            finding=finding[index],
            reason=reason[index],
            subject=-2 - (time.component * (int(time.number.max(initial=0)) + 1) + time.number)[index],
            flight=np.where(finding, np.append(flights.row, NONE)[np.minimum(takeoff, len(flights.row))], NONE)[index],
            place=timeline.components.place[time.component][index],
            component=time.component[index],
            at=np.where(finding, np.minimum(time.end, timeline.as_of), time.known_start)[index],
            anchor=time.start[index],
            measured=np.where(finding, total, np.nan)[index],
            limit=np.where(too_few, allowed.at_least or 0, allowed.at_most or 0)[index],
            unit="treatments",
        ),
    )
