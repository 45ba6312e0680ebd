"""The sentence of a finding, form by form, where it says more than one thing."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.findings.collect import collect
from audit.forms.judging import judge_rule
from audit.language.rule import Example
from audit.rulebook.worded import message_kinds
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule

TREAT = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
WINTER = {"from": "10-01", "to": "04-30"}
TREATMENT = {"product": "ice-adhesion-treatment", "started_at": "2025-11-03T10:00:00Z"}
WASH = {"product": "cleaner", "action": "clean", "work_order": "W2", "started_at": "2025-11-10T10:00:00Z"}
FLIGHTS = [{"takeoff_at": "2025-11-11T10:10:00Z"}, {"takeoff_at": "2025-12-11T10:10:00Z", "flight_hours": 1.25}]
BOOTS: list[dict[str, Any]] = [
    {"removed_at": "2025-11-20T12:00:00Z"},
    {"component_serial": "C2", "installed_at": "2025-11-20T12:00:00Z"},
]


def found(data: dict[str, Any], **tables: Any) -> pd.DataFrame:
    """The findings of a rule."""
    example = Example.model_validate({"name": "n", "expect": "finding", **tables})
    timeline = build_timeline(example_export(example), pd.Timestamp("2026-06-01T00:00:00Z"))
    read = RULES.validate_python(data)
    return collect([(read, judge_rule(read, timeline))], timeline).findings


@pytest.mark.parametrize(
    ("parts", "sentence"),
    [
        (
            {"over": TREAT, "until": TREAT},
            "Flew 24 h after cleaner was put over an ice-adhesion treatment, without a new one in between.",
        ),
        ({"until": TREAT}, "Flew 24 h after cleaner, without an ice-adhesion treatment in between."),
        (
            {"until": {"action": {"is": "prepare"}}, "over": TREAT},
            "Flew 24 h after cleaner was put over an ice-adhesion treatment, without a treatment in between.",
        ),
        ({"for": "PT25H"}, "Flew 24 h after the last coat of cleaner; 25 h required; 1 h short."),
    ],
)
def test_what_should_have_come_first(parts: dict[str, Any], sentence: str) -> None:
    """A hold says what was too early, and what it should have waited for."""
    data = rule("hold", scope={"product_class": {"is": "cleaner"}}, forbid={"event": "takeoff"}, **parts)
    assert found(data, tasks=[TREATMENT, WASH], flights=FLIGHTS)["message"].tolist() == [sentence]


@pytest.mark.parametrize(
    ("more", "sentence"),
    [([], "Remarks is held over; none may be recorded."), ([{"lot": {"present": True}}], "Lot is not recorded.")],
)
def test_that_nothing_would_do_as_well_is_said_only_where_nothing_else_would(
    more: list[dict[str, Any]], sentence: str
) -> None:
    """A record may have no remarks, or a lot: whoever lacks the lot is to give it."""
    require = {"any_of": [{"remarks": {"present": False}}, *more]}
    data = rule("record", scope={"product_class": {"is": "cleaner"}}, require=require)
    assert found(data, tasks=[WASH | {"remarks": "held over"}])["message"].tolist() == [sentence]


def test_what_says_nothing_is_told_as_not_recorded() -> None:
    """Of a lot n/a nothing was recorded; a message that would name it stands back where another says enough."""
    require = {"lot": {"present": True, "not": "L1"}, "lot.lot": {"present": True}}
    data = rule("record", scope={"product_class": {"is": "cleaner"}}, require=require)
    tables: dict[str, Any] = {"tasks": [WASH | {"lot": "n/a"}], "lots": []}
    assert found(data, **tables)["message"].tolist() == ["Lot is not recorded. The lot is not listed in lots."]
    message = {"lot.present": "No lot.", "lot.lot": "{lot} is not listed."}
    assert found(data | {"message": message}, **tables)["message"].tolist() == ["No lot."]


def test_a_message_may_name_what_every_finding_has() -> None:
    """The record, its work order, aircraft, station and person, and the flight."""
    message = "{task} {work_order} {aircraft} {station} {person} {flight}"
    data = rule("hold", scope={"product_class": {"is": "cleaner"}}, forbid={"event": "takeoff"}, **{"for": "PT25H"})
    flights = [one | {"flight_id": f"F{number}"} for number, one in enumerate(FLIGHTS, 7)]
    names = {"task_id": "T9", "aircraft": "A1", "station": "S1", "performed_by": "Ann Ek"}
    told = found(data | {"message": message}, tasks=[TREATMENT, WASH | names], flights=flights)
    assert told["message"].tolist() == ["T9 W2 A1 S1 Ann Ek F7."]


@pytest.mark.parametrize(
    ("form", "parts", "sentence"),
    [
        ("interval", {"at_most": {"days": 3}}, "8 days since inspection on 2025-11-10; 3 allowed; 5 over."),
        (
            "hold",
            {"forbid": {"event": "takeoff"}, "for": "PT25H"},
            "Flew 24 h after inspection; 25 h required; 1 h short.",
        ),
        (
            "order",
            {"must_be": "last", "among": {"product": {"present": True}}},
            "cleaner (task T2) used 1 h after inspection, which must come last.",
        ),
    ],
)
def test_work_without_a_product_is_called_what_it_is(form: str, parts: dict[str, Any], sentence: str) -> None:
    """A rule may be about inspections: a sentence that spoke of another treatment would be about something else."""
    inspected = {"action": "inspect", "work_order": "W2", "started_at": "2025-11-10T10:00:00Z"}
    again = inspected | {"work_order": "W3", "started_at": "2025-11-18T09:00:00Z"}
    after = WASH | {"started_at": "2025-11-10T11:00:00Z"}
    data = rule(form, scope={"action": {"is": "inspect"}}, **parts)
    said = found(data, tasks=[inspected, after, again], flights=FLIGHTS[:1])["message"].tolist()
    assert sentence in said


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        ({}, "Flew at most 24 h after the last coat of cleaner; 25 h required; at least 1 h short."),
        ({"work_order": "W3"}, "Flew 24 h after the last coat of cleaner; 25 h required; 1 h short."),
        ({"started_at": "2025-11-10T08:00:00Z"}, "Flew 24 h after the last coat of cleaner; 25 h required; 1 h short."),
    ],
)
@pytest.mark.parametrize("doubt", [{"product": "unheard-of"}, {"action": None}])
def test_a_last_coat_in_doubt(cells: dict[str, Any], sentence: str, doubt: dict[str, Any]) -> None:
    """Where a record that may be the last coat came after the last that surely is one, less may have passed than since
    that; one of another job, or before it, changes nothing."""
    data = rule("hold", scope={"product_class": {"is": "cleaner"}}, forbid={"event": "takeoff"}, **{"for": "PT25H"})
    perhaps = WASH | {"started_at": "2025-11-10T15:00:00Z"} | doubt | cells
    assert found(data, tasks=[WASH, perhaps], flights=FLIGHTS)["message"].iloc[0] == sentence


@pytest.mark.parametrize(
    ("components", "sentences"),
    [
        (
            [{}],
            [
                "Flew 2.25 flight hours in 2 flights in the season, from 2025-10-01 to 2026-04-30, "
                "without an ice-adhesion treatment."
            ],
        ),
        (
            BOOTS,
            [
                "Flew 1 flight hour in 1 flight in the season, from 2025-10-01 to 2025-11-20, "
                "without an ice-adhesion treatment.",
                "Flew 1.25 flight hours in 1 flight in the season, from 2025-11-20 to 2026-04-30, "
                "without an ice-adhesion treatment.",
            ],
        ),
    ],
)
def test_what_was_flown_untreated(components: Any, sentences: list[str]) -> None:
    """A count of sessions says what the boot flew, in which part of the season it was there; each boot its own id."""
    data = rule("count", scope=TREAT, sessions={"at_least": 1}, season=WINTER)
    tasks = [{"action": "inspect", "started_at": "2025-06-02T09:00:00Z"}]
    findings = found(data, tasks=tasks, flights=FLIGHTS, components=components)
    assert findings["message"].tolist() == sentences
    assert findings["finding_id"].is_unique
    assert set(findings["unit"]) == {"treatments"}


def test_treated_but_not_often_enough() -> None:
    """With some sessions, their number stands against the limit."""
    data = rule("count", scope=TREAT, sessions={"at_least": 2}, season=WINTER)
    tasks = [{"action": "inspect", "started_at": "2025-06-02T09:00:00Z"}, TREATMENT]
    (sentence,) = found(data, tasks=tasks, flights=FLIGHTS)["message"]
    assert sentence.endswith("to 2026-04-30, with 1 treatment; at least 2 required.")


def test_none_of_several_treatments_came_before() -> None:
    """Where several treatments would do, the sentence says so, and when the last of them was."""
    prepare = {"action": {"is": "prepare"}}
    data = rule(
        "precede",
        scope={"product_class": {"is": "cleaner"}},
        needs=prepare,
        within="PT1H",
        or_else=[{"needs": TREAT, "within": "PT1H"}],
    )
    sentences = found(data, tasks=[TREATMENT, WASH])["message"].tolist()
    sentences += found(data, tasks=[WASH])["message"].tolist()
    assert sentences == [
        "cleaner requires one of several treatments before it; the last ended 167 h 50 min earlier, too early, or "
        "something came in between that undoes it.",
        "No treatment of this boot that cleaner requires is recorded before it.",
    ]


def test_two_things_and_all_that_they_share_and_differ_in() -> None:
    """Columns are listed in words; what lasts no time overlaps by an instant."""
    data = rule("overlap", between=["tasks", "tasks"], same=["performed_by", "aircraft"], differing=["station", "lot"])
    one = {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z", "lot": "L1"}
    other = one | {"started_at": "2025-06-02T09:15:00Z", "station": "S2", "lot": "L2"}
    (sentence,) = found(data, tasks=[one, other])["message"]
    assert sentence == (
        "Task T1 and task T2 have the same performer and aircraft, another station and lot, and overlap by 45 min."
    )
    (sentence,) = found(data, tasks=[one, other | {"finished_at": "2025-06-02T09:15:00Z"}])["message"]
    assert sentence.endswith(" and overlap by an instant.")


TABLE = {"name": "small", "needs": {"H317": [["gloves", "mitts"]], "H336": [["gloves", "mitts"], ["mask"]]}}


@pytest.mark.parametrize(
    ("worn", "sentence"),
    [
        ("apron", "Lacks `gloves` or `mitts` and `mask` for H317 and H336."),
        ("apron; mitts", "Lacks `mask` for H336."),
        ("gloves; mask", "Lacks `apron` for every product."),
        ("gloves", "Lacks `apron` and `mask` for H336 and every product."),
    ],
)
def test_what_is_lacking_and_which_hazards_ask_for_it(worn: str, sentence: str) -> None:
    """A message names what isn't worn, and the hazards of the product that require it, or that all products do."""
    needed = {"needed_for": "product.hazard_codes", "by": TABLE, "always": ["apron"]}
    data = rule("record", require={"ppe_worn": {"includes_all": needed}})
    data["message"] = {"ppe_worn.includes_all": "Lacks {missing} for {hazards}"}
    products = [{"product": "gel", "product_class": "cleaner", "hazard_codes": "H317; H336"}]
    task = {"product": "gel", "ppe_worn": worn, "started_at": "2025-06-02T09:00:00Z"}
    assert found(data, tasks=[task], products=products)["message"].tolist() == [sentence]


