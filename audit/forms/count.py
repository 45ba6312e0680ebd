"""count [bounded existence]: the right number of coats in a session, or of sessions in a season.

Subject: a session; a boot in a season in which it flew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Literal, Self

import numpy as np
import numpy.typing as npt
import pandas as pd
from pydantic import ConfigDict, model_validator

from audit.evidence.boots import BootTime, boot_time, treated_within
from audit.evidence.columns import least_of
from audit.evidence.doubt import CERTAIN, PLAIN, RECORDS_END, Rank, View, Why, first_of, in_scope, reasons_of
from audit.evidence.flying import first_takeoff
from audit.evidence.sessions import InSessions, in_sessions, may_go_on, perhaps_swapped, possible_parts
from audit.evidence.treatments import NO_BOOT, NO_POSITION
from audit.figures import quantity
from audit.forms import describing
from audit.forms.drawing import AroundSession
from audit.forms.form import BOOTS_READ, SEASON_READ, SESSIONS_READ, Form, Never
from audit.forms.naming import OF_TREATMENT, Keys, days, moments, of_session, of_treatment
from audit.forms.outcomes import Judgement, judged
from audit.language.condition import BootConditions
from audit.language.events import Bounds, Season
from audit.language.rule import Rule
from audit.language.values import Count
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import Edit, NotPlantable, Planted, Planter, Spot
from audit.timeline.coverage import recorded_until
from audit.timeline.instants import DAY, FOREVER, HOUR, MINUTE, Bools, Ints
from audit.timeline.records import whole
from audit.timeline.timeline import Timeline
from audit.yaml.faults import Misplaced


class Number(Bounds):
    """How many there may be, both limits included."""

    at_least: Count | None = None
    at_most: Count | None = None

    def too_few(self, total: Ints) -> Bools:
        """Which are fewer than the least allowed, where there is a limit."""
        return np.asarray(total < (self.at_least or 0))

    def too_many(self, total: Ints) -> Bools:
        """Which are more than the most allowed, where there is a limit."""
        return np.asarray(total > (self.at_most or FOREVER))

    def limit(self, total: Ints) -> npt.NDArray[np.float64]:
        """The limit that each number breaks."""
        return np.where(self.too_few(total), self.at_least or 0, self.at_most or 0).astype(float)


class CountRule(Rule):
    """A session has the right number of coats, or a boot that flew in a season the right number of sessions in it.

    `boots` restricts the boots of which sessions are counted.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [{"required": ["coats"]}, {"required": ["sessions"]}],
            "dependentRequired": {"sessions": ["season"], "season": ["sessions"], "boots": ["sessions"]},
        }
    )

    form: Literal["count"]
    coats: Number | None = None
    sessions: Number | None = None
    season: Season | None = None
    boots: BootConditions = BootConditions()

    @property
    def allowed(self) -> Number:
        """How many there may be of what the rule counts."""
        allowed = self.coats if self.sessions is None else self.sessions
        assert allowed is not None
        return allowed

    @model_validator(mode="after")
    def _counts_one_thing(self) -> Self:
        if (self.coats is None) == (self.sessions is None):
            raise ValueError("expected either `coats` or `sessions`")
        if (self.sessions is None) != (self.season is None):
            raise ValueError("expected `season` beside `sessions`, and only there")
        if self.sessions is None and self.boots.names():
            raise Misplaced([(("boots",), "expected `boots` beside `sessions` only; coats are chosen by `scope`")])
        return self


NOT_OVER: Why = (Rank.RUNNING, "the season is not over")
UNSEEN: Why = (Rank.NOT_COVERED, "the season began before the first record or flight of the export")
NO_COAT: Why = (Rank.RECORD, "value missing: coat")
SAME_NUMBER: Why = (
    Rank.RECORD,
    "several records have the same coat number, or give a number of coats beside it: one coat, or several",
)


