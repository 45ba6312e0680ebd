"""What the entries as first made would have been found at fault for, and the corrected ones are not."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from audit.findings.collect import SubjectOutcome, collect, subjects_now
from audit.findings.result import CORRECTED, FINDING_COLUMNS, ROW_COLUMNS
from audit.forms import form_of
from audit.forms.judging import judge_rule
from audit.forms.naming import cells
from audit.forms.outcomes import NONE, SEVERAL
from audit.forms.reads import columns_read
from audit.intake.export import Export
from audit.intake.tables import TASKS
from audit.language.rule import Rule
from audit.rulebook.loading import Rulebook
from audit.timeline.instants import Bools, micros, stamp
from audit.timeline.readings import Owner, judging_only
from audit.timeline.timeline import Timeline, build_timeline

_ALWAYS: Final = frozenset(TASKS.required) | {"status"}
"""Columns that every rule about task records reads."""
_NAMED: Final = ("task", "other", "named_by")
"""The columns of a case that hold task records, `other` where its form says so."""


@dataclass(frozen=True, eq=False)
class PutRight:
    """Findings (FINDING_COLUMNS, ROW_COLUMNS) that a correction of an entry put right; by rule, how many there are, and
    how many of their subjects comply now."""

    findings: pd.DataFrame
    number: Mapping[str, int] = field(default_factory=dict)
    comply: Mapping[str, int] = field(default_factory=dict)


def put_right(rulebook: Rulebook, found: Collection[str], timeline: Timeline, export: Export) -> PutRight:
    """Judge the entries as they were first made, where corrections changed them: what is at fault in them and is not
    among the keys `found` in the corrected ones was put right.

    Only rules that read a corrected column are judged, and only aircraft and people of corrected records. What can't be
    judged as corrected is not put right.
    """
    nothing = PutRight(pd.DataFrame(columns=[*FINDING_COLUMNS, *ROW_COLUMNS]))
    if export.as_first_made is None:
        return nothing
    first = replace(build_timeline(export.as_first_made(), stamp(timeline.as_of)), since=timeline.since)
    made = _made(timeline, first)
    read = {rule.id: _read(rule) for rule in rulebook.rules if getattr(rule, "of", "tasks") == "tasks"}
    concerned = [rule for rule in rulebook.rules if rule.id in read and not read[rule.id].isdisjoint(made["column"])]
    owner_of = {rule.id: form_of(rule).owner(rule) for rule in concerned}
    concerning = {owner: _concerning(owner, first, timeline, made["task_id"]) for owner in set(owner_of.values())}
    judged = [(rule, judge_rule(rule, concerning[owner_of[rule.id]][0])) for rule in concerned]
    collected = collect(judged, first, rulebook.warnings)
    lost = ~collected.findings["key"].isin(set(found))
    outcomes: dict[str, SubjectOutcome] = {}
    at_fault: set[tuple[str, ...]] = set()
    for rule in concerned:
        if rule.id in set(collected.findings["rule"][lost]):
            now = subjects_now(rule, concerning[owner_of[rule.id]][1])
            outcomes |= dict(zip(now["key"], now["outcome"], strict=True))
            at_fault |= _at_fault(rule, now, timeline)
    outcome = collected.findings["key"].map(outcomes)
    records = _records(concerned, first, collected.cases)
    # A pair has no other name: where it is none any more, what became of its records is another matter.
    renamed = (outcome.isna() & (collected.cases["other_subject"] < 0)).to_numpy()
    hidden = _hidden(collected.findings, records, renamed, at_fault, export)
    kept = (lost & (outcome != "unjudged")).to_numpy() & ~hidden
    if not kept.any():
        return nothing
    findings = collected.findings[kept].reset_index(drop=True)
    by = [
        _by(row, tasks, made, read[row["rule"]])
        for row, tasks in zip(findings.to_dict("records"), itertools.compress(records, kept), strict=True)
    ]
    comply = findings["rule"][(outcome[kept] == "complies").to_numpy()].value_counts()
    number = findings["rule"].value_counts()
    return PutRight(_as_audited(_corrected(findings, by), timeline), dict(number), dict(comply))


def _records(rules: Sequence[Rule], timeline: Timeline, cases: pd.DataFrame) -> list[frozenset[str]]:
    """The numbers of the task records that each case names; `of` is the number of its rule."""
    told = [form_of(rule).rows(rule).get("other", "tasks") == "tasks" for rule in rules]
    other = cases["other"].where(np.array(told, bool)[cases["of"]], NONE)
    rows = (other if name == "other" else cases[name] for name in _NAMED)
    named = (cells(timeline.tasks, "task_id", one.to_numpy()) for one in rows)
    return [frozenset(filter(None, numbers)) for numbers in zip(*named, strict=True)]


def _at_fault(rule: Rule, subjects: pd.DataFrame, timeline: Timeline) -> set[tuple[str, ...]]:
    """The rule, a record, the aircraft and the position, blank where not known, of all subjects that don't comply."""
    some = subjects[subjects["outcome"] != "complies"].assign(of=0)
    told = zip(_records([rule], timeline, some), some["aircraft"], some["position"], strict=True)
    return {(rule.id, record, *place) for records, *place in told for record in records}


