"""Ordinary export faults: none of them turns a finding into a pass, or makes one of what complied."""

from __future__ import annotations

import pytest

from audit.errors import AuditError
from audit.intake.reading import read_rows
from tests.faults.clean_export import clean_tables
from tests.faults.judged import Judged, changes, judged, touched
from tests.faults.table import FAULTS, Fault

UNSOUND = {"finding to complies", "finding to nothing", "complies to finding", "nothing to finding"}
"""A silent pass, a finding that is no more, and two kinds of findings of what was in order."""


@pytest.fixture(scope="module")
def clean() -> Judged:
    """The clean export, judged by all rules."""
    return judged(read_rows(clean_tables()))


def test_the_clean_export(clean: Judged) -> None:
    """Nothing is told of it and nothing in doubt; the planted findings are found, and most of it complies."""
    assert clean.told == ()
    found = {outcome: {rule for (rule, _), now in clean.outcomes.items() if now == outcome} for outcome in OUTCOMES}
    assert found["unjudged"] == set()
    assert found["finding"] == PLANTED
    assert found["complies"] > PLANTED


OUTCOMES = ("complies", "finding", "unjudged")
PLANTED = {
    "certifier-not-authorised",
    "flight-before-cure",
    "ice-adhesion-treatment-covered",
    "ice-adhesion-treatment-not-last",
    "ice-adhesion-treatment-overdue",
    "lot-expired",
    "manual-not-in-force",
    "person-at-two-aircraft",
    "person-at-two-stations",
    "ppe-sign-off-missing",
    "preservative-coats-badly-spaced",
    "preservative-coats-wrong",
    "preservative-on-wrong-material",
    "work-while-airborne",
}


def _case(fault: Fault) -> object:
    gap = [pytest.mark.xfail(strict=True, raises=AssertionError, reason=fault.known_gap)] if fault.known_gap else []
    return pytest.param(fault, id=fault.id, marks=gap)


@pytest.mark.parametrize("fault", [_case(fault) for fault in FAULTS])
def test_a_fault(fault: Fault, clean: Judged) -> None:
    """What comes of it is what the table says, all of it; no silent pass and no false finding without a reason."""
    before, tables = clean_tables(), clean_tables()
    for edit in fault.edits:
        edit(tables)
    assert tables != before
    if fault.refused:
        with pytest.raises(AuditError) as refusal:
            read_rows(tables)
        assert fault.refused in str(refusal.value)
        return
    rules = touched(before, tables)
    now = judged(read_rows(tables), rules)
    names = {rule.id for rule in rules}
    found = changes({one: outcome for one, outcome in clean.outcomes.items() if one[0] in names}, now.outcomes)
    assert UNSOUND.isdisjoint(found) or fault.right, {one: found[one] for one in UNSOUND & found.keys()}
    assert found == {change: set(rules.split()) for change, rules in fault.changes.items()}
    for part in fault.told:
        assert any(part in line for line in now.told), now.told[:5]


def test_every_fault_has_a_name_of_its_own() -> None:
    """There are at least 40, and each that is allowed an odd outcome says why."""
    assert len({fault.id for fault in FAULTS}) == len(FAULTS) >= 40
    for fault in FAULTS:
        assert UNSOUND.isdisjoint(fault.changes) or fault.right, fault.id
