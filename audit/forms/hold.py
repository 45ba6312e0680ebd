"""hold [bounded absence after; absence after until]: nothing forbidden for a time, or until a treatment.

Subject: a session.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import ConfigDict, Field, field_validator, model_validator

from audit.figures import time_span
from audit.forms.conditions import TRUE, UNKNOWN
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    NO_BOOT_KNOWN,
    NO_POSITION_KNOWN,
    SAME_START,
    absent,
    not_supplied,
    of_class,
    season_days,
    work,
)
from audit.forms.describing import sessions as sessions_in_words
from audit.forms.drawing import (
    AroundSession,
    until_due,
)
from audit.forms.form import BOOTS_READ, SESSIONS_READ, Form
from audit.forms.margins import LIMIT, Margins, margins, tenths
from audit.forms.naming import of_session, of_treatment
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.seasons import season_around
from audit.forms.treatments import (
    NO_BOOT,
    NO_POSITION,
    Sessions,
    Treatments,
    begun_between,
    in_sessions,
    meetings,
    own_session,
    sessions,
    tied,
    treatments,
)
from audit.language.condition import Conditions
from audit.language.events import Event, Season
from audit.language.in_words import duration_in_words
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.timeline.instants import FOREVER, HOUR, NEVER, Bools, Ints, Order
from audit.timeline.timeline import Timeline


class HoldRule(Rule):
    """Nothing forbidden starts in [end of session, end + duration), or before a treatment that releases the boot.

    `over` keeps the sessions that came over an earlier treatment of the boot; `season` those that began in a season,
    over one of that season, and what happens in it.
    """

    model_config = ConfigDict(json_schema_extra={"anyOf": [{"required": ["for"]}, {"required": ["until"]}]})

    form: Literal["hold"]
    forbid: Event
    duration: Duration | None = Field(None, alias="for")
    until: Conditions | None = Field(None, json_schema_extra={"minProperties": 1})
    over: Conditions | None = Field(None, json_schema_extra={"minProperties": 1})
    season: Season | None = None

    @field_validator("duration")
    @classmethod
    def _lasts(cls, value: timedelta | None) -> timedelta | None:
        if value is not None and not value:
            raise ValueError("expected a duration longer than nothing; this rule could never find anything")
        return value

    @field_validator("until", "over")
    @classmethod
    def _names_a_treatment(cls, value: Conditions | None) -> Conditions | None:
        if value is not None and not value.names():
            raise ValueError("expected at least one condition, or any record would be that treatment")
        return value

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.duration is None and self.until is None:
            raise ValueError("expected `for` or `until`: a time or a treatment that ends the hold")
        return self


RELEASED = "whether a record is the treatment that ends the hold can't be told"
NEAR = LIMIT + 1
"""Tenths of its duration over which another treatment is looked for."""
COVERED = "whether a record is an earlier treatment of this boot can't be told"


def evaluate(rule: HoldRule, timeline: Timeline) -> Outcomes:
    """A finding when the forbidden event starts in [end of session, end of the hold); at its end it complies.

    The hold ends after its duration, when a treatment of the boot that releases it begins (`until`; it must begin later
    than the session's last record did), or with the season. A boot taken off the aircraft takes the hold with it: what
    happens from its removal on happens without it; of a boot that isn't known, any change at its position may be the
    removal. `over` leaves only sessions that an earlier treatment of the boot came before, in their season where there
    is one.
    """
    treated, held = _treated(rule, timeline)
    under = None if rule.over is None else treatments(timeline, rule.over)
    held, closes = _in_question(rule.season, timeline, treated, held, under)
    limit = FOREVER if rule.duration is None else round(rule.duration.total_seconds() * 1_000_000)
    until = np.minimum(_removal(timeline, held.component), closes)
    if rule.duration is not None:
        until = np.minimum(until, held.end + limit)
    ending = under
    if rule.until != rule.over:
        ending = None if rule.until is None else treatments(timeline, rule.until)
    if ending is not None:
        until = np.minimum(until, _released(timeline, treated, held, ending, surely=True))
    hold = _Hold(
        timeline,
        treated,
        held,
        ending,
        until,
        _perhaps_off(timeline, held),
        np.nan if limit == FOREVER else limit / HOUR,
    )
    if rule.forbid.where is None:
        return _takeoff(timeline, hold)
    near = timeline.rows
    if rule.duration is not None:
        # A little more than the time itself, to see what nearly came too early.
        closes = held.end + limit // LIMIT * NEAR
        near = begun_between(timeline, near, timeline.aircraft_of(held.place), held.end, closes)
    others = treatments(timeline, rule.forbid.where, near)
    return _treatment(timeline, hold, others, own_session(others, treated, held))


@dataclass(frozen=True)
class _Hold:
    """The sessions held, of which treatments, what may end the holds, when each ends (excluded), and its hours.

    From `perhaps_off` on the boot may have been taken off.
    """

    timeline: Timeline
    treated: Treatments
    held: Sessions
    ending: Treatments | None
    until: Ints
    perhaps_off: Ints
    hours: float

    def perhaps_over(self, index: Ints, at: Ints) -> Bools:
        """Whether the holds at `index` may have been ended by those instants. To be asked of few: it is costly."""
        if self.ending is None:
            return np.zeros(len(index), bool)
        held = self.held.those(index)
        return _released(self.timeline, self.treated, held, self.ending, surely=False) <= at

    def margins(self, waited: Ints, judged: Bools, broken: Ints, reach: int) -> tuple[Margins, ...]:
        """How long each waited for the event (FOREVER where none came); holds that ended early can't be compared."""
        if np.isnan(self.hours):
            return ()
        limit = round(self.hours * HOUR)
        compared = judged & (waited >= limit)
        compared[broken] = True
        came = compared & (waited < FOREVER)
        bins = tenths("least", waited[came], limit)
        return (margins("least", f"{self.hours:g} h", bins, reach, int((compared & ~came).sum())),)


def _treated(rule: HoldRule, timeline: Timeline) -> tuple[Treatments, Sessions]:
    """The records in scope and their sessions; with a season, of the work orders of which any record began in one."""
    if rule.season is None:
        return in_sessions(timeline, rule.scope)
    rows = timeline.rows
    opens, _ = season_around(rule.season, timeline, timeline.aircraft[rows], timeline.times["started_at"][rows])
    work_order = timeline.tasks["work_order"].cat.codes.to_numpy()[rows]
    wanted = np.zeros(int(work_order.max(initial=0)) + 1, bool)
    wanted[work_order[opens != NEVER]] = True
    treated = treatments(timeline, rule.scope, rows[wanted[work_order]])
    return treated, sessions(timeline, treated)


def _in_question(
    season: Season | None, timeline: Timeline, treated: Treatments, held: Sessions, under: Treatments | None
) -> tuple[Sessions, Ints]:
    """The sessions of the season that came over an earlier treatment, and the end of the season of each."""
    opens, closes = np.full(len(held.start), NEVER), np.full(len(held.start), FOREVER)
    if season is not None:
        opens, closes = season_around(season, timeline, timeline.aircraft_of(held.place), held.start)
        kept = np.flatnonzero(opens != NEVER)
        held, opens, closes = held.those(kept), opens[kept], closes[kept]
    if under is None:
        return held, closes
    began = timeline.times["started_at"][under.task]
    sure, maybe = np.zeros(len(held.task), bool), np.zeros(len(held.task), bool)
    for meeting in meetings(timeline, under, held):
        order = Order.of(meeting.key, began[meeting.rows])
        found = order.count(meeting.asked, held.start, "before") > order.count(meeting.asked, opens, "before")
        (sure if meeting.sure else maybe)[meeting.who & found] = True
    others = np.flatnonzero(~sure & ~maybe)
    maybe[others] = tied(timeline, under, treated, held.those(others), held.start[others])
    doubt = ~sure & (held.truth == TRUE)
    held = replace(
        held,
        truth=np.where(doubt, UNKNOWN, held.truth),
        reason=np.where(doubt, COVERED, held.reason),
    )
    kept = np.flatnonzero(sure | maybe)
    return held.those(kept), closes[kept]


def _released(timeline: Timeline, treated: Treatments, held: Sessions, ending: Treatments, surely: bool) -> Ints:
    """When the first treatment begins that ends each hold, surely or perhaps; NEVER where one may have come first."""
    begins = np.full(len(held.task), FOREVER)
    started = timeline.times["started_at"]
    latest = np.full(len(held.task) + 1, NEVER)
    np.maximum.at(latest, held.session_of, started[treated.task])
    latest = latest[:-1]
    for meeting in meetings(timeline, ending, held):
        if meeting.sure != surely:
            continue
        began = started[ending.task[meeting.rows]]
        order = Order.of(meeting.key, began)
        place = order.count(meeting.asked, latest, "until")
        row = order.row[np.minimum(place, len(order.row) - 1)]
        found = meeting.who & (place < len(order.row)) & (meeting.key[row] == meeting.asked)
        begins = np.minimum(begins, np.where(found, began[row], FOREVER))
    if not surely:
        begins[tied(timeline, ending, treated, held, latest)] = NEVER
    return begins


def _removal(timeline: Timeline, component: Ints) -> Ints:
    removed = np.append(timeline.components.removed, FOREVER)
    return removed[np.where(component >= 0, component, -1)]


def _perhaps_off(timeline: Timeline, held: Sessions) -> Ints:
    """When boots that aren't known may have come off: at the next change at their position; FOREVER for the others."""
    off = np.full(len(held.task), FOREVER)
    unknown = np.flatnonzero(held.component < 0)
    treated = timeline.times["started_at"][held.last[unknown]]
    off[unknown] = timeline.components.next_change(held.place[unknown], treated)
    return off


def _takeoff(timeline: Timeline, hold: _Hold) -> Outcomes:
    held = hold.held
    reason = np.where(held.truth == TRUE, "", held.reason)
    if not timeline.supplied("flights"):
        reason[reason == ""] = "table not supplied: flights"
        return joined(len(reason), _unjudged(held, np.arange(len(reason)), reason))
    place, takeoff = timeline.flights.next_takeoff(timeline.aircraft_of(held.place), held.end)
    flew = (place != NONE) & (takeoff < hold.until)
    flying = np.flatnonzero((reason == "") & flew)
    reason[flying[hold.perhaps_over(flying, takeoff[flying])]] = RELEASED
    reason[flying[takeoff[flying] >= hold.perhaps_off[flying]]] = NO_BOOT
    broken = np.flatnonzero(flew & (reason == ""))
    undecided = np.flatnonzero(reason != "")
    return joined(
        len(reason),
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
            limit=hold.hours,
            unit="h",
        ),
        _unjudged(held, undecided, reason[undecided]),
        margins=hold.margins(
            np.where(place == NONE, FOREVER, takeoff - held.end), reason == "", broken, reach=2 * LIMIT
        ),
    )


