"""precede [precedence, bounded]: an earlier treatment is needed, undisturbed since. Subject: a session."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from audit.figures import time_span
from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    NO_BOOT_KNOWN,
    NO_POSITION_KNOWN,
    SAME_START,
    absent,
    not_supplied,
    work,
)
from audit.forms.describing import sessions as sessions_in_words
from audit.forms.drawing import (
    AroundSession,
    until_due,
)
from audit.forms.form import BOOTS_READ, SESSIONS_READ, Form, Never
from audit.forms.naming import of_session, of_treatment
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
from audit.language.condition import Conditions
from audit.language.events import Event
from audit.language.in_words import (
    duration_in_words,
)
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.timeline.instants import HOUR, Bools, Ints, Order, running_max
from audit.timeline.timeline import Timeline
from audit.yaml.faults import Part
from audit.yaml.source import KeyPath


class Precedent(Part):
    """An earlier treatment of the same boot: close enough, with nothing in between that undoes it."""

    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()


class PrecedeRule(Rule):
    """An earlier treatment of the same boot is needed, close enough, with nothing in between that undoes it.

    Each of `or_else` does as well.
    """

    form: Literal["precede"]
    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()
    or_else: Annotated[tuple[Precedent, ...], Field(min_length=1)] = ()

    @property
    def precedents(self) -> tuple[Precedent, ...]:
        """The treatments of which one must have come before."""
        first = Precedent.model_construct(needs=self.needs, within=self.within, broken_by=self.broken_by)
        return first, *self.or_else


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


def _sentence(rule: PrecedeRule, case: Mapping[str, Any]) -> str:
    """Say that the earlier treatment is missing, too old or disturbed."""
    if case["anchor"] < 0:
        return f"No earlier treatment that {case['treatment']} needs is recorded for this boot."
    passed = time_span(case["measured"] * HOUR)
    if rule.or_else:
        return (
            f"None of the treatments of which {case['treatment']} needs one is recorded near enough and undisturbed; "
            f"the last ended {passed} earlier."
        )
    if rule.within is not None and case["measured"] > case["limit"]:
        return (
            f"The treatment needed before {case['treatment']} ended {passed} earlier; "
            f"at most {time_span(case['limit'] * HOUR)} allowed."
        )
    return (
        f"The treatment needed before {case['treatment']} ended {passed} earlier, "
        "and something came in between that undoes it."
    )


def _broken_by_takeoff(rule: PrecedeRule) -> bool:
    return any(event.where is None for way in rule.precedents for event in way.broken_by)


def _reads(rule: PrecedeRule) -> Iterator[str]:
    yield from ("tasks.position", "components")
    if _broken_by_takeoff(rule):
        yield "flights"


def _demands(rule: PrecedeRule) -> tuple[str, ...]:
    ways = tuple(map(_precedent_in_words, rule.precedents))
    return ways[0] if len(ways) == 1 else ("; or else ".join(", and ".join(way) for way in ways),)


def _precedent_in_words(way: Precedent) -> tuple[str, ...]:
    demands = [work("the same boot was worked on before", way.needs)]
    if way.within is not None:
        demands.append(f"this ended at most {duration_in_words(way.within)} before the session began")
    return (*demands, *(f"in between {absent(event)}" for event in way.broken_by))


def _unjudged_when(rule: PrecedeRule) -> Iterator[str]:
    yield from (SAME_START, NO_POSITION_KNOWN, NO_BOOT_KNOWN)
    if _broken_by_takeoff(rule):
        yield not_supplied("flights")
    yield CLOCK_WENT_BACK


def _never(rule: PrecedeRule) -> Iterator[Never]:
    for way_number, way in enumerate(rule.precedents):
        path: KeyPath = ("or_else", way_number - 1) if way_number else ()
        for number, event in enumerate(way.broken_by):
            if event.where is not None:
                message = "all of these are needed treatments themselves, which disturb nothing"
                yield Never((*path, "broken_by", number), message, event.where, way.needs)


PRECEDE = Form(
    name="precede",
    rule=PrecedeRule,
    finding="none of the earlier treatments that would do was done in time, or something undid it",
    subjects="session",
    named_by="aircraft, position, work order, product class",
    evaluate=evaluate,
    reads=_reads,
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ),
    identity=of_session,
    facts=of_treatment,
    sentence=_sentence,
    drawing=lambda rule: AroundSession(lambda case: until_due(case, "at most")),
    looks_at=lambda rule: sessions_in_words(rule.scope),
    demands=_demands,
    unjudged_when=_unjudged_when,
    never=_never,
    settable=("within",),
    skeleton="""\
needs:
  product_class: {is: surface-prep}
within: PT24H
broken_by:
  - {event: takeoff}
examples:
  - name: the boot was prepared exactly 24 hours before
    expect: complies
    tasks:
      - product: surface-prep
        action: prepare
        started_at: '2025-06-02T09:00:00Z'
        finished_at: '2025-06-02T10:00:00Z'
      - {product: gloss-coating, started_at: '2025-06-03T10:00:00Z'}
  - name: never prepared
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-03T10:00:00Z'}
  - name: flown in between
    expect: finding
    tasks:
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T15:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T12:00:00Z'}
  - name: the records don't say what was used before
    expect: unjudged
    tasks:
      - {product: unheard-of, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
""",
)
