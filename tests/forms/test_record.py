"""The record form at its limits."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import example_export, example_rows
from audit.authoring.running import timeline_of
from audit.findings.collect import collect
from audit.forms import form_of
from audit.forms.judging import judge_rule, sentences
from audit.intake.reading import read_rows
from audit.language.rule import Example, Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
CHLOROPRENE = rule("record", scope=PRESERVE, require={"component.material": {"is": "chloroprene"}})
UNEXPIRED = rule("record", scope=PRESERVE, require={"lot.expires_on": {"at_least": {"column": "started_at"}}})
TASK = {"product": "rubber-preservative", "started_at": "2025-06-02T09:00:00Z"}
LEFT, RIGHT = {"component_serial": "L"}, {"component_serial": "R", "position": "right wing"}
SOFT = {"material": "polyurethane"}


@pytest.mark.parametrize(
    ("task", "components", "expected"),
    [
        pytest.param({"position": "left wing; right wing"}, [LEFT, RIGHT], "1 complies", id="both"),
        pytest.param({"position": "left wing; right wing"}, [LEFT, RIGHT | SOFT], "1 finding", id="one-of-a-list"),
        pytest.param({"position": "all"}, [LEFT, RIGHT | SOFT], "1 finding", id="one-of-all"),
        pytest.param({"position": "left wing; tail"}, [LEFT], "1 unjudged", id="one-unknown"),
        pytest.param({"position": "left wing; tail"}, [LEFT | SOFT], "1 finding", id="one-fails-one-unknown"),
        pytest.param({"position": None}, [LEFT], "1 unjudged", id="no-position"),
        pytest.param({"position": "all"}, [], "1 unjudged", id="no-history"),
    ],
)
def test_a_record_is_judged_at_each_position(
    task: dict[str, Any], components: list[dict[str, Any]], expected: str
) -> None:
    """A record breaks the rule where one boot does, whatever is unknown of the others."""
    assert verdict(CHLOROPRENE, tasks=[TASK | task], components=components) == expected


@pytest.mark.parametrize(
    ("swap", "expected"),
    [("2025-06-02T09:00:00Z", "1 finding"), ("2025-06-02T09:00:01Z", "1 complies")],
)
def test_the_new_boot_counts_from_its_installation(swap: str, expected: str) -> None:
    """Work that starts as the boots are swapped is work on the new one."""
    boots = [LEFT | {"removed_at": swap}, {"component_serial": "N", "installed_at": swap} | SOFT]
    assert verdict(CHLOROPRENE, tasks=[TASK], components=boots) == expected


def test_two_boots_at_one_position_can_not_be_judged() -> None:
    """Where the history records two boots nobody can tell which was treated."""
    both = [LEFT, {"component_serial": "N", "installed_at": "2025-06-01T00:00:00Z"}]
    assert verdict(CHLOROPRENE, tasks=[TASK], components=both) == "1 unjudged"
    assert verdict(CHLOROPRENE, tasks=[TASK], components=[both[0] | SOFT, both[1]]) == "1 unjudged"


def test_two_boots_at_one_position_that_are_both_wrong() -> None:
    """Whichever of them was treated, it was the wrong one; the fault is told without a figure of either."""
    both = [LEFT | SOFT, {"component_serial": "N", "installed_at": "2025-06-01T00:00:00Z"} | SOFT]
    tasks = [TASK, TASK | {"position": "right wing; left wing"}]
    found = outcomes(CHLOROPRENE, tasks=tasks, components=[*both, RIGHT]).cases
    assert found["finding"].tolist() == [True, True]
    assert found["detail"].tolist() == ["left wing", "left wing"]


def test_presence_is_judged_where_a_value_is_missing() -> None:
    """A blank cell breaks `present`; a table that isn't there leaves it open."""
    approved = rule("record", scope={"product": {"present": True}}, require={"product.approval": {"present": True}})
    unlisted = [{"product": "rubber-preservative", "product_class": "rubber-preservative"}]
    assert verdict(approved, tasks=[TASK], products=unlisted) == "1 finding"
    assert verdict(approved, tasks=[TASK], products=[]) == "1 finding"
    assert verdict(approved, tasks=[TASK], not_supplied=["products"]) == "1 unjudged"


