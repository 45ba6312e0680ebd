"""Faults of rule files that load: rules that can't mean what they say, say it badly, or say it twice."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from audit.authoring.figures import figures_of
from audit.authoring.logic import can_fail, can_hold, parts
from audit.authoring.running import timeline_of, verdict_on
from audit.authoring.unknowns import unjudged_when
from audit.forms import form_of
from audit.intake.small_files import read_file
from audit.language.condition import Conditions
from audit.language.rule import Basis, Rule, selections
from audit.rulebook.blanks import FILL_IN, blanks
from audit.rulebook.in_force import days_in_force
from audit.rulebook.loading import load_rules
from audit.rulebook.settings import settable_values
from audit.yaml.source import KeyPath, Source, read_source

NO_SOURCE = "common practice, no source"

_CURES = re.compile(
    r"(check|ensure|verify|validate|confirm|assert|enforce|require|must|should|do[- ]not|make[- ]sure)s?\b",
    re.I,
)
_NOUNS = r"(?:records?|entry|entries|logs?|logbooks?|signatures?|sign-offs?|dates?)"
_NOUN_PHRASE = rf"(?:(?!(?:as|and|or|in|by|with|to|of)\b)[\w'-]+\s+){{0,4}}{_NOUNS}\b"
_ALTERING = re.compile(
    rf"\b(?:alter|erase|delete|overwrite|correct|amend|edit|change|backdate|modify|rewrite|remove|replace|adjust)"
    rf"(?:s|d|ed|ing)?\s+{_NOUN_PHRASE}"
    rf"|\b{_NOUNS}\s+(?:is|are|may be|can be|should be|must be|to be|gets?|has to be)\s+"
    r"(?:altered|erased|deleted|overwritten|corrected|amended|edited|changed|backdated|modified|rewritten|removed|replaced)",
    re.I,
)
_NEGATED = re.compile(r"\b(?:never|not|nobody|no one|nothing|don't|without|instead of)\b[^.;:]*$", re.I)
_AT_THE_AIRCRAFT = re.compile(
    r"\b(?:(?:re-?)?inspect|strip|treat|rinse|dry|wash|protect|repeat|look at the boot|identify the boot|on the boot|"
    r"have it done|put on|first-aid|was splashed|safety procedure)\b",
    re.I,
)
"""Words of a corrective action that is done at the aircraft, or follows work that may have hurt somebody."""
_DESCRIPTIVE = {"id", "title", "level", "basis", "why", "put_right", "warning", "message", "corrected_by", "examples"}
_UNORDERED = {"in_", "not_in", "includes_all", "any_of", "same", "differing"}

Fault = tuple[KeyPath, str]


@dataclass(frozen=True)
class Diagnostic:
    """What is wrong with a rule file, and on which line of it."""

    file: str
    line: int
    message: str


def lint(folder: Path) -> list[Diagnostic]:
    """Say what is wrong with the rules below a folder, file by file and line by line. AuditError: they don't load."""
    book = load_rules(folder)
    sources = [read_source(read_file(folder / file.name, file.name)[0], file.name) for file in book.rule_files]
    found: list[tuple[int, KeyPath, str]] = []
    for number, (rule, source) in enumerate(zip(book.rules, sources, strict=True)):
        found += [(number, path, message) for check in _CHECKS for path, message in check(rule, source)]
    found += [(number, ("id",), message) for number, message in _duplicates(book.rules)]
    placed = sorted((number, sources[number].line(path), message) for number, path, message in found)
    return [Diagnostic(sources[number].name, line, message) for number, line, message in placed]


def _blanks(rule: Rule, source: Source) -> Iterator[Fault]:
    for path in blanks(source.data):
        yield path, f"still to be filled in ({FILL_IN})"


def _name(rule: Rule, source: Source) -> Iterator[Fault]:
    for key, text in (("id", rule.id), ("title", rule.title)):
        if cure := named_cure(text):
            yield (key,), f"the {key} names the fault, not the cure: expected it not to begin with `{cure}`"


def named_cure(text: str) -> str | None:
    """The word by which an id or a title begins to name the cure, where it does."""
    told = _CURES.match(text)
    return told and told[0]


