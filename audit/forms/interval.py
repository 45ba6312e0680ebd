"""interval [bounded recurrence]: between two treatments no more passes than allowed. Subject: a segment."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.evidence.boots import (
    BootTime,
    Odometer,
    Treated,
    boot_time,
    flown_elsewhere,
    flown_on_swap_days,
    treated_within,
)
from audit.evidence.columns import Columns, first_of_each, least_of, most_of
from audit.evidence.doubt import (
    BACKWARDS,
    CERTAIN,
    RECORDS_END,
    Rank,
    View,
    first_of,
    reasons_for_doubt,
    reasons_of,
    turning_reasons,
)
from audit.evidence.flying import first_uncovered
from audit.evidence.meters import Limits, Meter, Tolerance, bases, meters
from audit.evidence.seasons import Windows, season_around
from audit.evidence.sessions import Sessions, in_sessions
from audit.evidence.treatments import NO_BOOT, NO_POSITION
from audit.figures import figure, quantity
from audit.forms import describing
from audit.forms.coming import coming
from audit.forms.drawing import Drawing, UseOfBoot
from audit.forms.form import BOOTS_READ, COVERAGE_READ, FLOWN_READ, SEASON_READ, SESSIONS_READ, Form, Never
from audit.forms.margins import margins, tenths
from audit.forms.naming import OF_TREATMENT, Keys, at_work_order, moments
from audit.forms.outcomes import NONE, Judgement, joined, together, unbroken
from audit.language.condition import BootConditions
from audit.language.events import Season
from audit.language.rule import Rule
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import Edit, NotPlantable, Planted, Planter, Spot
from audit.timeline.coverage import Missing, recorded_until
from audit.timeline.instants import DAY, FOREVER, MINUTE, NEVER, SECOND, Bools, Ints, Order, day_of, expand, take
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
class Segments(Columns):
    """Stretches of a boot's time between treatments, in order of (boot and season, start).

    `time` is the row of the boot's time, `began` and `ended` are the sessions between which it lies (NONE: none, but
    the end of that time). A segment is [start, end); one that ends with the as-of time includes it.
    """

    time: Ints
    began: Ints
    ended: Ints
    start: Ints
    end: Ints


def evaluate(rule: IntervalRule, timeline: Timeline) -> Judgement:
    """A finding when more flight hours, cycles or days pass than allowed, whichever comes first.

    Segments run from treatment to treatment; the first from the start of the export's time, of the season or of the
    boot's first installation, the last to the season's end, the boot's removal or the as-of time. A treatment counts
    from the end of its session. Hours are those of flights whose takeoff lies in the segment. Where records in it may
    be treatments, it is a finding only if it is one whichever of them are; its figures are those without them.
    """
    use = _Use.of(rule, timeline)
    segments, done, time, runs = use.segments, use.done, use.time, use.runs
    # Whichever limit is reached first: one meter that went over is enough.
    plain: Bools = np.logical_or.reduce([run.over for run in runs])
    # Of a boot whose removal isn't known less may have passed.
    ended = np.where(plain, time.ended[segments.time], CERTAIN)
    # Of a boot that was swapped on a day without a time, less or more.
    surely, perhaps = (np.logical_or.reduce([getattr(run, name) for run in runs]) for name in ("surely", "perhaps"))
    by_the_day = reasons_of(timeline).where(surely != perhaps, NO_BOOT)
    # What was done after the last record of all isn't known.
    at = np.minimum.reduce([run.at for run in runs])
    unrecorded = reasons_of(timeline).where(plain & (at > recorded_until(timeline)), RECORDS_END)

    def broken(view: View, index: Ints) -> Bools:
        over = view.open(plain[index], ended[index], by_the_day[index], unrecorded[index])
        if view.side == "lenient":
            return over & use.over_anyway(view, index)
        return over | use.perhaps_flown(view, index)

    doubt = reasons_for_doubt(timeline, broken, plain, time.doubt[segments.time])
    first = np.argmin([run.at for run in runs], axis=0)

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        some = segments.take(index)
        # What the meter says that went over first.
        names = ("flight", "at", "measured", "carried", "limit")
        said = {name: np.choose(first[index], [getattr(run, name)[index] for run in runs]) for name in names}
        return {
            **said,
            "subject": take(done.task, some.began, NONE),
            "named_by": take(done.first, some.began, NONE),
            "named_at": np.where(some.began == NONE, time.named_at[some.time], take(done.named_at, some.began, NONE)),
            "window": np.where(some.began == NONE, time.start[some.time], NONE),
            "task": take(done.last, some.began, NONE),
            "place": time.place[some.time],
            "component": time.component[some.time],
            "at": np.where(finding, said["at"], some.start),
            "anchor": some.start,
            "unit": np.array([run.meter.unit for run in runs], object)[first[index]],
            "ended_by": take(done.last, some.ended, NONE),
        }

    bins = np.maximum.reduce([run.bins for run in runs])
    near = (margins("most", " or ".join(_quantities(rule.at_most)), bins[doubt == CERTAIN]),)
    judged = Judgement(plain, doubt, reasons_of(timeline), shown, near)
    return joined([_bootless(timeline, in_sessions(timeline, rule.scope).sessions), judged])


def _coming(rule: IntervalRule, timeline: Timeline) -> pd.DataFrame:
    """What is left of each limit of every boot that is installed, in its season, at the as-of time; and that nothing is
    known of it where no boot is known that was treated.

    `until` is the first instant at which it is overdue where the meter counts days or it is overdue already.
    """
    use = _Use.of(rule, timeline)
    now = np.flatnonzero(use.segments.end > timeline.as_of)
    current = use.segments.take(now)
    closes = _closes(rule, timeline, use.time.take(current.time))
    reason = reasons_of(timeline).texts(use.doubt(now))
    rows = []
    for run in use.runs:
        meter, over, limit = run.meter, run.over[now], run.limit[now]
        allowed = (limit - run.carried[now]) * meter.scale
        by_day = (day_of(current.start) + np.floor(allowed).astype(np.int64) + 1) * DAY if meter.by_day else NONE
        rows.append(
            coming(
                len(now),
                kind="treatment",
                what=f"next {describing.class_named(rule.scope)}",
                task=take(use.done.last, current.began, NONE),
                place=use.time.place[current.time],
                component=use.time.component[current.time],
                since=current.start,
                until=np.where(over, run.at[now], by_day),
                closes=np.where(closes == FOREVER, NONE, closes),
                meter=meter.name,
                used=run.measured[now],
                limit=limit,
                unit=meter.unit,
                broken=over,
                reason=reason,
            )
        )
    return together([*rows, _coming_of_bootless(rule, timeline, rows[0]["place"].to_numpy(np.int64))])


def _closes(rule: IntervalRule, timeline: Timeline, time: BootTime) -> Ints:
    """When nothing falls due any more for boots in their time: their season is over, or they come off for the last
    time, from wherever they are put until then."""
    history = timeline.components
    # The end of the last stay, since the boot may still be put elsewhere.
    season = _season_now(rule, timeline, timeline.aircraft_of(time.place))[1]
    return np.maximum(time.end, np.minimum(season, most_of(history.boot, history.removed, history.boots)[time.boot]))


def _season_now(rule: IntervalRule, timeline: Timeline, aircraft: Ints) -> Windows:
    """From when to when (excluded) the season of each aircraft lasts in which the as-of time is; NEVER both where it is
    in none."""
    if rule.season is None:
        return np.full(len(aircraft), timeline.since), np.full(len(aircraft), FOREVER)
    return season_around(rule.season, timeline, aircraft, np.full(len(aircraft), timeline.as_of))


def _coming_of_bootless(rule: IntervalRule, timeline: Timeline, told: Ints) -> pd.DataFrame:
    """The last treatment at each place of which no boot is known, in its season; `told` are the places of those that
    are."""
    done = in_sessions(timeline, rule.scope).sessions
    # A treatment without a position is told where nothing is known of any boot of its aircraft.
    aircraft, nowhere = timeline.aircraft_of(done.place), timeline.nowhere(done.place)
    known = np.where(nowhere, np.isin(aircraft, timeline.aircraft_of(told)), np.isin(done.place, told))
    opens, closes = _season_now(rule, timeline, aircraft)
    open_ = np.flatnonzero((done.boot < 0) & ~known & (opens != NEVER))
    last = open_[first_of_each(done.place[open_], -done.end[open_], -open_)]
    one, meter = done.take(last), meters(rule.at_most, rule.tolerance)[0]
    return coming(
        len(last),
        kind="treatment",
        what=f"next {describing.class_named(rule.scope)}",
        task=one.last,
        place=one.place,
        since=one.end,
        closes=np.where(closes[last] == FOREVER, NONE, closes[last]),
        meter=meter.name,
        limit=(meter.interval + meter.tolerance) / meter.scale,
        unit=meter.unit,
        reason=reasons_of(timeline).texts(_boot_unknown(timeline, one)),
    )


@dataclass(frozen=True)
class _Run:
    """One meter run over all segments.

    `over` tells which went over, `surely` and `perhaps` whether they did whatever the times of days on which boots were
    swapped and wherever rows set aside may have had them, or may have, and `vague` where these make a difference to
    what passed; `at` tells when they went over (FOREVER where not), and `flight` with which flight; `base` is the
    reading from which each counts; `measured`, `carried` and `limit` are in units of the meter, `bins` in tenths of
    the limit.
    """

    meter: Meter
    odometer: Odometer
    base: Ints
    over: Bools
    surely: Bools
    perhaps: Bools
    vague: Bools
    at: Ints
    flight: Ints
    measured: npt.NDArray[np.float64]
    carried: npt.NDArray[np.float64]
    limit: npt.NDArray[np.float64]
    bins: Ints

    @classmethod
    def of(
        cls, rule: IntervalRule, meter: Meter, timeline: Timeline, boot: Ints, segments: Segments, longest: Segments
    ) -> _Run:
        """Run a meter over the segments, each of a boot, and `longest` as they may be."""
        flights = timeline.flights
        odometer = Odometer.of(timeline, flights.flown if meter.name == "flight_hours" else flights.cycles)
        # The limit is passed where the reading at the end is beyond the last allowed one, counted from the base.
        start, end = _read(meter, odometer, boot, segments, segments.ended != NONE)
        base = bases(rule.next_due, meter, start, segments.began != NONE)
        last_allowed = meter.due(base) + meter.tolerance
        over = surely = perhaps = end > last_allowed
        # From due point to due point what is in doubt is carried on.
        carries = rule.next_due != "actual"
        if meter.by_day:
            first, last = _read(meter, odometer, boot, longest, segments.ended != NONE)
            sooner = start - first
            if carries:
                sooner = np.bincount(segments.time, sooner).astype(np.int64)[segments.time]
            perhaps, vague = last > meter.due(base - sooner) + meter.tolerance, (sooner > 0) | (last > end)
        else:
            since = np.full(len(segments), NEVER) if carries else longest.start
            # What may have been flown less makes it sure, what may have been flown more makes it possible.
            less, more = flown_on_swap_days(timeline, odometer.total, boot, since, segments.end)
            more = more + flown_elsewhere(timeline, odometer.total, boot, since, longest.end)
            surely, perhaps, vague = end - less > last_allowed, end + more > last_allowed, less + more > 0
        flight, at = np.full(len(start), NONE), np.full(len(start), FOREVER)
        if meter.by_day:
            at[over] = (last_allowed[over] + 1) * DAY
        else:
            place = odometer.passed(last_allowed[over])
            flight[over], at[over] = flights.row[place], flights.takeoff[place]
        # A due point that had passed before the segment began was overdue from its first instant.
        at = np.maximum(at, segments.start)
        passed, allowed = end - base, last_allowed - base
        measured, carried, limit = (micros / float(meter.scale) for micros in (passed, start - base, allowed))
        bins = tenths("most", passed, allowed)
        return cls(meter, odometer, base, over, surely, perhaps, vague, at, flight, measured, carried, limit, bins)


def _read(meter: Meter, odometer: Odometer, boot: Ints, stretch: Segments, until_treated: Bools) -> tuple[Ints, Ints]:
    """The meter's readings of boots at the start and the end of stretches of time; whether a treatment ends each."""
    if meter.by_day:
        # A treatment at midnight is one of the new day; a season or a boot's time that ends then is over before it.
        return day_of(stretch.start), day_of(stretch.end - ~until_treated)
    return odometer.at(boot, stretch.start), odometer.at(boot, stretch.end)