def test_one_broken_requirement_is_enough() -> None:
    """A requirement that fails makes a finding, though another can't be judged."""
    both = rule("record", scope=PRESERVE, require={"performed_by": {"present": True}, "ambient_c": {"at_least": 10}})
    assert verdict(both, tasks=[TASK | {"performed_by": None}]) == "1 finding"
    assert verdict(both, tasks=[TASK]) == "1 unjudged"


def test_an_undecided_scope_is_never_a_pass() -> None:
    """A record that may be in scope is unjudged, though it meets the requirement."""
    assert verdict(CHLOROPRENE, tasks=[TASK | {"product": "unheard-of"}]) == "1 unjudged"
    assert verdict(CHLOROPRENE, tasks=[TASK | {"product": "unheard-of", "action": "clean"}]) == "idle"


@pytest.mark.parametrize(
    ("station", "started", "expected"),
    [
        pytest.param("S1", "2025-06-02T23:59:59Z", "1 complies", id="the-last-day-included"),
        pytest.param("S1", "2025-06-03T00:00:00Z", "1 finding", id="the-day-after"),
        pytest.param("S2", "2025-06-02T22:00:00Z", "1 finding", id="the-day-after-by-the-clock-of-the-station"),
        pytest.param("S3", "2025-06-03T03:59:59Z", "1 complies", id="the-last-day-by-the-clock-of-the-station"),
    ],
)
def test_days_are_those_of_the_station(station: str, started: str, expected: str) -> None:
    """A time meets a date by the calendar of the place where the work was done."""
    lots = [{"lot": "L1", "product": "rubber-preservative", "expires_on": "2025-06-02"}]
    task = TASK | {"station": station, "started_at": started, "lot": "L1"}
    assert verdict(UNEXPIRED, tasks=[task], lots=lots) == expected
    literal = rule("record", scope=PRESERVE, require={"started_at": {"before": "2025-06-03"}})
    assert verdict(literal, tasks=[task]) == expected


def test_the_day_of_an_installation_is_utc() -> None:
    """The component history is kept in UTC, wherever the work on a boot is done."""
    fresh = rule("record", scope=PRESERVE, require={"component.installed_at": {"after": "2025-06-01"}})
    boots = [{"installed_at": "2025-06-01T23:00:00Z"}]
    assert verdict(fresh, tasks=[TASK | {"station": "S2"}], components=boots) == "1 finding"


def test_an_empty_history_knows_no_boot() -> None:
    """A component history without rows has no boot: nothing to judge, and no error."""
    assert verdict(CHLOROPRENE, tasks=[TASK], components=[]) == "1 unjudged"


PEOPLE = [
    {"person": "P1", "authorisation": "certifying", "valid_from": "2025-01-01"}
    | {"certificate_number": number, "certificate_kind": kind}
    for number, kind in (("7", "airframe"), ("8", "repairman"))
]
LISTED = rule("record", require={"certificate": {"in": {"column": "certifier.certificates"}}})
UNLISTED = rule("record", require={"certificate": {"not_in": {"column": "certifier.certificates"}}})


@pytest.mark.parametrize(
    ("number", "kind", "expected", "turned"),
    [
        pytest.param("7", "airframe", "1 complies", "1 finding", id="the-first-of-the-list"),
        pytest.param("8", "repairman", "1 complies", "1 finding", id="the-second-of-the-list"),
        pytest.param("8", "airframe", "1 finding", "1 complies", id="number-of-one-and-kind-of-another"),
        pytest.param("7 (airframe); 8", "repairman", "1 unjudged", "1 unjudged", id="several-in-one-cell"),
        pytest.param("7", None, "1 unjudged", "1 unjudged", id="no-kind-recorded"),
    ],
)  # fmt: skip
def test_a_value_is_looked_for_in_a_list(number: str, kind: str | None, expected: str, turned: str) -> None:
    """Of a list of several that are valid that day each counts, as a whole."""
    task = TASK | {"certified_by": "P1", "certificate_number": number, "certificate_kind": kind}
    people = [{**PEOPLE[0], "authorisation": "boots"}, *PEOPLE[1:]]
    assert verdict(LISTED, tasks=[task], people=people) == expected
    assert verdict(UNLISTED, tasks=[task], people=people) == turned


def test_an_unknown_list_holds_nobody_knows_what() -> None:
    """Who isn't listed has no list: neither in it nor not in it."""
    task = TASK | {"certified_by": "P9", "certificate_number": "7", "certificate_kind": "airframe"}
    for data in (LISTED, UNLISTED):
        found = outcomes(data, tasks=[task], people=PEOPLE)
        assert found.cases["reason"].tolist() == ["certified_by holds nothing valid on that day"]
        assert outcomes(data, tasks=[task]).cases["reason"].tolist() == ["table not supplied: people"]


