"""Conditions over records, in three-valued logic."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.intake.names import near_keys, people_named
from audit.intake.tables import NAMES
from audit.intake.words import canonical, says_nothing
from audit.language.condition import Condition, Conditions, Needed, OtherColumn, codes_of
from audit.timeline.codes import MISSING
from audit.timeline.column_values import Values
from audit.timeline.days import local_day
from audit.timeline.instants import DAY, Bools, Ints, instant
from audit.timeline.records import values
from audit.timeline.timeline import TASK_TIMES, Timeline
from audit.timeline.vocabulary import VOCABULARY

Truth = npt.NDArray[np.int8]
FALSE, UNKNOWN, TRUE = np.int8(0), np.int8(1), np.int8(2)
"""Kleene's values in their order: `and` is the minimum, `or` the maximum."""


@dataclass(frozen=True)
class Judged:
    """The truth of a condition for each record, and, where unknown, the reason (a code into `reasons`)."""

    truth: Truth
    why: Ints
    reasons: tuple[str, ...]

    def reason(self, index: Ints) -> npt.NDArray[np.object_]:
        """Reasons of the records at `index`, blank where the truth is known."""
        names = np.array([*self.reasons, ""], object)
        return names[np.where(self.truth[index] == UNKNOWN, self.why[index], -1)]


def needs_component(conditions: Conditions) -> bool:
    """Whether any condition asks about the installed component."""
    return any(name.startswith("component.") for name in conditions.names())


def without_component(conditions: Conditions) -> Conditions:
    """Those of the conditions that can be judged before the component is joined."""
    first: dict[str, Any] = {
        name: condition
        for name, condition in conditions.columns.items()
        if not needs_component(Conditions.model_validate({name: condition}))
    }
    if conditions.any_of and not any(map(needs_component, conditions.any_of)):
        first["any_of"] = conditions.any_of
    return Conditions.model_validate(first)


def judge(conditions: Conditions, timeline: Timeline, rows: Ints, component: Ints | None = None) -> Judged:
    """Judge the task records `rows`, each joined with its component row where the conditions ask for it.

    Conditions are judged one after the other, only on records for which the ones before didn't already fail.
    """
    truth = np.full(len(rows), TRUE)
    why: Ints = np.zeros_like(rows)
    reasons: list[str] = []

    def narrow(index: Ints, part: Judged) -> None:
        nonlocal truth, why
        if not reasons:
            # Nothing has been decided before.
            truth, why = part.truth, part.why
            reasons.extend(part.reasons)
            return
        lower = part.truth < truth[index]
        why[index[lower]] = part.why[lower] + len(reasons)
        truth[index[lower]] = part.truth[lower]
        reasons.extend(part.reasons)

    every = np.arange(len(rows))
    # Columns of the record itself first: joining the component is the costly step.
    for name, condition in sorted(conditions.columns.items(), key=lambda item: item[0].startswith("component.")):
        alive = every if not reasons else np.flatnonzero(truth != FALSE)
        narrow(alive, _column(name, condition, timeline, *_at(rows, component, alive)))
    if conditions.any_of:
        alive = every if not reasons else np.flatnonzero(truth != FALSE)
        parts = [judge(alternative, timeline, *_at(rows, component, alive)) for alternative in conditions.any_of]
        narrow(alive, _either(parts))
    return Judged(truth, why, tuple(reasons))


def failures(
    conditions: Conditions, timeline: Timeline, rows: Ints, component: Ints | None = None
) -> list[tuple[str, Truth, Values]]:
    """Each condition by itself, for the few records of which a sentence must say what broke."""
    return [
        (
            name,
            _column(name, condition, timeline, rows, component).truth,
            values(timeline, name, rows, component),
        )
        for name, condition in conditions.columns.items()
    ]


def _at(rows: Ints, component: Ints | None, index: Ints) -> tuple[Ints, Ints | None]:
    if len(index) == len(rows):
        return rows, component
    return rows[index], None if component is None else component[index]


