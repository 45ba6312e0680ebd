"""The drill itself: faults planted in copies of the records, audited together, and what the audit found of them."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import pandas as pd

from audit.drill.bound import lower_bound
from audit.drill.copying import Copied, copies_with
from audit.drill.fleets import copy_number, named, rule_of
from audit.drill.rounds import footprint, in_rounds
from audit.findings.collect import evidence_of
from audit.forms import form_of
from audit.forms.judging import every_subject, judge_rule
from audit.forms.reads import columns_read
from audit.intake.export import Export
from audit.intake.tables import FLIGHTS, TASKS
from audit.language.rule import Rule
from audit.planting.planting import NotPlantable, Planted, Planter, Spot, cell
from audit.timeline.instants import instant, stamp
from audit.timeline.timeline import Timeline, build_timeline

Outcome = Literal["detected", "missed", "unjudged", "quarantined", "masked", "silent", "false alarm"]
OUTSIDE: Final[tuple[Outcome, ...]] = ("detected", "missed", "unjudged", "quarantined", "masked")
"""What can become of a planted fault: found; complies all the same; not judged; not let in by intake; or its subject is
no subject of the rule any more."""
PLANTING_COLUMNS: Final = (
    "rule", "side", "outcome", "reason", "what", "aircraft", "position", "component_serial", "work_order", "task_id",
    "flight_id", "at",
)  # fmt: skip
BESIDE_COLUMNS: Final = (
    "rule", "change", "aircraft", "position", "component_serial", "work_order", "task_id", "flight_id", "at",
    "cause_rule", "cause_side", "cause_task_id", "cause",
)  # fmt: skip
_NAMED: Final = ("aircraft", "position", "component_serial", "work_order", "task_id", "flight_id", "at")
_ROWS_AT_ONCE: Final = 1_000_000
"""Rows of all copies that are audited together."""
_TRIES: Final = 20
"""Subjects that are tried for each fault to be planted, where many of them can't have one."""


@dataclass(frozen=True)
class OfRule:
    """What became of the faults of one rule: by outcome those that must be found, and of those that must not `inside`.

    `subjects` are those that are not findings by themselves. `not_plantable` counts subjects that can't have a fault
    planted, by why.
    """

    rule: str
    title: str
    subjects: int
    outcomes: Mapping[str, int]
    inside: int
    false_alarms: int
    not_plantable: Mapping[str, int]

    @property
    def planted(self) -> int:
        """How many faults were planted."""
        return sum(self.outcomes.values())

    @property
    def detected(self) -> int:
        """How many of them were found."""
        return self.outcomes["detected"]

    @property
    def lower(self) -> float:
        """At least this share of such faults is found, with 95 % confidence."""
        return lower_bound(self.detected, self.planted)


@dataclass(frozen=True)
class Drilled:
    """A drill, rule by rule.

    `plantings` (PLANTING_COLUMNS) has each planting, `beside` (BESIDE_COLUMNS) the other findings that came or went,
    with the planting that is the cause.
    """

    export_name: str
    as_of: pd.Timestamp
    seed: str
    copies: int
    rules: tuple[OfRule, ...]
    plantings: pd.DataFrame
    beside: pd.DataFrame

    @property
    def planted(self) -> int:
        """How many faults were planted."""
        return sum(one.planted for one in self.rules)

    @property
    def detected(self) -> int:
        """How many of them were found."""
        return sum(one.detected for one in self.rules)

    @property
    def false_alarms(self) -> int:
        """How many values just inside a limit were found fault with."""
        return sum(one.false_alarms for one in self.rules)


Key = tuple[str, ...]
"""The natural keys of a subject."""


@dataclass(frozen=True)
class _Planting:
    """A planting at a subject with this key and name, on this aircraft."""

    rule: Rule
    spot: Spot
    planted: Planted
    key: Key = ()
    name: str = ""
    aircraft: str = ""
    touched: frozenset[str] = frozenset()

    def is_about(self, key: Key) -> bool:
        """Whether a subject is that of the planting; of a pair, whether its one thing is."""
        return self.name in key if self.planted.pair else key == self.key