TABLE = {"name": "small", "needs": {"H317": [["gloves"]], "H314": [["gloves", "clothing"], ["goggles"]], "H336": []}}
WORN = rule(
    "record",
    require={"ppe_worn": {"includes_all": {"needed_for": "product.hazard_codes", "by": TABLE, "always": ["mask"]}}},
)


@pytest.mark.parametrize(
    ("worn", "hazards", "expected"),
    [
        ("mask; gloves", "H317", "complies"),
        ("mask", "H317", "finding"),
        ("gloves", "H317", "finding"),
        ("mask; goggles; clothing", "H314", "complies"),
        ("mask; gloves; clothing", "H314", "finding"),
        ("mask", "H336", "complies"),
        ("mask", "H336; H999", "H999 is not in the table small"),
        ("mask", "H999;H317", "finding"),
        ("gloves", "H999", "finding"),
        ("mask", None, "value missing: product.hazard_codes"),
        ("gloves", None, "finding"),
        (None, "H317", "value missing: ppe_worn"),
        (None, "H999", "value missing: ppe_worn"),
        ("mask; glo-ves", "H317", "ppe_worn has what is required, written otherwise"),
    ],
)
def test_what_hazards_ask_for_must_be_worn(worn: str | None, hazards: str | None, expected: str) -> None:
    """What is surely lacking is a finding whatever else is unknown; a code that the table lacks is named."""
    products = [{"product": "gel", "product_class": "cleaner", "hazard_codes": hazards}]
    # A second record of another product, so that reasons are told apart by record.
    products.append({"product": "oil", "product_class": "cleaner", "hazard_codes": "H888"})
    tasks = [TASK | {"product": "oil", "ppe_worn": "mask"}, TASK | {"product": "gel", "ppe_worn": worn}]
    found = outcomes(WORN, tasks=tasks, products=products).cases
    assert found.loc[found["task"] == 0, "reason"].tolist() == ["H888 is not in the table small"]
    ours = found[found["task"] == 1]
    said = "complies" if ours.empty else "finding" if ours["finding"].item() else ours["reason"].item()
    assert said == expected


def test_a_product_that_is_not_listed_has_unknown_hazards() -> None:
    """The reason is that of the product."""
    found = outcomes(WORN, tasks=[TASK | {"product": "unheard-of", "ppe_worn": "mask"}]).cases
    assert found["reason"].tolist() == ["product not listed in products"]


def test_a_correction_happens_when_it_is_made() -> None:
    """Corrections are judged by their own time, beside what the record says; later ones are not there yet."""
    signed = rule(
        "record", of="corrections", scope={"lot": {"is": "L2"}}, require={"correction.signed_by": {"is": "P9"}}
    )
    made = [
        {"column": "lot", "was": "L1", "now": "L2", "made_at": "2025-06-03T09:00:00Z"},
        {"column": "coat", "was": "1", "now": "2", "made_at": "2025-06-05T09:00:00Z"},
    ]
    export = {"tasks": [TASK | {"lot": "L2", "coat": 2}], "corrections": made}
    found = outcomes(signed, **export)
    assert pd.to_datetime(found.cases["at"], unit="us", utc=True).astype("str").tolist() == [
        "2025-06-03 09:00:00+00:00",
        "2025-06-05 09:00:00+00:00",
    ]
    assert verdict(signed, "2025-06-05T08:59:59Z", **export) == "1 finding"
    assert verdict(signed, "2025-06-05T09:00:00Z", **export) == "2 finding"
    assert verdict(signed, tasks=[TASK]) == "idle"


@pytest.mark.parametrize(
    ("require", "table"),
    [
        pytest.param({"lot.expires_on": {"at_least": {"column": "work_date"}}}, "lots", id="a-day-with-a-day"),
        pytest.param({"lot.expires_on": {"after": "2025-06-01"}}, "lots", id="a-day-with-a-literal"),
        pytest.param(
            {"manual.effective_from": {"at_most": {"column": "started_at"}}}, "manuals", id="a-day-with-a-time"
        ),
        pytest.param({"component.installed_at": {"before": {"column": "started_at"}}}, "components", id="times"),
        pytest.param({"product.approval": {"is": "yes"}}, "products", id="text"),
    ],
)
def test_a_list_without_rows_leaves_what_it_would_say_unjudged(require: dict[str, Any], table: str) -> None:
    """Whatever kind of value it is compared with; nothing is listed, and that is no error."""
    asked = rule("record", scope={"action": {"is": "apply"}}, require=require)
    task = TASK | {"lot": "L1", "manual": "M", "manual_revision": "1"}
    assert verdict(asked, tasks=[task], **{table: []}) == "1 unjudged"