def _either(parts: list[Judged]) -> Judged:
    truth = np.maximum.reduce([part.truth for part in parts])
    why = np.zeros(len(truth), np.int16)
    reasons: list[str] = []
    for part in reversed(parts):
        unknown = part.truth == UNKNOWN
        why[unknown] = part.why[unknown] + len(reasons)
        reasons.extend(part.reasons)
    return Judged(truth, why, tuple(reasons))


def _column(name: str, condition: Condition, timeline: Timeline, rows: Ints, component: Ints | None) -> Judged:
    """Whether a column is all that the operators of its condition ask."""
    left = values(timeline, name, rows, component)
    # Codes of a column's own reasons fit into a byte, those of several columns together may not.
    left = replace(left, why=left.why.astype(np.int16))
    parts = []
    for operator, operand in condition.operators():
        if operator == "present":
            parts.append(Judged(_present(left, bool(operand)), left.why, left.reasons))
        elif isinstance(operand, Needed):
            parts.append(_needed(name, operand, left, values(timeline, operand.column, rows, component)))
        elif isinstance(operand, OtherColumn):
            right = values(timeline, operand.column, rows, component)
            parts.append(_against_column(timeline, name, operator, operand.column, left, right, rows))
        else:
            parts.append(_against_literal(timeline, name, operator, operand, left, rows))
    return _all(parts)


def _all(parts: Sequence[Judged]) -> Judged:
    """What holds where all must: of the parts of each record the lowest, and of equals the first."""
    found, *others = parts
    for other in others:
        why = np.where(other.truth < found.truth, other.why + len(found.reasons), found.why)
        found = Judged(np.minimum(found.truth, other.truth), why, (*found.reasons, *other.reasons))
    return found


def _against_literal(timeline: Timeline, name: str, operator: str, operand: Any, left: Values, rows: Ints) -> Judged:
    """Compare a column with what the rule says."""
    is_day = left.kind == "time" and len(str(operand)) == len("2024-01-31")
    one = _by_day(name, left, timeline, rows) if is_day else left
    operand = _as_read(name, operand)
    truth = np.where(left.missing, UNKNOWN, _against(operator, operand, one)).astype(np.int8)
    # A list of which a part can't be read surely lacks an item that no part of it can be.
    lacks = left.lacking(truth == TRUE) if operator == "includes_all" else np.zeros(len(rows), bool)
    truth[left.undecidable & ~lacks] = UNKNOWN
    otherwise = _literal_otherwise(timeline, name, operator, operand, left, truth == FALSE)
    return _unless(Judged(truth, left.why, left.reasons), ~left.missing, otherwise)


def _against_column(
    timeline: Timeline, name: str, operator: str, other: str, left: Values, right: Values, rows: Ints
) -> Judged:
    """Compare a column with another one of the same record."""
    one, two = left, right
    if {left.kind, right.kind} == {"time", "date"}:
        one, two = _by_day(name, left, timeline, rows), _by_day(other, right, timeline, rows)
    known = ~(left.missing | right.missing)
    truth = np.where(known, _compare(operator, one, two), UNKNOWN).astype(np.int8)
    lacks = right.lacking(truth == TRUE) if operator == "in_" else np.zeros(len(rows), bool)
    truth[right.undecidable & known & ~lacks] = UNKNOWN
    found = _unless_missing(left, Judged(truth, right.why, right.reasons))
    return _unless(found, known, _perhaps_otherwise(timeline, name, operator, other, left, right))


def _unless_missing(left: Values, judged: Judged) -> Judged:
    """The same, with why the column itself is missing for the reason where it is."""
    why = np.where(left.missing, left.why, judged.why + len(left.reasons))
    return Judged(judged.truth, why, (*left.reasons, *judged.reasons))


def _unless(judged: Judged, known: Bools, otherwise: Iterable[tuple[Bools, str]]) -> Judged:
    """The same, unknown where what is known may compare otherwise than as it is written, and why."""
    truth, why, reasons = judged.truth.copy(), judged.why.copy(), list(judged.reasons)
    for perhaps, reason in otherwise:
        truth[perhaps & known] = UNKNOWN
        why[perhaps & known] = len(reasons)
        reasons.append(reason)
    return Judged(truth, why, tuple(reasons))


