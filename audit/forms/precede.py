"""precede [precedence, bounded]: an earlier treatment is required, undisturbed since. Subject: a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from audit.evidence.doubt import CERTAIN, PLAIN, Rank, View, Why, reasons_of
from audit.evidence.flying import carriers, first_takeoff
from audit.evidence.other_work import OtherWork
from audit.evidence.sessions import Sessions, in_sessions, reach
from audit.evidence.treatments import begun_between, possible, ties, treatments
from audit.figures import time_span
from audit.forms import describing
from audit.forms.drawing import AroundSession, until_due
from audit.forms.form import BOOTS_READ, COVERAGE_READ, SESSIONS_READ, Form, Never
from audit.forms.naming import OF_TREATMENT, of_session
from audit.forms.outcomes import NONE, Judgement, judged
from audit.language.condition import Conditions
from audit.language.events import Event
from audit.language.in_words import duration_in_words
from audit.language.rule import Rule
from audit.language.values import Duration
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import NotPlantable, Planted, Planter, Spot
from audit.timeline.instants import HOUR, NEVER, Bools, Ints, micros_of
from audit.timeline.timeline import Timeline
from audit.yaml.faults import Part
from audit.yaml.source import KeyPath


class Precedent(Part):
    """An earlier treatment of the same boot: close enough, with nothing in between that undoes it."""

    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()


class PrecedeRule(Rule):
    """An earlier treatment of the same boot is required, close enough, with nothing in between that undoes it.

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


WENT_ON: Why = (Rank.TIED, "which came first is not known: the one went on when the other began")


def evaluate(rule: PrecedeRule, timeline: Timeline) -> Judgement:
    """A finding when no required treatment of the boot was over before, or too long ago, or something came in between.

    Of several earlier treatments the one that ended last is the best witness: it is the nearest, and the least can have
    come in between. In between means from its end to the start of the session. Of several kinds of treatment that serve
    (`or_else`) each is looked for by itself, and one is enough.
    """
    found = in_sessions(timeline, rule.scope)
    subjects = found.sessions
    ways = [(way, OtherWork.of(timeline, treatments(timeline, way.needs), found)) for way in rule.precedents]

    reached = reach(timeline, found)

    def met(view: View, some: Sessions) -> Bools:
        served: Bools = np.logical_or.reduce([_met(way, required, view, some) for way, required in ways])
        return served

    def broken(view: View, index: Ints) -> Bools:
        some = subjects.take(index)
        served = met(view, some)
        # What may be part of the session may have begun it.
        first, _ = reached(view.favour if view.side == "lenient" else view.against)
        sooner = np.flatnonzero(first[index] < some.start)
        if len(sooner):
            again = met(view, replace(some.take(sooner), start=first[index[sooner]]))
            served[sooner] = served[sooner] | again if view.side == "lenient" else served[sooner] & again
        return ~served

    ended = np.maximum.reduce([required.last_end(subjects, PLAIN.favour, subjects.start) for _, required in ways])

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        one, last = subjects.take(index), ended[index]
        never = last == NEVER
        return {
            **one.named,
            "task": one.first,
            "at": one.start,
            "anchor": np.where(never, NONE, last),
            "measured": np.where(never, np.nan, (one.start - last) / HOUR),
            "limit": np.nan if rule.within is None or rule.or_else else micros_of(rule.within) / HOUR,
            "unit": "h",
        }

    return judged(timeline, broken, subjects.doubt, shown)


def _met(way: Precedent, required: OtherWork, view: View, some: Sessions) -> Bools:
    """Whether a treatment that serves came before each session, near enough and undisturbed."""
    ended = required.last_end(some, view.favour, some.start)
    # The nearest one is the best witness; it must be near enough, and nothing may have come in between.
    met: Bools = ended != NEVER
    since = np.where(met, np.minimum(ended, some.start), some.start)
    if way.within is not None:
        met &= some.start - np.where(met, ended, some.start) <= micros_of(way.within)
    for event in way.broken_by if met.any() else ():
        met = met & ~_disturbed(event, required, view, some, since)
    timeline = required.timeline
    # What began at the very moment, or went on, may have come before, with nothing in between.
    if ties(timeline, view.favour):
        met |= required.started_at(some, view.favour, some.start)
    if view.favour(np.array([reasons_of(timeline).number(*WENT_ON)]))[0]:
        met |= required.went_on(some, view.favour, some.start)
    return met


