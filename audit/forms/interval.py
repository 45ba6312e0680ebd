"""interval [bounded recurrence]: between two treatments no more passes than allowed. Subject: a segment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from audit.figures import figure
from audit.forms.boots import BootTime, boot_time, perhaps_treated, perhaps_treated_at, surely_treated
from audit.forms.conditions import UNKNOWN
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    NO_BOOT_KNOWN,
    NO_POSITION_KNOWN,
    not_supplied,
    only_boots,
    records,
    season_days,
)
from audit.forms.drawing import (
    Drawing,
    UseOfBoot,
)
from audit.forms.due import Limits, Meter, Tolerance, bases, meters
from audit.forms.form import BOOTS_READ, FLOWN_READ, SESSIONS_READ, Form
from audit.forms.margins import margins, tenths
from audit.forms.naming import Texts, at_work_order, of_treatment
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.seasons import season_around
from audit.forms.treatments import NO_BOOT, NO_POSITION, Sessions, in_sessions
from audit.language.condition import BootConditions
from audit.language.events import Season
from audit.language.in_words import quantity
from audit.language.rule import Rule
from audit.timeline.instants import DAY, FOREVER, NEVER, Bools, Ints, Order, day_of, spread
from audit.timeline.timeline import Timeline


class IntervalRule(Rule):
    """Between consecutive treatments of a boot no more passes than allowed."""

    form: Literal["interval"]
    at_most: Limits
    boots: BootConditions = BootConditions()
    season: Season | None = None
    next_due: Literal["actual", "scheduled", "overrun-deducted"] = "actual"
    tolerance: Tolerance | None = None


@dataclass(frozen=True)
class Segments:
    """Stretches of an installed boot's time between treatments, in order of (boot and season, start).

    `component` is the boot, `began` the session that began the segment (NONE: the window did), `number` the window it
    lies in. A segment is [start, end); one that ends with the as-of time includes it.
    """

    component: Ints
    number: Ints
    began: Ints
    start: Ints
    end: Ints

    @property
    def until_treated(self) -> Bools:
        """Which of them a treatment ends."""
        return np.append(self.began[1:] != NONE, False)


def evaluate(rule: IntervalRule, timeline: Timeline) -> Outcomes:
    """A finding when more flight hours, cycles or days pass than allowed, whichever comes first.

    Segments run from treatment to treatment; the first from the start of the export's time, of the season or of the
    boot's installation, the last to the season's end, the boot's removal or the as-of time. A treatment counts from
    the end of its session. Hours are those of flights whose takeoff lies in the segment. Where records in it may be
    treatments, it is a finding only if it is one whichever of them are; its figures are those without them.
    """
    _, done = in_sessions(timeline, rule.scope)
    bootless = _bootless(timeline, done)
    time = boot_time(timeline, rule.boots, rule.season)
    if not len(time.component):
        return bootless
    segments, window = _cut(time, done)
    place = timeline.components.place[segments.component]
    aircraft = timeline.aircraft_of(place)

    count = len(segments.start)
    overdue = np.full(count, FOREVER)
    measured = np.full(count, np.nan)
    carried = np.zeros(count)
    limit = np.full(count, np.nan)
    unit = np.full(count, "", object)
    flight = np.full(count, NONE)
    doubt = np.full(count, "", object)
    bins = np.zeros(count, np.int64)
    for meter in meters(rule.at_most, rule.tolerance):
        if not meter.by_day and not timeline.supplied("flights"):
            doubt[:] = "table not supplied: flights"
            continue
        over, passed, before, allowed, at, by_flight = _run(rule, meter, timeline, segments, aircraft)
        bins = np.maximum(bins, tenths("most", passed, allowed))
        sooner = over & (at < overdue)
        overdue[sooner] = at[sooner]
        measured[sooner] = passed[sooner] / meter.scale
        carried[sooner] = before[sooner] / meter.scale
        limit[sooner] = allowed[sooner] / meter.scale
        unit[sooner] = meter.unit
        flight[sooner] = by_flight[sooner]
    broken = overdue < FOREVER

    reason = np.where(broken, "", doubt)
    perhaps, why = perhaps_treated(timeline, done, segments.component, segments.start, segments.end)
    in_doubt = np.flatnonzero(broken & (perhaps > 0))
    in_doubt = in_doubt[~_over_all_the_same(rule, timeline, segments, aircraft, done, in_doubt)]
    reason[in_doubt] = why[in_doubt]
    unsure = time.truth[window] == UNKNOWN
    reason[unsure] = time.reason[window[unsure]]
    index = np.flatnonzero(broken | (reason != ""))
    finding = broken & (reason == "")
    treated = segments.began[index]
    first_task = np.append(done.task, NONE)[treated]
    # A segment that no treatment began is named by its boot and season.
    unbegun = -2 - (segments.component * (int(segments.number.max(initial=0)) + 1) + segments.number)
    return joined(
        count + bootless.in_scope,
        bootless.cases,
        cases(
            len(index),
            finding=finding[index],
            reason=np.where(finding, "", reason)[index],
            subject=np.where(treated == NONE, unbegun[index], first_task),
            task=np.append(done.last, NONE)[treated],
            flight=np.where(finding, flight, NONE)[index],
            place=place[index],
            component=segments.component[index],
            at=np.where(finding, overdue, segments.start)[index],
            anchor=segments.start[index],
            measured=np.where(finding, measured, np.nan)[index],
            carried=np.where(finding, carried, 0.0)[index],
            limit=np.where(finding, limit, np.nan)[index],
            unit=np.where(finding, unit, "")[index],
        ),
        margins=(margins("most", _limits(rule), bins[reason == ""]),),
    )


def _limits(rule: IntervalRule) -> str:
    """The limits of a rule in words, whichever comes first."""
    named = ((name.replace("_", " "), getattr(rule.at_most, name)) for name in type(rule.at_most).model_fields)
    return " or ".join(f"{value:g} {name}" for name, value in named if value is not None)


def _cut(time: BootTime, done: Sessions) -> tuple[Segments, Ints]:
    """Cut each boot's time on the aircraft, season by season, at its treatments; and whose time each segment is."""
    sure = surely_treated(done)
    start, end = time.known_start, time.known_end
    ends = Order.of(done.component[sure], done.end[sure])
    first = ends.count(time.component, start, "before")
    last = np.maximum(ends.count(time.component, end, "before"), first)
    window, nth = spread(last - first + 1)
    treated = nth > 0
    session = np.full(len(window), NONE)
    session[treated] = sure[ends.row[(first[window] + nth - 1)[treated]]]
    begin = np.where(treated, np.append(done.end, 0)[session], start[window])
    finish = np.append(begin[1:], 0)
    closing = nth == (last - first)[window]
    finish[closing] = end[window[closing]]
    return Segments(time.component[window], time.number[window], session, begin, finish), window


