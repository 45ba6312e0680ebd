"""The hold form at its limits."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
OTHERS = {
    "event": "treatment",
    "where": {"product": {"present": True}, "product_class": {"not": "rubber-preservative"}},
}
NO_FLIGHT = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
NO_OTHER = rule("hold", scope=PRESERVE, forbid=OTHERS, **{"for": "PT24H"})
COAT = {
    "product": "rubber-preservative",
    "started_at": "2025-06-02T09:00:00Z",
    "finished_at": "2025-06-02T09:10:00Z",
}
EVENTS = [
    pytest.param("2025-06-02T09:09:59Z", "1 complies", id="before-the-end-of-the-session"),
    pytest.param("2025-06-02T09:10:00Z", "1 finding", id="as-the-session-ends"),
    pytest.param("2025-06-03T09:09:59Z", "1 finding", id="one-second-too-early"),
    pytest.param("2025-06-03T09:10:00Z", "1 complies", id="exactly-24-hours-after"),
]


@pytest.mark.parametrize(("at", "expected"), EVENTS)
def test_takeoff(at: str, expected: str) -> None:
    """No takeoff in [end, end + 24 h): its start counts, its end doesn't."""
    assert verdict(NO_FLIGHT, tasks=[COAT], flights=[{"takeoff_at": at}]) == expected


@pytest.mark.parametrize(("at", "expected"), EVENTS)
def test_treatment(at: str, expected: str) -> None:
    """No other product on the position in [end, end + 24 h)."""
    other = {"product": "cleaner", "started_at": at, "finished_at": "2025-06-04T00:00:00Z"}
    assert verdict(NO_OTHER, tasks=[COAT, other]) == expected
    assert verdict(NO_OTHER, tasks=[COAT, other | {"position": "right wing"}]) == "1 complies"


def test_the_figures_of_a_finding() -> None:
    """What passed is measured from the end of the last coat, in hours."""
    later = COAT | {"coat": 2, "started_at": "2025-06-02T12:00:00Z", "finished_at": "2025-06-02T12:30:00Z"}
    case = outcomes(NO_FLIGHT, tasks=[later, COAT], flights=[{"takeoff_at": "2025-06-02T18:00:00Z"}]).cases.iloc[0]
    assert (case["measured"], case["limit"], case["unit"]) == (5.5, 24.0, "h")


@pytest.mark.parametrize(
    ("removed", "expected"),
    [("2025-06-02T12:00:00Z", "1 complies"), ("2025-06-02T12:00:01Z", "1 finding")],
)
def test_a_removed_boot_takes_its_hold_along(removed: str, expected: str) -> None:
    """What happens from the removal of the treated boot on happens without it."""
    boots = [{"removed_at": removed}, {"component_serial": "C2", "installed_at": removed}]
    at = "2025-06-02T12:00:00Z"
    assert verdict(NO_FLIGHT, tasks=[COAT], flights=[{"takeoff_at": at}], components=boots) == expected
    other = {"product": "cleaner", "started_at": at}
    assert verdict(NO_OTHER, tasks=[COAT, other], components=boots) == expected


def test_a_boot_swapped_between_two_coats() -> None:
    """The boot of the last coat is the one that flies; its hold isn't ended by the removal of the first."""
    swap = "2025-06-02T10:00:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    last = COAT | {"started_at": "2025-06-02T11:00:00Z", "finished_at": "2025-06-02T11:10:00Z"}
    flights = [{"takeoff_at": "2025-06-02T12:00:00Z"}]
    assert verdict(NO_FLIGHT, tasks=[COAT, last], flights=flights, components=boots) == "1 finding"


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
        pytest.param({"product": "cleaner", "position": None}, "1 unjudged", id="no-position"),
        pytest.param({"product": "cleaner", "status": "open"}, "1 complies", id="unfinished"),
        pytest.param({"product": "cleaner", "status": "void"}, "1 complies", id="void"),
    ],
)
def test_what_may_have_been_another_product(other: dict[str, Any], expected: str) -> None:
    """A record that may break the hold leaves it unjudged; work that isn't done breaks nothing."""
    away = {"work_order": "W2", "action": "clean", "started_at": "2025-06-02T12:00:00Z"}
    assert verdict(NO_OTHER, tasks=[COAT, away | other]) == expected


def test_a_session_does_not_break_its_own_hold() -> None:
    """A record of no duration that ends its session isn't another product."""
    anything = rule(
        "hold",
        scope=PRESERVE,
        forbid={"event": "treatment", "where": {"product": {"present": True}}},
        **{"for": "PT24H"},
    )
    instant = COAT | {"started_at": "2025-06-02T09:10:00Z"}
    assert verdict(anything, tasks=[instant]) == "1 complies"
    assert verdict(anything, tasks=[instant, instant | {"product": "cleaner"}]) == "1 finding"


def test_without_flight_logs_nobody_knows() -> None:
    """A table that was not supplied makes a subject unjudged, never a pass."""
    assert verdict(NO_FLIGHT, tasks=[COAT], not_supplied=["flights"]) == "1 unjudged"
    assert verdict(NO_FLIGHT, tasks=[COAT], flights=[]) == "1 complies"


def test_what_comes_after_the_as_of_time_does_not_exist() -> None:
    """A takeoff at the as-of time is known, one after it isn't."""
    export = {"tasks": [COAT], "flights": [{"takeoff_at": "2025-06-02T12:00:00Z"}]}
    assert verdict(NO_FLIGHT, "2025-06-02T12:00:00Z", **export) == "1 finding"
    assert verdict(NO_FLIGHT, "2025-06-02T11:59:59Z", **export) == "1 complies"
