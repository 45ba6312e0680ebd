"""A rule explained to people, as values: worked out from the rule itself, so that no text can drift from it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import assert_never

from audit.forms.reads import conditions_of
from audit.forms.unknowns import unjudged_when
from audit.intake.tables import TABLES
from audit.rulebook.examples import example_rows
from audit.rulebook.in_words import (
    all_of,
    basis_in_words,
    conditions_in_words,
    day_of_year_in_words,
    duration_in_words,
    name_in_words,
    quantity,
)
from audit.rulebook.loading import Setting
from audit.rulebook.models import (
    AnyRule,
    Conditions,
    CountRule,
    Event,
    Example,
    HoldRule,
    IntervalRule,
    Level,
    OrderRule,
    OverlapRule,
    Precedent,
    PrecedeRule,
    RecordRule,
    Season,
    SpacingRule,
)
from audit.rulebook.seasons import SeasonByBase
from audit.timeline.vocabulary import VOCABULARY

LEVEL_MEANS: dict[Level, str] = {
    "1": "lowers safety and may endanger flight",
    "2": "any other non-compliance",
    "observation": "no non-compliance by itself, but worth acting on",
}
USUAL_CAUTION = (
    "Work on boots can hurt people. Many products catch fire, give off vapours and harm skin, eyes and lungs: "
    "ventilate, keep sparks and flames away, and wear what the product's safety data sheet asks for. Wings and tails "
    "are worked on at height: use the stands and restraints that local rules ask for."
)
WHO_GOVERNS = (
    "The operator's manual, the product's safety data sheet, local rules and licensed staff govern, not this text."
)

_SESSION = "A session is the records of one work order, position and product class; it ends when the last of them does."
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
    """What a rule checks, why, by whose word, and what follows, in sentences and phrases without markup.

    `looks_at` is what it looks at; every one of `demands` must hold of that, or it is a finding. `unjudged_when` lists
    what leaves a subject unjudged (empty: nothing does); `known_gaps` what the rule is known to judge wrongly;
    `set_values` which of its values settings have changed.
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
    put_right: str
    unjudged_when: tuple[str, ...]
    cautions: tuple[str, ...]
    known_gaps: tuple[str, ...]
    set_values: tuple[str, ...]


def explain(rule: AnyRule, settings: Iterable[Setting] = ()) -> Explanation:
    """Explain a rule as it stands, and say where its values come from if settings have been laid over it."""
    # A known gap is not judged as it says: it explains nothing yet.
    shown = {example.expect: example for example in reversed(rule.examples) if example.known_gap is None}
    own_caution = () if rule.caution is None else (rule.caution,)
    usual = (USUAL_CAUTION,) if asks_about_products(rule) else ()
    return Explanation(
        rule_id=rule.id,
        title=rule.title,
        form=rule.form,
        level=rule.level,
        level_means=LEVEL_MEANS[rule.level],
        looks_at=_looks_at(rule),
        demands=_demands(rule),
        why=rule.why,
        sources=tuple(map(basis_in_words, rule.basis)),
        complies=shown_example(rule, shown["complies"]),
        finding=shown_example(rule, shown["finding"]),
        put_right=rule.put_right,
        unjudged_when=unjudged_when(rule),
        cautions=(*own_caution, *usual, WHO_GOVERNS),
        known_gaps=tuple(f"{one.name}: {one.known_gap}" for one in rule.examples if one.known_gap is not None),
        set_values=tuple(_set(one) for one in settings if one.rule == rule.id and one.overridden),
    )


def _set(setting: Setting) -> str:
    by = ": ".join(part for part in (setting.in_force.set_by, setting.in_force.source) if part)
    under = ", ".join(f"{value.value} ({value.set_by})" for value in reversed(setting.values[:-1]))
    return f"{setting.key} is {setting.in_force.value}, set by {by}, instead of {under}"


def asks_about_products(rule: AnyRule) -> bool:
    """Whether the rule is about work with products: putting such work right means handling them again."""
    names = set().union(*(conditions.names() for conditions in conditions_of(rule)))
    return any(VOCABULARY[name].table == "products" or name in ("product", "coat", "coats") for name in names)


