"""Findings: outcomes of the forms turned into rows that people and machines can use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from audit.findings.identity import finding_ids, subject_key
from audit.findings.meanwhile import meanwhile
from audit.findings.result import CORRECTED, FINDING_COLUMNS, OPEN, ROW_COLUMNS, UNJUDGED_COLUMNS
from audit.forms import form_of
from audit.forms.correcting import corrected
from audit.forms.judging import every_subject, sentences
from audit.forms.naming import Texts, aircraft_of, cells, positions
from audit.forms.outcomes import NONE, SEVERAL, Outcomes, together
from audit.language.condition import codes_of
from audit.language.rule import Rule, Warning
from audit.language.warnings import that_apply
from audit.rulebook.in_force import cited
from audit.timeline.days import work_day
from audit.timeline.instants import FOREVER, NEVER, Ints, day_of
from audit.timeline.records import values
from audit.timeline.timeline import Timeline

SubjectOutcome = Literal["complies", "finding", "unjudged"]


@dataclass(frozen=True)
class Collected:
    """What every rule found and could not judge, rule by rule in their order.

    `findings` (FINDING_COLUMNS, ROW_COLUMNS) has a row for each row of `cases`, which holds what the forms said, and in
    the column `of` the number of the rule. `unjudged` has UNJUDGED_COLUMNS.
    """

    findings: pd.DataFrame
    unjudged: pd.DataFrame
    cases: pd.DataFrame


def collect(judged: Sequence[tuple[Rule, Outcomes]], timeline: Timeline, warnings: Sequence[Warning] = ()) -> Collected:
    """Name the records, boots and flights of every outcome, and say of each finding what is wrong and since when.

    `warnings` are all that there are: those for the hazards of a finding's product are given beside its rule's.
    """
    rules = [rule for rule, _ in judged]
    cases = together(outcomes.cases for _, outcomes in judged)
    cases["of"] = np.repeat(np.arange(len(judged)), [len(outcomes.cases) for _, outcomes in judged])
    found = cases[cases["finding"]].reset_index(drop=True)
    of = found["of"].to_numpy()
    findings = evidence_of(found, timeline)
    for name, attribute in (("rule", "id"), ("level", "level"), ("put_right", "put_right")):
        findings[name] = _of_rules(rules, attribute, of)
    for name in ("measured", "limit", "unit"):
        findings[name] = found[name]
    findings["table"], findings["row"] = _shown_by(found)
    findings["since"] = _stamps(found["anchor"].to_numpy()).where(found["anchor"] >= 0)
    message, basis, keys, warning, by = (np.full(len(found), "", object) for _ in range(5))
    person = findings["person"].to_numpy(object, copy=True)
    corrected_at = np.full(len(found), FOREVER)
    put_right_by: list[frozenset[str]] = [frozenset()] * len(found)
    for number in np.unique(of).tolist():
        rule, rows = rules[number], slice(*np.searchsorted(of, (number, number + 1)))
        its = found[rows].reset_index(drop=True)
        done = corrected(rule, its, timeline)
        by[rows], corrected_at[rows], put_right_by[rows] = done.by, done.at, done.told
        told = zip(sentences(rule, its, timeline), done.perhaps, strict=True)
        message[rows] = [f"{sentence} {perhaps}" if perhaps else sentence for sentence, perhaps in told]
        basis[rows] = _bases(rule, its, timeline)
        warning[rows] = _warned(rule, its, timeline, warnings)
        about = form_of(rule).person(rule, its, timeline)
        person[rows] = person[rows] if about is None else about
        subjects = form_of(rule).identity(rule, its, findings[rows], timeline)
        keys[rows] = [subject_key(rule.id, subject) for subject in subjects]
    findings["message"], findings["basis"], findings["key"], findings["warning"] = message, basis, keys, warning
    findings["person"] = person
    findings["meanwhile"] = meanwhile(found, timeline, put_right_by)
    findings["finding_id"] = finding_ids(keys.tolist())
    right = corrected_at != FOREVER
    findings["state"], findings["corrected_by"] = np.where(right, CORRECTED, OPEN), by
    findings["corrected_at"] = _stamps(np.where(right, corrected_at, NEVER))
    open_cases = cases[~cases["finding"]].reset_index(drop=True)
    unjudged = evidence_of(open_cases, timeline)
    unjudged["rule"] = _of_rules(rules, "id", open_cases["of"].to_numpy())
    unjudged["reason"] = open_cases["reason"]
    return Collected(findings[[*FINDING_COLUMNS, *ROW_COLUMNS]], unjudged[list(UNJUDGED_COLUMNS)], found)


def outcomes_now(rule: Rule, timeline: Timeline) -> dict[str, SubjectOutcome]:
    """What the outcome of every subject of a rule is, by its key: complies, finding or unjudged."""
    subjects = subjects_now(rule, timeline)
    return dict(zip(subjects["key"], subjects["outcome"], strict=True))


def subjects_now(rule: Rule, timeline: Timeline) -> pd.DataFrame:
    """A case for every subject of a rule, with its `key`, its `outcome`, and the `aircraft` and `position` that it is
    listed at."""
    cases = every_subject(rule, timeline)
    evidence = evidence_of(cases, timeline)
    subjects = form_of(rule).identity(rule, cases, evidence, timeline)
    keys = np.array([subject_key(rule.id, subject) for subject in subjects], object)
    return cases.assign(key=keys, aircraft=evidence["aircraft"], position=evidence["position"])


def _of_rules(rules: Sequence[Rule], attribute: str, of: Ints) -> Texts:
    by_number: Texts = np.array([getattr(rule, attribute) for rule in rules], object)
    return by_number[of]


def _bases(rule: Rule, cases: pd.DataFrame, timeline: Timeline) -> list[str]:
    """The sources in force on the day of each case: of the record's work, else (UTC) of what happened."""
    days = day_of(cases["at"].to_numpy())
    record = form_of(rule).dated_by(rule)
    if record is not None and any(basis.from_ or basis.to for basis in rule.basis):
        days = work_day(timeline, cases[record].to_numpy())
    days, index = np.unique(days, return_inverse=True)
    texts = [cited(rule.basis, day) for day in days.astype("M8[D]").tolist()]
    return [texts[place] for place in index.tolist()]