def _hidden(
    findings: pd.DataFrame,
    records: Sequence[frozenset[str]],
    renamed: Bools,
    at_fault: Collection[tuple[str, ...]],
    export: Export,
) -> Bools:
    """Findings that the corrected entries don't show to be put right: a record of theirs was set aside, or their
    subject goes by another name now (`renamed`), as by another first record, and is at fault, or can't be judged."""
    unknown = export.ids_set_aside("tasks")
    told = zip(*(findings[name] for name in ("rule", "aircraft", "position")), records, renamed.tolist(), strict=True)
    return np.array(
        [
            not numbers.isdisjoint(unknown)
            or (gone and any((rule, one, craft, place) in at_fault for one in numbers for place in (position, "")))
            for rule, craft, position, numbers, gone in told
        ],
        bool,
    )


def _made(timeline: Timeline, first: Timeline) -> pd.DataFrame:
    """The corrections that records follow and that changed something, the earliest first.

    Columns `work_order` and `aircraft` hold those of their records, as first made and as corrected.
    """
    frame = timeline.tables["corrections"]
    followed = frame["state"].isin(("in the export", "applied")) & (micros(frame["made_at"]) <= timeline.as_of)
    made = frame[followed & (frame["was"].fillna("") != frame["now"].fillna(""))]
    made = made.sort_values(["made_at", "correction_id"], kind="stable").reset_index(drop=True)
    for name in ("work_order", "aircraft"):
        of_record: dict[str, set[str]] = {}
        for one in (first, timeline):
            rows = one.tasks[one.tasks["task_id"].isin(made["task_id"])]
            for task, value in zip(rows["task_id"], rows[name], strict=True):
                of_record.setdefault(task, set()).add(str(value))
        made[name] = made["task_id"].map(of_record)
    return made


def _read(rule: Rule) -> frozenset[str]:
    """The columns of task records that can change what a rule finds; none where it reads no task records."""
    columns = columns_read(rule)
    if ("tasks", "") not in columns:
        return frozenset()
    return _ALWAYS | {column for table, column in columns if table == "tasks" and column}


def _concerning(owner: Owner, first: Timeline, timeline: Timeline, tasks: pd.Series) -> list[Timeline]:
    """The timelines as first made and as corrected, of which only the aircraft, or people, are judged that some records
    name in one of them."""
    both = [one for one in (first, timeline) if owner in one.tasks]
    named = {name for one in both for name in one.tasks[owner][one.tasks["task_id"].isin(tasks)].dropna()}

    def only(one: Timeline) -> Timeline:
        if owner not in one.tasks:
            return one
        known = one.aircraft_names if owner == "aircraft" else one.tasks[owner].cat.categories
        return judging_only(one, owner, np.flatnonzero(np.isin(known, list(named))), one.times)

    return [only(first), only(timeline)]


def _by(
    finding: Mapping[Hashable, Any], tasks: Collection[str], made: pd.DataFrame, read: Collection[str]
) -> pd.DataFrame:
    """The corrections that together put a finding right, the last of them last: of its own records those of every
    column that its rule reads, else the last of any record of its work order there, its aircraft, or any."""
    readable = made[made["column"].isin(list(read))]
    own = readable[readable["task_id"].isin(list(tasks))]
    if len(own):
        # Of one cell only the last: what an earlier one left was corrected again.
        return own.drop_duplicates(["task_id", "column"], keep="last")
    ordered, flown = (
        readable[name].map(lambda names, name=name: finding[name] in names).astype(bool)
        for name in ("work_order", "aircraft")
    )
    for near in (ordered & flown, flown):
        if near.any():
            return readable[near].tail(1)
    return readable.tail(1)


def _corrected(findings: pd.DataFrame, by: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The findings as put right, each by its corrections, when the last of them was made."""
    at = pd.to_datetime(pd.Series([corrections["made_at"].iloc[-1] for corrections in by]), utc=True)
    return findings.assign(
        state=CORRECTED,
        corrected_by=[SEVERAL.join(corrections["correction_id"]) for corrections in by],
        corrected_at=at.astype("datetime64[us, UTC]"),
    )


def _as_audited(findings: pd.DataFrame, timeline: Timeline) -> pd.DataFrame:
    """The findings with the row that shows each as it is numbered among the corrected records."""
    records = findings["table"] == "tasks"
    tasks = pd.Index(timeline.tables["tasks"]["task_id"])
    row = np.where(records, tasks.get_indexer(pd.Index(findings["task_id"])), findings["row"])
    return findings.assign(row=row, table=findings["table"].where(~records | (row >= 0), ""))
