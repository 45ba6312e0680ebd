"""Findings: outcomes of the forms turned into rows that people and machines can use."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.findings import wording
from audit.findings.identity import finding_ids
from audit.findings.result import FINDING_COLUMNS, ROW_COLUMNS, UNJUDGED_COLUMNS
from audit.forms.conditions import FALSE, failures
from audit.forms.outcomes import NONE, SEVERAL, Outcomes, together
from audit.forms.seasons import season_around
from audit.rulebook.in_force import cited, judged_by_record
from audit.rulebook.models import AnyRule, Conditions, CountRule, IntervalRule, OverlapRule, RecordRule
from audit.timeline.instants import HOUR, NEVER, Ints, day_of
from audit.timeline.records import values, work_day
from audit.timeline.timeline import Timeline

Texts = npt.NDArray[np.object_]

OPEN = "open"
"""The state of a finding that nobody has dealt with."""

SENTENCES: Mapping[str, Callable[[Any, Mapping[str, Any]], str]] = {
    "hold": wording.hold_sentence,
    "order": wording.order_sentence,
    "precede": wording.precede_sentence,
    "interval": wording.interval_sentence,
    "count": wording.count_sentence,
    "spacing": wording.spacing_sentence,
    "overlap": wording.overlap_sentence,
}


@dataclass(frozen=True)
class Collected:
    """What every rule found and could not judge, rule by rule in their order.

    `findings` (FINDING_COLUMNS, ROW_COLUMNS) has a row for each row of `cases`, which holds what the forms said, and in
    the column `of` the number of the rule. `unjudged` has UNJUDGED_COLUMNS.
    """

    findings: pd.DataFrame
    unjudged: pd.DataFrame
    cases: pd.DataFrame


def collect(judged: Sequence[tuple[AnyRule, Outcomes]], timeline: Timeline) -> Collected:
    """Name the records, boots and flights of every outcome, and say of each finding what is wrong and since when."""
    rules = [rule for rule, _ in judged]
    cases = together(outcomes.cases for _, outcomes in judged)
    cases["of"] = np.repeat(np.arange(len(judged)), [len(outcomes.cases) for _, outcomes in judged])
    found = cases[cases["finding"]].reset_index(drop=True)
    of = found["of"].to_numpy()
    findings = _evidence(rules, found, timeline)
    for name, attribute in (("rule", "id"), ("level", "level"), ("put_right", "put_right")):
        findings[name] = _of_rules(rules, attribute, of)
    findings["state"] = OPEN
    for name in ("measured", "limit", "unit"):
        findings[name] = found[name]
    findings["table"], findings["row"] = _shown_by(found)
    since = pd.to_datetime(found["anchor"].to_numpy(), unit="us", utc=True).as_unit("us")
    findings["since"] = pd.Series(since).where(found["anchor"] >= 0)
    message, basis, ids = (np.full(len(found), "", object) for _ in range(3))
    for number in np.unique(of).tolist():
        rule, rows = rules[number], slice(*np.searchsorted(of, (number, number + 1)))
        its = found[rows].reset_index(drop=True)
        message[rows] = _messages(rule, its, timeline)
        basis[rows] = _bases(rule, its, timeline)
        ids[rows] = finding_ids(rule.id, _subjects(rule, its, findings[rows], timeline), its["at"].tolist())
    findings["message"], findings["basis"], findings["finding_id"] = message, basis, ids
    open_cases = cases[~cases["finding"]].reset_index(drop=True)
    unjudged = _evidence(rules, open_cases, timeline)
    unjudged["rule"] = _of_rules(rules, "id", open_cases["of"].to_numpy())
    unjudged["reason"] = open_cases["reason"]
    return Collected(findings[[*FINDING_COLUMNS, *ROW_COLUMNS]], unjudged[list(UNJUDGED_COLUMNS)], found)


def _of_rules(rules: Sequence[AnyRule], attribute: str, of: Ints) -> Texts:
    by_number: Texts = np.array([getattr(rule, attribute) for rule in rules], object)
    return by_number[of]


def _bases(rule: AnyRule, cases: pd.DataFrame, timeline: Timeline) -> list[str]:
    """The sources in force on the day of each case: of the record's work, else (UTC) of what happened."""
    days = day_of(cases["at"].to_numpy())
    dated = any(basis.from_ or basis.to for basis in rule.basis)
    if dated and judged_by_record(rule):
        # The record of an order that names the fault may be another than the one in scope.
        records = cases["subject" if rule.form == "order" else "task"].to_numpy()
        days = work_day(timeline, records)
    days, index = np.unique(days, return_inverse=True)
    texts = [cited(rule.basis, day) for day in days.astype("M8[D]").tolist()]
    return [texts[place] for place in index.tolist()]


