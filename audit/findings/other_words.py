"""Words of the export's own: no record has what rules require in a list, and some have what no rule knows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from audit.intake.words import canonical
from audit.language.condition import Condition, Conditions, Needed, codes_of
from audit.language.rule import Rule, conditions_of, remedies_of, selections
from audit.timeline.vocabulary import VOCABULARY


@dataclass(frozen=True)
class OtherWords:
    """Of a list column (`tasks.ppe_worn`) what `rules` require and no row has, and what is recorded and no rule knows,
    the most frequent first. A rule whose word is written otherwise finds a fault in every record."""

    column: str
    required: tuple[str, ...]
    rules: tuple[str, ...]
    recorded: tuple[str, ...]


def other_words(
    rules: Sequence[Rule], with_findings: Collection[str], tables: Mapping[str, pd.DataFrame]
) -> Iterator[OtherWords]:
    """The columns in which words may be written otherwise than in the rules: `with_findings` are those that found a
    fault, perhaps for that."""
    known: dict[str, set[str]] = {}
    required: dict[str, dict[str, set[str]]] = {}
    for rule in rules:
        for conditions in (*conditions_of(rule), *remedies_of(rule)):
            for name, condition in _conditions(conditions):
                known.setdefault(name, set()).update(map(canonical, (*_words(condition), *_by_a_table(condition))))
        for path, conditions in selections(rule):
            asks = path[0] == "require" and rule.id in with_findings
            for name, condition in conditions.columns.items() if asks else ():
                for word in map(canonical, _words(condition)):
                    required.setdefault(name, {}).setdefault(word, set()).add(rule.id)
    for name in sorted(required):
        there = _recorded(name, tables)
        lacking = [word for word in sorted(required[name]) if word not in there]
        strange = [word for word, _ in there.most_common() if word not in known[name]]
        if lacking and strange:
            asking = sorted(set().union(*(required[name][word] for word in lacking)))
            place = f"{VOCABULARY[name].table}.{VOCABULARY[name].column.name}"
            yield OtherWords(place, tuple(lacking), tuple(asking), tuple(strange))


def _conditions(conditions: Conditions) -> Iterator[tuple[str, Condition]]:
    yield from conditions.columns.items()
    for alternative in conditions.any_of:
        yield from _conditions(alternative)


def _words(condition: Condition) -> tuple[str, ...]:
    """What the column has to include of its own accord."""
    asked = condition.includes_all
    return asked.always if isinstance(asked, Needed) else asked or ()


def _by_a_table(condition: Condition) -> Iterator[str]:
    asked = condition.includes_all
    for choices in asked.by.needs.values() if isinstance(asked, Needed) else ():
        for items in choices:
            yield from items


def _recorded(name: str, tables: Mapping[str, pd.DataFrame]) -> Counter[str]:
    """How often each word stands in the rows of a column."""
    table, column = VOCABULARY[name].table, VOCABULARY[name].column.name
    found: Counter[str] = Counter()
    if table in tables and column in tables[table]:
        cells: Any = tables[table][column].value_counts()
        for cell, rows in cells.items():
            for word in codes_of(str(cell)) if rows else ():
                found[word] += int(rows)
    return found
