"""What a record is joined with: its product, lot, manual and people, and why a value of theirs isn't known."""

from __future__ import annotations

from typing import Any

import pytest

from audit.authoring.examples import example_rows
from audit.forms.judging import judge_rule
from audit.intake.reading import read_rows
from audit.language.rule import Example
from audit.timeline import lists
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule

TASK = {"product": "gloss-coating", "started_at": "2025-06-02T09:00:00Z"}
GEL = {"product": "gel", "product_class": "cleaner", "approval": "A-1"}
PRODUCTS = [{"product": "gloss-coating", "product_class": "gloss-coating", "approval": "A-1"}, GEL]
LOTS = [
    {"lot": "L-1", "product": "gel", "opened_on": "2025-01-01"},
    {"lot": "L-1", "product": "gloss-coating", "opened_on": "2025-05-01"},
    {"lot": "L-2", "product": "gloss-coating"},
    {"lot": "L-3", "product": "gel", "opened_on": "2025-01-01"},
]
MANUALS = [
    {"manual": "CARE", "revision": "1", "effective_from": "2024-01-01", "superseded_on": "2025-01-01"},
    {"manual": "CARE", "revision": "2-A", "effective_from": "2025-01-01"},
]
PEOPLE = [
    {"person": "Ann Lee", "authorisation": "boots", "valid_from": "2025-06-02", "valid_to": "2025-06-30"},
    {"person": "Bo Dahl", "authorisation": "boots", "valid_from": "2025-06-03", "valid_to": "2025-06-30"},
    {"person": "Cy Moss", "authorisation": "boots", "valid_from": "2025-05-01", "valid_to": "2025-06-01"},
    {"person": "Di Fox", "authorisation": "paint", "valid_from": "2025-05-01", "valid_to": "2025-06-02"},
    {"person": "Di Fox", "authorisation": "boots", "valid_from": "2025-06-02"},
]
TABLES = {"products": PRODUCTS, "lots": LOTS, "manuals": MANUALS, "people": PEOPLE}
OPENED = {"lot.opened_on": {"at_least": "2025-02-01"}}
REVISED = {"manual.effective_from": {"at_least": "2025-01-01"}}
APPROVED = {"product.approval": {"is": "A-1"}}
AUTHORISED = {"performer.authorisation": {"includes_all": ["boots"]}}
IN_CARE = {"manual": "CARE"}
SEVERAL = "one cell names several"
NEARLY = "is not listed, but one of nearly the same name is in"