def _basis(rule: Rule, source: Source) -> Iterator[Fault]:
    for number, basis in enumerate(rule.basis):
        yield from (((*("basis", number), key), message) for key, message in _one_basis(basis))
    yield from _gaps(rule.basis)


def _one_basis(basis: Basis) -> Iterator[tuple[str, str]]:
    if basis.source.lower().startswith("common practice"):
        if basis.source != NO_SOURCE:
            yield "source", f"expected `{NO_SOURCE}`, word for word"
        if not re.search(r"manual\b.*\bgovern", basis.note or "", re.I):
            yield "note", "practice without a source needs a note that the operator's manual governs"
    elif basis.section is None and not re.search(r"\d", basis.source):
        yield "source", "a published source needs its section"


def _gaps(bases: Sequence[Basis]) -> Iterator[Fault]:
    """Days between two of the sources on which none was in force."""
    for (_, last), (first, _) in pairwise(days_in_force(bases)):
        gap = f"{last + timedelta(days=1)} to {first - timedelta(days=1)}"
        yield ("basis",), f"no source was in force from {gap}: the rule judges no record of those days"


def _put_right(rule: Rule, source: Source) -> Iterator[Fault]:
    for told in _ALTERING.finditer(rule.put_right):
        if not _NEGATED.search(rule.put_right[: told.start()]):
            yield ("put_right",), f"a record is never altered: expected a new, dated entry instead of `{told[0]}`"


def _warning(rule: Rule, source: Source) -> Iterator[Fault]:
    if not rule.warning and (sent := _AT_THE_AIRCRAFT.search(rule.put_right)):
        yield (
            ("put_right",),
            f"this sends someone to the aircraft (`{sent[0]}`): expected a `warning` for them, such as [at-height]",
        )


def _frozen_figures(rule: Rule, source: Source) -> Iterator[Fault]:
    """Figures written out where settings may change them: the words would go on saying the old one."""
    values = settable_values(rule, source.data)
    for path, text in _said(rule, source):
        for key, value in values.items():
            for found in figures_of(key, value):
                if told := found.search(text):
                    yield (
                        path,
                        f"`{told[0]}` is the value of {key}, which settings may change: write {{limit}}",
                    )


def _said(rule: Rule, source: Source) -> Iterator[tuple[KeyPath, str]]:
    """The words of a rule file in which figures go stale: its texts, its messages and the codes of steps it names."""
    for key in ("title", "why", "put_right"):
        yield (key,), " ".join(str(source.data[key]).split())
    for kind, text in rule.message.items():
        yield (("message", kind) if isinstance(source.data["message"], dict) else ("message",)), text
    for path, conditions in selections(rule):
        for name, condition in conditions.columns.items():
            asked = condition.includes_all
            for code in asked if isinstance(asked, tuple) else ():
                yield (*path, name, "includes_all"), code.replace("-", " ")


def _outcomes(rule: Rule, source: Source) -> Iterator[Fault]:
    shown = {example.expect for example in rule.examples if example.known_gap is None}
    if "unjudged" not in shown and (reasons := unjudged_when(rule)):
        yield ("examples",), f"expected an example that is unjudged, such as that {reasons[0]}"
    names: set[str] = set()
    for number, example in enumerate(rule.examples):
        if example.name in names:
            yield ("examples", number, "name"), "another example has this name"
        names.add(example.name)


def _remedies(rule: Rule, source: Source) -> Iterator[Fault]:
    if rule.corrected_by and not any(example.corrected_by for example in rule.examples):
        yield ("corrected_by",), "expected an example of a finding that this puts right (corrected_by)"


def _contradictions(rule: Rule, source: Source) -> Iterator[Fault]:
    required = form_of(rule).requires(rule)
    for path, conditions in selections(rule):
        # What is required may depend on the scope, and is looked at with it.
        if conditions is not required:
            yield from (((*path, *below), message) for below, message in _contradicting(conditions))


