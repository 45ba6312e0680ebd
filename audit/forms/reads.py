"""What a rule reads: what its conditions name, and what its form reads whatever they ask."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from audit.forms import form_of
from audit.intake.tables import TABLES
from audit.language.rule import Rule, conditions_of
from audit.timeline.timeline import Timeline
from audit.timeline.vocabulary import VOCABULARY

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


_FREE_TEXT: Final = frozenset(
    (table.name, column.name) for table in TABLES.values() for column in table.columns.values() if column.kind == "text"
)
"""The columns that intake reads only where a rule asks for them."""


def names_asked(rule: Rule) -> frozenset[str]:
    """The columns of the vocabulary that the conditions of a rule name."""
    return frozenset().union(*(conditions.names() for conditions in conditions_of(rule)))


def tables_read(rule: Rule) -> frozenset[str]:
    """The canonical tables whose rows can change the rule's outcomes."""
    declared = {name.partition(".")[0] for name in form_of(rule).reads(rule)}
    return frozenset(declared | {VOCABULARY[name].table for name in names_asked(rule)})


def columns_read(rule: Rule) -> frozenset[tuple[str, str]]:
    """The columns (table, column) without which a rule can't judge as it is meant to."""
    names = names_asked(rule)
    columns = {("tasks", column) for name in names for column in _JOINED_BY.get(name.partition(".")[0], ())}
    columns |= {(VOCABULARY[name].table, VOCABULARY[name].column.name) for name in names}
    for name in form_of(rule).reads(rule):
        table, _, column = name.partition(".")
        columns.add((table, column))
    return frozenset((table, column) for table, column in columns if column in TABLES[table].columns)


def reading_only(rule: Rule, timeline: Timeline) -> Timeline:
    """The timeline, of which a rule can't ask for free text that it doesn't declare, whatever others have declared."""
    return replace(timeline, unread=timeline.unread | (_FREE_TEXT - columns_read(rule)))


def text_columns(rules: Iterable[Rule]) -> dict[str, frozenset[str]]:
    """The free-text columns of task records that the rules ask for, in the form that intake takes."""
    asked = frozenset().union(*map(columns_read, rules)) & _FREE_TEXT
    return {"tasks": frozenset(column for table, column in asked if table == "tasks")}