def _treatment(timeline: Timeline, hold: _Hold, others: Treatments, own: Ints) -> Outcomes:
    """Judge by other treatments; `own` is the session that each of them is itself a record of."""
    held, until = hold.held, hold.until
    started = timeline.times["started_at"][others.task]
    here = timeline.position_of(others.place) != timeline.unknown_position
    placed = timeline.position_of(held.place) != timeline.unknown_position
    aircraft, flown = timeline.aircraft_of(others.place), timeline.aircraft_of(held.place)

    def next_one(wanted: Bools, owners: Ints, owner: Ints) -> Ints:
        """The first of the owner's wanted treatments from the end on, a session's own records left out."""
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
                return np.where(theirs, row, NONE)
            index = index + mine

    def in_time(row: Ints) -> Ints:
        """Only what begins before the hold ends."""
        return np.where(np.append(started, FOREVER)[row] < until, row, NONE)

    def first(wanted: Bools, owners: Ints, owner: Ints) -> Ints:
        return in_time(next_one(wanted, owners, owner))

    coming = next_one(here & (others.truth == TRUE), others.place, held.place)
    waited = np.where(coming == NONE, FOREVER, np.append(started, 0)[coming] - held.end)
    sure = in_time(coming)
    maybe = first(here & (others.truth == UNKNOWN), others.place, held.place)
    reason = np.full(len(held.task), "", object)
    reason[first(~here, aircraft, flown) != NONE] = NO_POSITION
    # Of a session without a position, whatever was applied to the aircraft may have been applied to its boot.
    reason[~placed & (first(np.ones(len(here), bool), aircraft, flown) != NONE)] = NO_POSITION
    reason[maybe != NONE] = others.reason[maybe[maybe != NONE]]
    found = sure != NONE
    early = np.flatnonzero(found)
    in_doubt = np.zeros(len(found), bool)
    in_doubt[early[hold.perhaps_over(early, started[sure[early]])]] = True
    reason[in_doubt] = RELEASED
    off = early[started[sure[early]] >= hold.perhaps_off[early]]
    in_doubt[off] = True
    reason[off] = NO_BOOT
    reason[held.truth == UNKNOWN] = held.reason[held.truth == UNKNOWN]
    broken = (held.truth == TRUE) & placed & found & ~in_doubt
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
            limit=hold.hours,
            unit="h",
        ),
        _unjudged(held, unjudged, reason[unjudged]),
        margins=hold.margins(waited, (reason == "") & placed, found, reach=NEAR),
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


