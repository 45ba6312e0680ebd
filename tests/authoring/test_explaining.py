"""A rule explained: what each form says of itself, and that what it says can leave it unjudged is what does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from audit.authoring.examples import example_export
from audit.authoring.explaining import WHO_GOVERNS, ExampleTable, explain, shown_example
from audit.authoring.unknowns import unjudged_when
from audit.forms.describing import CLOCK_WENT_BACK, NOT_COVERED
from audit.forms.judging import judge_rule
from audit.forms.reads import conditions_of, tables_read
from audit.intake.tables import TABLES
from audit.language.in_words import name_in_words
from audit.language.rule import Example, Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule

SHIPPED = load_rules(rules_folder()).rules
PREP = {"product_class": {"is": "surface-prep"}}
APPLIED = {"action": {"is": "apply"}, "product_class": {"is": "gloss-coating"}}
SESSIONS = "Each session of closed task records where action is apply and product class is gloss-coating. "

FORMS: dict[str, tuple[dict[str, Any], str, tuple[str, ...]]] = {
    "record": (
        {"scope": APPLIED, "require": {"component.material": {"not": "other"}, "ppe_signed_by": {"present": True}}},
        "Each closed task record where action is apply and product class is gloss-coating.",
        ("boot material is not other", "signature for protective equipment is recorded"),
    ),
    "record with alternatives": (
        {
            "form": "record",
            "require": {"any_of": [{"lot": {"present": False}}, {**PREP, "lot.expires_on": {"after": "2026-01-01"}}]},
        },
        "Each closed task record.",
        (
            "either lot is not recorded or (product class is surface-prep and expiry date of the lot "
            "is after 2026-01-01)",
        ),
    ),
    "hold": (
        {"scope": APPLIED, "forbid": {"event": "takeoff"}, "for": "PT1H30M"},
        SESSIONS,
        (
            "within 1 hour 30 minutes of the session's end the aircraft did not take off; "
            "exactly 1 hour 30 minutes after it complies",
        ),
    ),
    "hold against work": (
        {"form": "hold", "scope": APPLIED, "forbid": {"event": "treatment", "where": PREP}, "for": "PT1M"},
        SESSIONS,
        (
            "within 1 minute of the session's end no other work began on that position, in a record "
            "where product class is surface-prep; exactly 1 minute after it complies",
        ),
    ),
    "hold until": (
        {
            "form": "hold",
            "scope": APPLIED,
            "forbid": {"event": "takeoff"},
            "until": PREP,
            "over": PREP,
            "season": {"from": "10-01", "to": "04-30"},
        },
        "Only sessions before which the same boot was worked on, in a record where product class is surface-prep. "
        "Only what began within one season, both of them, 1 October to 30 April (UTC, both "
        "days included).",
        (
            "from the session's end until later work on the same boot began, in a record where product "
            "class is surface-prep, the aircraft did not take off in the season",
        ),
    ),
    "hold for a time or until": (
        {"form": "hold", "scope": APPLIED, "forbid": {"event": "takeoff"}, "until": PREP, "for": "PT2H"},
        SESSIONS,
        (
            "from the session's end until 2 hours passed or later work on the same boot began, in a record "
            "where product class is surface-prep, the aircraft did not take off",
        ),
    ),
    "order": (
        {"scope": APPLIED, "must_be": "first", "among": PREP},
        "Each work order at each position that has closed task records where action is apply and product "
        "class is gloss-coating.",
        ("the first of them starts before all other closed task records there where product class is surface-prep",),
    ),
    "precede": (
        {"scope": APPLIED, "needs": PREP, "within": "PT48H", "broken_by": [{"event": "takeoff"}]},
        SESSIONS,
        (
            "the same boot was worked on before, in a record where product class is surface-prep",
            "this ended at most 48 hours before the session began",
            "in between the aircraft did not take off",
        ),
    ),
    "precede or else": (
        {
            "form": "precede",
            "scope": APPLIED,
            "needs": PREP,
            "within": "PT48H",
            "or_else": [{"needs": {"lot": {"is": "L1"}}, "broken_by": [{"event": "takeoff"}]}],
        },
        SESSIONS,
        (
            "the same boot was worked on before, in a record where product class is surface-prep, and this ended at "
            "most 48 hours before the session began; or else the same boot was worked on before, in a record where lot "
            "is L1, and in between the aircraft did not take off",
        ),
    ),
    "interval": (
        {
            "scope": APPLIED,
            "boots": {"component.finish": {"is": "black"}},
            "at_most": {"flight_hours": 50, "days": 1},
            "season": {"from": "10-01", "to": "04-30"},
            "next_due": "scheduled",
            "tolerance": {"percent": 10, "flight_hours": 5},
        },
        "A treatment is a session of closed task records where action is apply and product class is gloss-coating. "
        "Only boots of which boot finish is black. "
        "Only within the season, 1 October to 30 April (UTC, both days included).",
        (
            "at most 50 flight hours or 1 day, whichever comes first, pass, or more by no more than the "
            "tolerance of 10 %, at most 5 flight hours",
            "the next due point counts from the time a treatment was due where it was done within the "
            "tolerance, else from the time it was done",
        ),
    ),
    "count": (
        {"scope": APPLIED, "coats": {"at_least": 2, "at_most": 3}},
        SESSIONS,
        ("coats recorded: at least 2 and at most 3",),
    ),
    "count in a season": (
        {
            "form": "count",
            "scope": APPLIED,
            "boots": {"component.finish": {"is": "black"}},
            "sessions": {"at_least": 1},
            "season": {"from": "10-01", "to": "04-30"},
        },
        "Each boot in each season, 1 October to 30 April (UTC, both days included), in which its aircraft took off "
        "with it. What is counted are sessions of closed task records where action is apply and product class is "
        "gloss-coating, by their end.",
        ("sessions recorded in it: at least 1",),
    ),
    "spacing": (
        {"scope": APPLIED, "pause": {"at_most": "PT30S"}},
        "Each coat and the next one in a session of closed task records",
        ("from the end of the one to the start of the next at most 30 seconds pass",),
    ),
    "overlap": (
        {"scope": PREP, "between": ["tasks", "stays"], "same": ["aircraft"], "differing": ["station"]},
        "Each pair of a task record and a stay of an aircraft where a flight brought it, until its next takeoff "
        "(task records only where product class is surface-prep) with the same aircraft and a different station.",
        ("the two do not overlap in time",),
    ),
}


@pytest.mark.parametrize("name", FORMS)
def test_a_rule_says_what_it_checks(name: str) -> None:
    """Scope, limits and form of a rule in words, for each form."""
    parts, looks_at, demands = FORMS[name]
    found = explain(RULES.validate_python(rule(**{"form": name, **parts})))
    assert looks_at in found.looks_at
    assert found.demands == demands


@pytest.mark.parametrize(
    ("between", "words"),
    [
        (["flights", "flights"], "Each pair of two flights with the same aircraft."),
        (["components", "flights"], "Each pair of an installed component and a flight with the same aircraft."),
        (["tasks", "components"], "Each pair of a task record and an installed component with the same aircraft."),
    ],
)
def test_a_pair_in_words(between: list[str], words: str) -> None:
    """What is compared, with its article."""
    assert explain(RULES.validate_python(rule("overlap", between=between, same=["aircraft"]))).looks_at == words


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        ({"lot": {"is": "L1", "not": "L2"}}, ("lot is L1 and is not L2",)),
        ({"lot": {"in": ["A", "B", "C"], "not_in": ["D", "E"]}}, ("lot is A, B or C and is none of D or E",)),
        ({"lot": {"not_in": ["D"]}}, ("lot is not D",)),
        ({"coats": {"at_least": 1, "at_most": 3}}, ("number of coats is at least 1 and is at most 3",)),
        ({"signed_at": {"at_least": {"column": "finished_at"}}},
         ("time of signature is not before the end of the work",)),
        ({"work_date": {"at_most": {"column": "lot.expires_on"}}},
         ("local date of the work is not after the expiry date of the lot",)),
        ({"work_date": {"before": "2025-01-01"}}, ("local date of the work is before 2025-01-01",)),
        ({"ppe_worn": {"includes_all": ["a", "b", "c"]}}, ("protective equipment worn includes a, b and c",)),
        ({"product.product": {"present": False}}, ("the product is not listed in products",)),
        ({"performer.authorisation": {"present": True}},
         ("the performer holds an authorisation valid on the day of the work",)),
        ({"certifier.authorisation": {"present": False}},
         ("the certifier holds no authorisation valid on the day of the signature",)),
        ({"component.finish": {"present": False}}, ("boot finish is not given in components",)),
        ({"component_serial": {"is": {"column": "component.component_serial"}}},
         ("component serial is the component serial in components",)),
    ],
)  # fmt: skip
def test_conditions_in_words(condition: dict[str, Any], words: tuple[str, ...]) -> None:
    """Each operator reads as people would say it, of times otherwise than of numbers."""
    assert explain(RULES.validate_python(rule("record", require=condition))).demands == words


def test_sources_say_when_they_were_in_force() -> None:
    """Section, days in force and note of each source, in the order of the rule file."""
    basis = [
        {"source": "A", "section": "4.2", "to": "2025-11-02"},
        {"source": "B", "from": "2025-11-03", "note": "replaces A"},
        {"source": "C", "from": "2020-01-01", "to": "2020-12-31"},
    ]
    found = explain(RULES.validate_python(rule("record", require={"lot": {"present": True}}, basis=basis)))
    assert found.sources == (
        "A, 4.2 (in force until 2025-11-02)",
        "B (in force from 2025-11-03): replaces A",
        "C (in force 2020-01-01 to 2020-12-31)",
    )


def test_work_at_the_aircraft_is_warned_of() -> None:
    """The rule's warnings stand first, in full; a rule about paper has only the word on who governs."""
    mind = {"name": "mind", "text": "Mind your eyes."}
    at_work = RULES.validate_python(rule("record", scope=PREP, require={"lot": {"present": True}}, warning=[mind]))
    assert explain(at_work).warnings == ("Mind your eyes.", WHO_GOVERNS)
    about_paper = RULES.validate_python(rule("record", require={"signed_at": {"present": True}}))
    assert explain(about_paper).warnings == (WHO_GOVERNS,)