def _warned(rule: Rule, cases: pd.DataFrame, timeline: Timeline, known: Sequence[Warning]) -> list[str]:
    """The warnings for each case, in one text: the rule's, and those for the hazards of the record's product."""
    if not rule.warning:
        return [""] * len(cases)
    task = cases["task"].to_numpy()
    there = np.flatnonzero(task >= 0)
    hazards = np.full(len(cases), "", object)
    if known and len(there):
        codes = values(timeline, "product.hazard_codes", task[there])
        hazards[there] = codes.texts()
    texts = {
        cell: " ".join(one.text for one in that_apply(rule.warning, known, codes_of(cell))) for cell in set(hazards)
    }
    return [texts[cell] for cell in hazards]


def evidence_of(cases: pd.DataFrame, timeline: Timeline) -> pd.DataFrame:
    """Name the records, boots and flights of each case."""
    task = cases["task"].to_numpy()
    # A finding about several boots is about no one of them.
    of_one = (cases["component"] >= 0) & ~cases["detail"].str.contains(SEVERAL, regex=False)
    component = np.where(of_one, cases["component"], NONE)
    place = cases["place"].to_numpy()
    flights = timeline.tables.get("flights")
    whose = aircraft_of(timeline, place, task)
    aircraft = np.full(len(cases), "", object)
    aircraft[whose >= 0] = timeline.aircraft_names.take(whose[whose >= 0]).to_numpy(object)
    recorded = np.where(cases["detail"] != "", cases["detail"], cells(timeline.tasks, "position", task))
    position = np.where(place >= 0, positions(timeline, place), recorded)
    # Where there is no record, the boot or the flight names its aircraft itself.
    rows = np.flatnonzero((task < 0) & (place < 0))
    boots, boot = timeline.tables.get("components"), cases["component"].to_numpy()[rows]
    flown = cells(flights, "aircraft", cases["flight"].to_numpy()[rows])
    aircraft[rows] = np.where(boot >= 0, cells(boots, "aircraft", boot), flown)
    position[rows] = np.where(boot >= 0, cells(boots, "position", boot), position[rows])
    # The serial that a record names is what it says; the boot found installed overrides it.
    serial = cells(timeline.tables.get("components"), "component_serial", component)
    serial = np.where(serial != "", serial, cells(timeline.tasks, "component_serial", task))
    return pd.DataFrame(
        {
            "aircraft": aircraft,
            "position": position,
            "component_serial": serial,
            "work_order": cells(timeline.tasks, "work_order", task),
            "task_id": cells(timeline.tasks, "task_id", task),
            "flight_id": cells(flights, "flight_id", cases["flight"].to_numpy()),
            "station": cells(timeline.tasks, "station", task),
            "person": cells(timeline.tasks, "performed_by", task),
            "at": _stamps(cases["at"].to_numpy()),
        }
    )


def _stamps(instants: Ints) -> pd.Series[pd.Timestamp]:
    return pd.Series(pd.to_datetime(instants, unit="us", utc=True)).dt.as_unit("us")


def _shown_by(cases: pd.DataFrame) -> tuple[Texts, Ints]:
    """Table and row that show each case: the task record, else the boot, else the flight."""
    rows = {"tasks": cases["task"], "components": cases["component"], "flights": cases["flight"]}
    known = [row >= 0 for row in rows.values()]
    table = np.select(known, [np.full(len(cases), name, object) for name in rows], "")
    return table, np.select(known, list(rows.values()), NONE)
