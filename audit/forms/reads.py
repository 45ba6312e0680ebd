"""What a rule reads: what its conditions name, and what its form reads whatever they ask."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Final

from audit.forms import form_of
from audit.intake.tables import READ_BY_RULES
from audit.language.rule import Rule, conditions_of, remedies_of
from audit.timeline.timeline import Timeline
from audit.timeline.vocabulary import VOCABULARY

_CERTIFICATES = ("people.certificate_number", "people.certificate_kind")
_MADE_OF: Final[Mapping[str, tuple[str, ...]]] = {
    "certificate": ("tasks.certificate_number", "tasks.certificate_kind"),
    "certifier.": ("tasks.certified_by",),
    "certifier.certificates": _CERTIFICATES,
    "corrector.": ("corrections.made_by",),
    "corrector.certificates": _CERTIFICATES,
    "component.": ("tasks.position",),
    "lot.": ("tasks.lot",),
    "manual.": ("tasks.manual", "tasks.manual_revision"),
    "performer.": ("tasks.performed_by",),
    "performer.certificates": _CERTIFICATES,
    "product.": ("tasks.product",),
    "product_class": ("tasks.product",),
    "signed_after_minutes": ("tasks.signed_at",),
}
"""Columns by which a column of the vocabulary, or those with its prefix, is found, or of which it is made."""
_REFINED_BY: Final[Mapping[str, tuple[str, ...]]] = {
    "lot.": ("tasks.product",),
    "performer.": ("people.valid_to",),
    "certifier.": ("people.valid_to", "tasks.signed_at"),
    "corrector.": ("people.valid_to",),
    "alteration.correction": ("corrections.was", "corrections.now"),
    "correction.state": ("corrections.was", "corrections.now"),
}
"""Columns that refine how those are found, where the export has them."""

_FREE_TEXT: Final = frozenset(
    (table.name, column.name)
    for table in READ_BY_RULES.values()
    for column in table.columns.values()
    if column.kind == "text"
)
"""The columns that intake reads only where a rule asks for them."""


def names_asked(rule: Rule) -> frozenset[str]:
    """The columns of the vocabulary that the conditions of a rule name."""
    return frozenset().union(*(conditions.names() for conditions in conditions_of(rule)))


def columns_needed(rule: Rule) -> frozenset[tuple[str, str]]:
    """The columns (table, column) without which a rule can't judge as it is meant to, and the tables (column blank)."""
    return _found_by(names_asked(rule), form_of(rule).reads(rule))


def columns_read(rule: Rule) -> frozenset[tuple[str, str]]:
    """All columns (table, column) that can change a rule's outcomes, and the tables (column blank)."""
    refining = _by_name(_REFINED_BY, names_asked(rule))
    return columns_needed(rule) | _known(_placed((*refining, *form_of(rule).may_read(rule))))


def _read_of_remedies(rule: Rule) -> frozenset[tuple[str, str]]:
    """The columns by which later work is found that puts the rule's findings right: no verdict depends on them."""
    return _found_by(frozenset().union(*(conditions.names() for conditions in remedies_of(rule))))


def _found_by(names: frozenset[str], more: Iterable[str] = ()) -> frozenset[tuple[str, str]]:
    """The columns, and tables, by which columns of the vocabulary are found, and more such columns."""
    columns = {(VOCABULARY[name].table, VOCABULARY[name].column.name) for name in names}
    return _known(columns | _placed((*_by_name(_MADE_OF, names), *more)))


def tables_read(rule: Rule) -> frozenset[str]:
    """The canonical tables whose rows can change the rule's outcomes."""
    return frozenset(table for table, _ in columns_read(rule))


def _by_name(known: Mapping[str, tuple[str, ...]], names: Iterable[str]) -> Iterator[str]:
    """What is known of the names, and of their prefixes, which end with the dot."""
    for name in names:
        prefix, dot, _ = name.partition(".")
        for key in {name, prefix + dot}:
            yield from known.get(key, ())


def _placed(names: Iterable[str]) -> set[tuple[str, str]]:
    """`tasks.position` as table and column."""
    return {(table, column) for table, _, column in (name.partition(".") for name in names)}


def _known(columns: set[tuple[str, str]]) -> frozenset[tuple[str, str]]:
    """The columns that tables have, which those that are worked out (work_minutes) are not, each with its table."""
    there = {(table, column) for table, column in columns if column in READ_BY_RULES[table].columns}
    return frozenset(there | {(table, "") for table, _ in columns})


def reading_only(rule: Rule, timeline: Timeline) -> Timeline:
    """The timeline, of which a rule can't ask for free text that it doesn't declare, whatever others have declared."""
    return replace(timeline, unread=timeline.unread | (_FREE_TEXT - columns_read(rule)))


def text_columns(rules: Iterable[Rule]) -> dict[str, frozenset[str]]:
    """The columns of free text that the rules ask for, by table, in the form that intake takes."""
    asked = frozenset().union(*map(columns_read, rules), *map(_read_of_remedies, rules)) & _FREE_TEXT
    return {name: frozenset(column for table, column in asked if table == name) for name, _ in asked}