@dataclass(frozen=True)
class _Use:
    """What was done and flown with boots: their time, cut into segments at the treatments that surely were of them,
    and each meter run over those.

    `longest` are the segments as long as rows set aside may make a boot's time. `perhaps` are the sessions that may
    have been treatments of them, which ended in the segments `perhaps_in`.
    """

    rule: IntervalRule
    timeline: Timeline
    done: Sessions
    time: BootTime
    segments: Segments
    longest: Segments
    runs: Sequence[_Run]
    perhaps: Treated
    perhaps_in: Ints

    @classmethod
    def of(cls, rule: IntervalRule, timeline: Timeline) -> _Use:
        done = _ended_twice(timeline, in_sessions(timeline, rule.scope).elsewhere(timeline))
        time = boot_time(timeline, rule.boots, rule.season)
        treated = treated_within(timeline, done, time)
        segments = _cut(time, done, treated.take(treated.doubt == CERTAIN))
        longest = _perhaps_longer(timeline, time, segments)
        boot, limits = time.boot[segments.time], meters(rule.at_most, rule.tolerance)
        runs = [_Run.of(rule, meter, timeline, boot, segments, longest) for meter in limits]
        # A treatment before, or after, all that is known of a boot's time cuts none of it.
        ended, opens, closes = done.end[treated.session], time.known_start[treated.time], time.known_end[treated.time]
        within = ((opens <= ended) & (ended < closes)) | (ended == FOREVER)
        perhaps = treated.take((treated.doubt != CERTAIN) & within)
        begun = Order.of(segments.time, segments.start).until(perhaps.time, done.end[perhaps.session])
        return cls(rule, timeline, done, time, segments, longest, runs, perhaps, begun - 1)

    def perhaps_flown(self, view: View, index: Ints) -> Bools:
        """Whether more may have been flown in the segments at an index than is recorded."""
        if view.side != "harsh" or all(run.meter.by_day for run in self.runs):
            return np.zeros(len(index), bool)
        some = self.longest.take(index)
        leaving = () if any(run.meter.name == "cycles" for run in self.runs) else (Missing.CYCLES,)
        since = first_uncovered(self.timeline, view, self.time.take(some.time), some.start, leaving)
        found: Bools = since < some.end
        return found

    def perhaps_treated(self, view: View) -> tuple[Ints, Ints, Ints]:
        """The segments in which sessions ended that may have been treatments of the boot, and when; and the boots'
        times in which one may have ended at any time."""
        counted, when = view.favour(self.perhaps.doubt), self.done.end[self.perhaps.session]
        timed = counted & (when != FOREVER)
        return self.perhaps_in[timed], when[timed], self.perhaps.time[counted & ~timed]

    def over_anyway(self, view: View, index: Ints) -> Bools:
        """Whether the segments at an index went over whichever of the records in them that may be treatments are.

        They did where too much passed between two of those that follow each other, even if the next due point is
        counted from as late as it may be. Until the first of those records in a boot's time nothing is in doubt.
        """
        segments = self.segments
        cut, when, at_any_time = self.perhaps_treated(view)
        # Each segment is cut once more, at the ends of the records that may be treatments: pieces, in order of time.
        position = np.full(len(segments), NONE)
        position[index] = np.arange(len(index))
        mine = position[cut] != NONE
        of = np.append(np.arange(len(index)), position[cut[mine]])
        when = np.append(segments.start[index], when[mine])
        order = np.lexsort((when, of))
        of, when, begins = of[order], when[order], order < len(index)
        pieces = segments.take(index[of])
        # The last piece ends as its segment does, each other one with the next of those records.
        last = np.append(of[1:] != of[:-1], True)[: len(of)]
        until = np.where(last, pieces.end, np.append(when[1:], 0)[: len(of)])
        until_treated = ~last | (pieces.ended != NONE)
        pieces = replace(pieces, start=when, end=until)
        first = least_of(segments.time[cut], cut, len(self.time))
        first[at_any_time] = NONE
        known = begins & (index[of] <= first[pieces.time])
        boot, over = self.time.boot[pieces.time], np.zeros(len(index), bool)
        for run in self.runs:
            meter = run.meter
            start, passed = _read(meter, run.odometer, boot, pieces, until_treated)
            latest = start + (meter.tolerance if self.rule.next_due == "scheduled" else 0)
            base = np.where(known, run.base[index[of]], latest)
            over[of[passed > meter.due(base) + meter.tolerance]] = True
        return (index < first[segments.time[index]]) | (over & ~np.isin(segments.time[index], at_any_time))

    def doubt(self, index: Ints) -> Ints:
        """Why it isn't sure how much of a limit is left in the segments at an index: the boot, a treatment that may be
        one, flights that may lack."""

        def treated_again(view: View, index: Ints) -> Bools:
            cut, _, at_any_time = self.perhaps_treated(view)
            return np.isin(index, cut) | np.isin(self.segments.time[index], at_any_time)

        none = np.zeros(len(index), bool)
        return first_of(
            self.time.doubt[self.segments.time[index]],
            reasons_of(self.timeline).where(np.logical_or.reduce([run.vague for run in self.runs])[index], NO_BOOT),
            turning_reasons(self.timeline, treated_again, "lenient", index, none),
            turning_reasons(self.timeline, self.perhaps_flown, "harsh", index, none),
            reasons_of(self.timeline).where(self.segments.end[index] > recorded_until(self.timeline), RECORDS_END),
        )