def _run(
    rule: IntervalRule, meter: Meter, timeline: Timeline, segments: Segments, aircraft: Ints
) -> tuple[Bools, Ints, Ints, Ints, Ints, Ints]:
    """Run one meter: which segments went over, what was counted, carried over and allowed, when, with which flight."""
    start, end = _read(meter, timeline, aircraft, segments.start, segments.end, segments.until_treated)
    base = bases(rule.next_due, meter, start, segments.began != NONE)
    last_allowed = meter.due(base) + meter.tolerance
    over = end > last_allowed
    flight = np.full(len(start), NONE)
    if meter.by_day:
        at = (last_allowed + 1) * DAY
    else:
        flights, total = timeline.flights, _total(meter, timeline)
        at = np.zeros(len(start), np.int64)
        which = np.searchsorted(total, last_allowed[over], side="right") - 1
        flight[over] = flights.row[which]
        at[over] = flights.takeoff[which]
    # A due point that had passed before the segment began was overdue from its first instant.
    at = np.maximum(at, segments.start)
    return over, end - base, start - base, last_allowed - base, at, flight


def _read(
    meter: Meter, timeline: Timeline, aircraft: Ints, start: Ints, end: Ints, until_treated: Bools
) -> tuple[Ints, Ints]:
    """The meter's readings at the start and the end of stretches of time; whether a treatment ends each."""
    if meter.by_day:
        # A treatment at midnight is one of the new day; a season or a boot's time that ends then is over before it.
        return day_of(start), day_of(end - ~until_treated)
    total, flights = _total(meter, timeline), timeline.flights
    return total[flights.first_from(aircraft, start)], total[flights.first_from(aircraft, end)]


