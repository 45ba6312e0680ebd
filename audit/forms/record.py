"""record [universality]: every record in scope meets the requirement. Subject: a task record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, field_validator

from audit.evidence.conditions import FALSE, UNKNOWN, failures, judge, needs_component
from audit.evidence.doubt import CERTAIN, reasons_of
from audit.evidence.treatments import doubt_of, treatments
from audit.forms.describing import (
    CLOCK_WENT_BACK,
    records,
)
from audit.forms.drawing import (
    AroundRecord,
)
from audit.forms.form import BOOTS_READ, Form
from audit.forms.outcomes import SEVERAL, Judgement
from audit.language.condition import Condition, Conditions, Needed, OtherColumn, codes_of
from audit.language.in_words import (
    conditions_in_words,
    label_of,
    list_in_words,
    presence_in_words,
)
from audit.language.rule import Rule, conditions_of
from audit.timeline.instants import Bools, Ints
from audit.timeline.records import values
from audit.timeline.timeline import TASK_TIMES, Timeline


class RecordRule(Rule):
    """Every record in scope meets the requirement."""

    form: Literal["record"]
    require: Conditions = Field(json_schema_extra={"minProperties": 1})

    @field_validator("require")
    @classmethod
    def _requires_something(cls, value: Conditions) -> Conditions:
        if not value.names():
            raise ValueError("expected at least one condition; this rule could never find anything")
        return value


def evaluate(rule: RecordRule, timeline: Timeline) -> Judgement:
    """A finding when a record in scope breaks a requirement, at any of its positions."""
    if needs_component(rule.scope) or needs_component(rule.require):
        return _by_position(rule, timeline)
    rows, reasons = timeline.rows, reasons_of(timeline)
    scope = judge(rule.scope, timeline, rows)
    kept = np.flatnonzero(scope.truth != FALSE)
    tasks = rows if len(kept) == len(rows) else rows[kept]
    required = judge(rule.require, timeline, tasks)
    doubt = doubt_of(reasons, scope, kept)
    doubt = np.where(doubt == CERTAIN, doubt_of(reasons, required, np.arange(len(kept))), doubt)

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        task = tasks[index]
        return {"subject": task, "task": task, "at": timeline.times["started_at"][task]}

    return Judgement(required.truth == FALSE, doubt, reasons, shown)


def _by_position(rule: RecordRule, timeline: Timeline) -> Judgement:
    """Judge each position of a record by the boot installed there; the record breaks the rule where one of them
    does."""
    treated, reasons = treatments(timeline, rule.scope), reasons_of(timeline)
    treated = treated.take(treated.done)
    required = judge(rule.require, timeline, treated.task, treated.component)
    verdict = np.where(treated.doubt == CERTAIN, required.truth, UNKNOWN)
    required_doubt = doubt_of(reasons, required, np.arange(len(verdict)))
    doubt = np.where(treated.doubt == CERTAIN, required_doubt, treated.doubt)
    order = np.lexsort((treated.place, verdict, treated.task))
    task = treated.task[order]
    # The worst position of a record comes first in this order, and stands for it.
    worst = order[np.append(True, np.diff(task) != 0)[: len(task)]]
    broken = verdict == FALSE

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        first = worst[index]
        positions = _positions(timeline, treated.task[order], treated.place[order], broken[order])
        return {
            "subject": treated.task[first],
            "task": treated.task[first],
            "component": treated.component[first],
            "at": timeline.times["started_at"][treated.task[first]],
            "detail": [positions.get(row, "") for row in treated.task[first].tolist()],
        }

    return Judgement(broken[worst], doubt[worst], reasons, shown)


def _positions(timeline: Timeline, task: Ints, place: Ints, broken: Bools) -> dict[int, str]:
    """The names of the positions at which each record breaks the rule, by task row."""
    positions: dict[int, list[str]] = {}
    for row, position in zip(task[broken].tolist(), timeline.position_of(place[broken]).tolist(), strict=True):
        name = "" if position == timeline.unknown_position else str(timeline.position_names[position])
        positions.setdefault(row, []).append(name)
    return {row: SEVERAL.join(names) for row, names in positions.items()}


@dataclass(frozen=True)
class Broken:
    """A requirement that a record breaks, what was recorded (blank where missing), and the columns compared with."""

    column: str
    condition: Condition
    recorded: str
    others: Mapping[str, str]


def _facts(rule: RecordRule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    """What broke, and where. The boot of a record for several positions is the first that breaks the rule."""
    rows = cases["task"].to_numpy()
    component = cases["component"].to_numpy()
    broken: list[list[Broken]] = [[] for _ in rows]

    def look(required: Conditions, still: Ints) -> None:
        boots = component[still]
        for name, truth, value in failures(required, timeline, rows[still], boots):
            condition = required.columns[name]
            others = {other: values(timeline, other, rows[still], boots) for other in condition.others()}
            for index in np.flatnonzero(truth == FALSE).tolist():
                texts = {other: found.text(index) for other, found in others.items()}
                broken[still[index]].append(Broken(name, condition, value.text(index), texts))

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
    return {"broken": broken, "position": at}


def _sentence(rule: RecordRule, case: Mapping[str, Any]) -> str:
    """Say of each requirement that broke what was recorded and what was asked, at the position, where one is given."""
    parts = [part for one in case["broken"] for part in _of_requirement(one)]
    if not parts:
        return f"{rule.title}."
    if case["position"]:
        parts[0] = f"at {case['position']}: {parts[0]}"
    text = ". ".join(part[:1].upper() + part[1:] for part in parts)
    return f"{text}."


def _of_requirement(broken: Broken) -> Iterator[str]:
    asked = broken.condition.includes_all
    if isinstance(asked, Needed):
        for items, codes in asked.lacking(broken.recorded, broken.others[asked.column]).items():
            by = f"required for {list_in_words(codes, 'and')}" if codes else "always required"
            yield f"{list_in_words(items, 'or')} not recorded as worn; {by}"
    elif not broken.recorded:
        yield presence_in_words(broken.column, False)
    elif missing := [item for item in asked or () if item not in codes_of(broken.recorded)]:
        yield f"{list_in_words(missing, 'and')} not among the {label_of(broken.column)} ({broken.recorded})"
    else:
        yield f"{label_of(broken.column)} is {broken.recorded}; {_asked(broken)}"


_ASKED = {
    "is_": "{} required",
    "not_": "{} not allowed",
    "in_": "one of {} required",
    "not_in": "none of {} allowed",
    "includes_all": "all of {} required",
    "at_least": "at least {} required",
    "at_most": "at most {} allowed",
    "before": "before {} required",
    "after": "after {} required",
}


def _asked(broken: Broken) -> str:
    parts = []
    for operator, operand in broken.condition.operators():
        if operator == "present":
            if not operand:
                parts.append("none may be recorded")
            continue
        if isinstance(operand, OtherColumn):
            shown = f"the {label_of(operand.column)} ({broken.others[operand.column]})"
        elif isinstance(operand, tuple):
            shown = ", ".join(str(one) for one in operand)
        else:
            shown = str(operand)
        parts.append(_ASKED[operator].format(shown))
    return " and ".join(parts)


_BY_TIME = frozenset({*TASK_TIMES, "work_date", "work_minutes", "signed_after_minutes"})
"""Columns whose values depend on how an ambiguous time of the record is read."""


def _unjudged_when(rule: RecordRule) -> Iterator[str]:
    both = (rule.scope, rule.require)
    dated = any(name.partition(".")[0] in ("performer", "certifier") for one in both for name in one.names())
    timed = frozenset().union(*map(_compared, both)) & _BY_TIME
    if dated or any(map(needs_component, both)) or (timed and not _only_its_direction(rule, timed)):
        yield CLOCK_WENT_BACK


def _compared(conditions: Conditions) -> frozenset[str]:
    """The columns whose values are compared; that there is one doesn't depend on how it is read."""
    names = set()
    for name, condition in conditions.columns.items():
        if any(operator != "present" for operator, _ in condition.operators()):
            names |= {name, *condition.others()}
    return frozenset(names).union(*map(_compared, conditions.any_of))