def _looks_at(rule: AnyRule) -> str:
    records = _records(rule.scope)
    match rule:
        case RecordRule():
            return f"Each {_records(rule.scope, 'record')}."
        case HoldRule():
            return " ".join((f"Each session of {records}. {_SESSION}", *_held(rule)))
        case CountRule() if rule.season is not None:
            return " ".join(_seasons(rule, rule.season))
        case PrecedeRule() | CountRule():
            return f"Each session of {records}. {_SESSION}"
        case OrderRule():
            return f"Each work order at each position that has {records}."
        case SpacingRule():
            return f"Each coat and the next one in a session of {records}. {_SESSION}"
        case OverlapRule():
            return f"Each {_pair(rule)}."
        case IntervalRule():
            return " ".join(_stretches(rule))
        case _:
            assert_never(rule)


def _records(conditions: Conditions, noun: str = "records") -> str:
    phrases = conditions_in_words(conditions)
    return f"closed task {noun}" + (f" where {all_of(phrases)}" if phrases else "")


def _work(said: str, conditions: Conditions) -> str:
    phrases = conditions_in_words(conditions)
    return f"{said}, in a record where {all_of(phrases)}" if phrases else said


def _held(rule: HoldRule) -> Iterator[str]:
    """Which sessions a hold is asked of."""
    if rule.over is not None:
        yield f"Only sessions before which {_work('the same boot was worked on', rule.over)}."
    if rule.season is not None:
        both = "" if rule.over is None else ", both of them"
        yield f"Only what began within one season{both}, {_season(rule.season)}."


def _season(season: Season) -> str:
    first, last = day_of_year_in_words(season.from_), day_of_year_in_words(season.to)
    elsewhere = "; aircraft at some bases have another" if isinstance(season, SeasonByBase) else ""
    return f"{first} to {last} (UTC, both days included{elsewhere})"


def _of_boots(boots: Conditions) -> list[str]:
    phrases = conditions_in_words(boots)
    return [f"Only boots of which {all_of(phrases)}."] if phrases else []


def _seasons(rule: CountRule, season: Season) -> list[str]:
    return [
        f"Each boot in each season, {_season(season)}, in which its aircraft took off with it.",
        f"What is counted are sessions of {_records(rule.scope)}, by their end. {_SESSION}",
        *_of_boots(rule.boots),
    ]


def _stretches(rule: IntervalRule) -> list[str]:
    sentences = [
        "Each stretch of a boot's time on the aircraft between two treatments; the first begins with the export, the "
        "last ends with the as-of time.",
        f"A treatment is a session of {_records(rule.scope)}.",
    ]
    sentences += _of_boots(rule.boots)
    if rule.season is not None:
        sentences.append(f"Only within the season, {_season(rule.season)}.")
    return sentences


def _demands(rule: AnyRule) -> tuple[str, ...]:
    match rule:
        case RecordRule():
            return conditions_in_words(rule.require)
        case HoldRule():
            return (_waits(rule),)
        case OrderRule():
            if rule.must_be == "last":
                return (f"the last of them starts after all other {_records(rule.among, 'records there')}",)
            return (f"the first of them starts before all other {_records(rule.among, 'records there')}",)
        case PrecedeRule():
            ways = tuple(map(_precedent, rule.precedents))
            return ways[0] if len(ways) == 1 else ("; or else ".join(", and ".join(way) for way in ways),)
        case IntervalRule():
            return tuple(_intervals(rule))
        case CountRule():
            if rule.sessions is not None:
                return (f"sessions recorded in it: {_limits(rule.sessions.at_least, rule.sessions.at_most)}",)
            assert rule.coats is not None
            return (f"coats recorded: {_limits(rule.coats.at_least, rule.coats.at_most)}",)
        case SpacingRule():
            low, high = (
                None if limit is None else duration_in_words(limit)
                for limit in (rule.pause.at_least, rule.pause.at_most)
            )
            return (f"from the end of the one to the start of the next {_limits(low, high)} pass",)
        case OverlapRule():
            return ("the two do not overlap in time",)
        case _:
            assert_never(rule)


def _waits(rule: HoldRule) -> str:
    span = None if rule.duration is None else duration_in_words(rule.duration)
    if rule.until is None:
        return f"within {span} of the session's end {_event(rule.forbid)}; exactly {span} after it complies"
    released = _work("later work on the same boot began", rule.until)
    until = released if span is None else f"{span} passed or {released}"
    season = "" if rule.season is None else " in the season"
    return f"from the session's end until {until}, {_event(rule.forbid)}{season}"


def _precedent(way: Precedent) -> tuple[str, ...]:
    demands = [_work("the same boot was worked on before", way.needs)]
    if way.within is not None:
        demands.append(f"this ended at most {duration_in_words(way.within)} before the session began")
    return (*demands, *(f"in between {_event(event)}" for event in way.broken_by))