def test_how_much_passed_and_how_much_was_allowed() -> None:
    """A message of an interval may name what passed, the limit, and by how much it was more."""
    data = rule("interval", scope=TREAT, at_most={"flight_hours": 1}, season=WINTER)
    data["message"] = "{measured}, {limit} allowed, {over_by} over"
    assert found(data, tasks=[TREATMENT], flights=FLIGHTS)["message"].tolist() == [
        "2.25 flight hours, 1 allowed, 1.25 over."
    ]


def test_what_is_over_by_less_than_is_written() -> None:
    """No limit is said to be exceeded by 0."""
    data = rule("interval", scope=TREAT, at_most={"flight_hours": 1}, season=WINTER)
    data["message"] = "{over_by}"
    for hours, over in ((1.009, "less than 0.01"), (1.01, "0.01"), (1.02, "0.02")):
        flights = [FLIGHTS[0] | {"flight_hours": hours}]
        assert found(data, tasks=[TREATMENT], flights=flights)["message"].tolist() == [f"{over}."]


def test_a_correction_of_a_record_for_several_boots() -> None:
    """What the correction says comes first, then the position of the first boot that breaks the rule."""
    data = rule("record", of="corrections", require={"component.finish": {"is": "black"}})
    boots = [{"finish": "silver"}, {"component_serial": "C2", "position": "tail", "finish": "silver"}]
    task = {"position": "left wing; tail", "lot": "L2", "started_at": "2025-06-02T09:00:00Z"}
    change = {"column": "lot", "was": "L1", "now": "L2", "made_at": "2025-06-03T09:00:00Z"}
    (sentence,) = found(data, tasks=[task], corrections=[change], components=boots)["message"]
    assert sentence.startswith("Correction K1 of lot, from L1 to L2, at left wing: ")


