"""overlap [interval relations]: two things that can't both be true overlap in time. Subject: a pair."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Literal, Self

import numpy as np
import pandas as pd
from pydantic import Field, model_validator

from audit.evidence.boots import removal_unknown
from audit.evidence.conditions import FALSE, TRUE, judge
from audit.evidence.doubt import BACKWARDS, CERTAIN, Rank, Why, first_of, reasons_of, unlogged
from audit.evidence.overlapping import (
    TABLE_OF,
    TIMES,
    Things,
    as_one,
    common_codes,
    nearly_same,
    one_by_one,
    overlapping,
    perhaps_overlapping,
    set_aside,
    things,
    within_rounding,
)
from audit.evidence.treatments import UNREADABLE_RECORD, doubt_of
from audit.figures import quantity, time_span
from audit.forms import describing
from audit.forms.drawing import TwoThings
from audit.forms.form import COVERAGE_READ, Form, Never
from audit.forms.naming import Keys, Texts, cells, moments
from audit.forms.outcomes import Judgement, joined, unbroken
from audit.intake.tables import COMPONENTS, FLIGHTS, TABLES, TASKS
from audit.language.in_words import all_of, conditions_in_words, label_of, list_in_words, name_in_words
from audit.language.rule import Rule
from audit.language.wording import Said
from audit.planting import planting
from audit.planting.planting import Edit, NotPlantable, Planted, Planter, Spot
from audit.timeline.aerodromes import location_indicators
from audit.timeline.codes import MISSING, by_name
from audit.timeline.coverage import WHY, Missing
from audit.timeline.instants import DAY, HOUR, MINUTE, NEVER, SECOND, Bools, Ints, micros
from audit.timeline.readings import Owner
from audit.timeline.timeline import TASK_TIMES, Timeline
from audit.timeline.vocabulary import VOCABULARY
from audit.yaml.faults import MOST_FAULTS, Misplaced, did_you_mean, quoted
from audit.yaml.source import KeyPath

SHARED_COLUMNS: Mapping[str, tuple[str, ...]] = {
    **{table.name: tuple(table.columns) for table in (TASKS, FLIGHTS, COMPONENTS)},
    "stays": ("aircraft", "station"),
}
"""The columns by which things can be compared that overlap in time."""


class OverlapRule(Rule):
    """Two things that can't both be true don't overlap in time.

    `between` names the two kinds of things: task records, flights, installed components, or stays (an aircraft standing
    at a flight's destination until its next takeoff). `same` and `differing` name columns that both kinds have. `scope`
    restricts the task records.
    """

    form: Literal["overlap"]
    between: tuple[
        Literal["tasks", "flights", "components"],
        Literal["tasks", "flights", "components", "stays"],
    ]
    same: tuple[str, ...] = Field(min_length=1)
    differing: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _names_records_first(self) -> Self:
        if self.between[1] == "tasks" and self.between[0] != "tasks":
            raise Misplaced([(("between",), "expected `tasks` first")])
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[KeyPath, str]]:
        for key, names in (("same", self.same), ("differing", self.differing)):
            for number, name in enumerate(names):
                for kind in self.between:
                    known = SHARED_COLUMNS[kind]
                    if name not in known:
                        sentence = f"{kind} have no column {quoted(name)}{did_you_mean(name, known)}"
                        yield (key, number), f"{sentence}; expected one of {', '.join(known)}"


def evaluate(rule: OverlapRule, timeline: Timeline) -> Judgement:
    """A finding for each pair that overlaps in time, agrees on `same` and differs in `differing`.

    The first column of `same` must be known; for the others two blanks agree. An instant overlaps what began before it
    and ends after it, and another at the same time. What contradicts nothing complies; a pair of which a differing
    value is missing is unjudged.
    """
    one, other = rule.between
    scope, reasons = judge(rule.scope, timeline, timeline.rows), reasons_of(timeline)
    kept = np.flatnonzero(scope.truth != FALSE)
    columns = (*rule.same, *rule.differing)
    # Two of one kind are compared with themselves: each pair comes once.
    left = things(timeline, one, timeline.rows[kept], columns)
    right = left if other == one else things(timeline, other, timeline.rows[kept], columns)
    in_scope = doubt_of(reasons, scope, kept) if one == "tasks" else np.full(len(left.row), CERTAIN)
    # Names that are nearly equal are looked for as one: such a pair is found, and is in doubt.
    merged = as_one(timeline, left) if left is right else left
    known, first, second = overlapping(rule.same, merged, merged if left is right else right)
    first, second, unknown, nearly = _apart(rule, timeline, left, right, first, second)
    if merged is not left:
        nearly |= nearly_same(rule.same, left, first, second)
    a, b = left.take(first), right.take(second)
    start, end = np.maximum(a.start, b.start), np.minimum(a.end, b.end)
    doubt = first_of(
        in_scope[first],
        reasons.where(unknown, (Rank.RECORD, f"value missing: {' or '.join(rule.differing)}")),
        reasons.where(nearly, NEARLY_EQUAL),
        *_pairs_in_doubt(timeline, a, b, end),
        *([in_scope[second]] if one == other else []),
    )

    def both(index: Ints, finding: Bools) -> Mapping[str, Any]:
        row, another = a.row[index], b.row[index]
        # Of two rows of one table the upper one is the subject, whichever of them began first.
        pair = (np.minimum(row, another), np.maximum(row, another)) if one == other else (row, another)
        return {
            **({"flight": another} if TABLE_OF[other] == "flights" else {}),
            _EVIDENCE[one]: row,
            "subject": pair[0],
            "other_subject": pair[1],
            "other": another,
            "at": start[index],
            "measured": (end - start)[index] / HOUR,
            "limit": 0.0,
            "unit": "h",
        }

    # What takes part in no pair is a subject all the same: it complies, or may be in a pair that is not known.
    paired = np.append(first, second) if one == other else first
    alone = np.flatnonzero(np.bincount(paired, minlength=len(left.row)) == 0)

    def singles(index: Ints, finding: Bools) -> Mapping[str, Any]:
        row = left.row[alone[index]]
        return {"at": left.start[alone[index]], "subject": row, _EVIDENCE[one]: row}

    pairs = Judgement(np.ones(len(first), bool), doubt, reasons, both)
    doubt = first_of(*_alone_in_doubt(rule, timeline, left, right, alone, known[alone]), in_scope[alone])
    return joined([pairs, unbroken(timeline, doubt, singles)])


_EVIDENCE = {"tasks": "task", "flights": "flight", "components": "component"}
"""The column of a case that names a thing of each kind."""
NEARLY_EQUAL: Why = (Rank.RECORD, "names are nearly equal: they may be one, or two")
NEARLY_THERE: Why = (Rank.RECORD, "the record names a station of nearly the same name as another")
_ASIDE: Mapping[str, Why] = {
    "tasks": UNREADABLE_RECORD,
    "flights": (Rank.NOT_COVERED, WHY[Missing.UNREADABLE]),
    "components": (Rank.UNREADABLE, "a boot in quarantine may change the result"),
}
_WITHOUT_A_FLIGHT = (Missing.AIRCRAFT, Missing.GAP, Missing.ELSEWHERE, Missing.LEG, Missing.NAME)
_UNLOGGED = {"flights": _WITHOUT_A_FLIGHT, "stays": (*_WITHOUT_A_FLIGHT, Missing.UNREADABLE)}
"""Why work that contradicts no flight, or no stay, of its aircraft may contradict one that the log lacks."""
BY_DAY: Why = (Rank.TIED, "a day without a time: the two overlap by no more than that day")
ROUNDED: Why = (Rank.TIED, "times to the minute: the two overlap by no more than their rounding")


def _pairs_in_doubt(timeline: Timeline, one: Things, other: Things, until: Ints) -> Iterator[Ints]:
    """Why two things that overlap until an instant may not have overlapped, the first to be told first.

    Work elsewhere while an aircraft stands somewhere isn't such a doubt: it is the finding.
    """
    reasons = reasons_of(timeline)
    for side in (one, other):
        if side.kind == "components" and len(side.row):
            yield np.where(timeline.components.open_ended[side.row], removal_unknown(timeline), CERTAIN)
        if side.kind == "tasks":
            yield reasons.where(_turned(timeline, side) & ~_at_once(timeline, one, other), BACKWARDS)
    if one.kind == other.kind == "components":
        yield reasons.where(~timeline.components.surely_together(one.row, other.row), BY_DAY)
    if other.kind == "stays":
        near = frozenset().union(*(timeline.near_names.get(("station", name), ()) for name in ("flights", "stations")))
        alike = by_name(timeline.tasks["station"], near.__contains__, False, one.row)
        yield reasons.where(alike, NEARLY_THERE)
        kinds = (Missing.UNREADABLE, Missing.NAME, Missing.LEG, Missing.GAP)
        # From the landing on that began the stay.
        yield unlogged(timeline, timeline.aircraft[one.row], other.start, until, kinds)
    yield reasons.where(within_rounding(one, other), ROUNDED)


def _turned(timeline: Timeline, records: Things) -> Bools:
    """Which records end before they start."""
    start, end = (timeline.times[name][records.row] for name in TIMES["tasks"])
    return np.asarray(end < start)


def _at_once(timeline: Timeline, one: Things, other: Things) -> Bools:
    """Which pairs of records have the same times: whenever that was, they overlap."""
    if one.kind != other.kind:
        return np.zeros(len(one.row), bool)
    start, end = (timeline.times[name] for name in TIMES["tasks"])
    alike: Bools = (start[one.row] == start[other.row]) & (end[one.row] == end[other.row])
    return alike


def _perhaps_when_turned(rule: OverlapRule, timeline: Timeline, left: Things, right: Things) -> Bools:
    """Which records that end before they start may overlap something: one of the two times is wrong, and work lasts a
    day at most."""
    found = np.zeros(len(left.row), bool)
    if not set(TIMES["tasks"]) <= set(rule.same):
        turned = np.flatnonzero(_turned(timeline, left))
        some = left.take(turned)
        start, end = (timeline.times[name][some.row] for name in TIMES["tasks"])
        # From a day before the end to a day after the start: within that it was done, whichever time is wrong.
        some = replace(some, start=end - DAY, end=start + DAY)
        found[turned] = perhaps_overlapping(timeline, rule.same, rule.differing, some, right)
    return found


def _alone_in_doubt(
    rule: OverlapRule, timeline: Timeline, everything: Things, right: Things, alone: Ints, known: Bools
) -> Iterator[Ints]:
    """Why what takes part in no pair can't be judged, beside that it may not be in scope, the first to be told
    first."""
    one, other = rule.between
    left = everything.take(alone)
    reasons, same = reasons_of(timeline), rule.same[0]
    lacking = np.full(len(known), not timeline.supplied(TABLE_OF[other]))
    yield reasons.where(lacking, (Rank.NOT_SUPPLIED, f"table not supplied: {TABLE_OF[other]}"))
    if one == "tasks":
        yield reasons.where(_perhaps_when_turned(rule, timeline, left, right), BACKWARDS)
        if TABLE_OF[other] == "flights":
            aircraft, ends = timeline.aircraft[left.row], np.maximum(left.end, left.start + 1)
            yield unlogged(timeline, aircraft, left.start, ends, _UNLOGGED[other])
        several = timeline.several_names.get(("tasks", same), np.empty(0, np.int64))
        yield reasons.where(np.isin(left.row, several), (Rank.RECORD, f"{same} names several people"))
        if len(several) and other == "tasks":
            # One of several may be who is named alone elsewhere.
            crowd = one_by_one(everything, np.flatnonzero(np.isin(everything.row, several)), same)
            met = perhaps_overlapping(timeline, rule.same, rule.differing, left, crowd)
            yield reasons.where(met, (Rank.RECORD, f"{same} of another record names several people"))
    yield reasons.where(~known, (Rank.RECORD, f"value missing: {same}"))
    if other != "stays":
        rows = timeline.perhaps[timeline.perhaps >= timeline.audited]
        rows = rows[judge(rule.scope, timeline, rows).truth != FALSE]
        aside = set_aside(timeline, other, rows, (*rule.same, *rule.differing))
        yield reasons.where(perhaps_overlapping(timeline, rule.same, rule.differing, left, aside), _ASIDE[other])


def _apart(
    rule: OverlapRule, timeline: Timeline, left: Things, right: Things, first: Ints, second: Ints
) -> tuple[Ints, Ints, Bools, Bools]:
    """The pairs that differ in every column of `differing`, or may; and which only may, since a value is missing, or
    since two names are nearly equal."""
    unknown, equal, nearly = (np.zeros(len(first), bool) for _ in range(3))
    one, other = as_one(timeline, left), as_one(timeline, right)
    for name in rule.differing:
        # As they are written, they must differ; written as one, where they are nearly equal, they may be the same.
        a, b = common_codes(left.cells(name, first), right.cells(name, second))
        missing = (a == MISSING) | (b == MISSING)
        unknown |= missing
        equal |= ~missing & (a == b)
        a, b = common_codes(one.cells(name, first), other.cells(name, second))
        nearly |= ~missing & (a == b)
    return first[~equal], second[~equal], unknown[~equal], nearly[~equal]


_NAMED_BY = {"tasks": "task_id", "flights": "flight_id", "stays": "flight_id", "components": "component_serial"}


@dataclass(frozen=True)
class _Side:
    """The one thing, or the other, of each pair: rows of its table."""

    kind: str
    frame: pd.DataFrame | None
    rows: Ints

    @property
    def names(self) -> Texts:
        """What each is called."""
        return cells(self.frame, _NAMED_BY[self.kind], self.rows)

    def keys(self, timeline: Timeline) -> list[tuple[str, str]]:
        """What names each: a boot was at a place from an instant on, and may be listed at several."""
        stay = [""] * len(self.rows)
        if self.kind == "components":
            since = moments(timeline.components.installed[self.rows])
            place = (cells(self.frame, name, self.rows) for name in ("aircraft", "position"))
            stay = [" ".join(named) for named in zip(since, *place, strict=True)]
        return list(zip(self.names, stay, strict=True))


def _sides(rule: OverlapRule, cases: pd.DataFrame, timeline: Timeline) -> tuple[_Side, _Side]:
    """The two things of each pair; of two of one kind the one whose name comes first, wherever in the file."""
    one, other = (
        _Side(kind, timeline.tables.get(TABLE_OF[kind]), cases[column].to_numpy())
        for kind, column in zip(rule.between, ("subject", "other_subject"), strict=True)
    )
    if one.kind != other.kind:
        return one, other
    turned = np.array([a > b for a, b in zip(one.keys(timeline), other.keys(timeline), strict=True)], bool)
    first, second = np.where(turned, other.rows, one.rows), np.where(turned, one.rows, other.rows)
    return replace(one, rows=first), replace(other, rows=second)


def _identity(rule: OverlapRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> Keys:
    """The two things by their names."""
    sides = (side.keys(timeline) for side in _sides(rule, cases, timeline))
    return [(*one, *other) for one, other in zip(*sides, strict=True)]


def _facts(rule: OverlapRule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    """What the two are called, what the columns say in which both agree, and what each says in those in which they
    differ."""
    found = {"measured": cases["measured"].tolist()}
    for which, side in zip(("first", "second"), _sides(rule, cases, timeline), strict=True):
        found[which] = side.names.tolist()
        for name in (*rule.same, *rule.differing):
            column = "destination" if side.kind == "stays" and name == "station" else name
            key = name if name in rule.same else f"{which}_{name}"
            found[key] = list(map(str, cells(side.frame, column, side.rows)))
    return found


_SHORT_THINGS = {"tasks": "Task", "flights": "Flight", "components": "Component", "stays": "Stay"}


def _told(rule: OverlapRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Name both things and how long they overlap."""
    one, other = (_SHORT_THINGS[kind] for kind in rule.between)
    lasted = round(case["measured"] * HOUR)
    values = {
        "measured": time_span(lasted) if lasted >= SECOND else "an instant",
        "equal": quantity(len(rule.same), "field"),
    }
    if case["first"] == case["second"]:
        yield Said(
            ("listed_twice",), values, f"{one} {case['first']} is listed twice, for {values['measured']} at once."
        )
        return
    apart = f", another {all_of(map(label_of, rule.differing))}," if rule.differing else ""
    agree = f"have the same {all_of(map(label_of, rule.same))}{apart} and overlap by {values['measured']}."
    yield Said((), values, f"{one} {case['first']} and {other.lower()} {case['second']} {agree}")


def _compared_names(rule: OverlapRule) -> Iterator[str]:
    yield from rule.same
    yield from (f"{side}_{name}" for name in rule.differing for side in ("first", "second"))


def _reads(rule: OverlapRule) -> Iterator[str]:
    yield from (TABLE_OF[kind] for kind in rule.between)
    if "tasks" in rule.between:
        yield from (f"tasks.{name}" for name in (*rule.same, *rule.differing))


def _owner(rule: OverlapRule) -> Owner:
    owners: tuple[Owner, ...] = ("aircraft", "performed_by", "certified_by")
    return next((owner for owner in owners if owner in rule.same), "none")


def _rows(rule: OverlapRule) -> Mapping[str, str]:
    one, other = (TABLE_OF[kind] for kind in rule.between)
    return {"subject": one, "other_subject": other, "other": other}


_THINGS = {
    "tasks": "task record",
    "flights": "flight",
    "components": "installed component",
    "stays": "stay of an aircraft where a flight brought it, until its next takeoff",
}


def _looks_at(rule: OverlapRule) -> str:
    one, other = rule.between
    phrases = conditions_in_words(rule.scope) if one == "tasks" else ()
    this, that = (describing.with_article(_THINGS[kind]) for kind in rule.between)
    things = f"pair of two {_THINGS[one]}s" if one == other else f"pair of {this} and {that}"
    if phrases:
        things += f" (task records only where {all_of(phrases)})"
    agree = all_of(map(_column, rule.same))
    apart = f" and a different {all_of(map(_column, rule.differing))}" if rule.differing else ""
    return f"Each {things} with the same {agree}{apart}."


def _column(name: str) -> str:
    return name_in_words(name) if name in VOCABULARY else name


def _unjudged_when(rule: OverlapRule) -> Iterator[str]:
    one, other = rule.between
    for table in dict.fromkeys(TABLE_OF[kind] for kind in rule.between):
        columns = TABLES[table].columns
        # A stay's station is the destination of its flight, which may be blank.
        for name in (rule.same[0], *rule.differing):
            if name not in columns or not columns[name].required:
                yield f"{columns[name].label if name in columns else name} is not recorded for one of the two"
    if other != one:
        yield describing.not_supplied(TABLE_OF[other])
    if one == "tasks" and other in ("flights", "stays"):
        yield describing.NOT_COVERED
        if other == "stays":
            yield "the station has nearly the same name as another"
    yield f"a row of {TABLE_OF[other]} in quarantine may contradict it"
    yield "times to the minute overlap by no more than their rounding"
    if one == "tasks":
        yield "a record ends before it starts"
        yield describing.CLOCK_WENT_BACK


def _never(rule: OverlapRule) -> Iterator[Never]:
    if both := sorted(set(rule.same) & set(rule.differing)):
        names = list_in_words(both, "and")
        yield Never(("differing",), f"{names} can't be the same and differ: nothing can ever be a finding")
    one, other = rule.between
    if one == other and set(TABLES[one].key) <= set(rule.same):
        yield Never(("same",), f"no two {one} have the same {list_in_words(TABLES[one].key, 'and')}")
    if one != "tasks" and rule.scope.names():
        yield Never(("scope",), "a scope restricts task records, of which there are none here")


def _may_read(rule: OverlapRule) -> Iterator[str]:
    for kind in rule.between:
        yield from (f"{TABLE_OF[kind]}.{name}" for name in (*rule.same, *rule.differing))
    if "components" in rule.between:
        yield "components.removed_at"
    if rule.between[0] == "tasks" and TABLE_OF[rule.between[1]] == "flights":
        yield from COVERAGE_READ


def _planter(rule: OverlapRule, timeline: Timeline) -> Planter:
    """Another thing that begins a second before the one ends, or as it ends."""
    one, other = rule.between
    rows = timeline.rows[judge(rule.scope, timeline, timeline.rows).truth == TRUE]
    if "product" in timeline.tasks:
        # A record without a product is least of other rules' business.
        bare = rows[timeline.tasks["product"].cat.codes.to_numpy()[rows] < 0]
        rows = bare if len(bare) else rows
    frame, (_, closes) = timeline.tables.get(TABLE_OF[one]), TIMES[one]
    ends = timeline.times["finished_at"]
    if one != "tasks" and frame is not None:
        ends = micros(frame[closes]) if closes in frame else np.full(len(frame), NEVER)

    def plant(spot: Spot) -> Planted:
        if spot["other_subject"] >= 0:
            raise NotPlantable("it may overlap with another already")
        if other == "stays":
            return _elsewhere(rule, timeline, spot)
        # What ends before it begins, or as it does, is an instant.
        end = int(ends[spot["subject"]])
        end = timeline.as_of if end == NEVER else max(end, spot["at"])
        at = end - SECOND if spot.outside or other == "components" else end
        if other == "tasks":
            what, edits = "another record", _second_record(rule, timeline, spot, at, rows)
        elif other == "flights":
            what, edits = "a flight", _second_flight(rule, timeline, spot, at)
        else:
            what, edits = "another boot", _second_boot(rule, timeline, spot, at, end)
        when = "1 s before it ends" if spot.outside else "as it ends"
        return Planted(f"{what} that begins {when}", edits, (at - HOUR, min(end + HOUR, timeline.as_of)), pair=True)

    return plant


def _agreeing(rule: OverlapRule, timeline: Timeline, spot: Spot, like: int) -> dict[str, str]:
    """The cells of a second thing: what must be the same as the one of the case has it, and what must differ other than
    that."""
    one, other = (TABLE_OF[kind] for kind in rule.between)
    row, timed = spot["subject"], TIMES[other]
    found = {name: planting.cell(timeline, one, name, row) for name in rule.same if name not in timed}
    for name in rule.differing:
        now, there = planting.cell(timeline, one, name, row), planting.cell(timeline, other, name, like)
        if there == now or not there:
            there = _another(spot, timeline.tables[other].get(name), name, now)
        found[name] = there
    return found


def _another(spot: Spot, column: pd.Series | None, name: str, than: str) -> str:
    """One of the names in a column, other than one."""
    others = [] if column is None else [str(text) for text in column.cat.categories if str(text) != than]
    if not others:
        raise NotPlantable(f"there is no other {label_of(name)}")
    return others[spot.turn % len(others)]


def _second_record(rule: OverlapRule, timeline: Timeline, spot: Spot, at: int, rows: Ints) -> tuple[Edit, ...]:
    """A second task record that begins at an instant; where both must begin together, a copy of the first."""
    twice = rule.between[0] == "tasks" and not set(TASK_TIMES).isdisjoint(rule.same)
    like = spot["subject"] if twice else planting.nearest(timeline, rows, at)
    agreeing = _agreeing(rule, timeline, spot, like)
    starts, ends = planting.written(at), planting.written(at + 10 * MINUTE)
    times: Mapping[str, str] = {"started_at": starts, "finished_at": ends, "signed_at": ends}
    if twice:
        [copy] = planting.moved(timeline, np.array([like]), 0 if spot.outside else SECOND)
        times = copy.cells
    order = {} if "work_order" in rule.same or twice else {"work_order": spot.name}
    return (Edit("tasks", like, {"task_id": spot.name, **order, **times, **agreeing}, new=True),)


def _second_flight(rule: OverlapRule, timeline: Timeline, spot: Spot, at: int) -> tuple[Edit, ...]:
    """A flight of the same aircraft that takes off at an instant and lands before the next one."""
    name = planting.cell(timeline, TABLE_OF[rule.between[0]], "aircraft", spot["subject"])
    aircraft = timeline.aircraft_names.get_indexer(pd.Index([name]))
    flights = timeline.flights
    like = planting.flight_near(timeline, aircraft, at + 1)
    [after], [next_one] = flights.next_takeoff(aircraft, np.array([at + 1]))
    room = int(next_one) - at if after >= 0 else HOUR
    length = min(10 * MINUTE, room // 2)
    planting.in_time(timeline, at + length)
    flight = planting.new_flight(timeline, spot, int(flights.row[like]), at, length)
    return (replace(flight, cells={**flight.cells, **_agreeing(rule, timeline, spot, flight.row)}),)


def _second_boot(rule: OverlapRule, timeline: Timeline, spot: Spot, at: int, end: int) -> tuple[Edit, ...]:
    """Another boot at the same place for the last second of the one's time; inside, that one is taken off before."""
    row, like = spot["subject"], spot["subject"] if rule.between[0] == "components" else 0
    until = "" if end >= timeline.as_of else planting.written(end)
    stay = {"component_serial": spot.name, "installed_at": planting.written(at), "removed_at": until}
    boot = Edit("components", like, {**stay, **_agreeing(rule, timeline, spot, like)}, new=True)
    if spot.outside:
        return (boot,)
    _, closes = TIMES[rule.between[0]]
    return Edit(TABLE_OF[rule.between[0]], row, {closes: planting.written(at)}), boot


def _elsewhere(rule: OverlapRule, timeline: Timeline, spot: Spot) -> Planted:
    """A record of another station than the aircraft stands at; inside, begun as the aircraft takes off from there."""
    row, start = spot["subject"], spot["at"]
    if rule.between[0] != "tasks" or "station" not in rule.differing:
        raise NotPlantable("only the station of a record is changed")
    aircraft, flights = timeline.aircraft[[row]], timeline.flights
    before = int(flights.first_from(aircraft, np.array([start + 1]))[0]) - 1
    if before < 0 or flights.aircraft[before] != aircraft[0] or flights.landing[before] > start:
        raise NotPlantable("no flight brought the aircraft there before")
    station = _another(spot, timeline.tasks["station"], "station", _standing_at(timeline, int(flights.row[before])))
    what, at, cells_of = f"{station} as the station", start, {"station": station}
    if not spot.outside:
        [place], [left] = flights.next_takeoff(aircraft, np.array([start]))
        if place < 0:
            raise NotPlantable("the aircraft took off no more")
        what, at = f"{what}, begun as the aircraft took off", int(left)
        ends = planting.written(at + SECOND)
        cells_of |= {"started_at": planting.written(at), "finished_at": ends, "signed_at": ends}
    end = max(at, int(timeline.times["finished_at"][row]))
    return Planted(what, (Edit("tasks", row, cells_of),), (start, end), pair=True)


def _standing_at(timeline: Timeline, flight: int) -> str:
    """The station at which a flight ended, which it may name by its location indicator."""
    where = planting.cell(timeline, "flights", "destination", flight)
    named = (station for station, indicator in location_indicators(timeline).items() if indicator == where)
    return next(named, where)


OVERLAP = Form(
    name="overlap",
    pattern="interval relations, all but before and meets (Allen 1983)",
    rule=OverlapRule,
    finding="two things that can't both be true overlap in time",
    subjects="pair",
    named_by="the names of both things, of a boot with when and where it was installed",
    evaluate=evaluate,
    plant=_planter,
    reads=_reads,
    may_read=_may_read,
    selects=lambda rule: (rule.scope,) if rule.between[0] == "tasks" else (),
    owner=_owner,
    rows=_rows,
    identity=_identity,
    facts=_facts,
    told=_told,
    values={
        "first": "number of the one",
        "second": "number of the other",
        "measured": "for how long they overlap: 20 min",
        "equal": "in how many columns both agree: 13 fields",
    },
    columns=_compared_names,
    kinds={"listed_twice": "the two have one name: it is listed twice"},
    dated_by=lambda rule: "task" if rule.between[0] == "tasks" else None,
    drawing=lambda rule: TwoThings(rule.between),
    looks_at=_looks_at,
    demands=lambda rule: ("the two do not overlap in time",),
    unjudged_when=_unjudged_when,
    never=_never,
    skeleton="""\
between: [tasks, flights]
same: [aircraft]
examples:
  - name: takeoff as the work ends
    expect: complies
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}]
    flights: [{takeoff_at: '2025-06-02T10:00:00Z'}]
  - name: takeoff a second before
    expect: finding
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z', finished_at: '2025-06-02T10:00:00Z'}]
    flights: [{takeoff_at: '2025-06-02T09:59:59Z'}]
  - name: no flights to compare with
    expect: unjudged
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    not_supplied: [flights]
""",
)
