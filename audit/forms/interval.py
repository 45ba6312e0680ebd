"""interval [bounded recurrence]: between two treatments no more passes than allowed. Subject: a segment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.forms.conditions import FALSE, TRUE, UNKNOWN, judge
from audit.forms.due import Meter, bases, meters
from audit.forms.outcomes import NONE, Outcomes, cases, joined
from audit.forms.treatments import NO_BOOT, NO_POSITION, Sessions, sessions, treatments
from audit.rulebook.models import IntervalRule
from audit.timeline.instants import DAY, FOREVER, Bools, Ints, Order, day_of, spread
from audit.timeline.seasons import season_windows
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
    done = sessions(timeline, treatments(timeline, rule.scope))
    history = timeline.components
    rows = np.flatnonzero(timeline.in_play[timeline.aircraft_of(history.place)])
    boots = judge(rule.boots, timeline, rows, rows)
    kept = np.flatnonzero(boots.truth != FALSE)
    rows, boot_truth, boot_reason = rows[kept], boots.truth[kept], boots.reason(kept)
    bootless = _bootless(timeline, done)
    if not len(rows):
        return bootless
    sure = np.flatnonzero((done.truth == TRUE) & (done.component >= 0))
    segments = _cut(rule, timeline, rows, done, sure)
    place = history.place[segments.component]
    aircraft = timeline.aircraft_of(place)

    count = len(segments.start)
    overdue = np.full(count, FOREVER)
    measured = np.full(count, np.nan)
    limit = np.full(count, np.nan)
    unit = np.full(count, "", object)
    flight = np.full(count, NONE)
    doubt = np.full(count, "", object)
    for meter in meters(rule.at_most, rule.tolerance):
        if meter.name in ("flight_hours", "cycles") and not timeline.supplied("flights"):
            doubt[:] = "table not supplied: flights"
            continue
        over, passed, allowed, at, by_flight = _run(rule, meter, timeline, segments, aircraft)
        sooner = over & (at < overdue)
        overdue[sooner] = at[sooner]
        measured[sooner] = passed[sooner] / meter.scale
        limit[sooner] = allowed[sooner] / meter.scale
        unit[sooner] = meter.unit
        flight[sooner] = by_flight[sooner]
    broken = overdue < FOREVER

    reason = np.where(broken, "", doubt)
    perhaps, why = _perhaps_treated(timeline, done, place, aircraft, segments)
    reason[broken & perhaps] = why[broken & perhaps]
    boot = np.searchsorted(rows, segments.component)
    unsure = boot_truth[boot] == UNKNOWN
    reason[unsure] = boot_reason[boot[unsure]]
    index = np.flatnonzero(broken | (reason != ""))
    finding = broken & (reason == "")
    treated = segments.began[index]
    first_task = np.append(done.task, NONE)[treated]
    # A segment that no treatment began is named by its boot and season.
    window = -2 - (segments.component * (int(segments.number.max(initial=0)) + 1) + segments.number)
    return joined(
        count + bootless.in_scope,
        bootless.cases,
        cases(
            len(index),
            finding=finding[index],
            reason=np.where(finding, "", reason)[index],
            subject=np.where(treated == NONE, window[index], first_task),
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
    )


def _cut(rule: IntervalRule, timeline: Timeline, rows: Ints, done: Sessions, sure: Ints) -> Segments:
    """Cut each boot's time on the aircraft, season by season, at its treatments."""
    history = timeline.components
    if rule.season is None:
        opens, closes = np.array([timeline.since]), np.array([FOREVER])
    else:
        opens, closes = season_windows(rule.season.from_, rule.season.to, timeline.since, timeline.as_of)
    boot = np.repeat(rows, len(opens))
    number = np.tile(np.arange(len(opens)), len(rows))
    start = np.maximum(np.maximum(history.installed[boot], opens[number]), timeline.since)
    # The as-of time itself belongs to what is known: it closes a segment one microsecond later.
    end = np.minimum(np.minimum(history.removed[boot], closes[number]), timeline.as_of + 1)
    real = start < end
    boot, number, start, end = boot[real], number[real], start[real], end[real]

    ends = Order.of(done.component[sure], done.end[sure])
    first = ends.count(boot, start, "before")
    last = np.maximum(ends.count(boot, end, "before"), first)
    window, nth = spread(last - first + 1)
    treated = nth > 0
    session = np.full(len(window), NONE)
    session[treated] = sure[ends.row[(first[window] + nth - 1)[treated]]]
    begin = np.where(treated, np.append(done.end, 0)[session], start[window])
    finish = np.append(begin[1:], 0)
    closing = nth == (last - first)[window]
    finish[closing] = end[window[closing]]
    return Segments(boot[window], number[window], session, begin, finish)


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


def _perhaps_treated(
    timeline: Timeline, done: Sessions, place: Ints, aircraft: Ints, segments: Segments
) -> tuple[Bools, np.ndarray]:
    """Whether a record that may have been the treatment falls into each segment, and why that can't be told."""
    found = np.zeros(len(place), bool)
    why = np.full(len(place), "", object)
    nowhere = timeline.position_of(done.place) == timeline.unknown_position
    no_boot = ~nowhere & (done.component < 0)
    reasons = np.where(no_boot, NO_BOOT, done.reason)
    reasons[nowhere] = NO_POSITION
    reasons[done.truth == UNKNOWN] = done.reason[done.truth == UNKNOWN]
    for chosen, owner, asked in (
        (np.flatnonzero((done.truth == UNKNOWN) & (done.component >= 0)), done.component, segments.component),
        (np.flatnonzero(no_boot), done.place, place),
        (np.flatnonzero(nowhere), timeline.aircraft_of(done.place), aircraft),
    ):
        if not len(chosen):
            continue
        order = Order.of(owner[chosen], done.end[chosen])
        first = order.count(asked, segments.start, "before")
        inside = order.count(asked, segments.end, "before") > first
        session = chosen[order.row[np.minimum(first, len(chosen) - 1)]]
        why[inside & ~found] = reasons[session][inside & ~found]
        found |= inside
    return found, why


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
