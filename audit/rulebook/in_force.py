"""Sources in force: a record is judged under what was in force on its day, and a finding cites that."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from audit.forms import form_of
from audit.language.condition import Condition, Conditions
from audit.language.rule import Basis, Rule
from audit.yaml.faults import Misplaced

Days = tuple[date, date]
"""A first and a last day, both included; `date.min` and `date.max` where there is none."""

ALWAYS = (date.min, date.max)


def days_in_force(bases: Iterable[Basis]) -> tuple[Days, ...]:
    """The days on which any of the sources was in force, in as few stretches as they make up."""
    stretches: list[Days] = []
    for first, last in sorted((basis.from_ or date.min, basis.to or date.max) for basis in bases):
        if stretches and (stretches[-1][1] == date.max or first <= stretches[-1][1] + timedelta(days=1)):
            stretches[-1] = stretches[-1][0], max(last, stretches[-1][1])
        else:
            stretches.append((first, last))
    return tuple(stretches)


def cited(bases: Iterable[Basis], day: date) -> str:
    """The sources in force on a day, with their sections: `14 CFR part 3, subpart D`."""
    on_the_day = [one for one in bases if (one.from_ or date.min) <= day <= (one.to or date.max)]
    return "; ".join(one.source if one.section is None else f"{one.source}, {one.section}" for one in on_the_day)


def limited_to_its_days(rule: Rule) -> Rule:
    """The rule, its scope limited to records whose work began on a day (at its station) when a source was in force.

    Misplaced where sources leave days out and no record's day could decide.
    """
    days = days_in_force(rule.basis)
    if days == (ALWAYS,):
        return rule
    if form_of(rule).dated_by(rule) is None:
        sentence = "no source was in force on some days, but this rule judges no single record by its day"
        raise Misplaced([(("basis",), f"{sentence}; expected sources that leave no day out")])
    alternatives = rule.scope.any_of
    # Each stretch of days is an alternative of the scope, with the alternatives that the rule has itself below it.
    limits = [{"work_date": _within(one)} | ({"any_of": alternatives} if alternatives else {}) for one in days]
    scope = Conditions.model_validate({**rule.scope.columns, "any_of": limits})
    return rule.model_copy(update={"scope": scope})


def _within(days: Days) -> Condition:
    limits = zip(("at_least", "at_most"), days, ALWAYS, strict=True)
    return Condition.model_validate({operator: day.isoformat() for operator, day, none in limits if day != none})