@pytest.mark.parametrize(
    ("require", "sentence"),
    [
        (
            {"started_at": {"before": "2025-06-01"}},
            "Start of the work is 2025-06-02 09:00 UTC; before 2025-06-01 required.",
        ),
        (
            {"signed_at": {"at_most": {"column": "finished_at"}}},
            "Time of signature is 2025-06-02 11:30 UTC; at most the end of the work (2025-06-02 09:10 UTC) allowed.",
        ),
        (
            {"lot.expires_on": {"at_least": {"column": "work_date"}}},
            "Expiry date of the lot is 2025-06-01; at least the local date of the work (2025-06-02) required.",
        ),
        ({"coats": {"at_most": 2}}, "Number of coats is 3; at most 2 allowed."),
        (
            {"work_minutes": {"at_least": 30, "at_most": 60}},
            "Minutes from start to end of the work is 10 min; at least 30 min required.",
        ),
        (
            {"ambient_c": {"at_least": 10}, "coats": {"at_most": 2}},
            "Ambient temperature, °C is 4.5; at least 10 required. Number of coats is 3; at most 2 allowed.",
        ),
    ],
)
def test_what_is_recorded_and_what_is_required(require: dict[str, Any], sentence: str) -> None:
    """Times, days, numbers and spans each as people read them; of several requirements each is told."""
    task = {"product": "gel", "lot": "L1", "ambient_c": 4.5, "coats": 3}
    task |= {"started_at": "2025-06-02T09:00:00Z", "signed_at": "2025-06-02T11:30:00Z"}
    lots = [{"lot": "L1", "product": "gel", "expires_on": "2025-06-01"}]
    products = [{"product": "gel", "product_class": "cleaner"}]
    findings = found(rule("record", require=require), tasks=[task], lots=lots, products=products)
    assert findings["message"].tolist() == [sentence]