@pytest.mark.parametrize(
    ("require", "figures"),
    [
        (
            {"signed_after_minutes": {"at_least": 0, "at_most": 1440}},
            {
                "signed_after_minutes.at_least": "0 minutes",
                "signed_after_minutes.at_most": "24 hours",
                "limit": "0 minutes to 24 hours",
            },
        ),
        ({"ambient_c": {"at_least": 9.5}}, {"ambient_c.at_least": "9.5", "limit": "9.5"}),
        (
            {"ambient_c": {"at_least": 10}, "work_minutes": {"at_most": 90}},
            {"ambient_c.at_least": "10", "work_minutes.at_most": "1 hour 30 minutes"},
        ),
    ],
)
def test_a_rule_tells_the_numbers_that_it_requires(require: dict[str, Any], figures: dict[str, str]) -> None:
    """Minutes as a time; as `limit` where they are all of one column."""
    asked = RULES.validate_python(rule("record", require=require))
    assert form_of(asked).figures(asked) == figures


def message(asked: Rule, task: dict[str, Any], **tables: Any) -> str:
    """What the one finding of a rule about a record says."""
    timeline = timeline_of(Example.model_validate({"name": "n", "expect": "finding", "tasks": [task], **tables}))
    [said] = collect([(asked, judge_rule(asked, timeline))], timeline).findings["message"]
    return str(said)


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        ({"in": ["L1", "L2"], "not": "L3"}, "L3 not allowed and L1 or L2 required"),
        ({"in": ["L1", "L2"], "not": "L4"}, "L1 or L2 required."),
    ],
)
def test_what_was_asked_of_a_record_in_words(condition: dict[str, Any], said: str) -> None:
    """Both demands, where it fails two."""
    asked = rule("record", scope={"action": {"is": "apply"}}, require={"lot": condition})
    assert said in message(RULES.validate_python(asked), TASK | {"lot": "L3"})


@pytest.mark.parametrize(
    ("require", "more", "said"),
    [
        pytest.param(
            {"signed_after_minutes": {"at_least": 0}},
            {"signed_at": "2025-06-02T08:00:00Z", "finished_at": "2025-06-02T09:30:00Z"},
            "is before, not after: 1 h 30 min;",
            id="a-time-before",
        ),
        pytest.param({"ambient_c": {"at_least": 0}}, {"ambient_c": "-5"}, "is -5;", id="a-number-below-nothing"),
    ],
)
def test_what_is_below_nothing_in_words(require: dict[str, Any], more: dict[str, Any], said: str) -> None:
    assert said in message(RULES.validate_python(rule("record", require=require)), TASK | more)


def test_equipment_that_two_hazards_ask_for_in_words() -> None:
    """Both are named."""
    [asked] = (one for one in load_rules(rules_folder()).rules if one.id == "ppe-short-of-hazards")
    products = [{"product": "wash", "product_class": "cleaner", "hazard_codes": "H319; H318"}]
    said = message(asked, TASK | {"product": "wash", "ppe_worn": "chemical-gloves"}, products=products)
    assert said == "`eye-protection` not recorded as worn with wash; required for H319 and H318."


def reasons(data: dict[str, Any], table: str, row: dict[str, str], **tables: Any) -> list[str]:
    """Why the records of an export are unjudged, blank for a finding, once a row of a table says this too."""
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    rows = {name: [dict(one) for one in its] for name, its in example_rows(example).items()}
    rows[table][-1] |= row
    cases = judge_rule(RULES.validate_python(data), build_timeline(read_rows(rows))).cases
    return [str(reason) for reason in cases["reason"]]


