"""The precede form at its limits."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import outcomes, rule, verdict

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
PREPARED = rule("precede", scope=PRESERVE, needs={"action": {"is": "prepare"}}, within="PT24H")
UNDISTURBED = rule("precede", scope=PRESERVE, needs={"action": {"is": "prepare"}}, broken_by=[{"event": "takeoff"}])
UNWASHED = rule(
    "precede",
    scope=PRESERVE,
    needs={"action": {"is": "prepare"}},
    broken_by=[{"event": "treatment", "where": {"product_class": {"is": "cleaner"}}}],
)
COAT = {"product": "rubber-preservative", "started_at": "2025-06-02T09:00:00Z"}
LATER = {"takeoff_at": "2025-06-04T08:10:00Z"}
PREPARE = {
    "action": "prepare",
    "product": "surface-prep",
    "started_at": "2025-06-02T07:00:00Z",
    "finished_at": "2025-06-02T08:00:00Z",
}


@pytest.mark.parametrize(
    ("started", "finished", "expected"),
    [
        pytest.param("2025-06-01T08:00:00Z", "2025-06-01T09:00:00Z", "1 complies", id="exactly-24-hours"),
        pytest.param("2025-06-01T08:00:00Z", "2025-06-01T08:59:59Z", "1 finding", id="a-second-too-long-ago"),
        pytest.param("2025-06-02T08:30:00Z", "2025-06-02T09:00:00Z", "1 complies", id="ended-as-it-began"),
        pytest.param("2025-06-02T08:30:00Z", "2025-06-02T09:00:01Z", "1 unjudged", id="went-on-for-a-second"),
        pytest.param("2025-06-02T08:59:59Z", "2025-06-02T08:59:59Z", "1 complies", id="an-instant-before"),
        pytest.param("2025-06-02T09:00:00Z", "2025-06-02T09:00:00Z", "1 unjudged", id="began-together"),
        pytest.param("2025-06-02T09:00:01Z", "2025-06-02T09:30:00Z", "1 finding", id="began-later"),
    ],
)
def test_an_earlier_treatment(started: str, finished: str, expected: str) -> None:
    """What is required was over before, and ended no longer ago than allowed; what went on may have come first."""
    tasks = [COAT, PREPARE | {"started_at": started, "finished_at": finished}]
    assert verdict(PREPARED, tasks=tasks) == expected


def test_one_that_was_over_serves_whatever_went_on() -> None:
    """That another went on as the session began takes nothing from the one before, and doesn't mend what undid it."""
    went_on = PREPARE | {"started_at": "2025-06-02T08:30:00Z", "finished_at": "2025-06-02T09:30:00Z"}
    assert verdict(UNDISTURBED, tasks=[COAT, PREPARE, went_on], flights=[LATER]) == "1 complies"
    flown = [LATER, {"takeoff_at": "2025-06-02T08:10:00Z", "landing_at": "2025-06-02T08:20:00Z"}]
    assert verdict(UNDISTURBED, tasks=[COAT, PREPARE], flights=flown) == "1 finding"
    found = outcomes(UNDISTURBED, tasks=[COAT, PREPARE, went_on], flights=flown).cases
    assert found["reason"].tolist() == ["which came first is not known: the one went on when the other began"]


@pytest.mark.parametrize(
    ("started", "finished", "flown", "expected"),
    [
        pytest.param("08:45", "08:00", "07:00", "1 complies", id="nothing-in-between"),
        pytest.param("08:45", "08:00", "08:20", "1 unjudged", id="flown-between-its-times"),
        pytest.param("08:45", "08:00", "08:50", "1 finding", id="flown-after-both"),
        pytest.param("09:40", "08:30", "07:00", "1 unjudged", id="ends-before-and-starts-after"),
        pytest.param("09:40", "09:20", "07:00", "1 finding", id="both-after"),
    ],
)
def test_a_preparation_that_ends_before_it_starts(started: str, finished: str, flown: str, expected: str) -> None:
    """Its two times may have been swapped; where the verdict is another then, it is unjudged."""
    tasks = [COAT, PREPARE | {"started_at": f"2025-06-02T{started}Z", "finished_at": f"2025-06-02T{finished}Z"}]
    flights = [LATER, {"takeoff_at": f"2025-06-02T{flown}Z", "flight_hours": "0.1"}]
    assert verdict(UNDISTURBED, tasks=tasks, flights=flights) == expected