def _evidence(rules: Sequence[AnyRule], cases: pd.DataFrame, timeline: Timeline) -> pd.DataFrame:
    """Name the records, boots and flights of each case."""
    task = cases["task"].to_numpy()
    # A finding about several boots is about no one of them.
    of_one = (cases["component"] >= 0) & ~cases["detail"].str.contains(SEVERAL, regex=False)
    component = np.where(of_one, cases["component"], NONE)
    place = cases["place"].to_numpy()
    positions = np.append(timeline.position_names.to_numpy(object), "")
    flights = timeline.tables.get("flights")
    aircraft_code = np.full(len(task), NONE)
    aircraft_code[task >= 0] = timeline.aircraft[task[task >= 0]]
    aircraft_code[place >= 0] = timeline.aircraft_of(place[place >= 0])
    aircraft = np.append(timeline.aircraft_names.to_numpy(object), "")[aircraft_code]
    position = np.where(place >= 0, positions[timeline.position_of(np.maximum(place, 0))], "")
    recorded = _cells(timeline.tasks, "position", task)
    position = np.where(place >= 0, position, np.where(cases["detail"] != "", cases["detail"], recorded))
    for number, rule in enumerate(rules):
        if isinstance(rule, OverlapRule) and rule.between[0] != "tasks":
            # Pairs of flights or components name their aircraft themselves.
            rows = np.flatnonzero(cases["of"] == number)
            frame, first = timeline.tables.get(rule.between[0]), cases["subject"].to_numpy()[rows]
            aircraft[rows] = _cells(frame, "aircraft", first)
            position[rows] = _cells(frame, "position", first)
    # A record form's own serial is what the record says; the boot found installed goes before it.
    serial = _cells(timeline.tables.get("components"), "component_serial", component)
    serial = np.where(serial != "", serial, _cells(timeline.tasks, "component_serial", task))
    return pd.DataFrame(
        {
            "aircraft": aircraft,
            "position": position,
            "component_serial": serial,
            "work_order": _cells(timeline.tasks, "work_order", task),
            "task_id": _cells(timeline.tasks, "task_id", task),
            "flight_id": _cells(flights, "flight_id", cases["flight"].to_numpy()),
            "station": _cells(timeline.tasks, "station", task),
            "person": _cells(timeline.tasks, "performed_by", task),
            "at": pd.Series(pd.to_datetime(cases["at"].to_numpy(), unit="us", utc=True)).dt.as_unit("us"),
        }
    )


def _shown_by(cases: pd.DataFrame) -> tuple[Texts, Ints]:
    """Table and row that show each case: the task record, else the boot, else the flight."""
    rows = {"tasks": cases["task"], "components": cases["component"], "flights": cases["flight"]}
    known = [row >= 0 for row in rows.values()]
    table = np.select(known, [np.full(len(cases), name, object) for name in rows], "")
    return table, np.select(known, list(rows.values()), NONE)


def _cells(frame: pd.DataFrame | None, column: str, rows: Ints) -> Texts:
    """Texts of a column at the rows, blank where the row is NONE or the value missing."""
    result: Texts = np.full(len(rows), "", object)
    if frame is None or column not in frame or not len(rows):
        return result
    known = np.flatnonzero(rows >= 0)
    series = frame[column]
    if isinstance(series.dtype, pd.CategoricalDtype):
        codes = series.cat.codes.to_numpy()[rows[known]]
        known, codes = known[codes >= 0], codes[codes >= 0]
        result[known] = series.cat.categories.take(codes).to_numpy(object)
    else:
        chosen = series.array.take(rows[known])
        result[known] = np.where(chosen.isna(), "", chosen.to_numpy(object))
    return result


def _messages(rule: AnyRule, cases: pd.DataFrame, timeline: Timeline) -> list[str]:
    if isinstance(rule, RecordRule):
        return _record_messages(rule, cases, timeline)
    sentence = SENTENCES[rule.form]
    other = np.where(cases["other"] >= 0, cases["other"], cases["task"]) if rule.form != "overlap" else cases["task"]
    other = np.asarray(other)
    columns = {
        **{name: cases[name].tolist() for name in ("task", "at", "anchor", "measured", "carried", "limit", "unit")},
        "treatment": _treatment_names(rule, timeline, cases),
        "other_product": _products(timeline, other),
        "other_record": _cells(timeline.tasks, "task_id", other),
        "first_name": _names(rule, timeline, cases["subject"].to_numpy(), 0),
        "second_name": _names(rule, timeline, cases["other"].to_numpy(), 1),
        "anchor_day": _days(cases["anchor"].to_numpy()),
    }
    if isinstance(rule, CountRule) and rule.sessions is not None:
        columns |= _flown(cases, timeline)
    rows = zip(*columns.values(), strict=True)
    return [sentence(rule, dict(zip(columns, row, strict=True))) for row in rows]