def evaluate(rule: CountRule, timeline: Timeline) -> Judgement:
    """Judge what the rule counts: coats of a session, or sessions of a boot in a season."""
    return _coats(rule, timeline) if rule.sessions is None else _sessions(rule, timeline)


_ANY_NUMBER = 2**40
"""More coats than there can be: of a record that gives no number there may be any."""


def _coats(rule: CountRule, timeline: Timeline) -> Judgement:
    """A finding when a session has fewer or more coats than allowed.

    A record with `coats` stands for that many, one with `coat` for that coat. Of several with the same number nobody
    knows whether they are one coat, entered twice, or several, one of them misnumbered: they are one coat at the least.
    A record with neither stands for one coat or more. Coats that may be of the session, since their product, boot or
    position isn't known, count where they would mend or spoil it.
    """
    found = in_sessions(timeline, rule.scope)
    subjects, reasons = found.sessions, reasons_of(timeline)
    total, again, countless = _coats_recorded(timeline, found)
    parts = possible_parts(timeline, found.evidence)
    nowhere = reasons.where(timeline.nowhere(subjects.place), NO_POSITION)
    unfinished = may_go_on(timeline, subjects.place, subjects.end)
    swapped = perhaps_swapped(timeline, subjects.place, subjects.start, subjects.latest)
    unsaid, repeated = reasons.where(countless, NO_COAT), reasons.where(again > 0, SAME_NUMBER)
    # What names no position may be of several boots, each with fewer coats: one may have but one of the records.
    parted = np.where(rule.allowed.too_few(_coats_of_one_record(timeline, found)), nowhere, CERTAIN)

    # The more a view takes, the more coats: so too few is looked at with all that may mend it, too many with all that
    # may spoil it.
    def counted(takes: Callable[[Ints], Bools]) -> Ints:
        """The coats of each session with those that a view takes to be of it."""
        own = total + np.where(takes(repeated), again, 0) + np.where(countless & takes(unsaid), _ANY_NUMBER, 0)
        part = takes(parts.doubt)
        np.add.at(whole := own.copy(), parts.of[part], own[parts.part[part]])
        return whole[: len(subjects)]

    def broken(view: View, index: Ints) -> Bools:
        too_few = view.excused(rule.allowed.too_few(counted(view.favour)[index]), unfinished[index])
        if rule.allowed.at_least is not None:
            # Of two boots that were swapped in between each has fewer.
            too_few = view.suspected(too_few, first_of(swapped, parted)[index])
        too_many = rule.allowed.too_many(counted(view.against)[index])
        if rule.allowed.at_most is not None:
            too_many = view.suspected(too_many, unfinished[index])
        return too_few | view.excused(too_many, nowhere[index], swapped[index])

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        one = subjects.take(index)
        return {
            **one.named,
            "at": one.end,
            "measured": total[index].astype(float),
            "limit": rule.allowed.limit(total[index]),
            "unit": "coats",
        }

    return judged(timeline, broken, subjects.doubt, shown)