def test_an_example_shows_what_it_gives_and_what_the_rule_reads() -> None:
    """Columns given or read, and the boot where the rule asks about boots; times no longer than they need be."""
    asked = RULES.validate_python(rule("record", scope=APPLIED, require={"component.finish": {"is": "black"}}))
    example = Example(
        name="n",
        expect="complies",
        as_of="2025-06-03T00:00:00Z",
        tasks=({"started_at": "2025-06-02T09:00:00Z", "lot": "L1"}, {"started_at": "2025-06-02T09:00:30+02:00"}),
        not_supplied=("flights", "stations"),
    )
    shown = shown_example(asked, example)
    assert shown.notes == (
        "as of 2025-06-03 00:00Z",
        "the table flights is not supplied",
        "the table stations is not supplied",
    )
    assert shown.tables == (
        ExampleTable(
            "tasks",
            ("task_id", "action", "started_at", "product", "lot"),
            (("T1", "apply", "2025-06-02 09:00Z", "", "L1"), ("T2", "apply", "2025-06-02 09:00:30+02:00", "", "")),
        ),
        ExampleTable("components", ("component_serial", "position", "finish"), (("C1", "left wing", "black"),)),
    )


def test_a_known_gap_explains_nothing() -> None:
    """The example shown is one that is judged as it says; the gap is told as what it is."""
    gap = {"name": "a gap", "expect": "finding", "known_gap": "not yet"}
    examples = [gap, *rule("record")["examples"]]
    found = explain(RULES.validate_python(rule("record", require={"lot": {"present": True}}, examples=examples)))
    assert (found.complies.name, found.finding.name) == ("a", "b")
    assert found.known_gaps == ("a gap: not yet",)