@pytest.mark.parametrize("largest", [pytest.param(None, id="looked-up"), pytest.param(0, id="searched")])
@pytest.mark.parametrize(
    ("require", "task", "expected"),
    [
        (OPENED, {"lot": "L-1"}, "complies"),
        (OPENED, {"lot": "L-1", "product": "gel"}, "finding"),
        (OPENED, {"lot": "L-2"}, "value missing: lot.opened_on"),
        (OPENED, {"lot": "L-3"}, "lot not listed in lots"),
        (OPENED, {"lot": "L-9"}, "lot not listed in lots"),
        (OPENED, {"lot": "L1"}, f"lot {NEARLY} lots"),
        (OPENED, {"lot": "L-1; L-2"}, f"{SEVERAL}: lot or product"),
        (OPENED, {"lot": "L-9; L-1"}, f"{SEVERAL}: lot or product"),
        (OPENED, {"lot": "L-1/L-2"}, f"{SEVERAL}: lot or product"),
        (OPENED, {"lot": "L-1/9"}, "lot not listed in lots"),
        (OPENED, {"lot": "L-8; L-9"}, "lot not listed in lots"),
        (OPENED, {"lot": "L-1", "product": "gel; gloss-coating"}, f"{SEVERAL}: lot or product"),
        (OPENED, {}, "value missing: lot"),
        (OPENED, {"lot": "L-1", "product": None}, "value missing: product"),
        (REVISED, {**IN_CARE, "manual_revision": "1"}, "finding"),
        (REVISED, {**IN_CARE, "manual_revision": "2-A"}, "complies"),
        (REVISED, {"manual": "C-ARE", "manual_revision": "2-A"}, f"manual revision {NEARLY} manuals"),
        (REVISED, {**IN_CARE, "manual_revision": "2A"}, f"manual revision {NEARLY} manuals"),
        (REVISED, {**IN_CARE, "manual_revision": "3"}, "manual revision not listed in manuals"),
        (REVISED, {"manual": "OTHER", "manual_revision": "1"}, "manual revision not listed in manuals"),
        (REVISED, {"manual": "CARE", "manual_revision": "1; 2-A"}, f"{SEVERAL}: manual or manual_revision"),
        (REVISED, IN_CARE, "value missing: manual_revision"),
        (APPROVED, {}, "complies"),
        (APPROVED, {"product": "glosscoating"}, f"product {NEARLY} products"),
        (APPROVED, {"product": "gel + gloss-coating"}, f"{SEVERAL}: product"),
        (APPROVED, {"product": "oil"}, "product not listed in products"),
        (AUTHORISED, {"performed_by": "Ann Lee"}, "complies"),
        (AUTHORISED, {"performed_by": "Di Fox"}, "complies"),
        (AUTHORISED, {"performed_by": "Bo Dahl"}, "performed_by holds nothing valid on that day"),
        (AUTHORISED, {"performed_by": "Cy Moss"}, "performed_by holds nothing valid on that day"),
        (AUTHORISED, {"performed_by": "Ann-Lee"}, f"performed_by {NEARLY} people"),
        (AUTHORISED, {"performed_by": None}, "value missing: performed_by"),
        (AUTHORISED, {"performed_by": "Ann Lee; Di Fox"}, "performed_by names several people"),
    ],
)
def test_a_record_is_joined_by_all_that_it_names(
    require: dict[str, Any],
    task: dict[str, Any],
    expected: str,
    largest: int | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The value is that of the row with all the names of the record, however many names there are; else it is said why
    there is none."""
    if largest is not None:
        monkeypatch.setattr(lists, "_LARGEST_LOOKUP", largest)
    # Another record first, so that what is told of one is not told of the other.
    tasks = [TASK | {"lot": "L-1", "manual": "CARE", "manual_revision": "2-A", "performed_by": "Ann Lee"}, TASK | task]
    cases = outcomes(rule("record", require=require), tasks=tasks, **TABLES).cases
    told = {case["task"]: "finding" if case["finding"] else case["reason"] for case in cases.to_dict("records")}
    assert told.pop(1, "complies") == expected
    assert told == {}


@pytest.mark.parametrize(
    ("require", "table"), [(OPENED, "lots"), (REVISED, "manuals"), (APPROVED, "products"), (AUTHORISED, "people")]
)
def test_a_list_that_was_not_exported(require: dict[str, Any], table: str) -> None:
    """Nothing is known of what would stand in it, and that is the reason; nor of what a list without rows lacks."""
    task = TASK | {"lot": "L-1", "manual": "CARE", "manual_revision": "2-A", "performed_by": "Ann Lee"}
    tables = {name: rows for name, rows in TABLES.items() if name != table}
    missing = {"not_supplied": ["products"]} if table == "products" else {}
    found = outcomes(rule("record", require=require), tasks=[task], **tables, **missing).cases
    assert found["reason"].tolist() == [f"table not supplied: {table}"]
    empty = outcomes(rule("record", require=require), tasks=[task], **tables, **{table: []}).cases
    what = {"lots": "lot", "manuals": "manual revision", "products": "product"}
    told = f"{what[table]} not listed in {table}" if table in what else "performed_by holds nothing valid on that day"
    assert empty["reason"].tolist() == [told]


@pytest.mark.parametrize(
    "require",
    [
        pytest.param(AUTHORISED, id="includes"),
        pytest.param({"action": {"in": {"column": "performer.authorisation"}}}, id="is-included"),
        pytest.param({"performer.authorisation": {"present": True}}, id="present"),
    ],
)
def test_without_the_last_day_nobody_knows_what_was_still_held(require: dict[str, Any]) -> None:
    """What had begun may have ended; what was never held is lacking all the same."""
    people = [PEOPLE[0], *PEOPLE[3:], {"person": "Ann Lee", "authorisation": "apply", "valid_from": "2020-01-01"}]
    example = Example.model_validate({"name": "n", "expect": "complies", **TABLES, "people": people})
    tasks = tuple(TASK | {"performed_by": one} for one in ("Ann Lee", "Nobody Known"))
    rows = example_rows(example.model_copy(update={"tasks": tasks}))
    rows["people"] = [{name: cell for name, cell in row.items() if name != "valid_to"} for row in rows["people"]]
    cases = judge_rule(RULES.validate_python(rule("record", require=require)), build_timeline(read_rows(rows))).cases
    told = {case["task"]: "finding" if case["finding"] else case["reason"] for case in cases.to_dict("records")}
    nothing = "finding" if "present" in str(require) else "performed_by holds nothing valid on that day"
    assert told == {0: "column not supplied: people.valid_to", 1: nothing}


def test_what_was_never_held_is_lacking_whenever_the_rest_ended() -> None:
    """Without the last day of validity, too, who has only another authorisation lacks the required one."""
    example = Example.model_validate({"name": "n", "expect": "complies", **TABLES, "people": PEOPLE[3:4]})
    rows = example_rows(example.model_copy(update={"tasks": (TASK | {"performed_by": "Di Fox"},)}))
    rows["people"] = [{name: cell for name, cell in row.items() if name != "valid_to"} for row in rows["people"]]
    timeline = build_timeline(read_rows(rows))
    assert judge_rule(RULES.validate_python(rule("record", require=AUTHORISED)), timeline).findings == 1
