"""Running the examples that every rule carries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pandas as pd

from audit.authoring.examples import as_of_example, example_alterations, example_export
from audit.errors import AuditError
from audit.forms.correcting import corrected
from audit.forms.judging import judge_rule, sentences
from audit.forms.outcomes import Outcomes
from audit.intake.chains import TIED, UNFIT
from audit.language.rule import Example, Rule
from audit.timeline.alterations import with_alterations
from audit.timeline.timeline import Timeline, build_timeline


@dataclass(frozen=True)
class ExampleResult:
    """What an example was to give and what the rule gave; `known_gap` says why it is one that must not pass yet.

    `because` says how the rule came to it: its subjects by outcome, then the sentence of each finding with its figures,
    the reason of each that is unjudged, and the limits that something was measured against.
    """

    rule_id: str
    example_name: str
    expected: str
    got: str
    known_gap: str | None = None
    because: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether the example gave what was expected, or, being a known gap, still doesn't."""
        return (self.got == self.expected) == (self.known_gap is None)


def run_examples(rules: Iterable[Rule]) -> Iterator[ExampleResult]:
    """Judge every example of every rule, each as a small export of its own, through the whole of intake and
    timeline."""
    for rule in rules:
        for example in rule.examples:
            try:
                timeline = timeline_of(example)
            except AuditError as error:
                raise AuditError(f"{rule.id}, {error}") from None
            outcomes = judge_rule(rule, timeline)
            yield ExampleResult(
                rule_id=rule.id,
                example_name=example.name,
                expected=expected(example),
                got=_in_full(rule, outcomes, timeline),
                known_gap=example.known_gap,
                because=tuple(_because(rule, outcomes, timeline)),
            )


def expected(example: Example) -> str:
    """What an example says that the rule must give: `finding, corrected by T2`."""
    return example.expect + (f", corrected by {example.corrected_by}" if example.corrected_by else "")


def _in_full(rule: Rule, outcomes: Outcomes, timeline: Timeline) -> str:
    """The most serious of the outcomes; of findings that are all put right, by what."""
    said = _said(outcomes)
    if said != "finding":
        return said
    found = outcomes.cases[outcomes.cases["finding"]].reset_index(drop=True)
    by = corrected(rule, found, timeline).by.tolist()
    return f"{said}, corrected by {'; '.join(dict.fromkeys(by))}" if all(by) else said


def verdict(rule: Rule, example: Example) -> str:
    """What a rule says of an example, its own or another's."""
    return verdict_on(rule, timeline_of(example))


def timeline_of(example: Example) -> Timeline:
    """An example, read and placed in time; AuditError, naming the place, where a row of it would be set aside."""
    try:
        export = example_export(example)
        wrong = pd.concat([export.rejects, export.faults]).drop(columns="file")
        # Corrections that don't fit are what rules are about.
        wrong = wrong[~wrong["reason"].isin((UNFIT, TIED))]
        for table, line, column, value, reason in wrong.itertuples(index=False):
            raise AuditError(f"{table}[{line - 1}].{column}, {value!r}: {reason}")
    except AuditError as error:
        raise AuditError(f"example {example.name!r}: {error}") from None
    timeline = build_timeline(export, as_of_example(example, export))
    happened = example_alterations(example)
    if happened is None:
        return timeline
    return with_alterations(timeline, happened, happened[["task_id"]].drop_duplicates())


def verdict_on(rule: Rule, timeline: Timeline) -> str:
    """What a rule says of a small export: the most serious of the outcomes."""
    return _said(judge_rule(rule, timeline))


def _said(outcomes: Outcomes) -> str:
    """The most serious of the outcomes: one finding among subjects that comply is a finding."""
    if outcomes.findings:
        return "finding"
    if outcomes.unjudged:
        return "unjudged"
    return "complies" if outcomes.in_scope else "out-of-scope"


def _because(rule: Rule, outcomes: Outcomes, timeline: Timeline) -> Iterator[str]:
    yield (
        f"{outcomes.in_scope:,} in scope: {outcomes.complies:,} complies, {outcomes.findings:,} finding, "
        f"{outcomes.unjudged:,} unjudged"
    )
    found = outcomes.cases["finding"].to_numpy()
    if found.any():
        findings = outcomes.cases[found].reset_index(drop=True)
        yield from sentences(rule, findings, timeline)
        yield from filter(None, corrected(rule, findings, timeline).perhaps)
    yield from outcomes.cases["reason"][~found]
    for limit in outcomes.margins:
        if limit.total:
            yield f"limit: at {limit.kind} {limit.limit}; {limit.total:,} measured, {limit.broken:,} broke it"