OTHERWISE = "{} has what is required, written otherwise"
_PARTED = re.compile(r"[;,/|&+\n]")
"""Signs that stand between the entries of a list where it wasn't written as it should be."""


def _has_otherwise(cell: str, item: str) -> bool:
    """Whether a list has an entry that is nearly the item, whatever parts its entries: `eye protection, gloves`."""
    return any(near_keys(entry) & near_keys(item) for entry in _PARTED.split(cell) if entry.strip())


def _included_otherwise(items: Sequence[str], left: Values) -> Bools:
    """Where a list has all items, though some are written otherwise."""
    return left.so(lambda cell: all(item in codes_of(cell) or _has_otherwise(cell, item) for item in items))


def _perhaps_otherwise(
    timeline: Timeline, name: str, operator: str, other: str, left: Values, right: Values
) -> Iterator[tuple[Bools, str]]:
    """Where two columns may compare otherwise than as they are written, and why."""
    nearly = _nearly_equal(timeline, name, left, right)
    if operator in ("in_", "not_in"):
        nearly |= _nearly_listed(left, right)
    yield nearly, f"{name} and {other} are nearly the same name"
    if _names_people(name) and _names_people(other):
        yield _share_one(left, right, people_named), f"{name} or {other} names several people"
    elif operator in ("is_", "not_"):
        yield _share_one(left, right, codes_of), f"{name} or {other} names several"


def _literal_otherwise(
    timeline: Timeline, name: str, operator: str, operand: Any, left: Values, fails: Bools
) -> Iterator[tuple[Bools, str]]:
    """Where a column may compare otherwise with a literal than as it is written, and why; `fails` is as written."""
    if operator in ("is_", "not_", "in_", "not_in") and VOCABULARY[name].kind == "code":
        literals = frozenset(map(str, operand)) if isinstance(operand, tuple) else frozenset({str(operand)})
        yield _nearly_as_in_the_rule(timeline, name, literals, left), f"{name} is nearly what the rule names"
        others = _turned_by_one(operator, operand, left, lambda text: () if text in literals else codes_of(text))
        yield others, f"{name} names several"
    nearly = _nearly_the_literal(timeline, name, operator, operand, left)
    yield nearly, f"{name} is nearly a name that another table has"
    if _names_people(name):
        yield _turned_by_one(operator, operand, left, people_named), f"{name} names several people"
    if operator == "includes_all":
        yield _included_otherwise(operand, left) & fails, OTHERWISE.format(name)


def _nearly_as_in_the_rule(timeline: Timeline, name: str, literals: frozenset[str], left: Values) -> Bools:
    """Where a code is none that the rule names, and nearly equal to one: whoever wrote the rule may have meant it."""
    keys = frozenset[str]().union(*map(near_keys, literals - _listed_names(timeline, name)))
    return left.so(lambda text: bool(keys) and text not in literals and not keys.isdisjoint(near_keys(text)))


def _listed_names(timeline: Timeline, name: str) -> frozenset[str]:
    """The aircraft, or what a list names, of a column's kind: what is among these is a name of its own."""
    column = VOCABULARY[name]
    places = next((places for places in NAMES.values() if (column.table, column.column.name) in places), ())
    if ("flights", "aircraft") in places:
        return frozenset(map(str, timeline.aircraft_names))
    lists = [
        timeline.tables[table][of].cat.categories for table, of in places if table in _LISTS & set(timeline.tables)
    ]
    return frozenset(str(one) for names in lists for one in names)


_LISTS: Final = frozenset({"products", "stations", "lots", "people", "manuals"})
"""Tables of which a part of an export has every row."""


def _names_people(name: str) -> bool:
    column = VOCABULARY[name]
    return (column.table, column.column.name) in NAMES["person"]


def _turned_by_one(operator: str, operand: Any, left: Values, named: Callable[[str], Iterable[str]]) -> Bools:
    """Where one of those that a cell names would compare otherwise than the whole of it: `H. Quill; B. Fenn`."""
    return left.so(lambda text: len({_text_holds(operator, operand, one) for one in (text, *named(text))}) > 1)


