"""Whether conditions can hold, or fail, for any record at all: decided on paper, by trying the values that matter.

Every answer leans to the safe side: what can't be worked out here counts as possible.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import chain, pairwise, product
from typing import Any, NamedTuple

from audit.intake.contracts import LIMITS
from audit.language.condition import Condition, Conditions, Needed, OtherColumn
from audit.timeline.vocabulary import VOCABULARY

Literals = tuple[tuple[str, Condition], ...]
"""Conditions of single columns, all of them to hold, or all to fail."""

_MISSING = object()
_OTHER = "\N{REPLACEMENT CHARACTER}"
"""A text that no rule names."""
_ORDERED = ("time", "date", "number", "count")


def can_hold(*conditions: Conditions) -> bool:
    """Whether some record surely meets all of these conditions."""
    return any(_possible(held, ()) for held in _ways_to_hold(conditions))


def can_fail(asked: Conditions, given: Conditions) -> bool:
    """Whether some record that surely meets `given` surely doesn't meet `asked`."""
    return any(_possible(held, failed) for held in _ways_to_hold((given,)) for failed in _ways_to_fail(asked))


def parts(conditions: Conditions) -> Iterator[tuple[tuple[str, ...], Conditions]]:
    """Each condition by itself, and all alternatives as one, with its path in the file."""
    for name, condition in conditions.columns.items():
        yield (name,), Conditions.model_validate({name: condition})
    if conditions.any_of:
        yield ("any_of",), Conditions(any_of=conditions.any_of)


def _ways_to_hold(conditions: Sequence[Conditions]) -> Iterator[Literals]:
    """The ways in which all of the conditions hold: one alternative chosen of each `any_of`."""
    plain = tuple(literal for one in conditions for literal in one.columns.items())
    chosen = [[way for option in one.any_of for way in _ways_to_hold((option,))] for one in conditions if one.any_of]
    for choice in product(*chosen):
        yield (*plain, *chain.from_iterable(choice))


def _ways_to_fail(conditions: Conditions) -> Iterator[Literals]:
    """The ways in which conditions fail: one column of them does, or one in each alternative."""
    for name, condition in conditions.columns.items():
        yield ((name, condition),)
    if conditions.any_of:
        for choice in product(*(tuple(_ways_to_fail(option)) for option in conditions.any_of)):
            yield tuple(chain.from_iterable(choice))


def _possible(held: Literals, failed: Literals) -> bool:
    """Whether one record can meet all of `held` and fail all of `failed`. Columns are taken as independent."""
    return all(
        any(
            all(_may(condition, value, relations)[0] for condition in wanted)
            and all(_may(condition, value, relations)[1] for condition in unwanted)
            for value, relations in _candidates(name, (*wanted, *unwanted))
        )
        for name in {name for name, _ in (*held, *failed)}
        for wanted in [[condition for column, condition in held if column == name]]
        for unwanted in [[condition for column, condition in failed if column == name]]
    )


_Relations = dict[str, str]


def _candidates(name: str, conditions: Sequence[Condition]) -> Iterator[tuple[Any, _Relations]]:
    """Every value of the column that the conditions could tell apart, and how it stands to the columns they name."""
    operands = [pair for condition in conditions for pair in condition.operators()]
    others = sorted({operand.column for _, operand in operands if isinstance(operand, OtherColumn)})
    ordered = VOCABULARY[name].kind in _ORDERED
    relations = [("=",) if other == name else ("<", "=", ">") if ordered else ("=", "!") for other in others]
    for value in _values(name, operands):
        for chosen in product(*relations):
            yield value, dict(zip(others, chosen, strict=True))