@pytest.mark.parametrize("asked", SHIPPED, ids=lambda asked: asked.id)
def test_every_rule_that_ships_can_be_explained(asked: Rule) -> None:
    """No part of an explanation is empty, and no sentence shows how the code names things."""
    found = explain(asked)
    assert found.demands
    for text in (found.looks_at, *found.demands, *found.unjudged_when):
        assert text.strip()
        # A word of a list may be one that Python writes for nothing.
        assert not re.search(r"[{}_]|(?<!none, )None|\(\)|  ", text), text


ROUNDED = "times to the minute overlap by no more than their rounding"
TURNED = "a record ends before it starts"
ALIKE = "the station has nearly the same name as another"


def in_quarantine(table: str) -> str:
    return f"a row of {table} in quarantine may contradict it"


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"form": "record", "require": {"lot": {"present": True}}}, ()),
        ({"form": "record", "require": {"action": {"is": "apply"}, "work_minutes": {"at_least": 1}}},
         (CLOCK_WENT_BACK,)),
        ({"form": "record", "scope": {"lot": {"present": True}}, "require": {"lot": {"is": "L"}}}, ()),
        ({"form": "record", "require": {"any_of": [{"lot": {"is": "L"}}, {"coat": {"present": True}}]}},
         ("lot is not recorded",)),
        ({"form": "overlap", "between": ["flights", "flights"], "same": ["aircraft"]},
         (in_quarantine("flights"), ROUNDED)),
        ({"form": "overlap", "between": ["tasks", "stays"], "same": ["aircraft"], "differing": ["station"]},
         ("station is not recorded for one of the two", "the table flights is not supplied",
          NOT_COVERED, ALIKE, in_quarantine("flights"), ROUNDED,
          TURNED, CLOCK_WENT_BACK)),
        ({"form": "overlap", "between": ["tasks", "tasks"], "same": ["performed_by"], "differing": ["station"]},
         ("performer is not recorded for one of the two", in_quarantine("tasks"), ROUNDED, TURNED, CLOCK_WENT_BACK)),
    ],
)  # fmt: skip
def test_what_can_leave_a_rule_unjudged(parts: dict[str, Any], words: tuple[str, ...]) -> None:
    """What a rule asks only the presence of, or what no record can lack, leaves nothing unjudged."""
    assert unjudged_when(RULES.validate_python(rule(**parts))) == words


