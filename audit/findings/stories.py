"""Finding out what happened around a finding, and what is worth drawing of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from audit.figures import time_span
from audit.findings.collect import Collected
from audit.findings.matters import distance, matter_of
from audit.findings.scenes import Kind, Lane, Scene, Span, Story, Stretch, Usage
from audit.forms.conditions import TRUE, needs_component
from audit.forms.interval import IntervalRule
from audit.forms.overlap import OverlapRule
from audit.forms.record import RecordRule
from audit.forms.seasons import season_around
from audit.forms.spacing import SpacingRule
from audit.forms.treatments import sessions, treatments
from audit.language.rule import LEVELS, Rule
from audit.timeline.instants import DAY, FOREVER, HOUR, MINUTE, Ints, micros
from audit.timeline.timeline import Timeline

DRAWN_MATTERS = 60
"""How many matters get a picture, the most serious first and each rule in turn."""
MOST_SPANS = 24
"""How many things a lane holds at most; what is left out is counted."""
AROUND_A_RECORD = 30 * DAY
AROUND_A_SEASON = 10 * DAY


def stories(
    findings: pd.DataFrame, rules: Sequence[Rule], collected: Collected, timeline: Timeline
) -> tuple[Story, ...]:
    """Tell the stories of the first matters in `findings`, each by the finding that is furthest from its limit."""
    wanted = _chosen(findings, rules)
    mine = collected.findings["finding_id"].isin(wanted)
    chosen, cases = collected.findings[mine], collected.cases[mine]
    aircraft = timeline.aircraft_names.get_indexer(pd.Index(chosen["aircraft"].unique()))
    # The records of these few aircraft are looked through again and again, those of the others never.
    records = _Records.of(timeline, timeline.rows[np.isin(timeline.aircraft[timeline.rows], aircraft)])
    told: dict[str, Story] = {}
    for case, evidence in zip(cases.to_dict("records"), chosen.to_dict("records"), strict=True):
        rule = rules[case["of"]]
        teller = _Teller(timeline, records, case, {str(name): value for name, value in evidence.items()})
        story = teller.usage(rule) if isinstance(rule, IntervalRule) else teller.scene(rule)
        if story is not None:
            told[story.finding_id] = story
    return tuple(told[name] for name in wanted if name in told)


def _chosen(findings: pd.DataFrame, rules: Sequence[Rule]) -> list[str]:
    """The ids of the findings to tell: one a matter, level by level, each rule in turn."""
    drawn = {rule.id for rule in rules if not isinstance(rule, RecordRule) or needs_component(rule.require)}
    table = pd.DataFrame(
        {
            "id": findings["finding_id"],
            "rule": findings["rule"],
            "level": findings["level"].map({name: rank for rank, name in enumerate(LEVELS)}),
            "matter": matter_of(findings),
            "off": -distance(findings),
        }
    )
    table = table[table["rule"].isin(drawn)]
    worst = table.sort_values(["matter", "off"], kind="stable").drop_duplicates("matter")
    worst = worst.assign(turn=worst.groupby("rule", observed=True).cumcount())
    return [str(one) for one in worst.sort_values(["level", "turn", "matter"])["id"].head(DRAWN_MATTERS)]


@dataclass(frozen=True)
class _Records:
    """Task records of the aircraft concerned: `rows`, each again for every position it names, `row` and `place`.

    `columns` are the columns of the tasks frame that name things, `later` the later reading of ambiguous ends by row.
    """

    rows: Ints
    row: Ints
    place: Ints
    columns: Mapping[str, Any]
    later: Mapping[int, int]

    @classmethod
    def of(cls, timeline: Timeline, rows: Ints) -> _Records:
        index, place = timeline.placed(rows)
        names = ("task_id", "work_order", "action", "station", "product", "coat")
        ends = timeline.later[timeline.later["column"] == "finished_at"]
        return cls(
            rows,
            rows[index],
            place,
            {name: timeline.tasks[name].array for name in names if name in timeline.tasks},
            dict(zip(ends["row"].tolist(), micros(ends["later"]).tolist(), strict=True)) if len(ends) else {},
        )

    def text(self, column: str, row: int) -> str:
        """A cell, blank where the column or the value is missing."""
        value = self.columns[column][row] if column in self.columns else pd.NA
        return "" if pd.isna(value) else str(value)


@dataclass(frozen=True)
class _Teller:
    """One finding to be told: its case, its evidence, and the records of the aircraft concerned."""

    timeline: Timeline
    records: _Records
    case: Mapping[Any, Any]
    evidence: Mapping[str, Any]

    def scene(self, rule: Rule) -> Scene | None:
        if isinstance(rule, OverlapRule):
            return self._overlap(rule)
        if isinstance(rule, RecordRule):
            return self._record()
        return self._around(rule)

    def _around(self, rule: Rule) -> Scene | None:
        """The scene of a session: its records, the flights and the boot from the first to the last that matters."""
        case, evidence = self.case, self.evidence
        if int(case["task"]) < 0 or int(case["place"]) < 0:
            return None  # a season without a single record has no scene
        at, anchor = int(case["at"]), int(case["anchor"])
        begin = min(int(self.timeline.times["started_at"][int(case["task"])]), at)
        if int(case["subject"]) >= 0:
            begin = min(begin, int(self.timeline.times["started_at"][int(case["subject"])]))
        wait, short = None, None
        if isinstance(rule, SpacingRule):
            wait, short = self._pause(rule, anchor, at)
        elif rule.form in ("hold", "precede") and np.isfinite(case["limit"]) and anchor >= 0:
            due = anchor + round(float(case["limit"]) * HOUR)
            wait = Stretch(anchor, due, f"{time_span(due - anchor)} {'to wait' if rule.form == 'hold' else 'at most'}")
            late = time_span(due - at)
            short = Stretch(min(at, due), max(at, due), f"{late} short" if at < due else f"{late} too late")
        elif rule.form == "order" and anchor >= 0:
            short = Stretch(min(anchor, at), max(anchor, at), "the wrong way round")
        marks = [begin, at, *([anchor] if anchor >= 0 else [])]
        marks += [end for stretch in (wait, short) if stretch for end in (stretch.start, stretch.end)]
        start, end = _padded(min(marks), max(marks))
        flew = int(case["flight"]) >= 0
        label = "takeoff" if flew else self._product(int(case["other"] if case["other"] >= 0 else case["task"]))
        place = int(case["place"])
        return Scene(
            str(evidence["finding_id"]),
            start,
            end,
            tuple(self._lanes(place, [place], start, end)),
            wait,
            None if rule.form == "count" else (at, label),
            short,
        )

    def _pause(self, rule: SpacingRule, anchor: int, at: int) -> tuple[Stretch | None, Stretch]:
        low = 0 if rule.pause.at_least is None else round(rule.pause.at_least.total_seconds() * 1_000_000)
        high = None if rule.pause.at_most is None else round(rule.pause.at_most.total_seconds() * 1_000_000)
        allowed = None
        if high is not None:
            allowed = Stretch(anchor + low, anchor + high, "next coat within this time")
        due = anchor + (low if at < anchor + low or high is None else high)
        way = "too early" if at < due else "too late"
        return allowed, Stretch(min(at, due), max(at, due), f"{time_span(at - due)} {way}")

    def _record(self) -> Scene:
        """The scene of one record: the boots before, then and after."""
        case = self.case
        task = int(case["task"])
        began = int(self.timeline.times["started_at"][task])
        start, end = began - AROUND_A_RECORD, began + AROUND_A_RECORD
        names = self.timeline.position_names
        positions = names.get_indexer(pd.Index([one.strip() for one in str(self.evidence["position"]).split(";")]))
        aircraft = self.timeline.aircraft[[task]]
        places = [int(self.timeline.place(aircraft, int(position))[0]) for position in positions if position >= 0]
        work = Lane("Work", (self._span(task, "treatment"),))
        boots = [lane for place in places[:5] for lane in self._boots(place, start, end)]
        label = self._product(task)
        return Scene(str(self.evidence["finding_id"]), start, end, (work, *boots), None, (began, label), None)

    def _overlap(self, rule: OverlapRule) -> Scene:
        """The scene of two things that can't both be true."""
        case = self.case
        lanes = [
            Lane(name, (span,))
            for name, span in (
                self._thing(rule.between[0], int(case["subject"])),
                self._thing(rule.between[1], int(case["other"])),
            )
        ]
        spans = [lane.spans[0] for lane in lanes]
        both = Stretch(max(span.start for span in spans), min(span.end for span in spans), "both at once")
        near = max(both.end - both.start, HOUR) * 4
        start, end = _padded(
            max(min(span.start for span in spans), both.start - near),
            min(max(span.end for span in spans), both.end + near),
        )
        return Scene(str(self.evidence["finding_id"]), start, end, tuple(lanes), None, None, both)

    def _thing(self, kind: str, row: int) -> tuple[str, Span]:
        timeline = self.timeline
        if kind == "tasks":
            return f"Work at {self.records.text('station', row)}", self._span(row, "work")
        if kind == "components":
            history, frame = timeline.components, timeline.tables["components"]
            end = min(int(history.removed[row]), timeline.as_of)
            return "Boot", Span("boot", int(history.installed[row]), end, str(frame["component_serial"].iloc[row]))
        frame = timeline.tables["flights"]
        name = str(frame["flight_id"].iloc[row])
        takeoff, landing = (int(micros(frame[column].iloc[[row]])[0]) for column in ("takeoff_at", "landing_at"))
        if kind == "flights":
            return "Flight", Span("flight", takeoff, landing, "flight", name)
        flights = timeline.flights
        place = int(np.flatnonzero(flights.row == row)[0]) + 1
        left = timeline.as_of
        if place < len(flights.row) and flights.aircraft[place] == flights.aircraft[place - 1]:
            left = int(flights.takeoff[place])
        where = frame["destination"].iloc[row] if "destination" in frame else ""
        return f"Stood at {where}", Span("boot", landing, left, "after the flight", name)

    def _lanes(self, place: int, boots: list[int], start: int, end: int) -> Iterator[Lane]:
        yield self._work(place, start, end)
        yield from self._flights(place, start, end)
        for boot in boots:
            yield from self._boots(boot, start, end)

    def _work(self, place: int, start: int, end: int) -> Lane:
        """The records on this position; those of the finding's own work order and product stand out."""
        times, records = self.timeline.times, self.records
        rows = records.row[records.place == place]
        rows = rows[(times["finished_at"][rows] >= start) & (times["started_at"][rows] <= end)]
        rows = rows[np.lexsort((rows, times["started_at"][rows]))]
        subject = int(self.case["subject"] if self.case["subject"] >= 0 else self.case["task"])
        own = np.ones(len(rows), bool)
        for column in ("work_order", "product"):
            if column in records.columns and subject >= 0:
                codes = records.columns[column].codes
                own &= codes[rows] == codes[subject]
        spans = [
            self._span(row, "treatment" if mine else "work")
            for row, mine in zip(rows.tolist(), own.tolist(), strict=True)
        ]
        return Lane("Work", tuple(spans[:MOST_SPANS]), max(len(spans) - MOST_SPANS, 0))

    def _span(self, row: int, kind: Kind) -> Span:
        times, coat = self.timeline.times, self.records.text("coat", row)
        return Span(
            kind,
            int(times["started_at"][row]),
            int(times["finished_at"][row]),
            f"{self._product(row)}, coat {coat}" if coat else self._product(row),
            self.records.text("task_id", row),
            self.records.later.get(row),
        )

    def _product(self, row: int) -> str:
        return self.records.text("product", row) or self.records.text("action", row)

    def _flights(self, place: int, start: int, end: int) -> Iterator[Lane]:
        timeline, flights = self.timeline, self.timeline.flights
        if not timeline.supplied("flights"):
            return
        aircraft = timeline.aircraft_of(np.array([place]))
        first, last = (int(flights.first_from(aircraft, np.array([when]))[0]) for when in (start - DAY, end))
        there = [index for index in range(first, last) if flights.landing[index] >= start]
        names = timeline.tables["flights"]["flight_id"]
        spans = tuple(
            Span(
                "flight",
                int(flights.takeoff[i]),
                int(flights.landing[i]),
                "flight",
                str(names.iloc[int(flights.row[i])]),
            )
            for i in there[:MOST_SPANS]
        )
        yield Lane("Flights", spans, max(len(there) - MOST_SPANS, 0))

    def _boots(self, place: int, start: int, end: int) -> Iterator[Lane]:
        timeline, history = self.timeline, self.timeline.components
        position = int(timeline.position_of(np.array([place]))[0])
        if not timeline.supplied("components") or position == timeline.unknown_position:
            return
        rows = np.flatnonzero((history.place == place) & (history.installed <= end) & (history.removed >= start))
        rows = rows[np.argsort(history.installed[rows], kind="stable")]
        frame = timeline.tables["components"]
        spans = []
        for row in rows[:MOST_SPANS].tolist():
            known = [frame[name].iloc[row] for name in ("component_serial", "material", "finish") if name in frame]
            label = ", ".join(str(value) for value in known if pd.notna(value))
            removed = int(history.removed[row])
            spans.append(Span("boot", int(history.installed[row]), min(removed, end + DAY), label))
        yield Lane(str(timeline.position_names[position]), tuple(spans), max(len(rows) - MOST_SPANS, 0))

    def usage(self, rule: IntervalRule) -> Usage | None:
        """What passed on a boot between its treatments, over the season or the time recorded."""
        timeline, case = self.timeline, self.case
        component = int(case["component"])
        if rule.next_due != "actual" or component < 0 or case["unit"] not in ("flight hours", "cycles", "days"):
            return None  # what counts then hangs on earlier due points, which no single saw tooth shows
        history = timeline.components
        anchor, over = int(case["anchor"]), int(case["at"])
        from_, until = timeline.since, timeline.as_of
        counted: list[tuple[int, int]] = [(from_, until)]
        if rule.season is not None:
            aircraft = timeline.aircraft_of(history.place[[component]])
            opens, closes = season_around(rule.season, timeline, aircraft, np.array([anchor]))
            counted = [(int(opens[0]), int(closes[0]))]
            from_, until = max(from_, counted[0][0]), min(until, counted[0][1])
        begin = max(from_, int(history.installed[component]))
        finish = min(until, int(history.removed[component]))
        place = history.place[[component]]
        done = sessions(timeline, treatments(timeline, rule.scope, self._rows_of(int(timeline.aircraft_of(place)[0]))))
        mine = (done.component == component) & (done.truth == TRUE) & (done.end >= begin) & (done.end < finish)
        treated = sorted(int(end) for end in done.end[mine])
        points = _saw_tooth(timeline, timeline.aircraft_of(place), str(case["unit"]), begin, finish, treated)
        start, end = from_ - AROUND_A_SEASON, until + AROUND_A_SEASON
        swaps = []
        if history.installed[component] > from_:
            swaps.append((int(history.installed[component]), "installed"))
        if history.removed[component] < min(until, FOREVER):
            swaps.append((int(history.removed[component]), "removed"))
        position = timeline.position_names[int(timeline.position_of(place)[0])]
        serial = timeline.tables["components"]["component_serial"].iloc[component]
        return Usage(
            str(self.evidence["finding_id"]),
            f"{position}, boot {serial}",
            max(start, timeline.since),
            min(end, timeline.as_of),
            points,
            tuple(treated),
            tuple(swaps),
            tuple(counted) if rule.season is not None else (),
            float(case["limit"]),
            str(case["unit"]),
            over,
            max((amount for _, amount in points), default=0.0),
        )

    def _rows_of(self, aircraft: int) -> Ints:
        rows: Ints = self.records.rows[self.timeline.aircraft[self.records.rows] == aircraft]
        return rows


def _saw_tooth(
    timeline: Timeline, aircraft: Ints, unit: str, begin: int, finish: int, treated: list[int]
) -> tuple[tuple[int, float], ...]:
    """The amount since the last treatment at every takeoff, landing and treatment."""
    flights = timeline.flights
    edges = [begin, *treated, finish]
    points: list[tuple[int, float]] = []
    for since, until in pairwise(edges):
        points.append((since, 0.0))
        if unit == "days":
            points.append((until, float(until // DAY - since // DAY)))
            continue
        first, last = (int(flights.first_from(aircraft, np.array([when]))[0]) for when in (since, until))
        total = flights.flown if unit == "flight hours" else flights.cycles
        scale = HOUR if unit == "flight hours" else 1
        amounts = (total[first : last + 1] - total[first]) / scale
        for place in range(first, last):
            points.append((int(flights.takeoff[place]), round(float(amounts[place - first]), 3)))
            points.append((int(min(flights.landing[place], until)), round(float(amounts[place - first + 1]), 3)))
        points.append((until, round(float(amounts[-1]), 3)))
    return tuple(points)


def _padded(start: int, end: int) -> tuple[int, int]:
    pad = max((end - start) // 12, 10 * MINUTE)
    return start - pad, end + pad