def _coats_recorded(timeline: Timeline, found: InSessions) -> tuple[Ints, Ints, Bools]:
    """How many coats each session has recorded, how many more if every record is a coat of its own, or as many as it
    gives beside its number, and whether it has records that don't say how many; behind them those of work that may have
    been done."""
    if found.perhaps is not None:
        both = (_coats_recorded(timeline, part) for part in (replace(found, perhaps=None), found.perhaps))
        total, again, countless = (np.concatenate(side) for side in zip(*both, strict=True))
        return total, again, countless
    treated, session_of, count = found.treated, found.session_of, len(found.sessions)
    coat, has_coat = whole(timeline, "coat", treated.task)
    coats, has_coats = whole(timeline, "coats", treated.task)
    total = np.zeros(count, np.int64)
    # One that gives both may be coat 2 of 3, or stand for 3.
    two_ways = has_coat & has_coats
    np.add.at(total, session_of[has_coats & ~two_ways], coats[has_coats & ~two_ways])
    # One number for each coat number of a session: however often it stands there, it counts once.
    names, rank = np.unique(coat, return_inverse=True)
    numbered = np.flatnonzero(has_coat)
    coat_of = session_of[numbered] * len(names) + rank[numbered]
    total += np.bincount(np.unique(coat_of) // max(len(names), 1), minlength=count)
    # At the very same time it is one coat, entered twice; at different times perhaps two.
    several = numbered[np.bincount(coat_of)[coat_of] > 1]
    times = (timeline.times[name][treated.task[several]] for name in ("started_at", "finished_at"))
    # How many different times a number has, less one for each number: what may be coats of their own.
    keys = np.stack((session_of[several], coat[several], *times))
    apart, alike = (np.unique(part, axis=1)[0] for part in (keys, keys[:2]))
    again = np.bincount(apart, minlength=count) - np.bincount(alike, minlength=count)
    np.add.at(again, session_of[two_ways], np.maximum(coats[two_ways] - 1, 0))
    blank = session_of[~has_coat & ~has_coats]
    np.add.at(total, blank, 1)
    countless = np.zeros(count, bool)
    countless[blank] = True
    return total, again, countless


def _coats_of_one_record(timeline: Timeline, found: InSessions) -> Ints:
    """How many coats the record of each session with the fewest stands for by itself."""
    _, has_coat = whole(timeline, "coat", found.treated.task)
    coats, has_coats = whole(timeline, "coats", found.treated.task)
    return least_of(found.session_of, np.where(has_coats & ~has_coat, coats, 1), len(found.sessions))


def _sessions(rule: CountRule, timeline: Timeline) -> Judgement:
    """A finding when a boot that flew in a season had fewer or more sessions in it than allowed.

    A session counts by its end. Too few are only too few once the season, or the boot's time, is over, and where the
    export tells of it from its start.
    """
    reasons = reasons_of(timeline)
    time, flight, doubt = _carried_in_flight(timeline, boot_time(timeline, rule.boots, rule.season))
    treated = treated_within(timeline, in_sessions(timeline, rule.scope).elsewhere(timeline), time)
    end = recorded_until(timeline)

    def doubtful(so: Bools, why: Why, perhaps: Bools) -> Ints:
        """Why something is in doubt: it is so, or may be by a row of the boots' history that was set aside."""
        return first_of(reasons.where(so, why), reasons.where(perhaps, NO_BOOT))

    not_over = doubtful(time.end > timeline.as_of, NOT_OVER, time.perhaps_end > timeline.as_of)
    unseen = doubtful(time.start < timeline.since, UNSEEN, time.perhaps_start < timeline.since)
    unrecorded = doubtful(time.end > end, RECORDS_END, time.perhaps_end > end)

    def broken(view: View, index: Ints) -> Bools:
        too_few = rule.allowed.too_few(treated.count(view.favour(treated.doubt), len(time))[index])
        too_many = rule.allowed.too_many(treated.count(view.against(treated.doubt), len(time))[index])
        too_few = view.excused(too_few, *(why[index] for why in (not_over, unseen, unrecorded, time.ended)))
        if rule.allowed.at_most is not None:
            too_many = view.suspected(too_many, first_of(unseen, unrecorded)[index])
        return too_few | too_many

    total = treated.count(treated.doubt == CERTAIN, len(time))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        one = time.take(index)
        return {
            "window": one.start,
            "flight": flight[index],
            "named_at": one.named_at,
            "place": one.place,
            "component": one.component,
            "at": np.where(finding, np.minimum(one.end, timeline.as_of), one.known_start),
            "anchor": one.start,
            "measured": total[index].astype(float),
            "limit": rule.allowed.limit(total[index]),
            "unit": "treatments",
        }

    return judged(timeline, broken, doubt, shown)


def _carried_in_flight(timeline: Timeline, time: BootTime) -> tuple[BootTime, Ints, Ints]:
    """The seasons in which boots flew, surely or perhaps; their first flight, and why they may be out of scope."""

    def flew(view: View, index: Ints) -> Bools:
        some = time.take(index)
        if view.side == "harsh":
            return first_takeoff(timeline, view, some, some.perhaps_start)[0] < some.perhaps_end
        return first_takeoff(timeline, view, some, some.known_start)[0] < some.known_end

    kept, doubt = in_scope(timeline, flew, "harsh", time.doubt)
    time = time.take(kept)
    _, flight = first_takeoff(timeline, PLAIN, time, time.known_start)
    return time, flight, doubt


def _identity(rule: CountRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> Keys:
    if rule.sessions is None:
        return of_session(rule, cases, evidence, timeline)
    # The boot by its serial: of two at one position in a season each has its own season. One that was moved to an
    # aircraft of another base may have begun two on one day.
    began = (moment.removesuffix("T00:00:00") for moment in moments(cases["window"].to_numpy()))
    return list(zip(evidence["component_serial"], began, strict=True))


def _facts(rule: CountRule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    facts = of_treatment(rule, cases, timeline)
    return facts if rule.sessions is None else {**facts, **_flown(cases, timeline)}


def _flown(cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    """What each boot flew from where its season began to where it ended, and the last day of that."""
    flights = timeline.flights
    aircraft = timeline.aircraft_of(cases["place"].to_numpy())
    first, last = (flights.first_from(aircraft, cases[name].to_numpy()) for name in ("anchor", "at"))
    return {
        "hours": ((flights.flown[last] - flights.flown[first]) / HOUR).tolist(),
        "flights": (last - first).tolist(),
        "last_day": days(cases["at"].to_numpy() - 1).tolist(),
    }


def _told(rule: CountRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Say how many coats or sessions there are and how many there should be."""
    measured, limit = int(case["measured"]), int(case["limit"])
    number = quantity(measured, "coat" if rule.sessions is None else "treatment")
    values = {"measured": number, "limit": f"{limit:,}"}
    kinds: tuple[str, ...] = ("too_few",) if measured else ("none", "too_few")
    asked = f"at least {limit:,} required"
    if measured > limit:
        kinds, asked = ("too_many",), f"at most {limit:,} allowed"
    if rule.sessions is None:
        yield Said(kinds, values, f"{number} of {case['product']} recorded; {asked}.")
        return
    flights, until = quantity(case["flights"], "flight"), case["last_day"]
    hours = quantity(round(case["hours"], 2), "flight hour")
    values |= {"hours": hours, "flights": flights, "until": until}
    done = f"with {number}; {asked}" if measured else f"without {describing.of_class(rule.scope)}"
    yield Said(kinds, values, f"Flew {hours} in {flights} in the season, from {case['since']} to {until}, {done}.")


def _figures(rule: CountRule) -> Mapping[str, str]:
    thing = "coat" if rule.sessions is None else "treatment"
    limit = describing.range_in_words(rule.allowed, partial(quantity, unit=thing))
    return {"limit": limit, **describing.season_figure(rule.season)}


def _looks_at(rule: CountRule) -> str:
    if rule.season is None:
        return describing.sessions(rule.scope)
    return " ".join(
        (
            f"Each boot in each season, {describing.season_days(rule.season)}, in which its aircraft took off with it.",
            f"What is counted are sessions of {describing.records(rule.scope)}, by their end. {describing.SESSION}",
            *describing.only_boots(rule.boots),
        )
    )


def _demands(rule: CountRule) -> tuple[str, ...]:
    thing = "coats recorded" if rule.sessions is None else "sessions recorded in it"
    return (f"{thing}: {describing.limits(rule.allowed)}",)


def _unjudged_when(rule: CountRule) -> Iterator[str]:
    if rule.sessions is None:
        yield "a record gives neither its coat nor a number of coats, and the verdict depends on it"
        yield "several records have the same coat number, and the verdict depends on whether they are one coat"
        yield "another record may be one of the coats on which the verdict depends, its product or position not known"
        yield from (
            describing.PERHAPS_SWAPPED,
            describing.MAY_BE_WORK,
            describing.JOB_RUNNING,
            describing.RECORDS_END,
        )
        return
    yield "the season is not over, or began before the first record or flight of the export"
    yield "a record that may be one of those counted lies in the season"
    yield from (
        describing.NO_POSITION_KNOWN,
        describing.NO_BOOT_KNOWN,
        describing.RECORDS_END,
        *describing.flights_unclear(),
        describing.SEASON_NOT_SET,
        describing.CLOCK_WENT_BACK,
    )


def _never(rule: CountRule) -> Iterator[Never]:
    if rule.coats == Number(at_least=1):
        yield Never(("coats",), "every session has a coat: nothing can ever be a finding")


def _planter(rule: CountRule, timeline: Timeline) -> Planter:
    """The least or the most that may be, in turn, or one fewer or more."""
    targets = rule.allowed.sides

    def plant(spot: Spot) -> Planted:
        side, limit = targets[spot.turn % len(targets)]
        step = -1 if side == "least" else 1
        target = limit + step * spot.outside
        return _with_coats(rule, timeline, spot, target) if rule.coats else _with_sessions(rule, timeline, spot, target)

    return plant


def _with_coats(rule: CountRule, timeline: Timeline, spot: Spot, target: int) -> Planted:
    """So many coats in the session of a case: the last ones void, or more of them below."""
    rows = planting.session_rows(timeline, rule.scope, spot)
    if not len(rows) or target < 1:
        raise NotPlantable("without a coat there is no session")
    (coat, numbered), (coats, several_coats) = (whole(timeline, name, rows) for name in ("coat", "coats"))
    if not (numbered | several_coats).all():
        raise NotPlantable("a record of it doesn't say how many coats it stands for")
    ends = timeline.times["finished_at"][rows]
    start, end = int(timeline.times["started_at"][rows].min()), int(ends.max())
    single = np.unique(coat[~several_coats])
    more = target - len(single) - int(coats[several_coats].sum())
    what, window = f"{target} coats in the session", (start, end + HOUR)
    if several_coats.any():
        nth = int(np.argmax(np.where(several_coats, coats, 0)))
        if coats[nth] + more < 1:
            raise NotPlantable("without a coat there is no session")
        return Planted(what, (Edit("tasks", int(rows[nth]), {"coats": str(coats[nth] + more)}),), window)
    if more <= 0:
        gone = rows[np.isin(coat, single[len(single) + more :])]
        return Planted(what, planting.voided(timeline, gone.tolist()), window)
    last, order = int(rows[np.argmax(ends)]), planting.cell(timeline, "tasks", "work_order", int(rows[0]))
    edits = []
    for number in range(1, more + 1):
        record = {"task_id": f"{spot.name}-{number}", "work_order": order, "coat": str(int(single[-1]) + number)}
        edits.append(planting.new_record(timeline, spot, last, end + number * 20 * MINUTE, **record))
    return Planted(what, tuple(edits), (start, end + HOUR + more * HOUR))


def _with_sessions(rule: CountRule, timeline: Timeline, spot: Spot, target: int) -> Planted:
    """So many treatments of the boot of a case in its season: others are no longer of this boot, or new ones are."""
    assert rule.season is not None
    since, component = spot["anchor"], spot["component"]
    # The boot was last at the place of the case in that season.
    stays = timeline.components
    until = min(planting.season_end(timeline, rule.season, spot, since), int(stays.removed[component]))
    done = in_sessions(timeline, rule.scope)
    boot = stays.boot_of(np.array([component]))
    mine = np.flatnonzero((done.sessions.boot == boot) & (done.sessions.end >= since) & (done.sessions.end < until))
    what, window = f"{target} treatments in the season", (since, until)
    gone = mine[np.argsort(done.sessions.end[mine], kind="stable")][max(target, 0) :]
    if len(mine) >= target:
        treated = np.isin(done.session_of, done.sessions.number[gone]) & (done.treated.boot == boot)
        # Each where the boot was then: it may have changed its place since.
        where = dict(zip(done.treated.task[treated].tolist(), done.treated.place[treated].tolist(), strict=True))
        return Planted(what, tuple(_not_of(timeline, row, place) for row, place in sorted(where.items())), window)
    like = planting.nearest(timeline, done.treated.task, since)
    since = max(since, int(stays.installed[component]))
    edits = []
    for number in range(target - len(mine)):
        name = f"{spot.name}-{number}"
        at = since + HOUR + number * 2 * DAY
        if at >= until:
            raise NotPlantable("the season has no time for so many")
        edits.append(planting.new_record(timeline, spot, like, at, task_id=name, work_order=name))
    return Planted(what, tuple(edits), window)


def _not_of(timeline: Timeline, row: int, place: int) -> Edit:
    """A task record that is no longer of a place: it names its other positions, or is void where it has no other."""
    places = timeline.placed(np.array([row]))[1]
    others = timeline.position_of(places[places != place])
    names = [str(timeline.position_names[code]) for code in others.tolist() if code != timeline.unknown_position]
    if not names:
        return planting.voided(timeline, [row])[0]
    return Edit("tasks", row, {"position": "; ".join(names), "component_serial": ""})


COUNT = Form(
    name="count",
    pattern="bounded existence (Dwyer, Avrunin, Corbett 1999)",
    rule=CountRule,
    finding=(
        "a session has too few or too many coats; or a boot that flew in a season had too few or too many sessions "
        "in it"
    ),
    subjects="session; boot and season",
    named_by=(
        "of coats: aircraft, position, work order, product class, first record; of sessions: component serial, when "
        "the season or the boot's time in it began"
    ),
    evaluate=evaluate,
    plant=_planter,
    reads=lambda rule: ("tasks.position", *(() if rule.sessions is None else ("components", "flights"))),
    may_read=lambda rule: (
        *SESSIONS_READ,
        *BOOTS_READ,
        *(("tasks.coat", "tasks.coats") if rule.sessions is None else SEASON_READ),
    ),
    selects=lambda rule: (rule.scope,),
    identity=_identity,
    facts=_facts,
    told=_told,
    values={
        **OF_TREATMENT,
        "measured": "how many there were: 2 coats, 1 treatment",
        "limit": "how many there must be, or may be: 3",
        "hours": "what the boot flew in the season (of sessions only): 28 flight hours",
        "flights": "in how many flights (of sessions only)",
        "until": "the last day (UTC) of that (of sessions only)",
    },
    kinds={"too_few": "fewer than required", "too_many": "more than allowed", "none": "none at all"},
    figures=_figures,
    # What is counted over a time isn't any one record's.
    dated_by=lambda rule: "task" if rule.sessions is None else None,
    drawing=lambda rule: AroundSession(marked=False),
    looks_at=_looks_at,
    demands=_demands,
    unjudged_when=_unjudged_when,
    never=_never,
    settable=("season", "coats", "sessions"),
    skeleton="""\
coats: {at_least: 2, at_most: 3}
examples:
  - name: two coats
    expect: complies
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z'}
      - {product: gloss-coating, coat: 2, started_at: '2025-06-02T10:00:00Z'}
  - name: one coat
    expect: finding
    tasks: [{product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z'}]
  - name: four coats in one record
    expect: finding
    tasks: [{product: gloss-coating, coats: 4, started_at: '2025-06-02T09:00:00Z'}]
  - name: the record doesn't say how many
    expect: unjudged
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
""",
)
