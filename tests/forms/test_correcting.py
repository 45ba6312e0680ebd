"""What puts a finding right, by the records themselves: later work on the same boot, or its removal."""

from __future__ import annotations

from typing import Any

import pytest

from audit.authoring.running import expected, run_examples, timeline_of
from audit.errors import AuditError
from audit.forms.correcting import corrected
from audit.forms.describing import remedy_in_words
from audit.forms.judging import judge_rule
from audit.forms.reads import text_columns
from audit.language.rule import Example, Rule
from audit.rulebook.loading import read_rule

A_RULE = """\
id: lot-expired
title: Out of date
form: record
level: 2
basis: [{source: Invented standard 7}]
why: It may not cure.
put_right: Strip it.
scope: {action: {is: apply}}
require: {coats: {at_most: 3}}
corrected_by:
  - event: work
    where: {action: {is: inspect}, remarks: {is: looked at}}
    within: PT48H
  - event: work
    where: {action: {is: repair}, product_class: {is: surface-prep}}
  - {event: removal}
examples:
  - {name: a, expect: complies}
  - {name: b, expect: finding}
"""
RULE = read_rule(A_RULE.encode(), "r")
FAULT = {"product": "gloss-coating", "coats": 4, "started_at": "2025-06-02T09:00:00Z"}
LOOKED_AT = {"action": "inspect", "remarks": "looked at", "work_order": "W9", "started_at": "2025-06-03T09:00:00Z"}
STRIPPED = {"action": "repair", "product": "surface-prep", "work_order": "W9", "started_at": "2025-06-10T09:00:00Z"}


def told(*tasks: dict[str, Any], rule: Rule = RULE, **changes: Any) -> tuple[str, str]:
    """What puts the first finding right, and what may."""
    timeline = timeline_of(Example(name="x", expect="finding", tasks=tasks, **changes))
    cases = judge_rule(rule, timeline).cases
    found = corrected(rule, cases[cases["finding"]].reset_index(drop=True), timeline)
    return str(found.by[0]), str(found.perhaps[0])


def test_the_free_text_that_a_remedy_asks_for_is_read() -> None:
    """Intake leaves out what no rule asks for: what only a remedy asks for is asked for."""
    assert text_columns([RULE]) == {"tasks": frozenset({"remarks"})}


def test_what_puts_it_right_in_words() -> None:
    """Each remedy of a rule reads as a phrase, with its time where it has one."""
    limited = read_rule(A_RULE.replace("{event: removal}", "{event: removal, within: PT24H}").encode(), "r")
    assert [remedy_in_words(one) for one in (*RULE.corrected_by, limited.corrected_by[-1])] == [
        "later work on the same boot, in a record where action is inspect and remarks is looked at, "
        "begun within 48 hours of the fault",
        "later work on the same boot, in a record where action is repair and product class is surface-prep",
        "the removal of the boot, until it is installed again",
        "the removal of the boot, until it is installed again, within 24 hours of the fault",
    ]


def test_nothing_puts_it_right() -> None:
    """Nothing was done later: it is open."""
    assert told(FAULT) == ("", "")


def test_the_first_of_several() -> None:
    """Work that was done first counts, whichever remedy it is, and whatever follows."""
    assert told(FAULT, LOOKED_AT, STRIPPED) == ("T2", "")
    assert told(FAULT, STRIPPED, components=({"removed_at": "2025-06-05T00:00:00Z"},)) == ("removal of C1", "")


@pytest.mark.parametrize(
    ("started", "by"),
    [
        ("2025-06-04T09:00:00Z", "T2"),  # exactly 48 hours after the fault
        ("2025-06-04T09:00:01Z", ""),
        ("2025-06-02T09:00:00Z", ""),  # at once with the fault: it may have come before
        ("2025-06-02T09:00:01Z", "T2"),
        ("2025-06-01T09:00:00Z", ""),  # before it
    ],
)
def test_when_the_work_begins(started: str, by: str) -> None:
    """Later than the fault, and within the time that the rule gives, both to the second."""
    assert told(FAULT, LOOKED_AT | {"started_at": started}) == (by, "")


def test_work_counts_once_it_is_done() -> None:
    """Work that ends after the as-of time puts nothing right yet."""
    for as_of, by in (("2025-06-10T09:09:59Z", ""), ("2025-06-10T09:10:00Z", "T2")):
        assert told(FAULT, STRIPPED, as_of=as_of) == (by, "")