def _contradicting(conditions: Conditions) -> Iterator[Fault]:
    single = [path for path, part in parts(conditions) if not can_hold(part)]
    for path in single:
        yield path, "no record can meet this"
    if not single and not can_hold(conditions):
        yield (), "no record can meet these conditions together"
    for number, option in enumerate(conditions.any_of):
        plain = Conditions.model_validate(dict(conditions.columns))
        if not single and not can_hold(plain, option):
            yield ("any_of", number), "this alternative can never hold"


_WITH_A_PRODUCT = {"apply", "prepare"}


def _by_action_alone(rule: Rule, source: Source) -> Iterator[Fault]:
    """Selections of work that puts something on a boot, by what the record calls it instead of by the product."""
    required = form_of(rule).requires(rule)
    for path, conditions in selections(rule):
        action = conditions.columns.get("action")
        if action is None or conditions is required or any(name.startswith("product") for name in conditions.names()):
            continue
        words = (action.is_,) if action.is_ is not None else action.in_
        if isinstance(words, tuple) and words and {str(word) for word in words} <= _WITH_A_PRODUCT:
            yield (
                (*path, "action"),
                "the action alone doesn't tell what was put on: a product is on the boot whatever the record calls the "
                "action; expected a condition on `product_class` or `product`",
            )


def _requirements(rule: Rule, source: Source) -> Iterator[Fault]:
    """What a record in scope can't break, or can't meet."""
    required = form_of(rule).requires(rule)
    if required is None or not can_hold(rule.scope):
        return
    place = next(path for path, conditions in selections(rule) if conditions is required)
    resolved = False
    for path, part in parts(required):
        if not can_hold(rule.scope, part):
            resolved = True
            yield (*place, *path), "no record in scope can meet this: everything would be a finding"
        elif not can_fail(part, rule.scope):
            resolved = True
            yield (*place, *path), "every record in scope meets this: it can never be a finding"
    if not resolved and not can_hold(rule.scope, required):
        yield place, "no record in scope can meet all of this: everything would be a finding"


def _never(rule: Rule, source: Source) -> Iterator[Fault]:
    """What can never find anything, as the form has it."""
    for one in form_of(rule).never(rule):
        if one.given is None or one.asked is None or not can_fail(one.asked, one.given):
            yield one.place, one.message


_CHECKS: tuple[Callable[[Rule, Source], Iterable[Fault]], ...] = (
    *(_blanks, _name, _basis, _put_right, _warning, _frozen_figures, _outcomes, _remedies),
    *(_contradictions, _by_action_alone, _requirements, _never),
)


def _duplicates(rules: Sequence[Rule]) -> Iterator[tuple[int, str]]:
    """Rules that mean the same, by their words or by every example of both."""
    timelines = cache(lambda number, place: timeline_of(rules[number].examples[place]))
    judged = cache(lambda number, example: verdict_on(rules[number], timelines(*example)))

    def alike(number: int, other: int) -> bool:
        """Whether the one judges each example of the other as that says."""
        return all(
            example.known_gap is not None or judged(number, (other, place)) == example.expect
            for place, example in enumerate(rules[other].examples)
        )

    meanings = [_meaning(rule) for rule in rules]
    for number, rule in enumerate(rules):
        for earlier in range(number):
            if form_of(rules[earlier]) is not form_of(rule):
                continue
            if meanings[earlier] == meanings[number]:
                yield number, f"this rule selects and requires the same as {rules[earlier].id}"
            elif alike(earlier, number) and alike(number, earlier):
                yield (
                    number,
                    f"no example tells this rule from {rules[earlier].id}: add one, or one rule is too many",
                )


def _meaning(rule: Rule) -> str:
    """What a rule selects and requires, however it is written."""
    return json.dumps(_sorted(rule.model_dump(exclude=_DESCRIPTIVE)), sort_keys=True, default=str)


def _sorted(value: Any, key: str = "") -> Any:
    if isinstance(value, Mapping):
        return {name: _sorted(part, name) for name, part in value.items() if part is not None}
    if isinstance(value, list | tuple):
        items = [_sorted(part) for part in value]
        return (
            sorted(items, key=lambda item: json.dumps(item, sort_keys=True, default=str))
            if key in _UNORDERED
            else items
        )
    return value