def test_what_came_in_between_by_its_end_only() -> None:
    """Washed in between, if its times were swapped."""
    wash = COAT | {"product": "cleaner", "started_at": "2025-06-02T09:40:00Z", "finished_at": "2025-06-02T08:30:00Z"}
    reason = "the record ends before it starts: when its work was done isn't known"
    assert outcomes(UNWASHED, tasks=[COAT, PREPARE, wash]).cases["reason"].tolist() == [reason]
    before = {"started_at": "2025-06-02T07:40:00Z", "finished_at": "2025-06-02T07:30:00Z"}
    assert verdict(UNWASHED, tasks=[COAT, PREPARE, wash | before]) == "1 complies"


def test_a_session_that_may_have_begun_sooner() -> None:
    """What may be its first part may have begun within a day of the preparation."""
    long_ago = PREPARE | {"started_at": "2025-06-01T08:00:00Z", "finished_at": "2025-06-01T08:30:00Z"}
    assert verdict(PREPARED, tasks=[COAT, long_ago]) == "1 finding"
    perhaps = COAT | {"product": "unheard-of", "started_at": "2025-06-02T08:15:00Z"}
    found = outcomes(PREPARED, tasks=[COAT, long_ago, perhaps]).cases
    assert found[found["subject"] == 0]["finding"].tolist() == [False]


def test_the_last_to_end_is_the_witness() -> None:
    """One near enough serves, whatever came long before."""
    long_ago = PREPARE | {"started_at": "2025-05-01T08:00:00Z", "finished_at": "2025-05-01T09:00:00Z"}
    assert verdict(PREPARED, tasks=[COAT, long_ago]) == "1 finding"
    assert verdict(PREPARED, tasks=[COAT, long_ago, PREPARE]) == "1 complies"


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        ("2025-06-02T07:59:59Z", "1 complies"),
        ("2025-06-02T08:00:00Z", "1 finding"),
        ("2025-06-02T08:59:59Z", "1 finding"),
        ("2025-06-02T09:00:00Z", "1 complies"),
    ],
)
def test_a_flight_in_between(takeoff: str, expected: str) -> None:
    """In between is from the end of the one to the start of the other, the start excluded."""
    assert verdict(UNDISTURBED, tasks=[COAT, PREPARE], flights=[{"takeoff_at": takeoff}]) == expected


@pytest.mark.parametrize(("product", "expected"), [("surface-prep", "1 complies"), ("cleaner", "1 finding")])
def test_what_is_required_disturbs_nothing(product: str, expected: str) -> None:
    """Not even itself, where it began when it ended; other work then does."""
    alone = rule(
        "precede",
        scope=PRESERVE,
        needs={"product_class": {"is": "surface-prep"}},
        broken_by=[{"event": "treatment", "where": {"product_class": {"in": ["surface-prep", "cleaner"]}}}],
    )
    at_once = PREPARE | {"started_at": "2025-06-02T08:00:00Z"}
    assert verdict(alone, tasks=[COAT, PREPARE, at_once | {"product": product, "work_order": "W2"}]) == expected


@pytest.mark.parametrize(
    ("wash", "expected"),
    [
        pytest.param({}, "1 finding", id="a-wash"),
        pytest.param({"position": "right wing"}, "1 complies", id="elsewhere"),
        pytest.param({"position": None}, "1 unjudged", id="no-position"),
        pytest.param({"product": "unheard-of"}, "1 unjudged", id="unknown-product"),
    ],
)
def test_a_treatment_in_between(wash: dict[str, Any], expected: str) -> None:
    """What undoes the earlier treatment breaks it at the same position only."""
    between = {"action": "clean", "product": "cleaner", "started_at": "2025-06-02T08:30:00Z"}
    assert verdict(UNWASHED, tasks=[COAT, PREPARE, between | wash]) == expected


