"""What makes one session of several records, and where that isn't known."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import outcomes, rule, verdict

GLOSS = {"product_class": {"is": "gloss-coating"}}
TWO_COATS = rule("count", scope=GLOSS, coats={"at_least": 2})
ELSEWHERE = "work at another station without a flight in between: flights are missing in the log"
UNREADABLE = "a flight in quarantine may fall in this time"


def coat(number: int, time: str, **more: Any) -> dict[str, Any]:
    return {"product": "gloss-coating", "coat": number, "started_at": f"2025-06-{time}:00Z"} | more


def flight(time: str, **more: Any) -> dict[str, Any]:
    return {"takeoff_at": f"2025-06-{time}:00Z", **more}


@pytest.mark.parametrize(
    ("second", "flights", "expected"),
    [
        pytest.param({}, [], "1 complies", id="soon-after"),
        pytest.param({"work_order": "W2"}, [], "2 finding", id="of-another-work-order"),
        pytest.param({"position": "right wing"}, [], "2 finding", id="on-another-boot"),
        pytest.param({"product": "cleaner"}, [], "1 finding", id="of-another-class"),
        pytest.param({"started_at": "2025-06-03T09:10:00Z"}, [], "1 complies", id="24-hours-after"),
        pytest.param({"started_at": "2025-06-03T09:10:01Z"}, [], "2 finding", id="longer-after"),
        pytest.param({}, ["02T09:09"], "1 complies", id="flown-while-it-was-put-on"),
        pytest.param({}, ["02T09:10"], "2 finding", id="flown-as-it-ended"),
        pytest.param({}, ["02T09:59"], "2 finding", id="flown-in-between"),
        pytest.param({}, ["02T10:00"], "1 complies", id="flown-as-the-next-began"),
    ],
)
def test_coats_of_one_session(second: dict[str, Any], flights: list[str], expected: str) -> None:
    """One work order, boot and class, no more than 24 hours apart, and no takeoff from the end to the next start."""
    boots = [{}, {"component_serial": "C2", "position": "right wing"}]
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00") | second]
    takeoffs = [*map(flight, flights), flight("20T09:00")]
    assert verdict(TWO_COATS, tasks=tasks, flights=takeoffs, components=boots) == expected


def test_coats_of_products_without_a_list() -> None:
    """Without a list nobody knows of what class a coat is; records of one job and boot belong together all the same."""
    any_coats = rule("count", scope={"action": {"is": "apply"}}, coats={"at_least": 2})
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00", product="gel")]
    assert verdict(any_coats, tasks=tasks, not_supplied=["products"]) == "1 complies"


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        pytest.param({"status": "open"}, "1 unjudged", id="still-open"),
        pytest.param({}, "1 complies", id="done"),
        pytest.param({"status": "open", "position": "left wing"}, "1 finding", id="on-the-next-boot"),
    ],
)
def test_a_boot_that_is_moved_between_two_coats(more: dict[str, Any], expected: str) -> None:
    """Its session goes on at the other position, and what may have been done to it there may be part of it."""
    moved = "2025-06-02T09:30:00Z"
    boots = [
        {"removed_at": moved},
        {"position": "right wing", "installed_at": moved},
        {"component_serial": "C2", "installed_at": moved},
    ]
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00", position="right wing") | more]
    assert verdict(TWO_COATS, tasks=tasks, components=boots) == expected


def test_the_longest_of_the_records_before_counts() -> None:
    """A short record inside a long one ends nothing: what follows the long one goes on."""
    long = coat(1, "02T09:00", finished_at="2025-06-03T09:00:00Z")
    inside = coat(2, "02T10:00")
    last = coat(3, "04T09:00")
    three = rule("count", scope=GLOSS, coats={"at_least": 3})
    assert verdict(three, tasks=[last, inside, long]) == "1 complies"


@pytest.mark.parametrize(
    ("time", "station", "reason"),
    [
        pytest.param("02T09:30", "S2", ELSEWHERE, id="in-between"),
        pytest.param("02T08:00", "S2", None, id="before"),
        pytest.param("02T12:00", "S2", None, id="after"),
        pytest.param("02T09:30", "S1", None, id="at-the-same-station"),
    ],
)
def test_worked_on_elsewhere_without_a_flight(time: str, station: str, reason: str | None) -> None:
    """Between its coats the aircraft must have flown, though the log lacks it: they may be two sessions.

    What it was worked on elsewhere before the first coat or after the last tells nothing of the session.
    """
    away = {"product": "cleaner", "work_order": "W0", "station": station, "started_at": f"2025-06-{time}:00Z"}
    found = outcomes(TWO_COATS, tasks=[away, coat(2, "02T10:00"), coat(1, "02T09:00")], flights=[flight("20T09:00")])
    assert found.cases["reason"].tolist() == ([] if reason is None else [reason])
    assert found.in_scope == 1


@pytest.mark.parametrize(
    ("unreadable", "reason"),
    [
        pytest.param(flight("02T09:30", landing_at="late"), UNREADABLE, id="took-off-in-between"),
        pytest.param(flight("02T08:30", landing_at="late"), None, id="took-off-before"),
        pytest.param(flight("02T10:00", landing_at="late"), None, id="took-off-as-the-next-began"),
        pytest.param(flight("02T09:30", landing_at="late", aircraft="A2"), None, id="another-aircraft"),
        pytest.param({"takeoff_at": "soon", "landing_at": "late"}, None, id="at-any-time"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T11:00:00Z"}, None, id="landed-after"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T10:00:00Z"}, UNREADABLE, id="landed-in-between"),
        pytest.param({"takeoff_at": "soon", "landing_at": "2025-06-02T09:05:00Z"}, None, id="landed-before"),
    ],
)
def test_a_flight_that_can_not_be_read(unreadable: dict[str, Any], reason: str | None) -> None:
    """One that took off between two coats, or landed there, parts them, perhaps; a pause is no sign of one that may be
    at any time."""
    tasks = [coat(1, "02T09:00"), coat(2, "02T10:00"), coat(1, "02T09:00", product="cleaner", aircraft="A2")]
    found = outcomes(TWO_COATS, tasks=tasks, flights=[unreadable, flight("20T09:00")])
    assert found.cases["reason"].tolist() == ([] if reason is None else [reason])
    assert found.in_scope == 1


def test_each_work_order_and_class_has_sessions_of_its_own() -> None:
    """However many there are of both, at one boot and at one time."""
    named = [(f"W{number}", name) for number in range(30) for name in ("gloss-coating", "cleaner", "surface-prep")]
    tasks = [coat(1, "02T09:00", work_order=order, product=name) for order, name in named]
    any_coats = rule("count", scope={"action": {"is": "apply"}}, coats={"at_least": 2})
    assert verdict(any_coats, tasks=tasks) == "90 finding"


def test_a_gap_in_the_flight_log_is_no_sign_that_it_flew_between_two_coats() -> None:
    """An aircraft that stands for its work has a gap there; work elsewhere is a sign, or a flight in quarantine."""
    before = [{"takeoff_at": f"2025-05-{day:02}T{hour:02}:00:00Z"} for day in (28, 29, 30) for hour in (0, 6, 12, 18)]
    takeoffs = [*before, flight("28T09:00")]
    for hour in ("02T10:00", "03T08:00"):
        assert verdict(TWO_COATS, tasks=[coat(1, "02T09:00"), coat(2, hour)], flights=takeoffs) == "1 complies"
