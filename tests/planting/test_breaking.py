"""What a drill writes to break a condition on what a list says."""

from __future__ import annotations

from typing import Any, Literal

import pytest

from audit.authoring.running import timeline_of
from audit.forms import form_of
from audit.forms.judging import every_subject
from audit.language.rule import Example
from audit.planting.planting import Edit, Spot
from tests.forms.rules import RULES, rule

LISTED: dict[str, Any] = {
    "tasks": [
        {"started_at": "2025-06-02T09:00:00Z", "product": "cleaner", "lot": "L1", "manual": "M", "manual_revision": "2"}
    ],
    "products": [
        {"product": "surface-prep", "product_class": "surface-prep", "approval": "yes"},
        {"product": "cleaner", "product_class": "cleaner", "approval": "yes"},
        {"product": "cleaner again", "product_class": "cleaner", "approval": "yes"},
    ],
    "lots": [
        {"lot": "L1", "product": "surface-prep", "expires_on": "2025-01-01"},
        {"lot": "L1", "product": "cleaner", "expires_on": "2025-07-01"},
        {"lot": "L2", "product": "cleaner", "expires_on": "2025-08-01"},
    ],
    "people": [{"person": "P1", "authorisation": "apply; clean", "valid_from": "2025-01-01"}],
    "manuals": [
        {"manual": "M", "revision": "1", "effective_from": "2020-01-01"},
        {"manual": "M", "revision": "2", "effective_from": "2021-01-01"},
        {"manual": "N", "revision": "2", "effective_from": "2022-01-01"},
    ],
}
Side = Literal["outside", "inside"]
DAY = {"column": "work_date"}
NEW = "drill-0"
OF_NEW_PRODUCT = (Edit("tasks", 0, {"product": NEW}), Edit("lots", 1, {"product": NEW}, new=True))


@pytest.mark.parametrize(
    ("require", "edits"),
    [
        pytest.param(
            {"lot.expires_on": {"at_least": DAY}},
            (Edit("lots", 1, {"lot": NEW, "expires_on": "2025-06-01"}, new=True), Edit("tasks", 0, {"lot": NEW})),
            id="lot",
        ),
        pytest.param(
            {"manual.effective_from": {"at_most": DAY}},
            (
                Edit("manuals", 1, {"revision": NEW, "effective_from": "2025-06-03"}, new=True),
                Edit("tasks", 0, {"manual_revision": NEW}),
            ),
            id="manual",
        ),
        pytest.param(
            {"product.approval": {"present": True}},
            (Edit("products", 1, {"product": NEW, "approval": ""}, new=True), *OF_NEW_PRODUCT),
            id="product-and-its-lot",
        ),
        pytest.param(
            {"product_class": {"not": "surface-prep"}},
            (Edit("products", 1, {"product": NEW, "product_class": "surface-prep"}, new=True), *OF_NEW_PRODUCT),
            id="class-of-the-product",
        ),
        pytest.param({"lot.lot": {"present": True}}, (Edit("tasks", 0, {"lot": NEW}),), id="no-such-lot"),
        pytest.param(
            {"manual.revision": {"is": "2"}}, (Edit("tasks", 0, {"manual_revision": NEW}),), id="no-such-revision"
        ),
    ],
)
def test_a_fault_in_a_list_is_a_row_of_its_own(require: dict[str, Any], edits: tuple[Edit, ...]) -> None:
    """The record names a copy of the row that it named, in which one cell is other: what the lists say of other records
    stays. Of what says that something is listed, none is added."""
    assert planted(require, "outside") == edits


def test_a_lot_that_is_not_listed_gets_no_row_with_the_new_product() -> None:
    """What the lists did not say of the record, they do not say of the new product either."""
    listed, named = OF_NEW_PRODUCT[:1], {"lot": "L9"}
    new = Edit("products", 1, {"product": NEW, "approval": ""}, new=True)
    assert planted({"product.approval": {"present": True}}, "outside", **named) == (new, *listed)


def test_what_is_listed_stays_as_it_is_where_that_is_no_fault() -> None:
    """At the limit nothing is written: the record names what is listed already."""
    assert planted({"lot.lot": {"present": True}}, "inside") == ()


@pytest.mark.parametrize(
    ("operator", "side", "held"),
    [
        ("in", "outside", "clean"),
        ("in", "inside", "apply"),
        ("not_in", "outside", "apply"),
        ("not_in", "inside", "clean"),
    ],
)
def test_who_did_the_work_holds_something_else_or_just_what_is_asked(operator: str, side: Side, held: str) -> None:
    """The record keeps what was done: somebody else did it, of whom the list says what they were authorised for."""
    entry = {"person": NEW, "valid_from": "2025-06-02", "valid_to": "", "authorisation": held}
    asked = {"action": {operator: {"column": "performer.authorisation"}}}
    assert planted(asked, side) == (
        Edit("tasks", 0, {"performed_by": NEW}),
        Edit("people", 0, entry, new=True),
    )


def planted(require: dict[str, Any], side: Side, **named: str) -> tuple[Edit, ...]:
    """What is written to plant a fault of a rule about one record, which may name something else."""
    asked = RULES.validate_python(rule("record", scope={}, require=require))
    tables = {**LISTED, "tasks": [row | named for row in LISTED["tasks"]]}
    timeline = timeline_of(Example.model_validate({"name": "n", "expect": "complies", **tables}))
    [case] = every_subject(asked, timeline).to_dict("records")
    edits: tuple[Edit, ...] = form_of(asked).plant(asked, timeline)(Spot(case, side, NEW)).edits  # type: ignore[arg-type]
    return edits