def _total(meter: Meter, timeline: Timeline) -> Ints:
    return timeline.flights.flown if meter.name == "flight_hours" else timeline.flights.cycles


def _over_all_the_same(
    rule: IntervalRule, timeline: Timeline, segments: Segments, aircraft: Ints, done: Sessions, asked: Ints
) -> Bools:
    """Whether the segments `asked` went over whichever of the records in them that may be treatments are.

    They did where too much passed between two of those that follow each other, even if the next due point is counted
    from as late as it may be.
    """
    start, end = segments.start[asked], segments.end[asked]
    of, when = perhaps_treated_at(timeline, done, segments.component[asked], start, end)
    of, when = np.append(np.arange(len(asked)), of), np.append(start, when)
    order = np.lexsort((when, of))
    of, when = of[order], when[order]
    last = np.append(of[1:] != of[:-1], True)[: len(of)]
    until = np.where(last, end[of], np.append(when[1:], 0)[: len(of)])
    until_treated = ~last | segments.until_treated[asked][of]
    over = np.zeros(len(asked), bool)
    for meter in meters(rule.at_most, rule.tolerance):
        if meter.by_day or timeline.supplied("flights"):
            first, passed = _read(meter, timeline, aircraft[asked][of], when, until, until_treated)
            latest = first + (meter.tolerance if rule.next_due == "scheduled" else 0)
            over[of[passed > meter.due(latest) + meter.tolerance]] = True
    return over


def _bootless(timeline: Timeline, done: Sessions) -> Outcomes:
    """Treatments of no one known boot: how much passed until the next can't be told, so each is unjudged."""
    index = np.flatnonzero(done.component < 0)
    nowhere = timeline.position_of(done.place[index]) == timeline.unknown_position
    reason = np.where(nowhere, NO_POSITION, NO_BOOT).astype(object)
    if not timeline.supplied("components"):
        reason[:] = "table not supplied: components"
    return Outcomes(
        len(index),
        cases(
            len(index),
            finding=False,
            reason=reason,
            subject=done.task[index],
            task=done.last[index],
            place=done.place[index],
            at=done.end[index],
            anchor=done.end[index],
        ),
    )


def _identity(
    rule: IntervalRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline
) -> list[tuple[str, ...]]:
    """A segment by the session that began it, else by when its time began."""
    began = np.where(cases["subject"].to_numpy() >= 0, "", _time_began(rule, cases, timeline))
    return at_work_order(cases, evidence, timeline, began)


def _time_began(rule: IntervalRule, cases: pd.DataFrame, timeline: Timeline) -> Texts:
    """When a boot's time on its aircraft began, or its season if later: wherever the export begins."""
    component, place = cases["component"].to_numpy(), cases["place"].to_numpy()
    known = np.flatnonzero(component >= 0)
    began = np.full(len(cases), NEVER)
    began[known] = timeline.components.installed[component[known]]
    if rule.season is not None:
        anchor = cases["anchor"].to_numpy()[known]
        opens, _ = season_around(rule.season, timeline, timeline.aircraft_of(place[known]), anchor)
        began[known] = np.maximum(began[known], opens)
    texts: Texts = np.datetime_as_string(began.view("M8[us]"), unit="s").astype(object)
    return texts


