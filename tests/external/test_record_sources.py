"""The published sources of the rules about records, against the rule files that ship."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from audit.authoring.examples import example_export
from audit.authoring.explaining import LEVEL_MEANS
from audit.authoring.running import verdict, verdict_on
from audit.language.protection import read_table
from audit.language.rule import LEVELS, Example
from audit.rulebook.in_force import cited
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline

RULES = {rule.id: rule for rule in load_rules(rules_folder()).rules}
CONTENT = {rule.id for rule in load_rules(rules_folder() / "record-content").rules}
IMPOSSIBLE = {rule.id for rule in load_rules(rules_folder() / "impossible-records").rules}
WHOLE: dict[str, Any] = {
    "action": "inspect",
    "description": "boots looked over, inflation checked",
    "manual": "BOOT-CARE",
    "manual_revision": "5",
    "started_at": "2025-06-02T09:00:00Z",
    "finished_at": "2025-06-02T10:00:00Z",
    "performed_by": "P1",
    "certified_by": "P2",
    "certificate_number": "71",
    "certificate_kind": "airframe",
    "signed_at": "2025-06-02T10:10:00Z",
    "component_serial": "C1",
}
PEOPLE = [
    {"person": "P1", "authorisation": "boot-care", "valid_from": "2025-01-01"},
    {"person": "P2", "authorisation": "certifying", "valid_from": "2025-01-01"}
    | {"certificate_number": "71", "certificate_kind": "airframe"},
]
MANUALS = [{"manual": "BOOT-CARE", "revision": "5", "effective_from": "2025-01-01"}]


def broken_by(**cells: Any) -> set[str]:
    """The rules about a record's content that the whole entry breaks with these cells changed."""
    lists = {"people": PEOPLE, "manuals": MANUALS, "flights": [], "lots": []}
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": [WHOLE | cells], **lists})
    return {name for name in CONTENT if verdict(RULES[name], example) == "finding"}


@pytest.mark.parametrize(
    ("item", "left_out", "rules"),
    [
        ("", [], set()),
        ("(a)(1)", ["description"], set()),
        ("(a)(1)", ["description", "manual", "manual_revision"], {"work-not-described", "manual-not-cited"}),
        ("(a)(3)", ["performed_by"], {"performer-not-named"}),
        ("(a)(4)", ["signed_at"], {"signature-missing"}),
        ("(a)(4)", ["certificate_number"], {"certificate-missing"}),
        ("(a)(4)", ["certificate_kind"], {"certificate-missing"}),
        ("(a)(4)", ["certified_by"], {"certifier-not-named"}),
    ],
)
def test_each_item_of_an_entry_is_asked_for(item: str, left_out: list[str], rules: set[str]) -> None:
    """14 CFR 43.9(a) (second-hand; item 3 memory): a description of the work or a reference to data; the performer's
    name; signature, certificate number and kind of the approver. An entry without one breaks the rule that cites the
    item, and no other."""
    assert broken_by(**dict.fromkeys(left_out)) == rules
    for name in rules - {"manual-not-cited"}:
        assert ("14 CFR 43.9", item) in [(basis.source, basis.section) for basis in RULES[name].basis]


def test_an_entry_without_its_date_of_completion_is_set_aside() -> None:
    """14 CFR 43.9(a)(2) (second-hand): the date of completion; without one a record is quarantined and no rule sees
    it."""
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": [WHOLE | {"finished_at": ""}]})
    export = example_export(example)
    assert export.rejects[["table", "column", "reason"]].values.tolist() == [
        ["tasks", "finished_at", "required, but blank"]
    ]
    timeline = build_timeline(export)
    assert {verdict_on(RULES[name], timeline) for name in CONTENT} == {"out-of-scope"}


def test_falsification_is_cited_as_it_was_in_force() -> None:
    """90 FR 42517 (seen): the rule of 14 CFR 43.12 stands in 14 CFR part 3 subpart D from 3 November 2025."""
    for name in IMPOSSIBLE:
        assert cited(RULES[name].basis, date(2025, 11, 2)).startswith("14 CFR 43.12")
        assert cited(RULES[name].basis, date(2025, 11, 3)) == "14 CFR part 3, subpart D"


# Each row as published: what must be worn, one of the pieces in brackets being enough.
GLOVES, EYES = ("chemical-gloves",), ("eye-protection",)
EITHER = ("chemical-gloves", "protective-clothing")
PUBLISHED = {
    "H225 H226": {GLOVES, EYES},
    "H312": {EITHER},
    "H314": {EITHER, EYES},
    "H315 H317": {GLOVES},
    "H318 H319": {EYES},
    "H302 H304 H332 H335 H336": set(),
}


def test_hazards_ask_for_the_published_equipment() -> None:
    """UN GHS Annex 3, CLP Annex IV, P280 (which statements carry it seen for most, the item from memory): the table has
    these statements and no others, each with these items."""
    table = read_table((rules_folder() / "tables" / "hazard-protection.yaml").read_bytes(), "table")
    found = {
        code: {(one,) if isinstance(one, str) else one.any_of for one in asked} for code, asked in table.needs.items()
    }
    assert found == {code: items for codes, items in PUBLISHED.items() for code in codes.split()}


@pytest.mark.parametrize(
    ("code", "worn", "expected"),
    [
        (code, "; ".join(one for one in ("chemical-gloves", "eye-protection") if one != left_out), "finding")
        for codes, items in PUBLISHED.items()
        for code in codes.split()
        for left_out in ("chemical-gloves", "eye-protection")
        if any(left_out in choice for choice in items)
    ]
    + [(code, "chemical-gloves; eye-protection", "complies") for codes in PUBLISHED for code in codes.split()],
)
def test_what_a_hazard_asks_for_must_be_worn(code: str, worn: str, expected: str) -> None:
    """The same table through the rule file that ships: nothing that a statement asks for may be left off, and gloves
    with eye protection answer every one of them."""
    task = {"product": "gel", "started_at": "2025-06-02T09:00:00Z", "ppe_worn": worn}
    product = {"product": "gel", "product_class": "other", "hazard_codes": code}
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": [task], "products": [product]})
    assert verdict(RULES["ppe-short-of-hazards"], example) == expected


def test_levels_mean_what_the_regulator_says() -> None:
    """EASA 145.B.350, M.B.605 (seen): level 1 lowers safety and seriously endangers flight, level 2 is any other
    non-compliance; an observation is neither."""
    assert LEVELS == ("1", "2", "observation")
    assert "lowers safety" in LEVEL_MEANS["1"]
    assert "endanger flight" in LEVEL_MEANS["1"]
    assert LEVEL_MEANS["2"] == "any other non-compliance"
    assert "no non-compliance" in LEVEL_MEANS["observation"]