def _ended_twice(timeline: Timeline, done: Sessions) -> Sessions:
    """The sessions, and those that end before they start once more, in doubt: they may have ended when they started."""
    turned = done.take(done.end < done.latest)
    doubt = first_of(turned.doubt, np.full(len(turned), reasons_of(timeline).number(*BACKWARDS)))
    return done.followed_by(replace(turned, end=turned.latest, doubt=doubt))


def _cut(time: BootTime, done: Sessions, treated: Treated) -> Segments:
    """Cut each boot's time, season by season, at treatments."""
    treated = treated.take(np.lexsort((treated.session, done.end[treated.session], treated.time)))
    count = np.bincount(treated.time, minlength=len(time))
    # So many treatments cut a boot's time into one piece more: before the first, between two, after the last.
    which, nth = expand(count + 1)
    place = (np.cumsum(count) - count)[which] + nth
    began = np.where(nth > 0, take(treated.session, place - 1, NONE), NONE)
    ended = np.where(nth < count[which], take(treated.session, place, NONE), NONE)
    start = np.where(began == NONE, time.known_start[which], take(done.end, began, NONE))
    end = np.where(ended == NONE, time.known_end[which], take(done.end, ended, NONE))
    return Segments(which, began, ended, start, end)


def _perhaps_longer(timeline: Timeline, time: BootTime, segments: Segments) -> Segments:
    """The segments, of which the first and the last of a boot's time are as long as rows set aside may make it."""
    opens, closes = np.maximum(time.perhaps_start, timeline.since), time.perhaps_end
    start = np.where(segments.began == NONE, opens[segments.time], segments.start)
    return replace(segments, start=start, end=np.where(segments.ended == NONE, closes[segments.time], segments.end))