def test_a_removal_counts_from_the_moment_it_is_made() -> None:
    """At the as-of time itself it is made; at the moment of the fault it came with it; `within` includes its end."""
    limited = read_rule(A_RULE.replace("{event: removal}", "{event: removal, within: PT24H}").encode(), "r")
    fault, next_day = FAULT["started_at"], "2025-06-03T09:00:00Z"
    for removed, as_of, by in (
        (next_day, next_day, "removal of C1"),
        (next_day, "2025-06-03T08:59:59Z", ""),
        ("2025-06-03T09:00:01Z", "2025-06-10T00:00:00Z", ""),
        (fault, "2025-06-10T00:00:00Z", ""),
    ):
        assert told(FAULT, rule=limited, components=({"removed_at": removed},), as_of=as_of) == (by, "")


@pytest.mark.parametrize(("within", "by"), [("PT48H", ""), ("PT75H", "removal of C1")])
def test_a_removal_on_a_day_without_a_time(within: str, by: str) -> None:
    """In time is what was removed by then at the latest, by whatever clock its day went."""
    limited = read_rule(A_RULE.replace("{event: removal}", f"{{event: removal, within: {within}}}").encode(), "r")
    assert told(FAULT, rule=limited, components=({"removed_at": "2025-06-04"},)) == (by, "")


def test_work_on_another_boot() -> None:
    """At another position, on another aircraft, or at the same place once the boot was changed: another boot."""
    two = ({}, {"component_serial": "C2", "position": "fin"})
    assert told(FAULT, STRIPPED | {"position": "fin"}, components=two) == ("", "")
    changed = (
        {"removed_at": "2025-06-05T00:00:00Z"},
        {"component_serial": "C2", "installed_at": "2025-06-05T00:00:00Z"},
        {"aircraft": "A2", "installed_at": "2025-06-06T00:00:00Z"},
    )
    assert told(FAULT, STRIPPED, components=changed) == ("", "")


def test_a_boot_takes_its_fault_along() -> None:
    """Work on the same boot on another aircraft puts it right; the removal doesn't, since it was installed again."""
    moved = (
        {"removed_at": "2025-06-05T00:00:00Z"},
        {"aircraft": "A2", "position": "fin", "installed_at": "2025-06-06T00:00:00Z"},
    )
    assert told(FAULT, components=moved) == ("", "")
    assert told(FAULT, components=moved, as_of="2025-06-05T12:00:00Z") == ("removal of C1", "")
    assert told(FAULT, STRIPPED | {"aircraft": "A2", "position": "fin"}, components=moved) == ("T2", "")


def test_a_record_for_several_boots() -> None:
    """It is put right once every boot of it is; the last one says when."""
    two = ({}, {"component_serial": "C2", "position": "fin"})
    both = FAULT | {"position": "left wing; fin"}
    other = STRIPPED | {"position": "fin", "started_at": "2025-06-12T09:00:00Z"}
    assert told(both, STRIPPED, components=two) == ("", "")
    assert told(both, other, STRIPPED, components=two) == ("T2; T3", "")
    assert told(both, STRIPPED | {"position": "all"}, components=two) == ("T2", "")


def test_a_record_that_breaks_the_rule_on_some_of_its_boots() -> None:
    """Only those have to be put right, each of them, whatever their positions are called."""
    silver = read_rule(A_RULE.replace("coats: {at_most: 3}", "component.finish: {is: black}").encode(), "r")
    boots = (
        {"finish": "silver"},
        {"component_serial": "C2", "position": "right wing", "finish": "silver"},
        {"component_serial": "C3", "position": "fin"},
    )
    every = FAULT | {"position": "left wing; fin; right wing"}
    right = STRIPPED | {"position": "right wing", "started_at": "2025-06-12T09:00:00Z"}
    assert told(every, STRIPPED, rule=silver, components=boots) == ("", "")
    assert told(every, STRIPPED, right, rule=silver, components=boots) == ("T2; T3", "")
    assert told(every, right, STRIPPED | {"position": "fin"}, rule=silver, components=boots) == ("", "")


NOT_SURE = "T2 may have put it right, but that is in doubt: "


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"status": "open"}, "a record of work that is still open may change the result."),
        ({"position": None}, "position not recorded, or not one of the boots' positions."),
        ({"product": None}, "value missing: product."),
        ({"product": "unheard-of"}, "product not listed in products."),
    ],
)
def test_work_in_doubt_puts_nothing_right(changes: dict[str, Any], why: str) -> None:
    """A record that is open, of no known boot or of no known product may be it, and is told."""
    by, perhaps = told(FAULT, STRIPPED | changes)
    assert by == ""
    assert perhaps == NOT_SURE + why
    assert told(FAULT, STRIPPED | {"status": "void"}) == ("", "")


