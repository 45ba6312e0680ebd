"""Several copies of an export as one: what is true of it is true of each."""

from __future__ import annotations

from typing import Any

from audit.drill.fleets import copies_of, copy_number, named, rule_of
from audit.drill.rounds import Footprint, in_rounds
from audit.forms.judging import judge_rule
from audit.language.condition import Conditions
from audit.timeline.instants import stamp
from audit.timeline.timeline import build_timeline
from tests.conftest import Audited


def test_every_rule_says_of_three_copies_three_times_what_it_says_of_one(sample_audit: Audited) -> None:
    """No record, boot, person or flight of one copy meets another's; what is in doubt in one is in doubt in each."""
    timeline = build_timeline(copies_of(sample_audit.export, 3), stamp(sample_audit.timeline.as_of))
    for rule in sample_audit.result.rules:
        one, three = judge_rule(rule, sample_audit.timeline), judge_rule(rule_of(rule, 3), timeline)
        assert (three.in_scope, three.findings, three.unjudged) == (
            3 * one.in_scope,
            3 * one.findings,
            3 * one.unjudged,
        )


def test_a_rule_that_names_an_aircraft_means_it_in_each_copy(sample_audit: Audited) -> None:
    """By `is`, `not`, `in` and `not_in`, in alternatives too."""
    shipped = next(rule for rule in sample_audit.result.rules if rule.id == "certifier-not-named")
    scopes: list[dict[str, Any]] = [
        {"aircraft": {"is": "TARN-YEW"}},
        {"aircraft": {"not": "TARN-YEW"}},
        {"aircraft": {"in": ["TARN-YEW", "TARN-IVY"]}, "station": {"not": "Thrushwick"}},
        {"any_of": [{"aircraft": {"not_in": ["TARN-YEW"]}}, {"action": {"is": "inspect"}}]},
    ]
    timeline = build_timeline(copies_of(sample_audit.export, 2), stamp(sample_audit.timeline.as_of))
    for scope in scopes:
        rule = shipped.model_copy(update={"scope": Conditions.model_validate(scope)})
        once = judge_rule(rule, sample_audit.timeline).in_scope
        assert 0 < once < len(sample_audit.timeline.rows)
        assert judge_rule(rule_of(rule, 2), timeline).in_scope == 2 * once


def test_a_name_keeps_its_copy() -> None:
    """Also one that has a tilde of its own."""
    assert copy_number(named("N~12", 7)) == 7


def test_plantings_that_touch_each_other_are_apart() -> None:
    """What one changes, no other of its copy reads or changes; what two only read keeps nothing apart."""
    first = Footprint(frozenset("ab"), frozenset("c"))
    prints = [first, Footprint(frozenset("c"), frozenset()), Footprint(frozenset("ab"), frozenset("d"))]
    prints += [Footprint(frozenset(), frozenset("a")), first]
    rounds = in_rounds(prints)
    assert sorted(number for one in rounds for number in one) == [0, 1, 2, 3, 4]
    for numbers in rounds:
        for one in numbers:
            others = [prints[other] for other in numbers if other != one]
            assert all(prints[one].writes.isdisjoint(other.reads | other.writes) for other in others)
    assert any({0, 2} <= set(numbers) or {2, 4} <= set(numbers) for numbers in rounds)