def _values(name: str, operands: Iterable[tuple[str, Any]]) -> Iterator[Any]:
    column = VOCABULARY[name]
    written = [
        value
        for operator, operand in operands
        if operator != "present" and not isinstance(operand, OtherColumn | Needed)
        for value in (operand if isinstance(operand, tuple) else (operand,))
    ]
    if column.table != "tasks" or not column.column.required:
        yield _MISSING
    match column.kind:
        case "choice":
            yield from column.column.choices
        case "codes":
            lists = [operand for operator, operand in operands if operator == "includes_all"]
            sets = [frozenset(one.always if isinstance(one, Needed) else one) for one in lists]
            yield from {frozenset({_OTHER}), frozenset().union(*sets) | {_OTHER}, *sets}
        case "number" | "count" | "time" | "date":
            near = _around([_number(value) for value in written] or [0.0], *LIMITS.get(name, (-math.inf, math.inf)))
            if column.kind in ("count", "date"):
                yield from (value for value in near if value % 1 == 0)
            elif column.kind == "time":
                yield from (_Moment(at, math.floor(at) + ahead) for at in near for ahead in (-1, 0, 1))
            else:
                yield from near
        case _:
            yield from {_OTHER, *(str(value) for value in written)}


class _Moment(NamedTuple):
    """A time, in days, and its day on the clock of a station, which may be the one before or after."""

    at: float
    day: int


def _around(written: Sequence[float], low: float, high: float) -> Iterator[float]:
    """Of the numbers from low to high those that comparisons with the ones written, or their days, can tell apart."""
    wholes = {math.floor(number) + step for number in written for step in (-1, 0, 1, 2)}
    marks = sorted({min(max(number, low), high) for number in (*written, *wholes)})
    yield from marks
    yield from ((one + other) / 2 for one, other in pairwise(marks))


def _number(value: Any) -> float:
    """A number as it is, and a date or time as one of days."""
    if not isinstance(value, str):
        return float(value)
    at = datetime.fromisoformat(value)
    return (at.replace(tzinfo=at.tzinfo or UTC) - datetime(2000, 1, 1, tzinfo=UTC)) / timedelta(days=1)


Ways = tuple[bool, bool]
"""Whether something may hold, and whether it may fail: neither for a missing value, both where it can't be told."""
_NEITHER, _EITHER = (False, False), (True, True)


def _may(condition: Condition, value: Any, relations: _Relations) -> Ways:
    ways = [_asked(operator, operand, value, relations) for operator, operand in condition.operators()]
    return all(holds for holds, _ in ways), any(fails for _, fails in ways)


def _asked(operator: str, operand: Any, value: Any, relations: _Relations) -> Ways:
    if operator == "present":
        return _surely((value is not _MISSING) == operand)
    if value is _MISSING:
        return _NEITHER
    if isinstance(operand, Needed):
        return _EITHER
    if isinstance(operand, OtherColumn):
        if operator not in _RELATIONS:
            return _EITHER
        return _surely(relations[operand.column] in _RELATIONS[operator])
    if isinstance(value, frozenset):
        return _surely(value >= set(operand)) if operator == "includes_all" else _EITHER
    if isinstance(value, str):
        operand = tuple(map(str, operand)) if isinstance(operand, tuple) else str(operand)
    elif isinstance(operand, str):
        if isinstance(value, _Moment):
            # A day is compared by day, as the forms do.
            value = value.day if len(operand) == len("2024-01-31") else value.at
        operand = _number(operand)
    return _compared(operator, value, operand)


_RELATIONS = {"is_": "=", "not_": "<>!", "at_least": ">=", "at_most": "<=", "before": "<", "after": ">"}


def _compared(operator: str, left: Any, right: Any) -> Ways:
    match operator:
        case "is_":
            return _surely(left == right)
        case "not_":
            return _surely(left != right)
        case "in_":
            return _surely(left in right)
        case "not_in":
            return _surely(left not in right)
        case "at_least":
            return _surely(left >= right)
        case "at_most":
            return _surely(left <= right)
        case "before":
            return _surely(left < right)
        case "after":
            return _surely(left > right)
        case _:
            return _EITHER


def _surely(holds: bool) -> Ways:
    return holds, not holds
