"""precede [precedence, bounded]: an earlier treatment is needed, undisturbed since. Subject: a session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases
from audit.forms.treatments import (
    Sessions,
    Treatments,
    begun_between,
    candidates,
    in_sessions,
    meetings,
    tied,
    treatments,
)
from audit.rulebook.models import Event, Precedent, PrecedeRule
from audit.timeline.instants import HOUR, Bools, Ints, Order, running_max
from audit.timeline.timeline import Timeline

TIED = "order tied: both started at the same time"
PERHAPS = "whether a record is the earlier treatment of this boot can't be told"
DISTURBED = "whether something came in between can't be told"
_LOWEST = np.iinfo(np.int64).min


def evaluate(rule: PrecedeRule, timeline: Timeline) -> Outcomes:
    """A finding when no needed treatment of the same boot began earlier, or too long ago, or something came in between.

    Of several earlier treatments the one that ended last is the best witness: it is the nearest, and the least can have
    come in between. In between means from its end to the start of the session. Of several kinds of treatment that serve
    (`or_else`) each is looked for by itself, and one is enough.
    """
    treated, subjects = in_sessions(timeline, rule.scope)
    ways = [_served(way, timeline, treated, subjects) for way in rule.precedents]
    met = np.logical_or.reduce([way.met for way in ways])
    ended = np.maximum.reduce([way.ended for way in ways])
    reason = np.full(len(subjects.task), "", object)
    for way in reversed(ways):
        reason = np.where(way.reason == "", reason, way.reason)
    reason[met] = ""
    undecided = subjects.truth == UNKNOWN
    reason[undecided] = subjects.reason[undecided]
    finding = ~met & (reason == "")
    open_cases = np.flatnonzero(finding | (reason != ""))
    gap = np.where(ended == _LOWEST, np.nan, (subjects.start - np.maximum(ended, 0)) / HOUR)
    limit = np.nan if rule.within is None or rule.or_else else rule.within.total_seconds() / 3600
    return Outcomes(
        len(subjects.task),
        cases(
            len(open_cases),
            finding=finding[open_cases],
            reason=reason[open_cases],
            subject=subjects.task[open_cases],
            task=subjects.first[open_cases],
            place=subjects.place[open_cases],
            component=subjects.component[open_cases],
            at=subjects.start[open_cases],
            anchor=np.where(ended == _LOWEST, NONE, ended)[open_cases],
            measured=np.where(finding, gap, np.nan)[open_cases],
            limit=limit,
            unit="h",
        ),
    )


@dataclass(frozen=True)
class _Served:
    """Whether one of the earlier treatments that serve came before each session, why that can't be told, and when
    the last of that kind ended."""

    met: Bools
    reason: npt.NDArray[np.object_]
    ended: Ints


def _served(way: Precedent, timeline: Timeline, treated: Treatments, subjects: Sessions) -> _Served:
    needed = treatments(timeline, way.needs)
    ended, perhaps = _last_ends(timeline, needed, subjects)
    met, doubt = _undisturbed(way, timeline, needed, subjects, ended)
    maybe_met, maybe_doubt = _undisturbed(way, timeline, needed, subjects, perhaps)
    reason = np.full(len(subjects.task), "", object)
    reason[maybe_met | maybe_doubt] = PERHAPS
    reason[tied(timeline, needed, treated, subjects, subjects.start)] = TIED
    reason[doubt] = DISTURBED
    reason[met] = ""
    return _Served(met, reason, ended)


def _last_ends(timeline: Timeline, needed: Treatments, subjects: Sessions) -> tuple[Ints, Ints]:
    """When the last to end of the treatments that began earlier ended: surely of this boot, and perhaps."""
    ends = {sure: np.full(len(subjects.task), _LOWEST) for sure in (True, False)}
    for meeting in meetings(timeline, needed, subjects):
        task = needed.task[meeting.rows]
        order = Order.of(meeting.key, timeline.times["started_at"][task])
        owner = meeting.key[order.row]
        best = running_max(timeline.times["finished_at"][task][order.row], np.append(True, np.diff(owner) != 0))
        count = order.count(meeting.asked, subjects.start, "before")
        witness = np.maximum(count - 1, 0)
        found = meeting.who & (count > 0) & (owner[witness] == meeting.asked)
        ends[meeting.sure][found] = np.maximum(ends[meeting.sure][found], best[witness[found]])
    return ends[True], ends[False]


def _undisturbed(
    way: Precedent, timeline: Timeline, needed: Treatments, subjects: Sessions, ended: Ints
) -> tuple[Bools, Bools]:
    """Whether a treatment that ended then is near enough and undisturbed; and where only that can't be told."""
    met = ended > _LOWEST
    if not met.any():
        return met, met
    if way.within is not None:
        limit = round(way.within.total_seconds() * 1_000_000)
        met &= subjects.start - np.where(met, ended, subjects.start) <= limit
    doubt = np.zeros(len(ended), bool)
    for event in way.broken_by:
        came, maybe = _between(event, timeline, needed, subjects, np.where(met, ended, subjects.start))
        met &= ~came
        doubt |= maybe
    return met & ~doubt, met & doubt


def _between(
    event: Event, timeline: Timeline, needed: Treatments, subjects: Sessions, ended: Ints
) -> tuple[Bools, Bools]:
    """Whether the event came in [ended, start), and whether it may have."""
    nobody = np.zeros(len(ended), bool)
    if event.where is None:
        if not timeline.supplied("flights"):
            return nobody, ~nobody
        aircraft = timeline.aircraft_of(subjects.place)
        flights = timeline.flights
        return flights.first_from(aircraft, subjects.start) > flights.first_from(aircraft, ended), nobody
    # Only what began in [ended, start) of some session on its aircraft can have come between.
    aircraft, rows = timeline.aircraft_of(subjects.place), candidates(timeline, event.where)
    rows = begun_between(timeline, rows, aircraft, ended, subjects.start)
    events = treatments(timeline, event.where, rows)
    # A needed treatment doesn't disturb: coming later, it is the witness itself.
    events = events.those(~np.isin(events.task, needed.task[needed.truth == TRUE]))
    came = {True: nobody.copy(), False: nobody.copy()}
    for meeting in meetings(timeline, events, subjects):
        order = Order.of(meeting.key, timeline.times["started_at"][events.task[meeting.rows]])
        upto = order.count(meeting.asked, subjects.start, "before")
        came[meeting.sure] |= meeting.who & (upto > order.count(meeting.asked, ended, "before"))
    return came[True], came[False]