def _event(event: Event) -> str:
    if event.where is None:
        return "the aircraft did not take off"
    return _work("no other work began on that position", event.where)


def _limits(low: object, high: object) -> str:
    if low == high:
        return f"exactly {low}"
    parts = [] if low is None else [f"at least {low}"]
    return " and ".join(parts if high is None else [*parts, f"at most {high}"])


_UNITS = {"flight_hours": "flight hour", "cycles": "cycle", "days": "day", "months": "month"}


def _quantities(values: object) -> list[str]:
    found = ((getattr(values, name, None), unit) for name, unit in _UNITS.items())
    return [quantity(value, unit) for value, unit in found if value is not None]


def _intervals(rule: IntervalRule) -> list[str]:
    allowed = _quantities(rule.at_most)
    first = " or ".join(allowed) + (", whichever comes first," if len(allowed) > 1 else "")
    demands = [f"at most {first} pass"]
    if rule.tolerance is not None:
        caps = _quantities(rule.tolerance)
        cap = f", at most {' or '.join(caps)}" if caps else ""
        demands[0] += f", or more by no more than the tolerance of {rule.tolerance.percent:g} %{cap}"
    match rule.next_due:
        case "scheduled":
            demands.append(
                "the next due point counts from the time a treatment was due where it was done within the tolerance, "
                "else from the time it was done"
            )
        case "overrun-deducted":
            demands.append("an overrun is taken off the next interval")
        case "actual":
            pass
    return demands


_THINGS = {
    "tasks": "task record",
    "flights": "flight",
    "components": "installed component",
    "stays": "stay of an aircraft where a flight brought it, until its next takeoff",
}


def _pair(rule: OverlapRule) -> str:
    one, other = rule.between
    phrases = conditions_in_words(rule.scope) if one == "tasks" else ()
    things = f"pair of two {_THINGS[one]}s" if one == other else f"pair of a {_THINGS[one]} and a {_THINGS[other]}"
    if one == "components" != other:
        things = things.replace("a installed", "an installed")
    if phrases:
        things += f" (task records only where {all_of(phrases)})"
    agree = all_of(map(_column, rule.same))
    apart = f" and a different {all_of(map(_column, rule.differing))}" if rule.differing else ""
    return f"{things} with the same {agree}{apart}"


def _column(name: str) -> str:
    return name_in_words(name) if name in VOCABULARY else name


def shown_example(rule: AnyRule, example: Example) -> ShownExample:
    """An example with the rows it gives and the columns that it gives or that the rule reads."""
    read = set().union(*(conditions.names() for conditions in conditions_of(rule)))
    given = {
        "tasks": example.tasks,
        "flights": example.flights,
        "components": example.components,
        "products": example.products,
        "stations": example.stations,
        "lots": example.lots,
        "people": example.people,
        "manuals": example.manuals,
    }
    tables = []
    for name, rows in example_rows(example).items():
        # Lists that the example leaves to their defaults say nothing, save the boot, where the rule asks about it.
        if not rows or (given[name] is None and not (name == "components" and _reads_boots(rule))):
            continue
        wanted = {column for row in given[name] or () for column in row} | set(_NAMES.get(name, TABLES[name].key[:1]))
        asked = _columns_read(name, read)
        columns = tuple(
            column
            for column in TABLES[name].columns
            if column in asked or (column in wanted and any(column in row for row in rows))
        )
        cells = tuple(tuple(_cell(row.get(column, "")) for column in columns) for row in rows)
        tables.append(ExampleTable(name, columns, cells))
    notes = [] if example.as_of is None else [f"as of {_cell(example.as_of)}"]
    notes += [f"the table {name} is not supplied" for name in example.not_supplied]
    return ShownExample(example.name, example.expect, tuple(notes), tuple(tables))


def _reads_boots(rule: AnyRule) -> bool:
    return any(name.startswith("component.") for conditions in conditions_of(rule) for name in conditions.names())


def _columns_read(table: str, names: set[str]) -> set[str]:
    if table == "tasks":
        return {name for name in names if "." not in name} | ({"product"} if "product_class" in names else set())
    read = {name.rpartition(".")[2] for name in names if VOCABULARY[name].table == table}
    return read | ({"position"} if table == "components" else set())


def _cell(text: str) -> str:
    """A cell as it is read most easily: of a time no more than it says."""
    return _TIME.sub(lambda found: f"{found[1]} {found[2]}{'Z' if found[3] else ''}", text)