def _days(instants: Ints) -> Texts:
    days: Texts = np.datetime_as_string(np.maximum(instants, 0).view("M8[us]"), unit="D").astype(object)
    return days


def _flown(cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Any]:
    """What each boot flew from where its season began to where it ended, and the last day of that."""
    flights = timeline.flights
    aircraft = timeline.aircraft_of(cases["place"].to_numpy())
    first, last = (flights.first_from(aircraft, cases[name].to_numpy()) for name in ("anchor", "at"))
    return {
        "hours": ((flights.flown[last] - flights.flown[first]) / HOUR).tolist(),
        "flights": (last - first).tolist(),
        "last_day": _days(cases["at"].to_numpy() - 1),
    }


def _treatment_names(rule: AnyRule, timeline: Timeline, cases: pd.DataFrame) -> Texts:
    """The product of the session that a case is about."""
    subject = cases["subject"].to_numpy() if rule.form != "overlap" else cases["task"].to_numpy()
    return _products(timeline, np.maximum(subject, NONE))


def _products(timeline: Timeline, rows: Ints) -> Texts:
    names = _cells(timeline.tasks, "product", rows)
    return np.where(names == "", "another treatment", names)


def _names(rule: AnyRule, timeline: Timeline, rows: Ints, side: int) -> Texts:
    if not isinstance(rule, OverlapRule):
        return np.full(len(rows), "", object)
    kind = rule.between[side]
    table, column = {
        "tasks": ("tasks", "task_id"),
        "components": ("components", "component_serial"),
    }.get(kind, ("flights", "flight_id"))
    return _cells(timeline.tables.get(table), column, rows)


def _record_messages(rule: RecordRule, cases: pd.DataFrame, timeline: Timeline) -> list[str]:
    """Say what broke. The boot of a record for several positions is the first that breaks the rule."""
    rows = cases["task"].to_numpy()
    component = cases["component"].to_numpy()
    broken: list[list[wording.Broken]] = [[] for _ in rows]

    def look(required: Conditions, still: Ints) -> None:
        boots = component[still]
        for name, truth, value in failures(required, timeline, rows[still], boots):
            condition = required.columns[name]
            others = {other: values(timeline, other, rows[still], boots) for other in condition.others()}
            for index in np.flatnonzero(truth == FALSE).tolist():
                texts = {other: found.text(index) for other, found in others.items()}
                broken[still[index]].append(wording.Broken(name, condition, value.text(index), texts))

    look(rule.require, np.arange(len(rows)))
    # Where each condition holds by itself, none of the alternatives did: all that failed in them is said.
    alternatives = np.array([index for index, parts in enumerate(broken) if not parts], np.int64)
    for alternative in rule.require.any_of if len(alternatives) else ():
        look(alternative, alternatives)
    for index in alternatives.tolist():
        # That nothing would have done as well goes without saying where something else is asked for.
        asked = [part for part in broken[index] if part.condition.present is not False]
        broken[index] = asked or broken[index]
    at = [first if several else "" for first, several, _ in cases["detail"].str.partition(SEVERAL).to_numpy()]
    return [
        wording.record_sentence(parts, position) if parts else f"{rule.title}."
        for parts, position in zip(broken, at, strict=True)
    ]


def _subjects(rule: AnyRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> list[tuple[str, ...]]:
    """The natural keys of each subject."""
    if rule.form == "record":
        return [(task,) for task in evidence["task_id"]]
    subject = cases["subject"].to_numpy()
    if rule.form == "overlap":
        names = zip(
            _names(rule, timeline, subject, 0),
            _names(rule, timeline, cases["other"].to_numpy(), 1),
            strict=True,
        )
        # Which of two things of one kind comes first is an accident of their times.
        return [tuple(sorted(map(str, pair))) if rule.between[0] == rule.between[1] else pair for pair in names]
    work_order = _cells(timeline.tasks, "work_order", np.maximum(subject, NONE))
    keys = [evidence["aircraft"], evidence["position"], work_order]
    if isinstance(rule, IntervalRule):
        keys.append(np.where(subject >= 0, "", _time_began(rule, cases, timeline)))
    elif isinstance(rule, CountRule) and rule.sessions is not None:
        # The boot by its serial: of two at one position in a season each has its own season.
        keys += [evidence["component_serial"], _days(cases["anchor"].to_numpy())]
    elif rule.form in ("hold", "precede", "count"):
        keys.append(_classes(timeline, subject))
    elif rule.form == "spacing":
        keys.append(_cells(timeline.tasks, "task_id", subject))
        keys.append(evidence["task_id"])
    return [tuple(map(str, key)) for key in zip(*keys, strict=True)]


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


def _classes(timeline: Timeline, rows: Ints) -> list[str]:
    found = values(timeline, "product_class", rows)
    return [found.text(index) for index in range(len(rows))]
