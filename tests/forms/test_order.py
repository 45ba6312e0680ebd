"""The order form at its limits."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.authoring.running import timeline_of
from audit.forms.judging import every_subject
from audit.language.rule import Example
from audit.timeline.instants import instant
from tests.forms.rules import RULES, outcomes, rule, verdict

GUARD = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
AMONG = {"action": {"in": ["apply", "clean"]}, "product_class": {"not": "ice-adhesion-treatment"}}
LAST = rule("order", scope=GUARD, must_be="last", among=AMONG)
FIRST = rule("order", scope=GUARD, must_be="first", among=AMONG)
TEN = "2025-11-03T10:00:00Z"
AFTER = "2025-11-03T11:00:00Z"
BOUND = {"product": "ice-adhesion-treatment", "started_at": TEN}
WASH = {"product": "cleaner", "action": "clean"}


@pytest.mark.parametrize(
    ("at", "last", "first"),
    [
        ("2025-11-03T09:59:59Z", "1 complies", "1 finding"),
        ("2025-11-03T10:00:00Z", "1 unjudged", "1 unjudged"),
        ("2025-11-03T10:00:01Z", "1 finding", "1 complies"),
    ],
)
def test_starts_decide(at: str, last: str, first: str) -> None:
    """The start of the other treatment decides; of two that start together nobody knows the order."""
    tasks = [BOUND, WASH | {"started_at": at}]
    assert verdict(LAST, tasks=tasks) == last
    assert verdict(FIRST, tasks=tasks) == first


def test_done_again_is_last() -> None:
    """The latest of several counts, on both sides."""
    again = BOUND | {"started_at": "2025-11-03T12:00:00Z"}
    wash = WASH | {"started_at": "2025-11-03T11:00:00Z"}
    assert verdict(LAST, tasks=[BOUND, wash, again]) == "1 complies"
    assert verdict(LAST, tasks=[BOUND, wash, again, wash | {"started_at": "2025-11-03T13:00:00Z"}]) == "1 finding"


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"work_order": "W2"}, "1 complies", id="another-work-order"),
        pytest.param({"position": "right wing"}, "1 complies", id="another-position"),
        pytest.param({"position": "right wing; left wing"}, "1 finding", id="one-of-a-list"),
        pytest.param({"position": None}, "1 unjudged", id="no-position"),
        pytest.param({"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
        pytest.param({"action": "inspect"}, "1 complies", id="no-treatment"),
    ],
)
def test_what_counts_as_another_treatment(other: dict[str, Any], expected: str) -> None:
    """Another treatment is one of the same work order at the same position."""
    assert verdict(LAST, tasks=[BOUND, WASH | {"started_at": "2025-11-03T11:00:00Z"} | other]) == expected


@pytest.mark.parametrize("job", ["W1", "W3"])
def test_another_treatment_without_a_position_is_of_its_own_work_order(job: str) -> None:
    """It puts the treatments of that one in doubt, whichever it is, and no others."""
    subjects = [BOUND | {"work_order": one} for one in ("W1", "W2", "W3")]
    found = outcomes(LAST, tasks=[*subjects, WASH | {"started_at": AFTER, "work_order": job, "position": None}])
    assert found.in_scope == 3
    assert found.cases["subject"].tolist() == [("W1", "W2", "W3").index(job)]
    assert found.cases["finding"].tolist() == [False]


@pytest.mark.parametrize(("asked", "perhaps_at"), [(LAST, "11"), (FIRST, "09")])
def test_only_what_was_surely_done_tells_when_it_was_done(asked: dict[str, Any], perhaps_at: str) -> None:
    """A treatment in scope that names no position may be another boot's: what complies is told from the one that is
    sure."""
    perhaps = BOUND | {"started_at": f"2025-11-03T{perhaps_at}:00:00Z", "position": None}
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": [BOUND, perhaps]})
    cases = every_subject(RULES.validate_python(asked), timeline_of(example))
    of_boot = cases[cases["subject"] == 0]
    assert of_boot[["outcome", "anchor"]].to_numpy().tolist() == [["complies", instant(pd.Timestamp(TEN))]]


def test_a_bound_treatment_without_a_position() -> None:
    """Of a treatment whose position is blank, any later one in the work order may have been at the same."""
    nowhere = BOUND | {"position": None}
    assert verdict(LAST, tasks=[nowhere, WASH | {"started_at": "2025-11-03T11:00:00Z"}]) == "1 unjudged"
    assert verdict(LAST, tasks=[nowhere, WASH | {"started_at": "2025-11-03T09:00:00Z"}]) == "1 complies"
    wash = WASH | {"position": None}
    assert verdict(LAST, tasks=[nowhere, wash | {"started_at": "2025-11-03T09:00:00Z"}]) == "1 complies"
    assert verdict(LAST, tasks=[nowhere, wash | {"started_at": "2025-11-03T11:00:00Z"}]) == "1 unjudged"


@pytest.mark.parametrize(("asked", "hour", "earlier"), [(LAST, "12", "09"), (FIRST, "08", "11")])
def test_what_was_done_again_may_be_another_job(asked: dict[str, Any], hour: str, earlier: str) -> None:
    """At no position, or on a day on which the boot was swapped, it may have been done to another boot than before."""
    other = "11" if hour == "12" else "09"
    twice = [
        BOUND,
        WASH | {"started_at": f"2025-11-03T{other}:00:00Z"},
        BOUND | {"started_at": f"2025-11-03T{hour}:00Z"},
    ]
    swapped = [{"removed_at": "2025-11-03"}, {"component_serial": "C2", "installed_at": "2025-11-03"}]
    assert verdict(asked, tasks=twice) == "1 complies"
    assert verdict(asked, tasks=twice, components=swapped) == "1 unjudged"
    assert verdict(asked, tasks=[task | {"position": None} for task in twice]) == "1 unjudged"
    twice[1]["started_at"] = f"2025-11-03T{earlier}:00:00Z"
    assert verdict(asked, tasks=[task | {"position": None} for task in twice]) == "1 complies"


@pytest.mark.parametrize(
    ("again", "expected"),
    [
        pytest.param({"position": None}, "1 unjudged, 1 complies", id="no-position"),
        pytest.param({"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
        pytest.param({"work_order": "W2"}, "1 finding, 1 complies", id="another-work-order"),
    ],
)
def test_what_may_have_been_done_again(again: dict[str, Any], expected: str) -> None:
    """A later record that may be the treatment done again leaves the fault unjudged."""
    wash = WASH | {"started_at": "2025-11-03T11:00:00Z"}
    assert verdict(LAST, tasks=[BOUND, wash, BOUND | {"started_at": "2025-11-03T12:00:00Z"} | again]) == expected


def test_a_swapped_boot_is_looked_at_by_itself() -> None:
    """What is put on the new boot was not put over the treatment of the old one."""
    swap = "2025-11-03T10:30:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    wash = WASH | {"started_at": "2025-11-03T11:00:00Z"}
    assert verdict(LAST, tasks=[BOUND, wash], components=boots) == "1 complies"
    assert verdict(LAST, tasks=[BOUND, wash], components=boots[:1]) == "1 unjudged"


def test_a_boot_swapped_on_a_day_without_a_time() -> None:
    """What came after the treatment of that day may have been put on the next boot."""
    boots = [{"removed_at": "2025-11-03"}, {"component_serial": "C2", "installed_at": "2025-11-03"}]
    for at, expected in (("09:00:00Z", "1 complies"), ("11:00:00Z", "1 unjudged")):
        tasks = [BOUND, WASH | {"started_at": f"2025-11-03T{at}"}]
        assert verdict(LAST, tasks=tasks, components=boots) == expected


def test_two_boots_of_one_work_order_are_one_finding() -> None:
    """A work order at a position is one subject, whichever of the boots there broke the rule, or if both did."""
    swap = "2025-11-03T11:30:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    old, new = ([BOUND, WASH | {"started_at": f"2025-11-03T{hour}"}] for hour in ("11:00:00Z", "13:00:00Z"))
    new[0] = BOUND | {"started_at": "2025-11-03T12:00:00Z"}
    for tasks, expected in (([*old, *new], "1 finding"), ([*old, new[0]], "1 finding"), ([old[0], *new], "1 finding")):
        assert verdict(LAST, tasks=tasks, components=boots) == expected
    case = outcomes(LAST, tasks=[*new, *old], components=boots).cases.iloc[0]
    assert (case["subject"], case["task"], case["component"]) == (0, 3, 0)
    assert verdict(LAST, tasks=[old[0], new[0]], components=boots) == "1 complies"


def test_a_record_is_not_held_against_itself() -> None:
    """Where the two selections of a rule meet, a record is no other treatment of itself."""
    anything = rule("order", scope=GUARD, must_be="last", among={"product": {"present": True}})
    assert verdict(anything, tasks=[BOUND]) == "1 complies"


@pytest.mark.parametrize("between", [None, {"product": "unheard-of"}, {"product": "cleaner"}])
@pytest.mark.parametrize(("station", "expected"), [("S2", "1 unjudged"), ("S1", "1 finding")])
def test_work_goes_on_elsewhere_without_a_flight(between: dict[str, Any] | None, station: str, expected: str) -> None:
    """What is done at another station may be another job, also where a record in doubt lies in between."""
    tasks = [BOUND, WASH | {"started_at": "2025-11-03T12:00:00Z", "station": station}]
    if between is not None:
        tasks.append(WASH | {"started_at": "2025-11-03T11:00:00Z", "station": station} | between)
    assert verdict(LAST, tasks=tasks, flights=[{"takeoff_at": "2025-11-20T09:00:00Z"}]) == expected