def _with_less(asked: Rule, example: Example) -> Iterator[Example]:
    """The example with a column that the rule reads, or a table, taken away."""
    names = set().union(*(conditions.names() for conditions in conditions_of(asked))) | {"position", "product"}
    for name in sorted(names & set(TABLES["tasks"].columns)):
        if not TABLES["tasks"].columns[name].required:
            yield example.model_copy(update={"tasks": tuple({**row, name: None} for row in example.tasks)})
    for name in sorted(tables_read(asked) & {"flights", "components", "products"}):
        yield example.model_copy(update={name: None if name == "components" else (), "not_supplied": (name,)})


@pytest.mark.parametrize("asked", SHIPPED, ids=lambda asked: asked.id)
def test_what_leaves_a_rule_unjudged_was_announced(asked: Rule) -> None:
    """Whatever is taken away from a rule's first example, the reason why it is then unjudged is one that it names."""
    announced = unjudged_when(asked)
    for less in _with_less(asked, asked.examples[0]):
        cases = judge_rule(asked, build_timeline(example_export(less))).cases
        for reason in set(cases["reason"]) - {""}:
            what, _, name = reason.partition(": ")
            if what == "table not supplied":
                assert f"the table {name} is not supplied" in announced
            elif what == "value missing" and name in TABLES["tasks"].columns:
                assert f"{name_in_words(name)} is not recorded" in " / ".join(announced)
            else:
                assert announced, reason