def test_two_boots_recorded_in_one_place() -> None:
    """Which of the two was worked on isn't known."""
    two = ({}, {"component_serial": "C2", "installed_at": "2025-06-09T00:00:00Z"})
    by, perhaps = told(FAULT, STRIPPED, components=two)
    assert (by, perhaps) == ("", f"{NOT_SURE}which boot was at that position and time is not known.")


def test_certain_work_is_not_outdone_by_doubt() -> None:
    """Where something certain puts it right, nobody is told what else may have."""
    assert told(FAULT, LOOKED_AT, STRIPPED | {"status": "open"}) == ("T2", "")


def test_no_boot_known_then() -> None:
    """Without a boot nobody can tell whether later work was done to it."""
    late = ({"installed_at": "2025-06-09T00:00:00Z"},)
    by, _ = told(FAULT, STRIPPED, components=late)
    assert by == ""


def test_the_treatment_that_ends_an_overdue_stretch() -> None:
    """It puts it right by itself, though the rule names nothing; the stretch after it is open."""
    text = A_RULE.partition("scope:")[0].replace("form: record", "form: interval") + (
        "scope: {product_class: {is: ice-adhesion-treatment}}\nat_most: {days: 10}\n"
        "examples:\n  - {name: a, expect: complies}\n  - {name: b, expect: finding}\n"
    )
    rule = read_rule(text.encode(), "r")
    treated = {"product": "ice-adhesion-treatment"}
    first, second = treated | {"started_at": "2025-11-01T09:00:00Z"}, treated | {"started_at": "2025-11-20T23:55:00Z"}
    assert told(first, second, rule=rule) == ("T2", "")
    assert told(first, rule=rule, as_of="2025-11-20T00:00:00Z") == ("", "")


def test_examples_say_what_puts_it_right() -> None:
    """An example that doesn't name it expects an open finding; one that names another record is wrong."""
    open_one = {"name": "open", "expect": "finding", "tasks": [FAULT]}
    put_right = {"name": "put right", "expect": "finding", "corrected_by": "T2", "tasks": [FAULT, STRIPPED]}
    forgotten = {key: value for key, value in put_right.items() if key != "corrected_by"}
    wrong = put_right | {"corrected_by": "T7"}
    examples = tuple(Example.model_validate(one) for one in (open_one, put_right, forgotten, wrong))
    results = list(run_examples([RULE.model_copy(update={"examples": examples})]))
    assert [result.passed for result in results] == [True, True, False, False]
    assert results[2].got == expected(examples[1]) == "finding, corrected by T2"


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ("{event: takeoff}", "event"),
        ("{event: work}", "expected conditions"),
        ("{event: work, where: {}}", "expected conditions"),
        ("{event: removal, where: {action: {is: remove}}}", "expected conditions"),
        ("{event: removal, within: PT0H}", "longer than nothing"),
        ("{event: removal, within: P2D}", "ISO 8601 duration"),
        ("{event: work, where: {acton: {is: inspect}}}", "did you mean"),
    ],
)
def test_remedies_that_make_no_sense(wrong: str, message: str) -> None:
    """Each is refused with the line and what was expected."""
    with pytest.raises(AuditError, match=rf"line 1\d: \$\.corrected_by.*{message}"):
        read_rule(A_RULE.replace("{event: removal}", wrong).encode(), "r.yaml")


def test_only_a_finding_can_be_put_right() -> None:
    """An example that complies has nothing to be put right."""
    with pytest.raises(AuditError, match="only a finding can be corrected"):
        read_rule(A_RULE.replace("expect: complies", "expect: complies, corrected_by: T2").encode(), "r.yaml")


def test_where_no_boot_is_known_nothing_puts_it_right() -> None:
    """Later work at the same position may have been on another boot."""
    for components in ((), ({"position": "fin"},), ({"installed_at": "2025-06-09T00:00:00Z"},)):
        assert told(FAULT, STRIPPED, components=components)[0] == ""


def test_a_boot_is_put_right_whichever_row_it_is() -> None:
    """Of two boots at one position the finding is about one; its removal puts it right, as the first row of the history
    as well as further down."""
    twice = read_rule(
        A_RULE.replace("form: record", "form: overlap")
        .replace("scope: {action: {is: apply}}\n", "between: [components, components]\n")
        .replace("require: {coats: {at_most: 3}}", "same: [aircraft, position]")
        .encode(),
        "r",
    )
    both = ({"removed_at": "2025-06-05T00:00:00Z"}, {"component_serial": "C2", "removed_at": "2025-06-05T00:00:00Z"})
    another = {"component_serial": "C3", "position": "fin"}
    for boots in (both, both[::-1], (another, *both), (another, *both[::-1])):
        assert told(FAULT, rule=twice, components=boots, as_of="2025-06-06T00:00:00Z")[0].startswith("removal of C")