def _pairs(left: Values, right: Values) -> tuple[Ints, list[tuple[int, int]]]:
    """The number of each record's pair of texts, and the codes of the pairs: what is said of two is worked out once."""
    assert left.codes is not None
    assert right.codes is not None
    assert right.names is not None
    # Codes count from 0, and MISSING is -1: both are moved up by one, so that a pair is one number.
    width = len(right.names) + 1
    pairs, distinct = pd.factorize((left.codes.astype(np.int64) + 1) * width + right.codes + 1)
    return pairs, [(pair // width - 1, pair % width - 1) for pair in distinct.tolist()]


def _so_of_both(left: Values, right: Values, said: Callable[[str, str], bool]) -> Bools:
    """Where something is so of two texts, asked once for each pair; nowhere where one of them is missing."""
    assert left.names is not None
    assert right.names is not None
    pairs, distinct = _pairs(left, right)
    one, other = ([*map(str, names), ""] for names in (left.names, right.names))
    found = [MISSING not in pair and said(one[pair[0]], other[pair[1]]) for pair in distinct]
    return np.array(found, bool)[pairs]


def _share_one(left: Values, right: Values, named: Callable[[str], Iterable[str]]) -> Bools:
    """Where two cells, one of which names several, have one of them in common."""
    if left.names is None or right.names is None:
        return np.zeros(len(left.missing), bool)
    told = {str(word): set(named(str(word))) for word in (*left.names, *right.names)}
    if all(len(some) == 1 for some in told.values()):
        return np.zeros(len(left.missing), bool)

    def shared(text: str, cell: str) -> bool:
        return len(told[text] | told[cell]) > 1 and not told[text].isdisjoint(told[cell])

    return _so_of_both(left, right, shared)


def _alike(timeline: Timeline, name: str) -> Mapping[str, frozenset[str]]:
    """The names of a column's kind that are nearly equal, each with the others."""
    column = VOCABULARY[name]
    here = (column.table, column.column.name)
    return next((timeline.alike.get(kind, {}) for kind, columns in NAMES.items() if here in columns), {})


def _nearly_the_literal(timeline: Timeline, name: str, operator: str, operand: Any, left: Values) -> Bools:
    """Where a name, written as the one that it is nearly equal to, would compare otherwise with a literal."""
    alike = _alike(timeline, name)
    if not alike or left.names is None:
        return np.zeros(len(left.missing), bool)

    def turned(text: str) -> bool:
        return any(
            _text_holds(operator, operand, text.replace(part, other)) != _text_holds(operator, operand, text)
            for part in (codes_of(text) if left.kind == "codes" else (text,))
            for other in alike.get(part, ())
        )

    return left.so(turned)


def _nearly_equal(timeline: Timeline, name: str, left: Values, right: Values) -> Bools:
    """Where two names differ that are nearly equal, and may be one, written differently."""
    alike = _alike(timeline, name)
    if not alike or left.names is None or right.names is None:
        return np.zeros(len(left.missing), bool)
    return _so_of_both(left, right, lambda one, other: other in alike.get(one, ()))


def _nearly_listed(left: Values, right: Values) -> Bools:
    """Where a list lacks a text and has one that is nearly equal: `TW-07` and `TW-7`."""
    if left.names is None or right.names is None:
        return np.zeros(len(left.missing), bool)

    def nearly(text: str, cell: str) -> bool:
        listed = codes_of(cell)
        return text not in listed and any(near_keys(text) & near_keys(other) for other in listed)

    return _so_of_both(left, right, nearly)


def _present(left: Values, wanted: bool) -> Truth:
    there = ~left.missing
    if left.names is not None:
        there &= ~left.so(says_nothing)
    found = np.where(there == wanted, TRUE, FALSE)
    return np.where(left.undecidable, UNKNOWN, found).astype(np.int8)


def _as_read(name: str, operand: Any) -> Any:
    """A literal as the cells of its column are read: words of the trade in canonical text."""
    if not VOCABULARY[name].column.words:
        return operand
    if isinstance(operand, tuple):
        return tuple(canonical(str(one)) for one in operand)
    return canonical(str(operand))


def _against(operator: str, operand: Any, left: Values) -> Truth:
    """Compare with a literal."""
    if left.names is not None:
        return np.where(left.so(lambda text: _text_holds(operator, operand, text)), TRUE, FALSE)
    assert left.numbers is not None
    if left.kind in ("time", "date"):
        bound = pd.Timestamp(str(operand))
        bound = bound.tz_localize("UTC") if bound.tzinfo is None else bound.tz_convert("UTC")
        return np.where(_ordered(operator, left.numbers, instant(bound)), TRUE, FALSE)
    return np.where(_ordered(operator, left.numbers, operand), TRUE, FALSE)


def _text_holds(operator: str, operand: Any, value: str) -> bool:
    match operator:
        case "is_":
            return value == str(operand)
        case "not_":
            return value != str(operand)
        case "in_":
            return value in {str(one) for one in operand}
        case "not_in":
            return value not in {str(one) for one in operand}
        case _:  # includes_all
            return set(codes_of(value)) >= set(operand)


def _needed(name: str, operand: Needed, left: Values, right: Values) -> Judged:
    """Whether a list holds what another asks for by a table.

    What is always required, and what known codes require, is decided whatever else is unknown.
    """
    assert left.names is not None
    assert right.names is not None
    pairs, distinct = _pairs(left, right)
    truths = np.full(len(distinct), UNKNOWN)
    told = np.full(len(distinct), MISSING)
    reasons = list(right.reasons)
    # In this order: an item that is surely lacking fails, whatever else is asked; then what is not known decides.
    for number, (there, asking) in enumerate(distinct):
        codes = "" if asking == MISSING else str(right.names[asking])
        unlisted = operand.unlisted(codes)
        if there == MISSING:
            continue
        cell = str(left.names[there])
        if lacking := operand.lacking(cell, codes):
            if all(any(_has_otherwise(cell, item) for item in items) for items in lacking):
                told[number] = len(reasons)
                reasons.append(OTHERWISE.format(name))
            else:
                truths[number] = FALSE
        elif unlisted:
            told[number] = len(reasons)
            reasons.append(f"{unlisted[0]} is not in the table {operand.by.name}")
        elif asking != MISSING:
            truths[number] = TRUE
    why = np.where(told[pairs] == MISSING, right.why, told[pairs])
    return _unless_missing(left, Judged(truths[pairs], why, tuple(reasons)))


def _by_day(name: str, found: Values, timeline: Timeline, rows: Ints) -> Values:
    """The days of times, to be compared with dates: a record's own times by the clock of its station, others UTC."""
    if found.kind == "date":
        return found
    assert found.numbers is not None
    instants: Ints = found.numbers.astype(np.int64)
    days = local_day(timeline, rows, instants) if name in TASK_TIMES else np.floor_divide(instants, DAY)
    return replace(found, kind="date", numbers=days * DAY)


def _ordered(operator: str, left: Any, right: Any) -> Bools:
    match operator:
        case "is_":
            return np.asarray(left == right)
        case "not_":
            return np.asarray(left != right)
        case "in_":
            return np.isin(left, right)
        case "not_in":
            return ~np.isin(left, right)
        case "at_least":
            return np.asarray(left >= right)
        case "at_most":
            return np.asarray(left <= right)
        case "before":
            return np.asarray(left < right)
        case _:  # after
            return np.asarray(left > right)


def _compare(operator: str, left: Values, right: Values) -> Truth:
    """Compare two columns of the same record."""
    if left.names is not None and right.names is not None:
        assert left.codes is not None
        assert right.codes is not None
        if operator in ("in_", "not_in"):
            listed = _so_of_both(left, right, lambda text, cell: text in codes_of(cell))
            return np.where(listed == (operator == "in_"), TRUE, FALSE)
        # On one sorted list of names codes compare as the names do.
        names = pd.Index(np.union1d(left.names.astype("str"), right.names.astype("str")))
        one = np.append(names.get_indexer(left.names), -1)[left.codes]
        two = np.append(names.get_indexer(right.names), -1)[right.codes]
        return np.where(_ordered(operator, one, two), TRUE, FALSE)
    assert left.numbers is not None
    assert right.numbers is not None
    return np.where(_ordered(operator, left.numbers, right.numbers), TRUE, FALSE)