def test_an_unreadable_cell_is_no_blank_beside_a_correction_either() -> None:
    """What a corrected record says illegibly is not known to be missing."""
    made = [{"column": "lot", "was": "L1", "now": "L2", "made_at": "2025-06-03T09:00:00Z"}]
    measured = rule("record", of="corrections", require={"ambient_c": {"present": True}})
    export = {"tasks": [TASK | {"lot": "L2"}], "corrections": made}
    assert reasons(measured, "tasks", {"ambient_c": ""}, **export) == [""]
    assert reasons(measured, "tasks", {"ambient_c": "warm"}, **export) == ["can't be read: ambient_c"]
    second = {"tasks": [TASK, TASK | {"lot": "L2"}], "corrections": [made[0] | {"task_id": "T2"}]}
    assert reasons(measured, "tasks", {"ambient_c": "warm"}, **second) == ["can't be read: ambient_c"]


def test_what_a_list_lacks_whenever_its_entries_ended_is_lacking() -> None:
    """Beside a record of which nobody knows who did it."""
    asked = rule("record", require={"performer.authorisation": {"includes_all": ["boots"]}})
    people = [{"person": "P1", "authorisation": "wash", "valid_from": "2025-01-01", "valid_to": "?"}]
    made = {"task_id": "T2", "column": "performed_by", "was": "P8", "now": "P9", "made_at": "2025-06-03T09:00:00Z"}
    found = outcomes(asked, tasks=[TASK, TASK | {"work_order": "W2"}], people=people, corrections=[made]).cases
    assert found["finding"].tolist() == [True, False]


def test_of_a_record_in_quarantine_a_correction_still_tells_what_it_says_itself() -> None:
    """What the record lacks may stand in a cell that can't be read; what the correction lacks is lacking."""
    made = {"column": "coat", "was": "1", "now": "2", "made_at": "2025-06-03T09:00:00Z"}
    export = {
        "tasks": [TASK | {"lot": "L1", "coat": 2}, TASK | {"coat": 2, "product": "cleaner"}],
        "corrections": [made, made | {"task_id": "T2", "reason": None}],
    }
    for column, said in (("lot", "can't be read: lot"), ("correction.reason", "")):
        asked = rule("record", of="corrections", require={column: {"present": True}})
        assert reasons(asked, "tasks", {"finished_at": "?"}, **export) == [said]
        assert reasons(asked, "tasks", {}, **export) == [""]


def test_whether_a_record_with_an_unreadable_status_counts_is_not_known() -> None:
    """It may be closed, open or void: its coat may be the second, or none."""
    data = rule("count", scope=PRESERVE, coats={"at_least": 2})
    coats = [TASK | {"coat": 1}, TASK | {"coat": 2, "started_at": "2025-06-02T10:00:00Z"}]
    assert reasons(data, "tasks", {"status": "closed"}, tasks=coats) == []
    assert reasons(data, "tasks", {"status": "?"}, tasks=coats) == ["can't be read: status"]


@pytest.mark.parametrize(
    ("boot", "expected"),
    [
        pytest.param({"aircraft": ""}, 2, id="of-any-aircraft"),
        pytest.param({"aircraft": "A9", "material": ""}, 0, id="of-an-aircraft-that-nobody-else-names"),
        pytest.param({"aircraft": "A-1", "material": ""}, 1, id="of-one-of-nearly-its-name"),
        pytest.param({"material": ""}, 1, id="of-one"),
    ],
)
def test_a_boot_in_quarantine_may_be_on_the_aircraft(boot: dict[str, str], expected: int) -> None:
    """A row that doesn't tell its aircraft may be of each; at its position two boots may be recorded."""
    boots = [{}, {"aircraft": "A2", "component_serial": "C2"}, {"component_serial": "C3"}]
    tasks = [TASK, TASK | {"aircraft": "A2", "work_order": "W2"}]
    found = reasons(CHLOROPRENE, "components", boot, tasks=tasks, components=boots)
    assert len(found) == expected
    assert all("boot" in reason for reason in found), found


def test_alternatives_of_alternatives_are_told_by_the_title() -> None:
    """Which of them should have been met no sentence can say: the rule's title says what is wrong."""
    either = {"any_of": [{"coat": {"is": 1}}, {"coat": {"is": 2}}]}
    data = rule("record", require={"any_of": [either, {"any_of": [{"coats": {"is": 3}}]}]})
    asked = RULES.validate_python(data)
    example = Example.model_validate({"name": "n", "expect": "finding", "tasks": [TASK | {"coat": 4, "coats": 4}]})
    timeline = build_timeline(example_export(example))
    assert sentences(asked, judge_rule(asked, timeline).cases, timeline) == ["t."]