@pytest.mark.parametrize(
    ("needed", "expected"),
    [
        pytest.param({"position": "right wing"}, "1 finding", id="elsewhere"),
        pytest.param({"position": None}, "1 unjudged", id="no-position"),
        pytest.param({"aircraft": "A2"}, "1 finding", id="another-aircraft"),
        pytest.param({"work_order": "W2"}, "1 complies", id="another-work-order"),
        pytest.param({"status": "open"}, "1 unjudged", id="unfinished"),
    ],
)
def test_what_counts_as_earlier(needed: dict[str, Any], expected: str) -> None:
    """Only done work on the same boot counts, of whatever work order."""
    assert verdict(PREPARED, tasks=[COAT, PREPARE | needed]) == expected


def test_another_boot_does_not_count() -> None:
    """What was prepared left with the boot that was swapped out."""
    swap = "2025-06-02T08:30:00Z"
    boots = [{"removed_at": swap}, {"component_serial": "C2", "installed_at": swap}]
    assert verdict(PREPARED, tasks=[COAT, PREPARE], components=boots) == "1 finding"
    assert verdict(PREPARED, tasks=[COAT, PREPARE], components=boots[1:]) == "1 unjudged"


EITHER = rule(
    "precede",
    scope={"product_class": {"is": "gloss-coating"}},
    needs={"action": {"is": "prepare"}},
    within="PT1H",
    or_else=[{"needs": PRESERVE, "broken_by": [{"event": "takeoff"}]}],
)
GLOSS = {"product": "gloss-coating", "work_order": "W2", "started_at": "2025-06-04T09:00:00Z"}
STRIPPED = PREPARE | {"started_at": "2025-06-04T08:00:00Z", "finished_at": "2025-06-04T08:30:00Z"}
FLOWN = {"takeoff_at": "2025-06-03T09:00:00Z"}


AWAY = {"takeoff_at": "2025-05-01T00:00:00Z"}
"""A flight by which the log knows the aircraft, long before all this."""


@pytest.mark.parametrize(
    ("tasks", "flights", "expected"),
    [
        pytest.param([], [], "1 finding", id="neither"),
        pytest.param([COAT], [AWAY], "1 complies", id="the-other"),
        pytest.param([COAT], [], "1 unjudged", id="the-other-unless-it-flew-unrecorded"),
        pytest.param([COAT], [FLOWN], "1 finding", id="the-other-undone"),
        pytest.param([COAT, STRIPPED], [FLOWN], "1 complies", id="the-first-where-the-other-is-undone"),
        pytest.param([PREPARE], [], "1 finding", id="the-first-too-long-ago"),
        pytest.param([PREPARE, COAT], [AWAY], "1 complies", id="the-other-where-the-first-is-too-long-ago"),
        pytest.param([COAT | {"position": None}], [], "1 unjudged", id="perhaps-the-other"),
        pytest.param([COAT | {"position": None}, STRIPPED], [], "1 complies", id="the-first-all-the-same"),
        pytest.param([COAT | {"started_at": GLOSS["started_at"]}], [], "1 unjudged", id="the-other-began-together"),
    ],
)
def test_one_of_several_is_enough(tasks: list[dict[str, Any]], flights: list[dict[str, Any]], expected: str) -> None:
    """Each alternative is looked for by itself, with its own limits; what may be one leaves it open."""
    assert verdict(EITHER, tasks=[GLOSS, *tasks], flights=flights) == expected


def test_without_flight_logs_the_other_may_have_been_undone() -> None:
    """A table that is missing matters only to the alternative that needs it."""
    assert verdict(EITHER, tasks=[GLOSS, COAT], not_supplied=["flights"]) == "1 unjudged"
    assert verdict(EITHER, tasks=[GLOSS, COAT, STRIPPED], not_supplied=["flights"]) == "1 complies"
