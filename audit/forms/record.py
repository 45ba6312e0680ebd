"""record [universality]: every record in scope meets the requirement. Subject: a task record."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import Field, field_validator

from audit.evidence.conditions import FALSE, UNKNOWN, Judged, failures, judge, needs_component
from audit.evidence.doubt import CERTAIN, first_of, reasons_of
from audit.evidence.treatments import Treatments, doubt_of, treatments
from audit.figures import moment, time_span
from audit.forms import describing
from audit.forms.drawing import AroundRecord
from audit.forms.form import BOOTS_READ, Form
from audit.forms.naming import Keys, Texts, cells
from audit.forms.outcomes import SEVERAL, Judgement
from audit.intake.words import says_nothing
from audit.language.condition import Condition, Conditions, Needed, OtherColumn, codes_of
from audit.language.in_words import conditions_in_words, duration_in_words, label_of, list_in_words, presence_in_words
from audit.language.rule import Rule, conditions_of
from audit.language.wording import Said, names_in
from audit.planting.breaking import breaker
from audit.timeline.components import TWO_RECORDED
from audit.timeline.instants import MINUTE, Bools, Ints, group_begins
from audit.timeline.records import values
from audit.timeline.subjects import PREFIXES, happened, looked_at
from audit.timeline.timeline import TASK_TIMES, Timeline
from audit.timeline.vocabulary import VOCABULARY


class RecordRule(Rule):
    """Every record in scope meets the requirement."""

    form: Literal["record"]
    of: Literal["tasks", "corrections", "alterations"] = "tasks"
    require: Conditions = Field(json_schema_extra={"minProperties": 1})

    @field_validator("require")
    @classmethod
    def _requires_something(cls, value: Conditions) -> Conditions:
        if not value.names():
            raise ValueError("expected at least one condition; this rule could never find anything")
        return value


def evaluate(rule: RecordRule, timeline: Timeline) -> Judgement:
    """A finding when a record in scope breaks a requirement, at any of its positions."""
    timeline = looked_at(timeline, rule.of)
    if needs_component(rule.scope) or needs_component(rule.require):
        return _by_position(rule, timeline)
    rows, reasons = timeline.rows, reasons_of(timeline)
    scope = judge(rule.scope, timeline, rows)
    kept = np.flatnonzero(scope.truth != FALSE)
    tasks = rows if len(kept) == len(rows) else rows[kept]
    required = judge(rule.require, timeline, tasks)
    doubt = first_of(doubt_of(reasons, scope, kept), doubt_of(reasons, required, np.arange(len(kept))))

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        subject = tasks[index]
        return {"subject": subject, "task": timeline.record(subject), "at": happened(timeline, subject)}

    return Judgement(required.truth == FALSE, doubt, reasons, shown)


def _by_position(rule: RecordRule, timeline: Timeline) -> Judgement:
    """Judge each position of a record by the boot installed there; the record breaks the rule where one of them
    does."""
    treated, reasons = treatments(timeline, rule.scope), reasons_of(timeline)
    treated = treated.take(treated.done)
    required = judge(rule.require, timeline, treated.task, treated.component)
    required = _whichever_boot(rule, timeline, treated, required)
    verdict = np.where(treated.doubt == CERTAIN, required.truth, UNKNOWN)
    doubt = first_of(treated.doubt, doubt_of(reasons, required, np.arange(len(verdict))))
    order = np.lexsort((treated.place, verdict, treated.task))
    # The worst position of a record comes first in this order, and stands for it.
    worst = order[group_begins(treated.task[order])]
    broken = verdict == FALSE

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        first = worst[index]
        positions = _positions(timeline, treated.task[order], treated.place[order], broken[order])
        subject = treated.task[first]
        return {
            "subject": subject,
            "task": timeline.record(subject),
            "component": treated.component[first],
            "at": happened(timeline, subject),
            "detail": [positions.get(row, "") for row in subject.tolist()],
        }

    return Judgement(broken[worst], doubt[worst], reasons, shown)


def _whichever_boot(rule: RecordRule, timeline: Timeline, treated: Treatments, required: Judged) -> Judged:
    """What was judged; where two boots are recorded, and both break the rule, whichever it was broke it."""
    two = np.flatnonzero(treated.component == TWO_RECORDED)
    if not len(two):
        return required
    task, place = treated.task[two], treated.place[two]
    which, boot = timeline.components.all_at(place, place + 1, timeline.times["started_at"][task])
    each = judge(rule.require, timeline, task[which], boot).truth
    truth = required.truth.copy()
    truth[two] = np.minimum(truth[two], np.maximum.reduceat(each, np.flatnonzero(group_begins(which))))
    return replace(required, truth=truth)


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

    @cached_property
    def operators(self) -> list[tuple[str, Any]]:
        """What was asked and isn't so, operator by operator; all that was asked where nothing was recorded."""
        asked = [(name, operand) for name, operand in self.condition.operators() if name != "present"]
        limits = [one for one in asked if isinstance(one[1], int | float) and one[0] in ("at_least", "at_most")]
        if len(limits) == len(asked) == 2 and self.recorded:
            low = float(self.recorded) < float(limits[0][1])
            return limits[:1] if low else limits[1:]
        return asked

    @cached_property
    def said(self) -> Said:
        """The kinds of message that may say it, the names that they may use, and general words."""
        kinds = [f"{self.column}.{operator.removesuffix('_')}" for operator, _ in self.operators]
        if not self.recorded or self.condition.present is False:
            kinds = [f"{self.column}.present", *kinds]
        text = ". ".join(part[:1].upper() + part[1:] for part in _of_requirement(self))
        return Said((*kinds, self.column), _values(self), text)


