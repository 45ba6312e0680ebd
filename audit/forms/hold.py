"""hold [bounded absence after; absence after until]: nothing forbidden for a time, or until a treatment.

Subject: a session.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property, partial
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import ConfigDict, Field, field_validator, model_validator

from audit.evidence.doubt import (
    CERTAIN,
    PLAIN,
    Rank,
    View,
    Why,
    first_of,
    in_scope,
    reasons_for_doubt,
    reasons_of,
    turning_reasons,
)
from audit.evidence.flying import carriers, first_takeoff, records_end, removal, still_running
from audit.evidence.other_work import OtherWork
from audit.evidence.seasons import season_around, season_doubt
from audit.evidence.sessions import (
    LONGEST_PAUSE,
    InSessions,
    Reach,
    Sessions,
    in_sessions,
    may_go_on,
    possible_parts,
    reach,
    sessions,
    unrecorded_from,
)
from audit.evidence.treatments import NO_BOOT, Treatments, begun_between, everything, ties, treatments
from audit.figures import time_span
from audit.forms import describing
from audit.forms.coming import coming
from audit.forms.drawing import AroundSession, until_due
from audit.forms.form import BOOTS_READ, COVERAGE_READ, SEASON_READ, SESSIONS_READ, Form
from audit.forms.margins import LIMIT, Margins, margins, tenths
from audit.forms.naming import OF_TREATMENT, of_session
from audit.forms.outcomes import NONE, Judgement, together
from audit.language.condition import Conditions
from audit.language.events import Event, Season
from audit.language.in_words import duration_in_words
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import NotPlantable, Planted, Planter, Spot
from audit.timeline.instants import FOREVER, HOUR, NEVER, Bools, Ints, micros_of
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


BACKWARDS: Why = (Rank.RECORD, "the last record ends before it starts: when its work ended isn't known")


def evaluate(rule: HoldRule, timeline: Timeline) -> Judgement:
    """A finding when the forbidden event starts in [end of session, end of the hold); at its end it complies.

    The hold ends after its duration, when a treatment of the boot that releases it begins (`until`; it must begin later
    than the session's last record did), or with the season. `over` leaves only sessions that an earlier treatment of
    the boot came before, in their season where there is one. A boot that is taken off takes its hold along; of a boot
    that isn't known, any change at its position may be the removal. A hold that still runs at the as-of time, with
    nothing forbidden yet, is unjudged.
    """
    hold = _held(rule, timeline, _treated(rule, timeline))
    everyone = np.arange(len(hold.sessions))
    at, event = hold.first_event(PLAIN, everyone)
    broken = at < hold.ends(PLAIN, everyone)
    doubt = reasons_for_doubt(timeline, hold.broken, broken, hold.sessions.doubt)

    # Where what may be part of a session ended it.
    ended = hold.reach(everything)[1][hold.sessions.number]

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        held = hold.sessions.take(index)
        return {
            **held.named,
            ("flight" if hold.others is None else "other"): event[index],
            "at": np.where(finding, at[index], held.end),
            "anchor": held.end,
            "anchor_perhaps": np.where(finding & (ended[index] > held.end), ended[index], NONE),
            "measured": (at[index] - held.end) / HOUR,
            "limit": np.nan if hold.limit == FOREVER else hold.limit / HOUR,
            "unit": "h",
        }

    return Judgement(broken, doubt, reasons_of(timeline), shown, hold.margins(at, broken, doubt == CERTAIN))


def _coming(rule: HoldRule, timeline: Timeline) -> pd.DataFrame:
    """The holds that run at the as-of time, and those that may by a record in doubt, such as a later coat or one in
    quarantine.

    `until` is NONE where only a treatment ends one, or where such a record doesn't tell when its work ended.
    """
    found = _treated(rule, timeline)
    running = _running(_held(rule, timeline, found), sure=True)
    if found.perhaps is None:
        return running
    # What may be part of a session that is listed makes that one last longer; work that is still open begins no hold.
    every, count = found.evidence, len(found.sessions)
    parts = possible_parts(timeline, every)
    # Parts that are told with their session are not told once more by themselves.
    listed = (parts.of < count) & np.isin(every.last[parts.of], running["task"])
    joined = parts.part[listed] - count
    hold = _held(rule, timeline, found.perhaps)
    its = hold.sessions
    alone = np.flatnonzero(~np.isin(its.number, joined) & ~timeline.is_open(its.task))
    # Of work that doesn't tell its end the start tells from when on it may have ended.
    its = replace(its, end=np.where(its.end == FOREVER, its.start, its.end)).take(alone)
    return together([running, _running(replace(hold, sessions=its, closes=hold.closes[alone]), sure=False)])


def _running(hold: _Hold, sure: bool) -> pd.DataFrame:
    """The holds that run at the as-of time, or may, those of work that goes on included; of those that are not sure all
    only may."""
    rule, timeline, now = hold.rule, hold.timeline, hold.timeline.as_of
    everyone = np.arange(len(hold.sessions))
    surely, perhaps = hold.ends(PLAIN, everyone), hold.latest_end(everyone)
    running = np.flatnonzero((hold.sessions.start <= now) & (perhaps > now))
    is_over = (surely[running] <= now) | (not sure)

    # What is in doubt may have ended it already, or may make it last longer.
    def over(view: View, index: Ints) -> Bools:
        return hold.ends(view, index) <= now

    def longer(view: View, index: Ints) -> Bools:
        return hold.ends(view, index) > np.maximum(surely[index], now)

    ended = turning_reasons(timeline, over, "lenient", running, is_over)
    lasts = turning_reasons(timeline, longer, "harsh", running, np.zeros(len(running), bool))
    held, latest = hold.sessions.take(running), perhaps[running]
    until = np.where(is_over, latest, surely[running])
    found = coming(
        len(running),
        kind="hold",
        what=_forbidden(rule),
        subject=held.task,
        task=held.last,
        place=held.place,
        component=held.component,
        since=np.where(held.end == NEVER, NONE, held.end),
        until=np.where(until == FOREVER, NONE, until),
        latest=np.where((latest > surely[running]) & (latest < FOREVER), latest, NONE),
        perhaps=is_over,
        used=np.where(held.end == NEVER, np.nan, np.maximum(now - held.end, 0) / HOUR),
        limit=np.nan if hold.limit == FOREVER else hold.limit / HOUR,
        unit="h",
        broken=hold.broken(View("lenient"), running) & (held.doubt == CERTAIN) & sure,
        reason=reasons_of(timeline).texts(first_of(held.doubt, ended, lasts, hold.backwards[running])),
    )
    return _where_they_are(timeline, held, found)


def _where_they_are(timeline: Timeline, held: Sessions, found: pd.DataFrame) -> pd.DataFrame:
    """The holds at the places where their boots are at the as-of time: a boot takes its hold along. On a day without a
    time, or recorded twice, it may be at several."""
    history, now = timeline.components, timeline.as_of
    # A boot that isn't known gets a number that none has, and so no stay.
    boot = np.where(held.boot >= 0, held.boot, history.boots)
    index, stay = history.by_boot.rows(boot, boot + 1)
    perhaps, surely = ((since[stay] <= now) & (now < to[stay]) for since, to in (history.perhaps, history.surely))
    here = found.iloc[index[perhaps]].assign(place=history.place[stay[perhaps]], component=stay[perhaps])
    reasons = reasons_of(timeline)
    # Recorded at two places at once it is at one of them.
    twice = history.twice_from[stay] <= now
    unsure = reasons.texts(reasons.where((~surely | twice)[perhaps], NO_BOOT))
    here["reason"] = here["reason"].where(here["reason"] != "", unsure)
    elsewhere = np.setdiff1d(np.arange(len(held)), index[perhaps])
    other = found.iloc[elsewhere].assign(off=held.boot[elsewhere] >= 0)
    rows: pd.DataFrame = pd.concat([here, other]).sort_index(kind="stable").reset_index(drop=True)
    return rows


def _forbidden(rule: HoldRule) -> str:
    """What must not happen, and the treatment that ends that where one does: `no takeoff before a gloss coating`."""
    what = "no takeoff" if rule.forbid.where is None else "no other work on this boot"
    return what if rule.until is None else f"{what} before {describing.of_class(rule.until)}"


@dataclass(frozen=True)
class _Hold:
    """The sessions held, with all that may break or end their holds; `closes` is where the season of each ends.

    `releases` is the work that ends a hold, `others` that which breaks it.
    """

    rule: HoldRule
    timeline: Timeline
    found: InSessions
    sessions: Sessions
    reach: Reach
    closes: Ints
    releases: OtherWork | None
    others: OtherWork | None

    @cached_property
    def unfinished(self) -> Ints:
        """Why each session may have another record to come."""
        return may_go_on(self.timeline, self.sessions.place, self.sessions.end)

    @property
    def limit(self) -> int:
        """How long the hold lasts; FOREVER where only a treatment or the season ends it."""
        return FOREVER if self.rule.duration is None else micros_of(self.rule.duration)

    @cached_property
    def backwards(self) -> Ints:
        """Why it is not known when each session ended, which is of no matter where only a treatment ends the hold."""
        treated, sessions = self.found.treated, self.found.sessions
        began, ended = self.timeline.span(treated.task)
        last = began == sessions.latest[self.found.session_of]
        turned = self.found.session_of[(ended < began) & last & (self.limit < FOREVER)]
        return reasons_of(self.timeline).where(np.isin(self.sessions.number, turned), BACKWARDS)

    def broken(self, view: View, index: Ints) -> Bools:
        """Whether the forbidden event came before the end of the hold, or may, since the work goes on without a
        record, or since its record ends before it starts."""
        at, held = self.first_event(view, index)[0], self.sessions.take(index)
        over = at < self.ends(view, index)
        if self.backwards.any():
            # If its start is right it ended within a day after it. What came soon after both came too early either way.
            surely = over & (at >= held.latest)
            soon = np.minimum(at, self.timeline.as_of) < held.latest + LONGEST_PAUSE + self.limit
            over = view.open(over, np.where(soon & ~surely, self.backwards[index], CERTAIN))
        return view.suspected(over, self.unfinished[index])

    def ends(self, view: View, index: Ints) -> Ints:
        """When each hold ends (excluded)."""
        timeline, held = self.timeline, self.sessions.take(index)
        # The first of what may end it: the removal, the season, the time, a treatment that releases, the end of
        # records.
        until = np.minimum(removal(timeline, view, held), self.closes[index])
        if self.rule.duration is not None:
            # What may be part of the session may have ended it.
            last = self.reach(view.against)[1][held.number]
            until = np.minimum(until, np.where(last > FOREVER - self.limit, FOREVER, last + self.limit))
        if self.releases is not None:
            at_once = ties(timeline, view.favour)
            released, _ = self.releases.first_start(held, view.favour, held.latest, at_once=at_once)
            unrecorded = np.maximum(held.latest, records_end(timeline, view.favour))
            until = np.minimum(until, np.minimum(released, unrecorded))
        return until

    def latest_end(self, index: Ints) -> Ints:
        """When each hold ends at the latest, with all that may have begun it; FOREVER where nothing tells."""
        timeline, held = self.timeline, self.sessions.take(index)
        latest = self.ends(View("harsh"), index)
        # Nothing flies while it is worked on: what doesn't tell its end was done before the next takeoff.
        flown, _ = first_takeoff(timeline, PLAIN, held, held.end)
        told = (held.end > NEVER) & (flown <= FOREVER - self.limit)
        by_flight = np.where(told, flown + self.limit, FOREVER)
        return np.where(latest == FOREVER, by_flight, latest)

    def first_event(self, view: View, index: Ints) -> tuple[Ints, Ints]:
        """The first forbidden event from the end of each session on: its instant (FOREVER: none came), and its row
        among the flights, or the tasks."""
        timeline, held = self.timeline, self.sessions.take(index)
        if self.others is None:
            return first_takeoff(timeline, view, held, held.end, held.last)
        ended, unfinished = self.reach(view.favour)[1][held.number], self.unfinished[index]
        # Work that may go on breaks no hold of its own job: what comes next may be part of it.
        goes_on = (unfinished != CERTAIN) & view.favour(unfinished)
        ended = np.where(goes_on, unrecorded_from(timeline)[0], ended)
        at, task = self.others.first_start(held, view.against, ended)
        return np.minimum(at, np.maximum(ended, still_running(timeline, view))), task

    def margins(self, at: Ints, broken: Bools, judged: Bools) -> tuple[Margins, ...]:
        """How long each waited for the event; holds that ended early can't be compared."""
        if self.limit == FOREVER:
            return ()
        waited = np.where(at == FOREVER, FOREVER, at - self.sessions.end)
        # What waited as long as it had to, or was found to have waited less.
        compared = judged & (broken | (waited >= self.limit))
        came = compared & (waited < FOREVER)
        reach = 2 * LIMIT if self.others is None else _NEAR
        bins = tenths("least", waited[came], self.limit)
        return (margins("least", f"{self.limit / HOUR:g} h", bins, reach, int((compared & ~came).sum())),)


_NEAR = LIMIT + 1
"""Tenths of its duration over which another treatment is looked for."""


def _held(rule: HoldRule, timeline: Timeline, found: InSessions) -> _Hold:
    """The sessions in question and all that may break or end their holds."""
    held, opens, closes = _of_season(rule.season, timeline, found.sessions)

    def among(conditions: Conditions, rows: Ints | None = None) -> OtherWork:
        return OtherWork.of(timeline, treatments(timeline, conditions, rows), found)

    if rule.over is not None:
        came = partial(_over_another, held, opens, among(rule.over))
        kept, doubt = in_scope(timeline, came, "lenient", held.doubt)
        held, closes = replace(held.take(kept), doubt=doubt), closes[kept]
    near = timeline.rows
    if rule.forbid.where is not None and rule.duration is not None:
        # A little more than the time itself, to see what nearly came too early.
        index, aircraft = carriers(timeline, held)
        longest = held.end + micros_of(rule.duration) // LIMIT * _NEAR
        near = begun_between(timeline, near, aircraft, held.end[index], longest[index])
    releases = None if rule.until is None else among(rule.until)
    others = None if rule.forbid.where is None else among(rule.forbid.where, near)
    return _Hold(rule, timeline, found, held, reach(timeline, found), closes, releases, others)


def _treated(rule: HoldRule, timeline: Timeline) -> InSessions:
    """The records in scope and their sessions; with a season, of the work orders of which any record began in one."""
    if rule.season is None:
        return in_sessions(timeline, rule.scope)
    rows = timeline.rows
    opens, _ = season_around(rule.season, timeline, timeline.aircraft[rows], timeline.times["started_at"][rows])
    work_order = timeline.work_orders(rows)
    wanted = np.isin(work_order, work_order[opens != NEVER])
    return sessions(timeline, treatments(timeline, rule.scope, rows[wanted]))


def _of_season(season: Season | None, timeline: Timeline, held: Sessions) -> tuple[Sessions, Ints, Ints]:
    """The sessions that began in a season, and the start and end of it; without one, all of them and all time."""
    if season is None:
        return held, np.full(len(held), NEVER), np.full(len(held), FOREVER)
    aircraft = timeline.aircraft_of(held.place)
    opens, closes = season_around(season, timeline, aircraft, held.start)
    held = replace(held, doubt=first_of(season_doubt(season, timeline, aircraft), held.doubt))
    kept = np.flatnonzero(opens != NEVER)
    return held.take(kept), opens[kept], closes[kept]


def _over_another(held: Sessions, opens: Ints, under: OtherWork, view: View, index: Ints) -> Bools:
    """Whether each session came over an earlier treatment of the boot in its season."""
    some = held.take(index)
    # What may have been parted is perhaps two sessions, the later over what had begun before it.
    parted = (some.doubt != CERTAIN) & view.favour(some.doubt)
    began = np.where(parted, some.latest, some.start)
    earlier = under.started_between(some, view.favour, opens[index], began)
    if ties(under.timeline, view.favour):
        earlier |= under.started_at(some, view.favour, some.start)
    return earlier


def _told(rule: HoldRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Flew 5 h 12 min after the last coat; 24 h required; 18 h 48 min short.

    Or, where a treatment ends the hold: flew 5 h 12 min after it was put over that one, without another in between.
    """
    # A coat that can't be read may have come later than the last that can.
    most, least = ("", "") if case["anchor_perhaps"] == NONE else ("at most ", "at least ")
    passed = most + time_span(case["measured"] * HOUR)
    values = {"measured": passed}
    if rule.duration is not None:
        required = case["limit"] * HOUR
        values |= {"limit": time_span(required), "short_by": least + time_span(required - case["measured"] * HOUR)}
    what = "Flew" if rule.forbid.where is None else f"{case['other_product']} (task {case['other_task']}) used"
    if rule.until is None:
        limit = f"{values['limit']} required; {values['short_by']} short"
        yield Said((), values, f"{what} {passed} after {case['last_coat']}; {limit}.")
        return
    over = "" if rule.over is None else f" was put over {describing.of_class(rule.over)}"
    again = "a new one" if rule.over == rule.until else describing.of_class(rule.until)
    yield Said((), values, f"{what} {passed} after {case['product']}{over}, without {again} in between.")


def _figures(rule: HoldRule) -> Mapping[str, str]:
    limit = {} if rule.duration is None else {"limit": duration_in_words(rule.duration)}
    return {**limit, **describing.season_figure(rule.season)}


def _looks_at(rule: HoldRule) -> str:
    sentences = [describing.sessions(rule.scope)]
    if rule.over is not None:
        sentences.append(f"Only sessions before which {describing.work('the same boot was worked on', rule.over)}.")
    if rule.season is not None:
        both = "" if rule.over is None else ", both of them"
        sentences.append(f"Only what began within one season{both}, {describing.season_days(rule.season)}.")
    return " ".join(sentences)


def _demands(rule: HoldRule) -> tuple[str, ...]:
    span = None if rule.duration is None else duration_in_words(rule.duration)
    if rule.until is None:
        return (
            f"within {span} of the session's end {describing.absent(rule.forbid)}; exactly {span} after it complies",
        )
    released = describing.work("later work on the same boot began", rule.until)
    until = released if span is None else f"{span} passed or {released}"
    season = "" if rule.season is None else " in the season"
    return (f"from the session's end until {until}, {describing.absent(rule.forbid)}{season}",)


def _unjudged_when(rule: HoldRule) -> Iterator[str]:
    if rule.forbid.where is None:
        yield from describing.flights_unclear()
    else:
        yield from (describing.NO_POSITION_KNOWN, describing.MAY_BE_WORK)
    yield from (describing.STILL_RUNNING, describing.JOB_RUNNING, describing.RECORDS_END, describing.NO_BOOT_KNOWN)
    if rule.duration is not None:
        yield describing.ENDS_BACKWARDS
    if rule.forbid.where is not None or rule.until is not None or rule.over is not None:
        yield describing.OTHERS_BACKWARDS
    if rule.until is not None or rule.over is not None:
        yield from (describing.SAME_START, describing.NO_POSITION_KNOWN, describing.MAY_BE_WORK)
    if rule.season is not None:
        yield describing.SEASON_NOT_SET
    yield describing.CLOCK_WENT_BACK


def _planter(rule: HoldRule, timeline: Timeline) -> Planter:
    """The forbidden event exactly when the hold ends, or a second earlier."""
    started = timeline.times["started_at"]
    releases = None if rule.until is None else planting.surely(timeline, rule.until)
    under = None if rule.over is None else planting.surely(timeline, rule.over)
    others = None if rule.forbid.where is None else planting.surely(timeline, rule.forbid.where).task

    def begun(found: Treatments | None, spot: Spot) -> list[int]:
        """When treatments of the boot began."""
        return [] if found is None else started[planting.on_the_boot(timeline, found, spot)].tolist()

    def plant(spot: Spot) -> Planted:
        ended, own, component = spot["anchor"], int(started[spot["task"]]), spot["component"]
        ends = [] if rule.duration is None else [ended + micros_of(rule.duration)]
        ends += [at for at in begun(releases, spot) if at > own]
        if not ends:
            raise NotPlantable("nothing ends the hold")
        at = planting.beyond(spot, min(ends), later=False)
        if at < ended:
            raise NotPlantable("the treatment that ends the hold began before the work ended")
        if component >= 0 and timeline.components.removed[component] <= at:
            raise NotPlantable("the boot was taken off before")
        if rule.season is not None and at >= planting.season_end(timeline, rule.season, spot, own):
            raise NotPlantable("the season ends before the hold")
        what, event = planting.event(timeline, spot, others, ended, at)
        since = max((at for at in begun(under, spot) if at < own), default=own)
        return Planted(f"{what} {planting.span(at - ended)} after the work", (event,), (since, at))

    return plant


HOLD = Form(
    name="hold",
    pattern="absence (Dwyer, Avrunin, Corbett 1999), for a time (Konrad, Cheng 2005)",
    rule=HoldRule,
    coming=_coming,
    finding=(
        "something forbidden starts too soon after a session, or before the treatment that must come first; exactly at "
        "the end of the time complies"
    ),
    subjects="session",
    named_by="aircraft, position, work order, product class, first record",
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position", "components", *(("flights",) if rule.forbid.where is None else ())),
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ, *(SEASON_READ if rule.season else COVERAGE_READ)),
    identity=of_session,
    told=_told,
    values={
        **OF_TREATMENT,
        "measured": "how long after the session's end it came: 5 h 12 min",
        "limit": "how long to wait",
        "short_by": "by how much that was too early",
    },
    figures=_figures,
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
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}]
    flights: [{takeoff_at: '2025-06-02T12:00:00Z'}]
  - name: takeoff a second too early
    expect: finding
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}]
    flights: [{takeoff_at: '2025-06-02T11:59:59Z'}]
  - name: the records don't say which product it was
    expect: unjudged
    tasks: [{product: null, started_at: '2025-06-02T09:00:00Z'}]
    flights: [{takeoff_at: '2025-06-02T10:00:00Z'}]
""",
)