def _only_its_direction(rule: RecordRule, timed: frozenset[str]) -> bool:
    """Whether of its times only the length of the work is asked, and that it isn't negative: the record decides that
    itself."""
    asked = [conditions.columns.get("work_minutes") for conditions in (rule.scope, rule.require)]
    return timed == {"work_minutes"} and all(
        dict(one.operators()) == {"at_least": 0} for one in asked if one is not None
    )


RECORD = Form(
    name="record",
    rule=RecordRule,
    finding="a record in scope breaks a requirement",
    subjects="task record",
    named_by="task record",
    evaluate=evaluate,
    reads=lambda rule: ("tasks",),
    may_read=lambda rule: BOOTS_READ if any(map(needs_component, conditions_of(rule))) else (),
    selects=lambda rule: (rule.scope,),
    requires=lambda rule: rule.require,
    identity=lambda rule, cases, evidence, timeline: [(task,) for task in evidence["task_id"]],
    facts=_facts,
    sentence=_sentence,
    drawing=lambda rule: AroundRecord() if needs_component(rule.require) else None,
    looks_at=lambda rule: f"Each {records(rule.scope, 'record')}.",
    demands=lambda rule: conditions_in_words(rule.require),
    unjudged_when=_unjudged_when,
    settable=("require",),
    skeleton="""\
require:
  component.finish: {is: black}
# What each example leaves out is ordinary: DEVELOPERS.md lists the defaults. Better also show the exact limit.
examples:
  - name: as it should be
    expect: complies
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
  - name: as it should not be
    expect: finding
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    components: [{finish: silver}]
  - name: the records don't say
    expect: unjudged
    tasks: [{product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}]
    components: [{finish: null}]
  - name: the rule is not about this
    expect: out-of-scope
    tasks: [{product: cleaner, action: clean, started_at: '2025-06-02T09:00:00Z'}]
""",
)