def _disturbed(event: Event, required: OtherWork, view: View, some: Sessions, since: Ints) -> Bools:
    """Whether the event came in [since, start of the session)."""
    timeline, served = required.timeline, required.treated
    if event.where is None:
        at, _ = first_takeoff(timeline, view, some, since)
        return np.asarray(at < some.start)
    # Only what began in [since, start) of some session on an aircraft of its boot can have come between.
    who, aircraft = carriers(timeline, some)
    rows = begun_between(timeline, possible(timeline, event.where), aircraft, since[who], some.start[who])
    events = treatments(timeline, event.where, rows)
    # A required treatment doesn't disturb: coming later, it is the witness itself.
    events = events.take(~np.isin(events.task, served.task[served.doubt == CERTAIN]))
    return OtherWork.of(timeline, events, required.found).started_between(some, view.against, since, some.start)


def _told(rule: PrecedeRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Say that the earlier treatment is missing, too old or disturbed."""
    product = case["product"]
    if case["anchor"] < 0:
        general = f"No treatment of this boot that {product} requires is recorded before it."
        yield Said(("none_before",), {}, general)
        return
    passed = time_span(case["measured"] * HOUR)
    values = {"measured": passed}
    ended = f"The treatment required before {product} ended {passed} earlier"
    if rule.within is not None and case["measured"] > case["limit"]:
        over = (case["measured"] - case["limit"]) * HOUR
        values |= {"limit": time_span(case["limit"] * HOUR), "over_by": time_span(over)}
        yield Said(("too_early",), values, f"{ended}; at most {values['limit']} allowed.")
    elif not rule.or_else:
        yield Said(("undone",), values, f"{ended}, and something came in between that undoes it.")
    else:
        ended = f"{product} requires one of several treatments before it; the last ended {passed} earlier"
        yield Said(("undone",), values, f"{ended}, too early, or something came in between that undoes it.")


def _broken_by_takeoff(rule: PrecedeRule) -> bool:
    return any(event.where is None for way in rule.precedents for event in way.broken_by)


def _demands(rule: PrecedeRule) -> tuple[str, ...]:
    ways = tuple(map(_precedent_in_words, rule.precedents))
    return ways[0] if len(ways) == 1 else ("; or else ".join(", and ".join(way) for way in ways),)


def _precedent_in_words(way: Precedent) -> tuple[str, ...]:
    demands = [describing.work("the same boot was worked on before", way.needs)]
    if way.within is not None:
        demands.append(f"this ended at most {duration_in_words(way.within)} before the session began")
    return (*demands, *(f"in between {describing.absent(event)}" for event in way.broken_by))


def _unjudged_when(rule: PrecedeRule) -> Iterator[str]:
    yield from ("such work went on when the session began", describing.OTHERS_BACKWARDS)
    yield from describing.WHICH_CAME_FIRST
    if _broken_by_takeoff(rule):
        yield from describing.flights_unclear()
    yield describing.CLOCK_WENT_BACK


def _never(rule: PrecedeRule) -> Iterator[Never]:
    for way_number, way in enumerate(rule.precedents):
        path: KeyPath = ("or_else", way_number - 1) if way_number else ()
        for number, event in enumerate(way.broken_by):
            if event.where is not None:
                message = "all of these are required treatments themselves, which disturb nothing"
                yield Never((*path, "broken_by", number), message, event.where, way.needs)


def _planter(rule: PrecedeRule, timeline: Timeline) -> Planter:
    """Something that undoes the earlier treatment, a second before the session or at its start; that treatment too long
    ago, or exactly so long; or no such treatment. Whichever there is, in turn."""
    first, *others = rule.precedents
    required = [planting.surely(timeline, way.needs) for way in rule.precedents]
    tasks = np.concatenate([found.task for found in required])
    ways: list[Callable[[Spot, Ints], Planted]] = []
    for event in first.broken_by:
        if all(event in way.broken_by for way in others):
            like = None if event.where is None else planting.surely(timeline, event.where).task
            ways.append(partial(_undone, timeline, None if like is None else np.setdiff1d(like, tasks)))
    if rule.within is not None and not others:
        ways.append(partial(_too_long_ago, rule, timeline))
    started, finished = timeline.times["started_at"], timeline.times["finished_at"]

    def plant(spot: Spot) -> Planted:
        by_way = [planting.on_the_boot(timeline, found, spot) for found in required]
        earlier = [rows[started[rows] < spot["at"]] for rows in by_way]
        # All that may serve is undone together: one that is left would serve.
        rows = np.unique(np.concatenate(earlier))
        if not len(rows):
            raise NotPlantable("no earlier treatment is there to be undone")
        if not ways:
            return _without(
                timeline, spot, rows, [int(some[np.argmax(finished[some])]) for some in earlier if len(some)]
            )
        return ways[spot.turn % len(ways)](spot, rows)

    return plant


def _undone(timeline: Timeline, like: Ints | None, spot: Spot, rows: Ints) -> Planted:
    """A takeoff, or a copy of one of the records `like`, between the last of the earlier treatments and the session."""
    last = int(timeline.times["finished_at"][rows].max())
    at = planting.beyond(spot, spot["at"], later=False)
    if at < last:
        raise NotPlantable("no time is left in between")
    what, event = planting.event(timeline, spot, like, last, at)
    when = "1 s before the session" if spot.outside else "as the session begins"
    return Planted(f"{what} {when}", (event,), (last, spot["at"]))


def _too_long_ago(rule: PrecedeRule, timeline: Timeline, spot: Spot, rows: Ints) -> Planted:
    """The earlier treatments moved back, to end so long before the session."""
    assert rule.within is not None
    until = planting.beyond(spot, spot["at"] - micros_of(rule.within), later=False)
    finished = timeline.times["finished_at"]
    [flight], [left] = timeline.flights.next_takeoff(planting.aircraft_at(timeline, spot), np.array([until]))
    if _broken_by_takeoff(rule) and flight >= 0 and left < spot["at"] and not spot.outside:
        raise NotPlantable("the aircraft took off in between")
    nearer = rows[finished[rows] > until]
    last = nearer if len(nearer) else rows[[np.argmax(finished[rows])]]
    by = until - finished[last]
    planting.there(timeline, spot, int((timeline.times["started_at"][last] + by).min()))
    what = f"the treatment before ended {planting.span(spot['at'] - until)} earlier"
    return Planted(what, planting.moved(timeline, last, by), (until, spot["at"]))


def _without(timeline: Timeline, spot: Spot, rows: Ints, last: Sequence[int]) -> Planted:
    """The earlier treatments void; inside, all but the last one of each kind that would do."""
    gone = rows if spot.outside else np.setdiff1d(rows, last)
    start = int(timeline.times["started_at"][rows].min())
    return Planted(
        f"{len(gone)} earlier treatments void", planting.voided(timeline, gone.tolist()), (start, spot["at"])
    )


PRECEDE = Form(
    name="precede",
    pattern="precedence (Dwyer, Avrunin, Corbett 1999), within a time (Konrad, Cheng 2005)",
    rule=PrecedeRule,
    finding="none of the earlier treatments that would do was done in time, or something undid it",
    subjects="session",
    named_by="aircraft, position, work order, product class, first record",
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position", "components", *(("flights",) if _broken_by_takeoff(rule) else ())),
    may_read=lambda rule: (*SESSIONS_READ, *BOOTS_READ, *COVERAGE_READ),
    identity=of_session,
    told=_told,
    values={
        **OF_TREATMENT,
        "measured": "how long before it the last such treatment ended: 5 h 48 min",
        "limit": "how long before it that may have been",
        "over_by": "by how much that was too early",
    },
    kinds={
        "none_before": "no such treatment is recorded before",
        "too_early": "the last one was too long before",
        "undone": "something came in between that undoes it",
    },
    figures=lambda rule: {} if rule.within is None else {"limit": duration_in_words(rule.within)},
    drawing=lambda rule: AroundSession(lambda case: until_due(case, "at most")),
    looks_at=lambda rule: describing.sessions(rule.scope),
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
    flights: [{takeoff_at: '2025-06-04T09:00:00Z'}]
  - name: never prepared
    expect: finding
    tasks: [{product: gloss-coating, started_at: '2025-06-03T10:00:00Z'}]
  - name: flown in between
    expect: finding
    tasks:
      - {product: surface-prep, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T15:00:00Z'}
    flights: [{takeoff_at: '2025-06-02T12:00:00Z'}]
  - name: the records don't say what was used before
    expect: unjudged
    tasks:
      - {product: unheard-of, action: prepare, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, started_at: '2025-06-02T10:00:00Z'}
""",
)