def _facts(rule: RecordRule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    """What broke, and where. The boot of a record for several positions is the first that breaks the rule."""
    timeline = looked_at(timeline, rule.of)
    rows = cases["subject"].to_numpy()
    component = cases["component"].to_numpy()
    broken: list[list[Broken]] = [[] for _ in rows]

    def look(required: Conditions, still: Ints) -> None:
        boots = component[still]
        for name, truth, value in failures(required, timeline, rows[still], boots):
            condition, wrong = required.columns[name], np.flatnonzero(truth == FALSE)
            others = {
                other: values(timeline, other, rows[still[wrong]], boots[wrong]).texts() for other in condition.others()
            }
            same: dict[tuple[str, ...], Broken] = {}
            for index, *texts in zip(still[wrong].tolist(), value[wrong].texts(), *others.values(), strict=True):
                # Most records break it in the same words, which are put together once.
                if (key := tuple(texts)) not in same:
                    # What only says that there is nothing is not recorded, where something has to be.
                    recorded = "" if condition.present and says_nothing(texts[0]) else texts[0]
                    same[key] = Broken(name, condition, recorded, dict(zip(others, texts[1:], strict=True)))
                broken[index].append(same[key])

    look(rule.require, np.arange(len(rows)))
    # Where each condition holds by itself, none of the alternatives did: all that failed in them is said.
    alternatives = np.array([index for index, parts in enumerate(broken) if not parts], np.int64)
    for alternative in rule.require.any_of if len(alternatives) else ():
        look(alternative, alternatives)
    for index in alternatives.tolist():
        # That nothing would have done as well goes without saying where something else is required.
        asked = [part for part in broken[index] if part.condition.present is not False]
        broken[index] = asked or broken[index]
    at = [first if several else "" for first, several, _ in cases["detail"].str.partition(SEVERAL).to_numpy()]
    about, columns = _about(rule, timeline, rows), _texts(rule, rows, component, timeline)
    return {"broken": broken, "position": at, "about": about, "columns": columns}


def _texts(rule: RecordRule, rows: Ints, component: Ints, timeline: Timeline) -> list[dict[str, str]]:
    """What the columns say that the rule's messages name, of each record."""
    names = {name for text in rule.message.values() for name in names_in(text)} & set(_columns(rule))
    found = {
        name: [
            "" if says_nothing(text) else _shown(name, text) for text in values(timeline, name, rows, component).texts()
        ]
        for name in sorted(names)
    }
    return [{name: texts[index] for name, texts in found.items()} for index in range(len(rows))]


_TOLD_OF = {"corrections": ("correction_id", "column", "was", "now"), "alterations": ("what", "column", "was", "now")}


def _about(rule: RecordRule, timeline: Timeline, rows: Ints) -> list[str]:
    """What a correction or alteration says; blank for a task record."""
    if rule.of == "tasks":
        return [""] * len(rows)
    names = [f"{PREFIXES[rule.of]}.{name}" for name in _TOLD_OF[rule.of]]
    texts = zip(*(values(timeline, name, rows).texts() for name in names), strict=True)
    if rule.of == "corrections":
        told = "was" in timeline.tables["corrections"]
        return [
            f"Correction {name} of {label_of(column)}, {_change(was if told else None, now)}"
            for name, column, was, now in texts
        ]
    return [
        f"{label_of(column).capitalize()} {what}, {_change(was, now)}" if column else f"Record {what}"
        for what, column, was, now in texts
    ]


def _change(was: str | None, now: str) -> str:
    """What a value was and is; None: what it was is not exported."""
    old, new = (moment(text or "").removesuffix(".0") or "blank" for text in (was, now))
    return f"to {new}" if was is None else f"from {old} to {new}"


def _columns(rule: RecordRule) -> Iterator[str]:
    """The columns that a message may name: those of the record, and of what the conditions join it with."""
    named = rule.scope.names() | rule.require.names()
    joined = {name.partition(".")[0] for name in named if "." in name}
    for name, column in VOCABULARY.items():
        if name in named or name.partition(".")[0] in joined or (column.table == "tasks" and column.kind != "text"):
            yield name


def _shown(name: str, text: str) -> str:
    """A value as people write it: minutes, whether early or late, as a span of time, a column by what it is called."""
    if text and name.endswith("_minutes"):
        return time_span(float(text) * MINUTE)
    return label_of(text) if name.endswith(".column") else moment(text)


def _kinds(rule: RecordRule) -> Iterator[str]:
    """A kind of message for each column that is required to be something, and for each thing required of it."""
    for conditions in (rule.require, *rule.require.any_of):
        for name, condition in conditions.columns.items():
            yield name
            yield from (f"{name}.{operator.removesuffix('_')}" for operator, _ in condition.operators())


def _told(rule: RecordRule, case: Mapping[str, Any]) -> Iterator[Said]:
    """Say of each requirement that broke what was recorded and what was required, at the position, where one is
    given."""
    where = {"position": case["position"]} if case["position"] else {}
    before = ", at ".join(part for part in (case["about"], case["position"]) if part)
    if before == case["position"] != "":
        before = f"At {before}"
    for one in case["broken"]:
        said = one.said
        values = {**case["columns"], **where, **said.values}
        yield Said(said.kinds, values, said.general, f"{before}: " if before else "")
    if not case["broken"]:
        yield Said((), {**case["columns"], **where}, rule.title)


def _values(broken: Broken) -> dict[str, str]:
    """The names that a message about one requirement may use."""
    found = {"measured": _shown(broken.column, broken.recorded)}
    parts = [part for one in broken.operators if (part := _operand(broken, *one))]
    if parts:
        found["limit"] = " and ".join(parts)
    if missing := _missing(broken):
        found["missing"] = list_in_words([" or ".join(f"`{item}`" for item in items) for items in missing], "and")
        codes = list(dict.fromkeys(code for codes in missing.values() for code in codes))
        always = any(not codes for codes in missing.values())
        found["hazards"] = list_in_words([*codes, *(["every product"] if always else [])], "and")
    return found


def _missing(broken: Broken) -> dict[tuple[str, ...], tuple[str, ...]]:
    """What a list lacks, alternatives together, each with the codes that ask for it."""
    asked = broken.condition.includes_all
    if isinstance(asked, Needed):
        return asked.lacking(broken.recorded, broken.others[asked.column])
    there = codes_of(broken.recorded)
    return {(item,): () for item in asked or () if item not in there}


def _operand(broken: Broken, operator: str, operand: Any) -> str:
    """What a value was compared with, as people write it."""
    if isinstance(operand, Needed):
        return ""
    if isinstance(operand, OtherColumn):
        return _shown(operand.column, broken.others[operand.column])
    if isinstance(operand, tuple):
        between = "and" if operator == "includes_all" else "or"
        return list_in_words([_shown(broken.column, str(one)) for one in operand], between)
    return _shown(broken.column, str(operand))


def _of_requirement(broken: Broken) -> Iterator[str]:
    asked = broken.condition.includes_all
    if isinstance(asked, Needed):
        for items, codes in _missing(broken).items():
            by = f"required for {list_in_words(codes, 'and')}" if codes else "required with every product"
            yield f"{' or '.join(f'`{item}`' for item in items)} not recorded as worn; {by}"
    elif not broken.recorded:
        yield presence_in_words(broken.column, False)
    elif missing := _values(broken).get("missing"):
        yield f"{missing} missing from the {label_of(broken.column)} ({broken.recorded})"
    else:
        recorded = _shown(broken.column, broken.recorded)
        before = "before, not after: " if broken.recorded.startswith("-") and recorded != broken.recorded else ""
        yield f"{label_of(broken.column)} is {before}{recorded}; {_asked(broken)}"


_ASKED = {
    "is_": "{} required",
    "not_": "{} not allowed",
    "in_": "{} required",
    "not_in": "{} not allowed",
    "includes_all": "{} required",
    "at_least": "at least {} required",
    "at_most": "at most {} allowed",
    "before": "before {} required",
    "after": "after {} required",
}


def _asked(broken: Broken) -> str:
    parts = ["none may be recorded"] if broken.condition.present is False else []
    for operator, operand in broken.operators:
        shown = _operand(broken, operator, operand)
        if isinstance(operand, OtherColumn):
            shown = f"the {label_of(operand.column)} ({shown})"
        parts.append(_ASKED[operator].format(shown))
    return " and ".join(parts)


def _figures(rule: RecordRule) -> Mapping[str, str]:
    """The numbers that the rule requires, by column and operator, and as `limit` where they are of one column."""
    found: dict[str, str] = {}
    ranges = []
    for name, condition in rule.require.columns.items():
        said: Callable[[Any], str] = _minutes_in_words if name.endswith("_minutes") else "{:g}".format
        asked = ((operator, getattr(condition, operator)) for operator in ("at_least", "at_most"))
        limits = {operator: said(one) for operator, one in asked if type(one) in (int, float)}
        found |= {f"{name}.{operator}": text for operator, text in limits.items()}
        ranges += [" to ".join(limits.values())] if limits else []
    return {**found, "limit": ranges[0]} if len(ranges) == 1 else found


def _minutes_in_words(minutes: float) -> str:
    return duration_in_words(timedelta(minutes=minutes))


_BY_TIME = frozenset({*TASK_TIMES, "work_date", "work_minutes", "signed_after_minutes"})
"""Columns whose values depend on how an ambiguous time of the record is read."""


def _unjudged_when(rule: RecordRule) -> Iterator[str]:
    both = (rule.scope, rule.require)
    dated = any(name.partition(".")[0] in ("performer", "certifier") for one in both for name in one.names())
    timed = frozenset().union(*map(_compared, both)) & _BY_TIME
    if dated or any(map(needs_component, both)) or (timed and not _only_its_direction(rule, timed)):
        yield describing.CLOCK_WENT_BACK


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


_NOUNS = {
    "corrections": "correction of a task record",
    "alterations": "time that a signed record was altered, vanished or was entered late, by the register,",
}


def _looks_at(rule: RecordRule) -> str:
    if rule.of == "tasks":
        return f"Each {describing.records(rule.scope, 'record')}."
    phrases = conditions_in_words(rule.scope)
    return f"Each {_NOUNS[rule.of]}" + (f" where {list_in_words(phrases, 'and')}." if phrases else ".")


_NAMED_BY = {
    "tasks": ("task_id",),
    "corrections": ("correction_id",),
    "alterations": ("task_id", "what", "column", "first_seen"),
}


def _identity(rule: RecordRule, cases: pd.DataFrame, evidence: pd.DataFrame, timeline: Timeline) -> Keys:
    if rule.of == "tasks":
        return [(task,) for task in evidence["task_id"]]
    frame, rows = timeline.tables.get(rule.of), cases["subject"].to_numpy()
    named = zip(*(cells(frame, name, rows) for name in _NAMED_BY[rule.of]), strict=True)
    keys = [tuple(map(str, names)) for names in named]
    if rule.of == "alterations" and frame is not None:
        # Audits as of one time, of exports made anew, may see a record change and change back.
        before = frame.groupby(list(_NAMED_BY[rule.of]), dropna=False).cumcount().to_numpy()[rows]
        keys = [(*key, str(number + 1)) if number else key for key, number in zip(keys, before, strict=True)]
    return keys


def _person(rule: RecordRule, cases: pd.DataFrame, timeline: Timeline) -> Texts | None:
    """Who made the correction, where a rule is about corrections."""
    if rule.of != "corrections":
        return None
    return cells(timeline.tables.get("corrections"), "made_by", cases["subject"].to_numpy())


RECORD = Form(
    name="record",
    pattern="universality (Dwyer, Avrunin, Corbett 1999)",
    rule=RecordRule,
    finding="a record in scope breaks a requirement",
    subjects="task record; with `of`, a correction of one, or what a register saw happen to one",
    named_by="task record; the correction; of what happened to a record also what, the column and when it was seen",
    evaluate=evaluate,
    plant=lambda rule, timeline: breaker(rule.require, timeline, rule.of),
    reads=lambda rule: ("tasks", rule.of),
    may_read=lambda rule: BOOTS_READ if any(map(needs_component, conditions_of(rule))) else (),
    # A condition of corrections selects no task records.
    selects=lambda rule: (rule.scope,) if rule.of == "tasks" else (),
    requires=lambda rule: rule.require,
    identity=_identity,
    person=_person,
    facts=_facts,
    told=_told,
    values={
        "measured": "what was recorded",
        "limit": "what is required, or the limit",
        "missing": "what a list lacks: `rinsed` and `dried`",
        "hazards": "the hazard statements that require it",
        "position": "the position, of a record for several",
    },
    columns=_columns,
    more_kinds=_kinds,
    figures=_figures,
    rows=lambda rule: {"subject": rule.of},
    drawing=lambda rule: AroundRecord() if rule.of == "tasks" and needs_component(rule.require) else None,
    looks_at=_looks_at,
    demands=lambda rule: conditions_in_words(rule.require),
    unjudged_when=_unjudged_when,
    settable=("require",),
    skeleton="""\
require:
  component.finish: {is: black}
# What each example leaves out is ordinary: rules/README.md lists the defaults. Better also show the exact limit.
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
