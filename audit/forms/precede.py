"""precede [precedence, bounded]: an earlier treatment is needed, undisturbed since. Subject: a session."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.outcomes import NONE, Outcomes, cases
from audit.forms.treatments import Sessions, Treatments, own_session, sessions, treatments
from audit.rulebook.models import Event, PrecedeRule
from audit.timeline.components import TWO_RECORDED
from audit.timeline.instants import HOUR, Bools, Ints, Order, running_max
from audit.timeline.timeline import Timeline

TIED = "order tied: both started at the same time"
PERHAPS = "whether a record is the earlier treatment of this boot can't be told"
DISTURBED = "whether something came in between can't be told"
_LOWEST = np.iinfo(np.int64).min


def evaluate(rule: PrecedeRule, timeline: Timeline) -> Outcomes:
    """A finding when no needed treatment of the same boot began earlier, or too long ago, or something came in between.

    Of several earlier treatments the one that ended last is the best witness: it is the nearest, and the least can have
    come in between. In between means from its end to the start of the session.
    """
    treated = treatments(timeline, rule.scope)
    subjects = sessions(timeline, treated)
    needed = treatments(timeline, rule.needs)
    ended, perhaps = _last_ends(timeline, needed, subjects)
    met, doubt = _undisturbed(rule, timeline, needed, subjects, ended)
    maybe_met, maybe_doubt = _undisturbed(rule, timeline, needed, subjects, perhaps)

    reason = np.full(len(subjects.task), "", object)
    reason[maybe_met | maybe_doubt] = PERHAPS
    reason[_tied(timeline, needed, treated, subjects)] = TIED
    reason[doubt] = DISTURBED
    reason[met] = ""
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


@dataclass(frozen=True)
class _Meeting:
    """Treatments (`rows`) and sessions that are of one boot, surely or perhaps, where their keys agree."""

    sure: bool
    rows: Ints
    key: Ints
    asked: Ints
    who: Bools


def _meetings(timeline: Timeline, others: Treatments, subjects: Sessions) -> Iterator[_Meeting]:
    """How treatments meet sessions: on the same boot; perhaps, where a boot or a position is not known."""
    everyone = np.ones(len(subjects.task), bool)
    here = timeline.position_of(others.place) != timeline.unknown_position
    placed = timeline.position_of(subjects.place) != timeline.unknown_position
    certain = (others.truth == TRUE) & (others.component != TWO_RECORDED)
    boots = len(timeline.components.place) + 3
    boot, asked = (side.place * boots + side.component + 2 for side in (others, subjects))
    aircraft, flown = timeline.aircraft_of(others.place), timeline.aircraft_of(subjects.place)
    for sure, wanted, key, sought, who in (
        (True, here & certain, boot, asked, everyone),
        (False, here & ~certain, boot, asked, everyone),
        (False, here & (others.component < 0), others.place, subjects.place, everyone),
        (False, here, others.place, subjects.place, subjects.component < 0),
        (False, ~here, aircraft, flown, everyone),
        (False, np.ones(len(here), bool), aircraft, flown, ~placed),
    ):
        rows = np.flatnonzero(wanted)
        if len(rows) and who.any():
            yield _Meeting(sure, rows, key[rows], sought, who)


def _last_ends(timeline: Timeline, needed: Treatments, subjects: Sessions) -> tuple[Ints, Ints]:
    """When the last to end of the treatments that began earlier ended: surely of this boot, and perhaps."""
    ends = {sure: np.full(len(subjects.task), _LOWEST) for sure in (True, False)}
    for meeting in _meetings(timeline, needed, subjects):
        task = needed.task[meeting.rows]
        order = Order.of(meeting.key, timeline.times["started_at"][task])
        owner = meeting.key[order.row]
        best = running_max(timeline.times["finished_at"][task][order.row], np.append(True, np.diff(owner) != 0))
        count = order.count(meeting.asked, subjects.start, "before")
        witness = np.maximum(count - 1, 0)
        found = meeting.who & (count > 0) & (owner[witness] == meeting.asked)
        ends[meeting.sure][found] = np.maximum(ends[meeting.sure][found], best[witness[found]])
    return ends[True], ends[False]


def _tied(timeline: Timeline, needed: Treatments, treated: Treatments, subjects: Sessions) -> Bools:
    """Whether a needed treatment, other than the session's own records, began at the same time."""
    start = timeline.times["started_at"][needed.task]
    own = own_session(needed, treated, subjects)
    tied = np.zeros(len(subjects.task), bool)
    for meeting in _meetings(timeline, needed, subjects):
        order = Order.of(meeting.key, start[meeting.rows])
        count = order.count(meeting.asked, subjects.start, "until") - order.count(
            meeting.asked, subjects.start, "before"
        )
        mine = own[meeting.rows]
        mine = mine[(mine != NONE) & (start[meeting.rows] == subjects.start[mine])]
        tied |= meeting.who & (count > np.bincount(mine, minlength=len(tied)))
    return tied


def _undisturbed(
    rule: PrecedeRule, timeline: Timeline, needed: Treatments, subjects: Sessions, ended: Ints
) -> tuple[Bools, Bools]:
    """Whether a treatment that ended then is near enough and undisturbed; and where only that can't be told."""
    met = ended > _LOWEST
    if rule.within is not None:
        limit = round(rule.within.total_seconds() * 1_000_000)
        met &= subjects.start - np.where(met, ended, subjects.start) <= limit
    doubt = np.zeros(len(ended), bool)
    for event in rule.broken_by:
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
    events = treatments(timeline, event.where)
    # A needed treatment doesn't disturb: coming later, it is the witness itself.
    events = events.those(~np.isin(events.task, needed.task[needed.truth == TRUE]))
    came = {True: nobody.copy(), False: nobody.copy()}
    for meeting in _meetings(timeline, events, subjects):
        order = Order.of(meeting.key, timeline.times["started_at"][events.task[meeting.rows]])
        upto = order.count(meeting.asked, subjects.start, "before")
        came[meeting.sure] |= meeting.who & (upto > order.count(meeting.asked, ended, "before"))
    return came[True], came[False]