def _sentence(rule: IntervalRule, case: Mapping[str, Any]) -> str:
    """Say how much passed since the last treatment, and how much was allowed."""
    since = f"since {case['treatment']} on" if case["task"] >= 0 else "without a treatment since"
    over, carried = case["measured"] - case["limit"], case["carried"]
    counted = ""
    if carried:
        counted = f", {figure(abs(carried))} {'more' if carried > 0 else 'less'} counted since it was done "
        counted += "late" if carried > 0 else "early"
    return (
        f"{figure(case['measured'] - carried)} {case['unit']} {since} {case['anchor_day']}{counted}; "
        f"{figure(case['limit'])} allowed; {figure(over) if over >= 0.01 else 'less than 0.01'} over."
    )


def _drawing(rule: IntervalRule) -> Drawing | None:
    # What counts otherwise hangs on earlier due points, which no single saw tooth shows.
    return UseOfBoot(rule.scope, rule.season) if rule.next_due == "actual" else None


def _looks_at(rule: IntervalRule) -> str:
    sentences = [
        "Each stretch of a boot's time on the aircraft between two treatments; the first begins with the export, the "
        "last ends with the as-of time.",
        f"A treatment is a session of {records(rule.scope)}.",
        *only_boots(rule.boots),
    ]
    if rule.season is not None:
        sentences.append(f"Only within the season, {season_days(rule.season)}.")
    return " ".join(sentences)


_UNITS = {"flight_hours": "flight hour", "cycles": "cycle", "days": "day", "months": "month"}


def _quantities(values: Limits | Tolerance) -> list[str]:
    found = ((getattr(values, name, None), unit) for name, unit in _UNITS.items())
    return [quantity(value, unit) for value, unit in found if value is not None]


def _demands(rule: IntervalRule) -> tuple[str, ...]:
    allowed = _quantities(rule.at_most)
    first = " or ".join(allowed) + (", whichever comes first," if len(allowed) > 1 else "")
    demand = f"at most {first} pass"
    if rule.tolerance is not None:
        caps = _quantities(rule.tolerance)
        cap = f", at most {' or '.join(caps)}" if caps else ""
        demand += f", or more by no more than the tolerance of {rule.tolerance.percent:g} %{cap}"
    counted = {
        "actual": (),
        "scheduled": (
            "the next due point counts from the time a treatment was due where it was done within the tolerance, "
            "else from the time it was done",
        ),
        "overrun-deducted": ("an overrun is taken off the next interval",),
    }
    return (demand, *counted[rule.next_due])


def _unjudged_when(rule: IntervalRule) -> Iterator[str]:
    yield "a record that may have been the treatment lies in the stretch"
    yield from (NO_POSITION_KNOWN, NO_BOOT_KNOWN, not_supplied("components"))
    if rule.at_most.flight_hours is not None or rule.at_most.cycles is not None:
        yield not_supplied("flights")
    yield CLOCK_WENT_BACK


INTERVAL = Form(
    name="interval",
    rule=IntervalRule,
    finding="more flight hours, cycles or days passed between two treatments than allowed",
    subjects="segment between treatments",
    named_by=(
        "aircraft, position, work order of the treatment that began the stretch; without one, when the season began, "
        "or the boot's time on the aircraft if later"
    ),
    evaluate=evaluate,
    reads=lambda rule: ("tasks.position", "components", "flights"),
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ, *FLOWN_READ),
    selects=lambda rule: (rule.scope,),
    identity=_identity,
    facts=of_treatment,
    sentence=_sentence,
    dated_by=lambda rule: None,
    drawing=_drawing,
    looks_at=_looks_at,
    demands=_demands,
    unjudged_when=_unjudged_when,
    settable=("at_most", "tolerance", "next_due", "season"),
    skeleton="""\
at_most: {flight_hours: 10}
# season: {from: 10-01, to: 04-30}
examples:
  - name: exactly 10 hours flown since
    expect: complies
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 6}
  - name: six minutes more
    expect: finding
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 6.1}
  - name: a record that may have been the treatment
    expect: unjudged
    as_of: '2025-06-20T00:00:00Z'
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
      - {product: unheard-of, work_order: W2, started_at: '2025-06-03T12:00:00Z'}
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 7}
""",
)
