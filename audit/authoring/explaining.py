"""A rule explained to people, as values: worked out from the rule itself, so that no text can drift from it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.authoring.examples import alteration_rows, example_rows
from audit.authoring.unknowns import unjudged_when
from audit.forms import form_of
from audit.forms.describing import remedy_in_words
from audit.forms.reads import names_asked
from audit.intake.tables import READ_BY_RULES
from audit.language.in_words import basis_in_words
from audit.language.rule import Example, Level, Rule
from audit.rulebook.loading import Setting
from audit.timeline.vocabulary import VOCABULARY

LEVEL_MEANS: dict[Level, str] = {
    "1": "lowers safety and may endanger flight",
    "2": "any other non-compliance",
    "observation": "no non-compliance by itself, but worth acting on",
}
WHO_GOVERNS = (
    "The operator's manual, the product's safety data sheet, local rules and licensed staff govern, not this text."
)

_TIME = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2})(?::00)?(Z|\+00:00)?")
_NAMES = {"tasks": ("task_id", "started_at"), "flights": ("flight_id", "takeoff_at")}
"""The columns by which the rows of an example are told apart."""


@dataclass(frozen=True)
class ExampleTable:
    """Rows of one table of an example, with the columns that matter to the rule; cells are text, blank ones empty."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class ShownExample:
    """An example of a rule as people read it; `notes` say what stands in no table."""

    name: str
    expect: str
    notes: tuple[str, ...]
    tables: tuple[ExampleTable, ...]


@dataclass(frozen=True)
class Explanation:
    """What a rule checks, why, on what authority, and what follows, in sentences and phrases without markup.

    `looks_at` is what it looks at; every one of `demands` must hold of that, or it is a finding. `corrected_by` lists
    which later events put one right (empty: none does), by which the records themselves show it. `unjudged_when` lists
    what leaves a subject unjudged (empty: nothing does); `warnings` come before the corrective action; `messages` are
    the sentences of its findings, with names in braces for what differs; `known_gaps` what the rule is known to judge
    wrongly; `set_values` which of its values settings have changed.
    """

    rule_id: str
    title: str
    form: str
    level: str
    level_means: str
    looks_at: str
    demands: tuple[str, ...]
    why: str
    sources: tuple[str, ...]
    complies: ShownExample
    finding: ShownExample
    warnings: tuple[str, ...]
    put_right: str
    messages: tuple[str, ...]
    corrected_by: tuple[str, ...]
    unjudged_when: tuple[str, ...]
    known_gaps: tuple[str, ...]
    set_values: tuple[str, ...]


def explain(rule: Rule, settings: Iterable[Setting] = ()) -> Explanation:
    """Explain a rule as it stands, and say where its values come from if settings override it."""
    # A known gap is not judged as it says: it explains nothing yet.
    shown = {example.expect: example for example in reversed(rule.examples) if example.known_gap is None}
    form = form_of(rule)
    return Explanation(
        rule_id=rule.id,
        title=rule.title,
        form=form.name,
        level=rule.level,
        level_means=LEVEL_MEANS[rule.level],
        looks_at=form.looks_at(rule),
        demands=form.demands(rule),
        why=rule.why,
        sources=tuple(map(basis_in_words, rule.basis)),
        complies=shown_example(rule, shown["complies"]),
        finding=shown_example(rule, shown["finding"]),
        warnings=(*(one.text for one in rule.warning), WHO_GOVERNS),
        put_right=rule.put_right,
        messages=tuple(rule.message.values()),
        corrected_by=form.ended_by(rule) + tuple(map(remedy_in_words, rule.corrected_by)),
        unjudged_when=unjudged_when(rule),
        known_gaps=tuple(f"{one.name}: {one.known_gap}" for one in rule.examples if one.known_gap is not None),
        set_values=tuple(_set(one) for one in settings if one.rule == rule.id and one.overridden),
    )


def _set(setting: Setting) -> str:
    by = ": ".join(part for part in (setting.in_force.set_by, setting.in_force.source) if part)
    under = ", ".join(f"{value.value} ({value.set_by})" for value in reversed(setting.values[:-1]))
    return f"{setting.key} is {setting.in_force.value}, set by {by}, instead of {under}"


def shown_example(rule: Rule, example: Example) -> ShownExample:
    """An example with the rows it gives and the columns that it gives or that the rule reads."""
    read = names_asked(rule)
    given = {name: getattr(example, name) for name in READ_BY_RULES}
    tables = []
    shown: Mapping[str, Sequence[Mapping[str, Any]]] = {
        **example_rows(example),
        "alterations": alteration_rows(example),
    }
    for name, rows in shown.items():
        # Lists that the example leaves to their defaults say nothing, save the boot, where the rule asks about it.
        if not rows or (given[name] is None and not (name == "components" and _reads_boots(rule))):
            continue
        wanted = {column for row in given[name] or () for column in row} | set(
            _NAMES.get(name, READ_BY_RULES[name].key[:1])
        )
        asked = _columns_read(name, read)
        columns = tuple(
            column
            for column in READ_BY_RULES[name].columns
            if column in asked or (column in wanted and any(column in row for row in rows))
        )
        cells = tuple(tuple(_cell(row.get(column, "")) for column in columns) for row in rows)
        tables.append(ExampleTable(name, columns, cells))
    notes = [] if example.as_of is None else [f"as of {_cell(example.as_of)}"]
    notes += [f"the table {name} is not supplied" for name in example.not_supplied]
    notes += [] if example.corrected_by is None else [f"corrected by {example.corrected_by}"]
    return ShownExample(example.name, example.expect, tuple(notes), tuple(tables))


def _reads_boots(rule: Rule) -> bool:
    return any(name.startswith("component.") for name in names_asked(rule))


def _columns_read(table: str, names: frozenset[str]) -> set[str]:
    if table == "tasks":
        return {name for name in names if "." not in name} | ({"product"} if "product_class" in names else set())
    read = {name.rpartition(".")[2] for name in names if VOCABULARY[name].table == table}
    if table == "corrections" and any(name.startswith("corrector.") for name in names):
        read |= {"made_by"}
    return read | ({"position"} if table == "components" else set())


def _cell(text: str) -> str:
    """A cell as it is read most easily: of a time no more than it says."""
    return _TIME.sub(lambda found: f"{found[1]} {found[2]}{'Z' if found[3] else ''}", text)