def _sentence(rule: HoldRule, case: Mapping[str, Any]) -> str:
    """Flew 5 h 12 min after the last coat; 24 h needed; 18 h 48 min short.

    Or, where a treatment ends the hold: flew 5 h 12 min after it was put over that one, without another in between.
    """
    passed = time_span(case["measured"] * HOUR)
    what = "Flew"
    if rule.forbid.where is not None:
        what = f"{case['other_product']} (record {case['other_record']}) began"
    if rule.duration is not None and rule.until is None:
        needed = case["limit"] * HOUR
        return (
            f"{what} {passed} after the last coat of {case['treatment']}; "
            f"{time_span(needed)} needed; {time_span(needed - case['measured'] * HOUR)} short."
        )
    over = "" if rule.over is None else f" was put over {of_class(rule.over)}"
    again = "" if rule.until is None else f", without {of_class(rule.until)} in between"
    if over and rule.over == rule.until:
        again = ", without a new one in between"
    return f"{what} {passed} after {case['treatment']}{over}{again}."


def _reads(rule: HoldRule) -> Iterator[str]:
    yield from ("tasks.position", "components")
    if rule.forbid.where is None:
        yield "flights"


def _looks_at(rule: HoldRule) -> str:
    sentences = [sessions_in_words(rule.scope)]
    if rule.over is not None:
        sentences.append(f"Only sessions before which {work('the same boot was worked on', rule.over)}.")
    if rule.season is not None:
        both = "" if rule.over is None else ", both of them"
        sentences.append(f"Only what began within one season{both}, {season_days(rule.season)}.")
    return " ".join(sentences)