@pytest.mark.parametrize(
    ("column", "operator", "operand", "sentence"),
    [
        ("product", "is", "oil", "oil required"),
        ("product", "not", "gel", "gel not allowed"),
        ("product", "in", ["oil", "wax"], "oil or wax required"),
        ("product", "not_in", ["oil", "gel"], "oil or gel not allowed"),
        ("product", "present", False, "none may be recorded"),
        ("ppe_worn", "includes_all", ["gloves", "mask"], "`mask` missing"),
        ("coats", "at_least", 4, "at least 4 required"),
        ("coats", "at_most", 2, "at most 2 allowed"),
        ("started_at", "before", "2025-06-02", "before 2025-06-02 required"),
        ("started_at", "after", "2025-06-02", "after 2025-06-02 required"),
    ],
)
def test_each_requirement_may_be_told_in_words_of_its_own(
    column: str, operator: str, operand: Any, sentence: str
) -> None:
    """A rule may have a message for each operator of a column; without one the form says it, each in its words."""
    task = {"product": "gel", "coats": 3, "ppe_worn": "gloves", "started_at": "2025-06-02T09:00:00Z"}
    data = rule("record", require={column: {operator: operand}})
    assert sentence in found(data, tasks=[task])["message"].item()
    kind = f"{column}.{operator}"
    assert {column, kind} <= message_kinds(RULES.validate_python(data)).keys()
    for data["message"] in (
        {kind: "In words of its own", column: "x"},
        {column: "In words of its own", "finding": "x"},
    ):
        assert found(data, tasks=[task])["message"].item() == "In words of its own."