@dataclass(frozen=True)
class _Base:
    """The records as they are: their timeline, and of each rule the subjects at fault, by key, and the others.

    `corrected` are the cells of task records (task_id, column) that have corrections.
    """

    export: Export
    timeline: Timeline
    found: Mapping[str, Mapping[Key, Mapping[Any, Any]]]
    subjects: Mapping[str, pd.DataFrame]
    corrected: frozenset[tuple[str, str]]


@dataclass
class _Plan:
    """All plantings of a drill, and what could not be planted, by rule and why."""

    plantings: list[_Planting] = field(default_factory=list)
    not_plantable: dict[str, Counter[str]] = field(default_factory=dict)


@dataclass
class _Told:
    """What became of plantings, by number, and the findings that came or went beside them."""

    outcomes: dict[int, tuple[Outcome, str]] = field(default_factory=dict)
    beside: list[pd.DataFrame] = field(default_factory=list)


def drill(
    name: str,
    rules: Sequence[Rule],
    export: Export,
    as_of: pd.Timestamp | None,
    per_rule: int,
    seed: str,
    progress: Callable[[str], None] = lambda step: None,
) -> Drilled:
    """Plant faults of each rule in copies of an export, audit these together, and tell what became of each."""
    timeline = build_timeline(export, as_of)
    progress("judging the records as they are")
    base = _base(rules, export, timeline)
    plan = _Plan()
    for rule in rules:
        progress(f"planting faults of {rule.id}")
        _plan_for(rule, base, per_rule, seed, plan)
    # Faults that don't touch each other share a copy: a drill of thousands takes a few copies.
    footprints = [footprint(one.rule, timeline, one.spot, one.planted) for one in plan.plantings]
    copies = in_rounds(footprints)
    told = _Told()
    size = sum(map(len, export.tables.values()))
    at_once = max(_ROWS_AT_ONCE // max(size, 1), 1)
    for first in range(0, len(copies), at_once):
        progress(f"auditing copies {first + 1} to {min(first + at_once, len(copies))} of {len(copies)}")
        _audit(rules, base, plan.plantings, copies[first : first + at_once], told)
    plantings = _table(plan.plantings, told, timeline)
    return Drilled(
        export_name=name,
        as_of=stamp(timeline.as_of),
        seed=seed,
        copies=len(copies),
        rules=tuple(_of_rule(rule, base, plan, plantings) for rule in rules),
        plantings=plantings,
        beside=pd.concat(told.beside or [pd.DataFrame(columns=list(BESIDE_COLUMNS))], ignore_index=True),
    )


def _base(rules: Sequence[Rule], export: Export, timeline: Timeline) -> _Base:
    found, subjects = {}, {}
    for rule in rules:
        cases = every_subject(rule, timeline)
        at_fault = cases[cases["outcome"] == "finding"]
        keys, evidence = _keys(rule, at_fault, timeline)
        found[rule.id] = dict(zip(keys, evidence.to_dict("records"), strict=True))
        subjects[rule.id] = cases[cases["outcome"] != "finding"]
    return _Base(export, timeline, found, subjects, _corrected(timeline))


def _corrected(timeline: Timeline) -> frozenset[tuple[str, str]]:
    """The cells of task records (task_id, column) that have corrections."""
    frame = timeline.tables.get("corrections")
    if frame is None:
        return frozenset()
    return frozenset(zip(*(frame[name].astype("str").tolist() for name in ("task_id", "column")), strict=True))


def _keys(rule: Rule, cases: pd.DataFrame, timeline: Timeline) -> tuple[list[Key], pd.DataFrame]:
    """The natural keys of subjects, and what they are called by."""
    cases = cases.reset_index(drop=True)
    evidence = evidence_of(cases, timeline)
    return form_of(rule).identity(rule, cases, evidence, timeline), evidence[list(_NAMED)]


def _plan_for(rule: Rule, base: _Base, per_rule: int, seed: str, plan: _Plan) -> None:
    """Plant in subjects of a rule, in a chance order, until there are enough faults."""
    cases = base.subjects[rule.id]
    # Each rule draws by itself, so that a rule more or less leaves the draws of the others as they are.
    order = list(range(len(cases)))
    random.Random(f"{seed} {rule.id}").shuffle(order)
    plant = _beside_corrections(form_of(rule).plant(rule, base.timeline), rule, base)
    reasons = plan.not_plantable.setdefault(rule.id, Counter())
    made: list[_Planting] = []
    columns = {str(name): cases[name].to_numpy() for name in cases}
    planted = 0
    for place in order[: _TRIES * per_rule]:
        case = {name: column[place] for name, column in columns.items()}
        number = len(plan.plantings) + len(made)
        outside, inside = (
            Spot(case, "outside", f"drill-{number}", planted),
            Spot(case, "inside", f"drill-{number + 1}", planted),
        )
        try:
            made.append(_Planting(rule, outside, plant(outside)))
        except NotPlantable as why:
            reasons[str(why)] += 1
            continue
        # What can be broken can't always be just kept, too: then the fault stands alone.
        with suppress(NotPlantable):
            made.append(_Planting(rule, inside, plant(inside)))
        planted += 1
        if planted == per_rule:
            break
    if made:
        keys, evidence = _keys(rule, pd.DataFrame([one.spot.case for one in made]), base.timeline)
        names = evidence["task_id"].where(evidence["task_id"] != "", evidence["flight_id"])
        names = names.where(names != "", evidence["component_serial"])
        named_by = zip(made, keys, names, evidence["aircraft"], strict=True)
        plan.plantings += [replace(one, key=key, name=name, aircraft=craft) for one, key, name, craft in named_by]
        plan.plantings = [replace(one, touched=one.touched or _touched(one, base.timeline)) for one in plan.plantings]


def _beside_corrections(plant: Planter, rule: Rule, base: _Base) -> Planter:
    """Plants no fault in a cell that has corrections, which would not fit any more; unless a rule is about those."""

    def planted(spot: Spot) -> Planted:
        found = plant(spot)
        changed = [edit for edit in found.edits if edit.table == "tasks" and not edit.new]
        cells = {(cell(base.timeline, "tasks", "task_id", edit.row), name) for edit in changed for name in edit.cells}
        if getattr(rule, "of", "tasks") == "tasks" and not base.corrected.isdisjoint(cells):
            raise NotPlantable("what would be changed has a correction")
        return found

    return planted


def _touched(one: _Planting, timeline: Timeline) -> frozenset[str]:
    """The aircraft of a planting: its subject's, and those of the records and flights that it writes."""
    edits = [edit for edit in one.planted.edits if edit.table in ("tasks", "flights")]
    return frozenset(
        {
            one.aircraft,
            *(edit.cells.get("aircraft") or cell(timeline, edit.table, "aircraft", edit.row) for edit in edits),
        }
    )


def _audit(
    rules: Sequence[Rule], base: _Base, plantings: Sequence[_Planting], copies: Sequence[Sequence[int]], told: _Told
) -> None:
    """Audit copies with these plantings in them: the outcome of each, and what else changed."""
    edits = [{nth: plantings[nth].planted.edits for nth in numbers} for numbers in copies]
    as_of = stamp(base.timeline.as_of)
    copied = copies_with(base.export, edits, as_of)
    timeline = build_timeline(copied.export, as_of)
    for rule in (rule_of(rule, len(copies)) for rule in rules):
        cases = judge_rule(rule, timeline).cases
        keys, evidence = _keys(rule, cases, timeline)
        # The subjects of all copies come out of one audit: they are handed back copy by copy, under their keys in the
        # base.
        found: list[dict[Key, int]] = [{} for _ in copies]
        for row, (key, aircraft) in enumerate(zip(keys, evidence["aircraft"], strict=True)):
            copy = copy_number(aircraft)
            found[copy][_as_in_base(key, copy)] = row
        mine = {
            nth: copy for copy, numbers in enumerate(copies) for nth in numbers if plantings[nth].rule.id == rule.id
        }
        planted: dict[int, set[Key]] = {}
        lost = []
        for nth, copy in mine.items():
            outcome, about = _outcome(plantings[nth], found[copy], cases, base.found[rule.id], copied.refused.get(nth))
            planted.setdefault(copy, set()).update(about)
            if outcome is None:
                lost.append((nth, copy))
            else:
                told.outcomes[nth] = outcome
        told.outcomes |= _lost(rule, timeline, plantings, lost)
        changed = _beside(rule, base, plantings, copies, (found, planted), (cases, evidence), copied)
        told.beside += [] if changed is None else [changed]


def _as_in_base(key: Key, copy: int) -> Key:
    """A natural key without the names of its copy."""
    return tuple(part.removesuffix(named("", copy)) for part in key)


def _outcome(
    one: _Planting, found: Mapping[Key, int], cases: pd.DataFrame, before: Mapping[Key, Any], refused: str | None
) -> tuple[tuple[Outcome, str] | None, set[Key]]:
    """What became of a planting and why (None: it is neither found nor unjudged), and the subjects at fault by it."""
    if refused is not None:
        return ("quarantined", refused), set()
    about = [key for key in found if one.is_about(key)] if one.planted.pair else [one.key] if one.key in found else []
    # What was at fault before the planting proves nothing.
    about = [key for key in about if key not in before]
    at_fault = {key for key in about if cases["finding"].iat[found[key]]}
    if not one.spot.outside:
        return ("false alarm" if at_fault else "silent", ""), at_fault
    if at_fault:
        return ("detected", ""), at_fault
    reason = next((str(cases["reason"].iat[found[key]]) for key in about), "")
    return (("unjudged", reason) if reason else None), set()


def _lost(
    rule: Rule, timeline: Timeline, plantings: Sequence[_Planting], lost: Sequence[tuple[int, int]]
) -> dict[int, tuple[Outcome, str]]:
    """Of plantings that were neither found nor unjudged: whether their subjects comply, or are none any more."""
    if not lost:
        return {}
    cases = every_subject(rule, timeline)
    # To judge every subject, complying ones too, is slow: only those of these aircraft are named.
    wanted = {named(plantings[nth].aircraft, copy) for nth, copy in lost}
    cases = cases[evidence_of(cases, timeline)["aircraft"].isin(wanted).to_numpy(bool)]
    keys, evidence = _keys(rule, cases, timeline)
    there: dict[int, list[Key]] = {}
    for key, aircraft in zip(keys, evidence["aircraft"], strict=True):
        copy = copy_number(aircraft)
        there.setdefault(copy, []).append(_as_in_base(key, copy))
    return {
        nth: ("missed" if any(map(plantings[nth].is_about, there.get(copy, ()))) else "masked", "")
        for nth, copy in lost
    }


def _beside(
    rule: Rule,
    base: _Base,
    plantings: Sequence[_Planting],
    copies: Sequence[Sequence[int]],
    told_of: tuple[Sequence[Mapping[Key, int]], Mapping[int, set[Key]]],
    shown: tuple[pd.DataFrame, pd.DataFrame],
    copied: Copied,
) -> pd.DataFrame | None:
    """Findings of a rule that came or went beside the planted ones, each with its cause."""
    (found, planted), (cases, evidence), before = told_of, shown, base.found[rule.id]
    finding, read = cases["finding"].to_numpy(), columns_read(rule)
    rows: list[dict[str, Any]] = []

    def tell(change: str, called: Mapping[Any, Any], cause: _Planting | None) -> None:
        rows.append({"rule": rule.id, "change": change, **called, **_caused(cause, base.timeline)})

    for copy, of_copy in enumerate(found):
        here = [nth for nth in copies[copy] if nth not in copied.refused and _bears_on(plantings[nth], read)]
        at_fault = {key: row for key, row in of_copy.items() if finding[row]}
        for key, row in at_fault.items():
            if key not in before and key not in planted.get(copy, ()):
                called = {name: _plainly(value, copy) for name, value in evidence.iloc[row].items()}
                by = _written_by(rule, cases.iloc[row], copied, here)
                tell("new", called, _nearest(called, plantings, here) if by is None else plantings[by])
        for key in (key for key in before if key not in at_fault):
            tell("gone", before[key], _nearest(before[key], plantings, here))
    return pd.DataFrame(rows, columns=list(BESIDE_COLUMNS)) if rows else None


def _caused(cause: _Planting | None, timeline: Timeline) -> dict[str, str]:
    """What is told of the planting that is the cause."""
    if cause is None:
        return dict.fromkeys(("cause_rule", "cause_side", "cause_task_id", "cause"), "")
    task = cause.spot["task"]
    return {
        "cause_rule": cause.rule.id,
        "cause_side": cause.spot.side,
        "cause_task_id": cell(timeline, "tasks", "task_id", task) if task >= 0 else "",
        "cause": cause.planted.what,
    }


def _plainly(value: Any, copy: int) -> Any:
    """What something is called, without the name of its copy."""
    return value.removesuffix(named("", copy)) if isinstance(value, str) else value


def _bears_on(one: _Planting, read: frozenset[tuple[str, str]]) -> bool:
    """Whether a planting wrote anything that a rule reads, or moved work, which any rule may notice."""
    written = {(edit.table, name) for edit in one.planted.edits for name in edit.cells}
    return any(edit.new or edit.table == "components" for edit in one.planted.edits) or not written.isdisjoint(
        read | _ALWAYS_READ
    )


_ALWAYS_READ: Final = frozenset(
    {("tasks", "status"), *((table.name, name) for table in (TASKS, FLIGHTS) for name in table.required)}
)


def _written_by(rule: Rule, case: pd.Series, copied: Copied, here: Sequence[int]) -> int | None:
    """Which of these plantings wrote a row of a finding's evidence."""
    tables = {"task": "tasks", **form_of(rule).rows(rule), "flight": "flights", "component": "components"}
    rows = ((table, int(case[column])) for column, table in tables.items())
    writers = (nth for row in rows for nth in sorted(copied.changed.get(row, ())) if nth in here)
    return next(writers, None)


def _nearest(called: Mapping[Any, Any], plantings: Sequence[_Planting], here: Sequence[int]) -> _Planting | None:
    """The planting on the aircraft of a finding that is nearest to it in time."""
    near = [plantings[nth] for nth in here if called["aircraft"] in plantings[nth].touched]
    at = instant(pd.Timestamp(called["at"]))
    return min(near, key=lambda one: abs(one.spot["at"] - at), default=None)


def _table(plantings: Sequence[_Planting], told: _Told, timeline: Timeline) -> pd.DataFrame:
    """Every planting with what became of it (PLANTING_COLUMNS)."""
    if not plantings:
        return pd.DataFrame(columns=list(PLANTING_COLUMNS))
    frame = evidence_of(pd.DataFrame([one.spot.case for one in plantings]), timeline)[list(_NAMED)]
    frame["rule"] = [one.rule.id for one in plantings]
    frame["side"] = [one.spot.side for one in plantings]
    frame["what"] = [one.planted.what for one in plantings]
    frame["outcome"] = [told.outcomes[nth][0] for nth in range(len(plantings))]
    frame["reason"] = [told.outcomes[nth][1] for nth in range(len(plantings))]
    return frame[list(PLANTING_COLUMNS)]


def _of_rule(rule: Rule, base: _Base, plan: _Plan, plantings: pd.DataFrame) -> OfRule:
    mine = plantings[plantings["rule"] == rule.id]
    outside, inside = (mine.loc[mine["side"] == side, "outcome"] for side in ("outside", "inside"))
    return OfRule(
        rule=rule.id,
        title=rule.title,
        subjects=len(base.subjects[rule.id]),
        outcomes={outcome: int((outside == outcome).sum()) for outcome in OUTSIDE},
        inside=len(inside),
        false_alarms=int((inside == "false alarm").sum()),
        not_plantable=dict(plan.not_plantable[rule.id].most_common()),
    )