def _bootless(timeline: Timeline, done: Sessions) -> Judgement:
    """Treatments of no one known boot: how much passed until the next can't be told, so each is unjudged."""
    some = done.take(np.flatnonzero(done.boot < 0))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        one = some.take(index)
        return {"subject": one.task, "task": one.last, "place": one.place, "named_at": one.named_at, "at": one.end}

    return unbroken(timeline, _boot_unknown(timeline, some), shown)


def _boot_unknown(timeline: Timeline, some: Sessions) -> Ints:
    """Why it isn't known which boot was treated in each session."""
    reasons = reasons_of(timeline)
    if not timeline.supplied("components"):
        return np.full(len(some), reasons.number(Rank.NOT_SUPPLIED, "table not supplied: components"))
    return np.where(timeline.nowhere(some.place), reasons.number(*NO_POSITION), reasons.number(*NO_BOOT))


def _identity(rule: IntervalRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> Keys:
    """A segment by the session that began it, else by its boot and when the boot's time began."""
    unbegun = cases["named_by"].to_numpy() == NONE
    boot = np.where(unbegun, evidence["component_serial"], "")
    began = np.where(unbegun, moments(cases["window"].to_numpy()), "")
    return at_work_order(cases, evidence, timeline, boot, began)


def _told(rule: IntervalRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Say how much passed since the last treatment, and how much was allowed."""
    measured, limit, carried, unit = (case[name] for name in ("measured", "limit", "carried", "unit"))
    unit = unit.removesuffix("s")
    over = figure(measured - limit) if measured - limit >= 0.01 else "less than 0.01"
    values = {
        "measured": quantity(round(measured, 2), unit),
        "limit": figure(limit),
        "over_by": over,
    }
    kinds = ("counted_anew",) if carried else () if case["task"] >= 0 else ("none_before",)
    since = f"since {case['product']} on" if case["task"] >= 0 else "without a treatment since"
    more, late = ("more", "late") if carried > 0 else ("less", "early")
    counted = f", {figure(abs(carried))} {more} counted since it was done {late}" if carried else ""
    passed = f"{quantity(round(measured - carried, 2), unit)} {since} {case['since']}{counted}"
    yield Said(kinds, values, f"{passed}; {figure(limit)} allowed; {over} over.")


def _looks_at(rule: IntervalRule) -> str:
    sentences = [
        "Each stretch of a boot's time on the aircraft between two treatments; the first begins with the export, the "
        "last ends with the as-of time.",
        f"A treatment is a session of {describing.records(rule.scope)}.",
        *describing.only_boots(rule.boots),
    ]
    if rule.season is not None:
        sentences.append(f"Only within the season, {describing.season_days(rule.season)}.")
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


def _never(rule: IntervalRule) -> Iterator[Never]:
    if rule.next_due == "scheduled" and rule.tolerance is None:
        yield Never(("next_due",), "without a `tolerance` this counts from the time it was done, as `actual` does")
    if rule.season is None:
        return
    # A stretch begins and ends with its season, which is that of a base where settings have an aircraft at one.
    seasons = [rule.season, *getattr(rule.season, "by_aircraft", {}).values()]
    for name, limit in rule.at_most:
        if (
            name in ("days", "months")
            and limit is not None
            and not any(_goes_beyond(one, name, limit) for one in seasons)
        ):
            yield Never(("at_most", name), f"no season goes on for more {name} than this: it can never be passed")


def _goes_beyond(season: Season, name: str, limit: int) -> bool:
    """Whether a season goes on for more than so many days or months after its first day, in a leap year if need be."""
    (month, day), turns = season.from_, season.to < season.from_
    if name == "months":
        return (month + limit, day) < (season.to[0] + 12 * turns, season.to[1])
    first = date(2004 - turns, month, min(day, 28) if month == 2 else day)
    return (date(2004, *season.to) - first).days > limit


def _unjudged_when(rule: IntervalRule) -> Iterator[str]:
    yield "a record that may have been the treatment lies in the stretch, or one that ends before it starts"
    yield from (describing.NO_POSITION_KNOWN, describing.NO_BOOT_KNOWN, describing.not_supplied("components"))
    if rule.at_most.flight_hours is not None or rule.at_most.cycles is not None:
        yield from describing.flights_unclear()
    if rule.at_most.cycles is not None:
        yield "the cycles of a flight can't be read"
    if rule.season is not None:
        yield describing.SEASON_NOT_SET
    yield from (describing.RECORDS_END, describing.CLOCK_WENT_BACK)


def _drawing(rule: IntervalRule) -> Drawing | None:
    # What counts otherwise depends on earlier due points, which no single saw tooth shows.
    return UseOfBoot(rule.scope, rule.season) if rule.next_due == "actual" else None


def _planter(rule: IntervalRule, timeline: Timeline) -> Planter:
    """As much flown, or as many days passed, as is allowed, or a little more: meter by meter, in turn."""
    every = meters(rule.at_most, rule.tolerance)
    # What was carried over is known of the first alone.
    limits = every if rule.next_due == "actual" else every[:1]

    # Of several limits only the one that is planted for may be passed: the others would be found instead.
    def plant(spot: Spot) -> Planted:
        if spot["anchor"] < 0 or spot["component"] < 0:
            raise NotPlantable("no boot is known there")
        meter, until = limits[spot.turn % len(limits)], _ends(rule, timeline, spot)
        if meter.by_day:
            planted = _days_passed(rule, timeline, spot, meter, until)
        else:
            planted = _flown_more(timeline, spot, meter, until)
        if not spot.outside and any(_passed(timeline, spot, other, planted) for other in every if other != meter):
            raise NotPlantable("another limit would be passed")
        if rule.next_due != "actual" and planted.span is not None:
            # Earlier treatments move its due point: nothing else may be planted among them.
            return replace(planted, span=(timeline.since, planted.span[1]))
        return planted

    return plant


def _passed(timeline: Timeline, spot: Spot, meter: Meter, planted: Planted) -> bool:
    """Whether a meter passes its limit, too, where something was planted for another."""
    assert planted.span is not None
    start, end = planted.span
    if meter.by_day:
        first, last = day_of(np.array([start, end - (spot["ended_by"] < 0)])).tolist()
    else:
        first, last = _totals(timeline, spot, meter, start, end)
        if meter.name == "cycles":
            last += sum(edit.table == "flights" for edit in planted.edits)
    return bool(last > meter.due(np.array([first]))[0] + meter.tolerance)


def _totals(timeline: Timeline, spot: Spot, meter: Meter, start: int, end: int) -> list[int]:
    """What the aircraft of a case had flown at two instants."""
    flights = timeline.flights
    total = flights.flown if meter.name == "flight_hours" else flights.cycles
    aircraft = np.repeat(planting.aircraft_at(timeline, spot), 2)
    found: list[int] = total[flights.first_from(aircraft, np.array([start, end]))].tolist()
    return found


def _flown_more(timeline: Timeline, spot: Spot, meter: Meter, until: int) -> Planted:
    """More hours or cycles flown in the stretch, as many as are left."""
    planting.there(timeline, spot, spot["anchor"])
    flights, aircraft = timeline.flights, planting.aircraft_at(timeline, spot)
    start, end = _totals(timeline, spot, meter, spot["anchor"], until)
    carried = round(float(spot.case["carried"]) * meter.scale)
    left = meter.interval + meter.tolerance - carried - (end - start)
    if left < 0:
        raise NotPlantable("more was flown already")
    if meter.name == "flight_hours":
        return _more_flown(timeline, spot, until, left + SECOND * spot.outside)
    [first], [last] = (flights.first_from(aircraft, np.array([at])) for at in (spot["anchor"], until))
    if first == last:
        raise NotPlantable("nothing was flown in the stretch")
    planting.has_column(timeline, "flights", "cycles")
    cycles = int(flights.cycles[first + 1] - flights.cycles[first]) + left + spot.outside
    edit = Edit("flights", int(flights.row[first]), {"cycles": str(cycles)})
    return Planted(f"{left + spot.outside} more cycles in the stretch", (edit,), (spot["anchor"], until))


def _ends(rule: IntervalRule, timeline: Timeline, spot: Spot) -> int:
    """When the stretch of a case ends: with a treatment, the season, the boot's time, or behind the as-of time."""
    if spot["ended_by"] >= 0:
        return int(timeline.times["finished_at"][spot["ended_by"]])
    ends = [timeline.as_of + 1, int(timeline.components.removed[spot["component"]])]
    if rule.season is not None:
        ends.append(planting.season_end(timeline, rule.season, spot, spot["anchor"]))
    return min(ends)


def _more_flown(timeline: Timeline, spot: Spot, until: int, left: int) -> Planted:
    """Flights of so much time where the aircraft was neither flown nor worked on, the longest such times first."""
    flights, rows = timeline.flights, timeline.rows
    aircraft = planting.aircraft_at(timeline, spot)
    mine = rows[timeline.aircraft[rows] == aircraft]
    # From a flight's landing the aircraft is where it is flown from next.
    before = planting.flight_near(timeline, aircraft, spot["anchor"])
    [last] = flights.first_from(aircraft, np.array([until]))
    begins = np.concatenate((flights.takeoff[before:last], timeline.times["started_at"][mine], [until]))
    ends = np.concatenate((flights.landing[before:last], timeline.times["finished_at"][mine], [until]))
    order = np.argsort(begins, kind="stable")
    # Between what happens, with ten minutes to spare on either side, lie the times in which more may be flown.
    free_from = np.maximum.accumulate(np.append(spot["anchor"], ends[order]))[:-1] + 10 * MINUTE
    free_until = np.minimum(begins[order], until) - 10 * MINUTE
    edits: list[Edit] = []
    for gap in np.argsort(free_from - free_until, kind="stable").tolist():
        length = min(int(free_until[gap] - free_from[gap]), left)
        if left <= 0 or length <= 0:
            break
        at = int(free_from[gap])
        after = int(np.searchsorted(flights.takeoff[before:last], at, side="right")) - 1 + before
        edits.append(planting.new_flight(timeline, spot, int(flights.row[max(after, before)]), at, length, len(edits)))
        left -= length
    if left > 0:
        raise NotPlantable("the stretch has no time to fly so much")
    return Planted(f"{len(edits)} more flights in the stretch", tuple(edits), (spot["anchor"], until))


def _days_passed(rule: IntervalRule, timeline: Timeline, spot: Spot, meter: Meter, until: int) -> Planted:
    """The treatment that ends the stretch, or begins it, moved to the last day allowed, or a day further."""
    start, closing = day_of(np.array([spot["anchor"]])), spot["ended_by"]
    carried = round(float(spot.case["carried"]))
    due = int(meter.due(start - carried)[0]) + meter.tolerance + spot.outside
    end = int(day_of(np.array([until - (closing < 0)]))[0])
    # The treatment that ends the stretch is moved, else the one that begins it.
    if closing >= 0:
        rows = timeline.rows[_same_job(timeline, closing)]
        by = (due - end) * DAY
        if until + by > timeline.as_of:
            raise NotPlantable("it would be later than the as-of time")
        _, places = timeline.placed(np.array([closing]))
        then = timeline.component_at(places, np.full(len(places), timeline.times["started_at"][closing] + by))
        boots = timeline.components
        if not np.isin(boots.boot_of(then), boots.boot[spot["component"]]).any():
            raise NotPlantable("the boot was not at its place then")
        if _treated_between(rule, timeline, spot, rows, (until, until + by)):
            raise NotPlantable("another treatment comes before that")
    elif spot["task"] >= 0 and meter.name == "days":
        planting.there(timeline, spot, spot["anchor"])
        rows = planting.session_rows(timeline, rule.scope, spot)
        by = (end - due) * DAY
        planting.there(timeline, spot, int(timeline.times["started_at"][rows].min()) + by)
        if _treated_between(rule, timeline, spot, rows, (spot["anchor"] + by, spot["anchor"])):
            raise NotPlantable("another treatment comes after that")
    else:
        raise NotPlantable("no treatment begins or ends the stretch that could be moved")
    what = f"the treatment {'after' if closing >= 0 else 'before'} it moved by {abs(by) // DAY} days"
    window = (min(spot["anchor"], spot["anchor"] + by), max(until, until + by))
    return Planted(what, planting.moved(timeline, rows, by), window)


def _treated_between(rule: IntervalRule, timeline: Timeline, spot: Spot, rows: Ints, times: tuple[int, int]) -> bool:
    """Whether the boot of a case was treated by other records than `rows` between two instants."""
    others = planting.on_the_boot(timeline, planting.surely(timeline, rule.scope), spot)
    ended = timeline.times["finished_at"][np.setdiff1d(others, rows)]
    return bool(((times[0] <= ended) & (ended <= times[1])).any())


def _same_job(timeline: Timeline, row: int) -> Bools:
    """The records of work done that have the work order and the product of one."""
    tasks = timeline.tasks
    found: Bools = np.ones(len(timeline.rows), bool)
    for name in ("work_order", "product"):
        if name in tasks:
            codes = tasks[name].cat.codes.to_numpy()
            found &= codes[timeline.rows] == codes[row]
    return found


INTERVAL = Form(
    name="interval",
    pattern="bounded recurrence (Konrad, Cheng 2005)",
    rule=IntervalRule,
    coming=_coming,
    finding="more flight hours, cycles or days passed between two treatments than allowed",
    subjects="segment between treatments",
    named_by=(
        "aircraft, position, work order and first record of the treatment that began the stretch; without one, the "
        "component serial, and where and when the season began for the boot, or its time if later"
    ),
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position", "components", "flights"),
    may_read=lambda rule: (
        *SESSIONS_READ,
        *BOOTS_READ,
        *FLOWN_READ,
        *(SEASON_READ if rule.season else COVERAGE_READ),
    ),
    selects=lambda rule: (rule.scope,),
    identity=_identity,
    told=_told,
    values={
        **OF_TREATMENT,
        "measured": "how much passed: 53.4 flight hours",
        "limit": "how much is allowed, in the same unit: 50",
        "over_by": "by how much it was more: 3.4",
    },
    kinds={
        "none_before": "there was no treatment before, in the season or since the boot was installed",
        "counted_anew": "the last treatment was early or late, and part of that counts",
    },
    figures=lambda rule: {"limit": " or ".join(_quantities(rule.at_most)), **describing.season_figure(rule.season)},
    dated_by=lambda rule: None,
    drawing=_drawing,
    looks_at=_looks_at,
    demands=_demands,
    unjudged_when=_unjudged_when,
    ended_by=lambda rule: ("the treatment that ends the stretch",),
    never=_never,
    settable=("at_most", "tolerance", "next_due", "season"),
    skeleton="""\
at_most: {flight_hours: 10}
# season: {from: 10-01, to: 04-30}
examples:
  - name: exactly 10 hours flown since
    expect: complies
    as_of: '2025-06-20T00:00:00Z'
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    flights:
      - {takeoff_at: '2025-06-03T09:00:00Z', flight_hours: 4}
      - {takeoff_at: '2025-06-04T09:00:00Z', flight_hours: 6}
  - name: six minutes more
    expect: finding
    as_of: '2025-06-20T00:00:00Z'
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
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
