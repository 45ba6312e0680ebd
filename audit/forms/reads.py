"""What a rule reads: which tables, and which free-text columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from audit.intake.tables import TABLES
from audit.rulebook.models import (
    AnyRule,
    Conditions,
    CountRule,
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
            others = (rule.forbid.where, rule.until, rule.over)
            return rule.scope, *(conditions for conditions in others if conditions is not None)
        case OrderRule():
            return rule.scope, rule.among
        case PrecedeRule():
            events = (event for way in rule.precedents for event in way.broken_by)
            needs = (way.needs for way in rule.precedents)
            return rule.scope, *needs, *(event.where for event in events if event.where is not None)
        case IntervalRule() | CountRule():
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
            events = [event for way in rule.precedents for event in way.broken_by]
            tables |= {"flights"} if any(event.where is None for event in events) else set()
        case OrderRule():
            tables |= {"components"}
        case IntervalRule():
            tables |= {"components", "flights"}
        case CountRule():
            tables |= {"components", "flights"} if rule.sessions is not None else set()
        case OverlapRule():
            kinds = {"stays": "flights"}
            tables = (tables if "tasks" in rule.between else set()) | {kinds.get(kind, kind) for kind in rule.between}
        case _:
            pass
    return frozenset(tables)


_JOINED_BY: Final[Mapping[str, tuple[str, ...]]] = {
    "product_class": ("product",),
    "signed_after_minutes": ("signed_at",),
    "component": ("position",),
    "product": ("product",),
    "lot": ("lot",),
    "manual": ("manual", "manual_revision"),
    "performer": ("performed_by",),
    "certifier": ("certified_by",),
}
"""Columns of task records by which a column of the vocabulary, or those with its prefix, is found."""


def columns_read(rule: AnyRule) -> frozenset[tuple[str, str]]:
    """The columns (table, column) without which a rule can't judge as it is meant to."""
    names = set().union(*(conditions.names() for conditions in conditions_of(rule)))
    columns = {("tasks", column) for name in names for column in _JOINED_BY.get(name.partition(".")[0], ())}
    columns |= {(VOCABULARY[name].table, VOCABULARY[name].column.name) for name in names}
    match rule:
        case RecordRule():
            pass
        case OverlapRule():
            columns |= {("tasks", name) for name in rule.same if "tasks" in rule.between}
        case _:
            columns |= {("tasks", "position")}
    return frozenset((table, column) for table, column in columns if column in TABLES[table].columns)


def text_columns(rules: Iterable[AnyRule]) -> dict[str, frozenset[str]]:
    """The free-text columns of task records that the rules ask for, in the form that intake takes."""
    asked = {name for rule in rules for conditions in conditions_of(rule) for name in conditions.names()}
    text = {name for name, column in TABLES["tasks"].columns.items() if column.kind == "text"}
    return {"tasks": frozenset(asked & text)}
