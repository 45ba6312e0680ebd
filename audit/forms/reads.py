"""What a rule reads: which tables, and which free-text columns."""

from __future__ import annotations

from collections.abc import Iterable

from audit.intake.tables import TABLES
from audit.rulebook.models import (
    AnyRule,
    Conditions,
    HoldRule,
    IntervalRule,
    OrderRule,
    OverlapRule,
    PrecedeRule,
    RecordRule,
)
from audit.timeline.vocabulary import VOCABULARY


def conditions_of(rule: AnyRule) -> tuple[Conditions, ...]:
    """All conditions of a rule."""
    match rule:
        case RecordRule():
            return rule.scope, rule.require
        case HoldRule():
            return rule.scope, rule.forbid.where or Conditions()
        case OrderRule():
            return rule.scope, rule.among
        case PrecedeRule():
            between = [event.where or Conditions() for event in rule.broken_by]
            return rule.scope, rule.needs, *between
        case IntervalRule():
            return rule.scope, rule.boots
        case _:
            return (rule.scope,)


def tables_read(rule: AnyRule) -> frozenset[str]:
    """The canonical tables whose rows can change the rule's outcomes."""
    names = set().union(*(conditions.names() for conditions in conditions_of(rule)))
    tables = {VOCABULARY[name].table for name in names} | {"tasks"}
    match rule:
        case HoldRule():
            tables |= {"components"}
            tables |= {"flights"} if rule.forbid.where is None else set()
        case PrecedeRule():
            tables |= {"components"}
            tables |= {"flights"} if any(e.where is None for e in rule.broken_by) else set()
        case OrderRule():
            tables |= {"components"}
        case IntervalRule():
            tables |= {"components", "flights"}
        case OverlapRule():
            kinds = {"stays": "flights"}
            tables = (tables if "tasks" in rule.between else set()) | {kinds.get(kind, kind) for kind in rule.between}
        case _:
            pass
    return frozenset(tables)


def text_columns(rules: Iterable[AnyRule]) -> dict[str, frozenset[str]]:
    """The free-text columns of task records that the rules ask for, in the form that intake takes."""
    asked = {name for rule in rules for conditions in conditions_of(rule) for name in conditions.names()}
    text = {name for name, column in TABLES["tasks"].columns.items() if column.kind == "text"}
    return {"tasks": frozenset(asked & text)}
