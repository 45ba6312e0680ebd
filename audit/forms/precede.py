"""precede [precedence, bounded]: an earlier treatment is needed, undisturbed since. Subject: a session."""

from __future__ import annotations

import numpy as np

from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases
from audit.forms.treatments import NO_POSITION, Sessions, Treatments, sessions, treatments
from audit.rulebook.models import Event, PrecedeRule
from audit.timeline.instants import HOUR, Bools, Ints, Order, running_max
from audit.timeline.timeline import Timeline

TIED = "order tied: both started at the same time"
_LOWEST = np.iinfo(np.int64).min


def evaluate(rule: PrecedeRule, timeline: Timeline) -> Outcomes:
    """A finding when no needed treatment of the same boot began earlier, or too long ago, or something came in between.

    Of several earlier treatments the one that ended last is the best witness: it is the nearest, and the least can have
    come in between. In between means from its end to the start of the session.
    """
    subjects = sessions(timeline, treatments(timeline, rule.scope))
    needed = treatments(timeline, rule.needs)
    sure = needed.truth == TRUE
    known = timeline.position_of(needed.place) != timeline.unknown_position
    ended = _last_end(timeline, needed.those(sure & known), subjects)
    maybe = _last_end(timeline, needed.those(~sure & known), subjects)
    astray = _last_end(timeline, needed.those(~known), subjects, by_aircraft=True)
    tied = _same_start(timeline, needed.those(known), subjects)

    met, doubt = _undisturbed(rule, timeline, subjects, ended)
    could_be, _ = _undisturbed(rule, timeline, subjects, np.maximum(maybe, astray))
    placed = timeline.position_of(subjects.place) != timeline.unknown_position

    reason = np.full(len(subjects.task), "", object)
    reason[~met & could_be] = np.where(
        (astray > maybe)[~met & could_be], NO_POSITION, "an earlier treatment can't be identified"
    )
    reason[~met & tied] = TIED
    reason[doubt != ""] = doubt[doubt != ""]
    reason[~placed] = NO_POSITION
    undecided = subjects.truth == UNKNOWN
    reason[undecided] = subjects.reason[undecided]
    finding = ~met & (reason == "")
    open_cases = np.flatnonzero(finding | (reason != ""))
    gap = np.where(ended == _LOWEST, np.nan, (subjects.start - np.maximum(ended, 0)) / HOUR)
    limit = np.nan if rule.within is None else rule.within.total_seconds() / 3600
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


def _last_end(timeline: Timeline, needed: Treatments, subjects: Sessions, by_aircraft: bool = False) -> Ints:
    """When the last-ended of the treatments that began earlier on the same boot ended; lowest value where none."""
    last = np.full(len(subjects.task), _LOWEST)
    if not len(needed.task):
        return last
    start = timeline.times["started_at"][needed.task]
    end = timeline.times["finished_at"][needed.task]
    if by_aircraft:
        owner, asked = timeline.aircraft_of(needed.place), timeline.aircraft_of(subjects.place)
    else:
        owner, asked = _boot(timeline, needed), _boot(timeline, subjects)
    order = Order.of(owner, start)
    owner = owner[order.row]
    new = np.append(True, owner[1:] != owner[:-1])
    best = running_max(end[order.row], new)
    count = order.count(asked, subjects.start, "before")
    witness = np.maximum(count - 1, 0)
    found = (count > 0) & (owner[witness] == asked)
    last[found] = best[witness[found]]
    return last


def _boot(timeline: Timeline, treated: Treatments | Sessions) -> Ints:
    """One number for position and boot: an earlier treatment of another boot doesn't count."""
    return treated.place * (len(timeline.components.place) + 3) + treated.component + 2


def _same_start(timeline: Timeline, needed: Treatments, subjects: Sessions) -> Bools:
    if not len(needed.task):
        return np.zeros(len(subjects.task), bool)
    order = Order.of(_boot(timeline, needed), timeline.times["started_at"][needed.task])
    asked = _boot(timeline, subjects)
    until = order.count(asked, subjects.start, "until")
    return until > order.count(asked, subjects.start, "before")


def _undisturbed(rule: PrecedeRule, timeline: Timeline, subjects: Sessions, ended: Ints) -> tuple[Bools, np.ndarray]:
    """Whether a treatment that ended then is near enough and undisturbed, and where that can't be told, why."""
    doubt = np.full(len(ended), "", object)
    met = ended > _LOWEST
    if rule.within is not None:
        limit = round(rule.within.total_seconds() * 1_000_000)
        met &= subjects.start - np.where(met, ended, subjects.start) <= limit
    for event in rule.broken_by:
        came, maybe, reason = _between(event, timeline, subjects, ended)
        doubt[met & ~came & maybe] = reason
        met &= ~came
    doubt[~met] = ""
    return met, doubt


def _between(event: Event, timeline: Timeline, subjects: Sessions, ended: Ints) -> tuple[Bools, Bools, str]:
    """Whether the event came in [ended, start), whether it may have, and why that isn't known."""
    none = np.zeros(len(ended), bool)
    if event.where is None:
        if not timeline.supplied("flights"):
            return none, ~none, "table not supplied: flights"
        aircraft = timeline.aircraft_of(subjects.place)
        before = timeline.flights.first_from(aircraft, np.maximum(ended, 0))
        return timeline.flights.first_from(aircraft, subjects.start) > before, none, ""
    events = treatments(timeline, event.where)
    came = []
    for wanted in (TRUE, UNKNOWN):
        chosen = events.those(events.truth == wanted)
        if not len(chosen.task):
            came.append(none)
            continue
        order = Order.of(chosen.place, timeline.times["started_at"][chosen.task])
        upto = order.count(subjects.place, subjects.start, "before")
        came.append(upto > order.count(subjects.place, np.maximum(ended, 0), "before"))
    return came[0], came[1], "an event in between can't be identified"
