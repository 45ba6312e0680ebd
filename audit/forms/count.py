"""count [bounded existence]: the right number of coats in a session, or of sessions in a season.

Subject: a session; a boot in a season in which it flew.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import ConfigDict, model_validator

from audit.figures import figure, several
from audit.forms.boots import boot_time, perhaps_treated, surely_treated
from audit.forms.conditions import UNKNOWN
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    NO_BOOT_KNOWN,
    NO_POSITION_KNOWN,
    SESSION,
    limits,
    not_supplied,
    of_class,
    only_boots,
    records,
    season_days,
)
from audit.forms.describing import sessions as sessions_in_words
from audit.forms.drawing import (
    AroundSession,
)
from audit.forms.form import BOOTS_READ, SESSIONS_READ, Form, Never
from audit.forms.naming import at_work_order, days, of_session, of_treatment
from audit.forms.outcomes import NONE, Outcomes, cases
from audit.forms.treatments import NO_POSITION, in_sessions, kin
from audit.language.condition import BootConditions
from audit.language.events import Season, check_limits
from audit.language.rule import Rule
from audit.language.values import Count
from audit.timeline.instants import HOUR, Bools, Ints, Order
from audit.timeline.records import values
from audit.timeline.timeline import Timeline
from audit.yaml.faults import Misplaced, Part


class Number(Part):
    """How many there may be, both limits included."""

    at_least: Count | None = None
    at_most: Count | None = None

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        check_limits(self.at_least, self.at_most)
        return self


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

    @model_validator(mode="after")
    def _counts_one_thing(self) -> Self:
        if (self.coats is None) == (self.sessions is None):
            raise ValueError("expected either `coats` or `sessions`")
        if (self.sessions is None) != (self.season is None):
            raise ValueError("expected `season` beside `sessions`, and only there")
        if self.sessions is None and self.boots.names():
            raise Misplaced([(("boots",), "expected `boots` beside `sessions` only; coats are chosen by `scope`")])
        return self


NOT_OVER = "the season is not over"
UNSEEN = "the season began before the first record or flight of the export"


def evaluate(rule: CountRule, timeline: Timeline) -> Outcomes:
    """Judge what the rule counts: coats of a session, or sessions of a boot in a season."""
    if rule.coats is not None:
        return _coats(rule, rule.coats, timeline)
    assert rule.sessions is not None
    return _sessions(rule, rule.sessions, timeline)


def _coats(rule: CountRule, allowed: Number, timeline: Timeline) -> Outcomes:
    """A finding when a session has fewer or more coats than allowed.

    A record with `coats` stands for that many, one with `coat` for that coat; the same coat entered twice is one coat.
    A record with neither stands for one coat or more. Coats that may be of the session, since their product or position
    isn't known, leave it unjudged where they would mend or spoil it.
    """
    treated, subjects = in_sessions(timeline, rule.scope)
    count = len(subjects.task)
    coat, has_coat = _whole(timeline, "coat", treated.task)
    coats, has_coats = _whole(timeline, "coats", treated.task)

    total = np.zeros(count, np.int64)
    np.add.at(total, subjects.session_of[has_coats], coats[has_coats])
    names, rank = np.unique(coat, return_inverse=True)
    numbered = np.unique((subjects.session_of * len(names) + rank)[has_coat & ~has_coats])
    np.add.at(total, numbered // max(len(names), 1), 1)
    blank = ~has_coat & ~has_coats
    open_ended = np.zeros(count, bool)
    open_ended[subjects.session_of[blank]] = True
    np.add.at(total, subjects.session_of[blank], 1)

    too_few, too_many = _outside(total, allowed)
    reason = np.full(count, "", object)
    # There may be more coats than can be counted: that may mend too few, or make too many.
    countless = too_few | (allowed.at_most is not None)
    reason[open_ended & countless & ~too_many] = "value missing: coat"
    related = kin(timeline, subjects)
    most = total.copy()
    np.add.at(most, related.one, total[related.other])
    still_too_few, perhaps_too_many = _outside(most, allowed)
    in_doubt = (too_few & ~still_too_few) | (~too_few & perhaps_too_many)
    in_doubt[related.one[open_ended[related.other]]] |= countless[related.one[open_ended[related.other]]]
    pairs = np.flatnonzero((in_doubt & ~too_many & (reason == ""))[related.one])
    reason[related.one[pairs]] = related.reason[pairs]
    # What names no position may be of several boots.
    nowhere = timeline.position_of(subjects.place) == timeline.unknown_position
    reason[nowhere & too_many] = NO_POSITION
    undecided = subjects.truth == UNKNOWN
    reason[undecided] = subjects.reason[undecided]
    finding = (too_few | too_many) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    return Outcomes(
        count,
        cases(
            len(index),
            finding=finding[index],
            reason=np.where(finding, "", reason)[index],
            subject=subjects.task[index],
            task=subjects.last[index],
            place=subjects.place[index],
            component=subjects.component[index],
            at=subjects.end[index],
            measured=np.where(finding, total, np.nan)[index],
            limit=np.where(too_few, allowed.at_least or 0, allowed.at_most or 0)[index],
            unit="coats",
        ),
    )


def _outside(total: Ints, allowed: Number) -> tuple[Bools, Bools]:
    """Which are fewer, and which are more, than allowed."""
    few, many = allowed.at_least, allowed.at_most
    none = np.zeros(len(total), bool)
    return (none if few is None else total < few), (none if many is None else total > many)


def _whole(timeline: Timeline, name: str, rows: Ints) -> tuple[Ints, Bools]:
    found = values(timeline, name, rows)
    assert found.numbers is not None
    return np.where(found.missing, 0, found.numbers).astype(np.int64), ~found.missing


def _sessions(rule: CountRule, allowed: Number, timeline: Timeline) -> Outcomes:
    """A finding when a boot that flew in a season had fewer or more sessions in it than allowed.

    A session counts by its end. Too few are only too few once the season, or the boot's time on the aircraft, is over,
    and where the export tells of it from its start.
    """
    _, done = in_sessions(timeline, rule.scope)
    time = boot_time(timeline, rule.boots, rule.season)
    aircraft = timeline.aircraft_of(timeline.components.place[time.component])
    flights = timeline.flights
    takeoff = flights.first_from(aircraft, time.known_start)
    if timeline.supplied("flights"):
        flew = np.flatnonzero(flights.first_from(aircraft, time.known_end) > takeoff)
        time, takeoff = time.those(flew), takeoff[flew]

    sure = surely_treated(done)
    ends = Order.of(done.component[sure], done.end[sure])
    total = ends.count(time.component, time.known_end, "before") - ends.count(
        time.component, time.known_start, "before"
    )
    perhaps, why = perhaps_treated(timeline, done, time.component, time.known_start, time.known_end)
    count = len(total)
    too_few, too_many = _outside(total, allowed)
    perhaps_too_few, perhaps_too_many = _outside(total + perhaps, allowed)
    reason = np.full(count, "", object)
    unseen = time.start < timeline.since
    reason[~too_many & unseen & (too_few | (allowed.at_most is not None))] = UNSEEN
    reason[too_few & (time.end > timeline.as_of)] = NOT_OVER
    in_doubt = (perhaps_too_many & ~too_many) | (too_few & ~perhaps_too_few)
    reason[in_doubt] = why[in_doubt]
    if not timeline.supplied("flights"):
        reason[:] = "table not supplied: flights"
    unsure = time.truth == UNKNOWN
    reason[unsure] = time.reason[unsure]
    finding = (too_few | too_many) & (reason == "")
    index = np.flatnonzero(finding | (reason != ""))
    return Outcomes(
        count,
        cases(
            len(index),
            finding=finding[index],
            reason=reason[index],
            subject=-2 - (time.component * (int(time.number.max(initial=0)) + 1) + time.number)[index],
            flight=np.where(finding, np.append(flights.row, NONE)[np.minimum(takeoff, len(flights.row))], NONE)[index],
            place=timeline.components.place[time.component][index],
            component=time.component[index],
            at=np.where(finding, np.minimum(time.end, timeline.as_of), time.known_start)[index],
            anchor=time.start[index],
            measured=np.where(finding, total, np.nan)[index],
            limit=np.where(too_few, allowed.at_least or 0, allowed.at_most or 0)[index],
            unit="treatments",
        ),
    )


def _identity(
    rule: CountRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline
) -> list[tuple[str, ...]]:
    if rule.sessions is None:
        return of_session(rule, cases, evidence, timeline)
    # The boot by its serial: of two at one position in a season each has its own season.
    return at_work_order(cases, evidence, timeline, evidence["component_serial"], days(cases["anchor"].to_numpy()))


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


def _sentence(rule: CountRule, case: Mapping[str, Any]) -> str:
    """Say how many coats or sessions there are and how many there should be."""
    side, asked = ("at least", "needed") if case["measured"] < case["limit"] else ("at most", "allowed")
    if rule.sessions is None:
        return (
            f"{several(int(case['measured']), 'coat')} of {case['treatment']} recorded; "
            f"{side} {figure(case['limit'])} {asked}."
        )
    flown = f"Flew {figure(case['hours'])} flight hours in {several(case['flights'], 'flight')}"
    season = f"in the season, from {case['anchor_day']} to {case['last_day']},"
    if not case["measured"]:
        return f"{flown} {season} without {of_class(rule.scope)}."
    done = several(int(case["measured"]), "treatment")
    return f"{flown} {season} with {done}; {side} {figure(case['limit'])} {asked}."


def _looks_at(rule: CountRule) -> str:
    if rule.season is None:
        return sessions_in_words(rule.scope)
    return " ".join(
        (
            f"Each boot in each season, {season_days(rule.season)}, in which its aircraft took off with it.",
            f"What is counted are sessions of {records(rule.scope)}, by their end. {SESSION}",
            *only_boots(rule.boots),
        )
    )


def _demands(rule: CountRule) -> tuple[str, ...]:
    if rule.sessions is not None:
        return (f"sessions recorded in it: {limits(rule.sessions.at_least, rule.sessions.at_most)}",)
    assert rule.coats is not None
    return (f"coats recorded: {limits(rule.coats.at_least, rule.coats.at_most)}",)


def _unjudged_when(rule: CountRule) -> Iterator[str]:
    if rule.sessions is None:
        yield "a record gives neither its coat nor a number of coats, and the verdict hangs on it"
        yield "another record may be one of the coats on which the verdict hangs, its product or position not known"
        return
    yield "the season is not over, or began before the first record or flight of the export"
    yield "a record that may be one of those counted lies in the season"
    yield from (NO_POSITION_KNOWN, NO_BOOT_KNOWN, not_supplied("flights"), CLOCK_WENT_BACK)


def _never(rule: CountRule) -> Iterator[Never]:
    if rule.coats == Number(at_least=1):
        yield Never(("coats",), "every session has a coat: nothing can ever be a finding")


COUNT = Form(
    name="count",
    rule=CountRule,
    finding=(
        "a session has too few or too many coats; or a boot that flew in a season had too few or too many sessions "
        "in it"
    ),
    subjects="session; boot and season",
    named_by=(
        "of coats: aircraft, position, work order, product class; of sessions: aircraft, position, component serial, "
        "the day the season or the boot's time in it began"
    ),
    evaluate=evaluate,
    reads=lambda rule: ("tasks.position", *(() if rule.sessions is None else ("components", "flights"))),
    may_read=lambda rule: (*SESSIONS_READ, *(("tasks.coat", "tasks.coats") if rule.sessions is None else BOOTS_READ)),
    selects=lambda rule: (rule.scope,),
    identity=_identity,
    facts=_facts,
    sentence=_sentence,
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
    tasks:
      - {product: gloss-coating, coat: 1, started_at: '2025-06-02T09:00:00Z'}
  - name: four coats in one record
    expect: finding
    tasks:
      - {product: gloss-coating, coats: 4, started_at: '2025-06-02T09:00:00Z'}
  - name: the record doesn't say how many
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
""",
)
