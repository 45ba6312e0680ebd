"""interval [bounded recurrence]: between two treatments no more passes than allowed. Subject: a segment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.forms.boots import BootTime, boot_time, perhaps_treated, surely_treated
from audit.forms.conditions import UNKNOWN
from audit.forms.due import Meter, bases, meters
from audit.forms.margins import margins, tenths
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_BOOT, NO_POSITION, Sessions, in_sessions
from audit.rulebook.models import IntervalRule
from audit.timeline.instants import DAY, FOREVER, Bools, Ints, Order, day_of, spread
from audit.timeline.timeline import Timeline


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


def evaluate(rule: IntervalRule, timeline: Timeline) -> Outcomes:
    """A finding when more flight hours, cycles or days pass than allowed, whichever comes first.

    Segments run from treatment to treatment; the first from the start of the export's time, of the season or of the
    boot's installation, the last to the season's end, the boot's removal or the as-of time. A treatment counts from
    the end of its session. Hours are those of flights whose takeoff lies in the segment.
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
    limit = np.full(count, np.nan)
    unit = np.full(count, "", object)
    flight = np.full(count, NONE)
    doubt = np.full(count, "", object)
    bins = np.zeros(count, np.int64)
    for meter in meters(rule.at_most, rule.tolerance):
        if meter.name in ("flight_hours", "cycles") and not timeline.supplied("flights"):
            doubt[:] = "table not supplied: flights"
            continue
        over, passed, allowed, at, by_flight = _run(rule, meter, timeline, segments, aircraft)
        bins = np.maximum(bins, tenths("most", passed, allowed))
        sooner = over & (at < overdue)
        overdue[sooner] = at[sooner]
        measured[sooner] = passed[sooner] / meter.scale
        limit[sooner] = allowed[sooner] / meter.scale
        unit[sooner] = meter.unit
        flight[sooner] = by_flight[sooner]
    broken = overdue < FOREVER

    reason = np.where(broken, "", doubt)
    perhaps, why = perhaps_treated(timeline, done, segments.component, segments.start, segments.end)
    in_doubt = broken & (perhaps > 0)
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
) -> tuple[Bools, Ints, Ints, Ints, Ints]:
    """Run one meter: which segments went over, what passed and was allowed, when it went over, with which flight."""
    flights = timeline.flights
    if meter.name in ("days", "months"):
        # A treatment at midnight is one of the new day; a season or a boot's time that ends then is over before it.
        by_treatment = np.append(segments.began[1:] != NONE, False)
        start, end = day_of(segments.start), day_of(segments.end - ~by_treatment)
    else:
        total = flights.flown if meter.name == "flight_hours" else flights.cycles
        start = total[flights.first_from(aircraft, segments.start)]
        end = total[flights.first_from(aircraft, segments.end)]
    base = bases(rule.next_due, meter, start, segments.began != NONE)
    last_allowed = meter.due(base) + meter.tolerance
    over = end > last_allowed
    flight = np.full(len(start), NONE)
    if meter.name in ("days", "months"):
        at = (last_allowed + 1) * DAY
    else:
        at = np.zeros(len(start), np.int64)
        which = np.searchsorted(total, last_allowed[over], side="right") - 1
        flight[over] = flights.row[which]
        at[over] = flights.takeoff[which]
    # A due point that had passed before the segment began was overdue from its first instant.
    at = np.maximum(at, segments.start)
    return over, end - base, last_allowed - base, at, flight


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