def _demands(rule: HoldRule) -> tuple[str, ...]:
    span = None if rule.duration is None else duration_in_words(rule.duration)
    if rule.until is None:
        return (f"within {span} of the session's end {absent(rule.forbid)}; exactly {span} after it complies",)
    released = work("later work on the same boot began", rule.until)
    until = released if span is None else f"{span} passed or {released}"
    season = "" if rule.season is None else " in the season"
    return (f"from the session's end until {until}, {absent(rule.forbid)}{season}",)


def _unjudged_when(rule: HoldRule) -> Iterator[str]:
    yield not_supplied("flights") if rule.forbid.where is None else NO_POSITION_KNOWN
    yield NO_BOOT_KNOWN
    if rule.until is not None or rule.over is not None:
        yield from (SAME_START, NO_POSITION_KNOWN)
    yield CLOCK_WENT_BACK


HOLD = Form(
    name="hold",
    rule=HoldRule,
    finding=(
        "something forbidden starts too soon after a session, or before the treatment that must come first; exactly at "
        "the end of the time complies"
    ),
    subjects="session",
    named_by="aircraft, position, work order, product class",
    evaluate=evaluate,
    reads=_reads,
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ),
    identity=of_session,
    facts=of_treatment,
    sentence=_sentence,
    drawing=lambda rule: AroundSession(lambda case: until_due(case, "to wait")),
    looks_at=_looks_at,
    demands=_demands,
    unjudged_when=_unjudged_when,
    settable=("season", "for"),
    skeleton="""\
forbid: {event: takeoff}
for: PT2H
examples:
  - name: takeoff exactly 2 hours after the end of the work
    expect: complies
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T12:00:00Z'}
  - name: takeoff a second too early
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T11:59:59Z'}
  - name: the records don't say which product it was
    expect: unjudged
    tasks:
      - {product: null, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-02T10:00:00Z'}
""",
)
