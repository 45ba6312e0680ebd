"""The overlap form at its limits."""

from __future__ import annotations

from typing import Any

import pytest

from tests.forms.rules import outcomes, rule, verdict

IN_FLIGHT = rule("overlap", between=["tasks", "flights"], same=["aircraft"])
TWO_PLACES = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
ELSEWHERE = rule("overlap", between=["tasks", "stays"], same=["aircraft"], differing=["station"])
TASK = {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
INSTANT = {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T09:00:00Z"}


def flight(takeoff: str, landing: str, **more: Any) -> dict[str, Any]:
    """A flight on the day of the work."""
    return {"takeoff_at": f"2025-06-02T{takeoff}Z", "landing_at": f"2025-06-02T{landing}Z", **more}


@pytest.mark.parametrize(
    ("task", "takeoff", "landing", "expected"),
    [
        pytest.param(TASK, "08:00:00", "09:00:00", "1 complies", id="landed-as-it-began"),
        pytest.param(TASK, "08:00:00", "09:00:01", "1 finding", id="a-second-longer"),
        pytest.param(TASK, "10:00:00", "11:00:00", "1 complies", id="took-off-as-it-ended"),
        pytest.param(TASK, "09:59:59", "11:00:00", "1 finding", id="a-second-earlier"),
        pytest.param(TASK, "09:59:00", "11:00:00", "1 unjudged", id="a-minute-earlier-to-the-minute"),
        pytest.param(TASK, "09:58:00", "11:00:00", "1 finding", id="two-minutes-earlier"),
        pytest.param(TASK, "08:00:00", "09:01:00", "1 unjudged", id="a-minute-longer-to-the-minute"),
        pytest.param(TASK, "09:20:00", "09:30:00", "1 finding", id="inside"),
        pytest.param(INSTANT, "08:59:59", "11:00:00", "1 finding", id="an-instant-in-flight"),
        pytest.param(INSTANT, "09:00:00", "11:00:00", "1 complies", id="an-instant-at-takeoff"),
        pytest.param(INSTANT, "08:00:00", "09:00:00", "1 complies", id="an-instant-at-landing"),
        pytest.param(INSTANT, "09:00:00", "09:00:00", "1 finding", id="two-instants"),
    ],
)
def test_touching_is_not_overlapping(task: dict[str, Any], takeoff: str, landing: str, expected: str) -> None:
    """Things last from their start, included, to their end, excluded; an instant at either touches only."""
    assert verdict(IN_FLIGHT, tasks=[task], flights=[flight(takeoff, landing)]) == expected
    others = [flight(takeoff, landing, aircraft="A2")]
    assert verdict(IN_FLIGHT, tasks=[task], flights=others) == "1 unjudged", "A1 is not in the log"
    others.append({"takeoff_at": "2025-06-05T09:00:00Z"})
    assert verdict(IN_FLIGHT, tasks=[task], flights=others) == "1 complies"


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"station": "S2"}, "1 finding", id="two-stations"),
        pytest.param({"station": "S1"}, "2 complies", id="one-station"),
        pytest.param({"station": "S2", "performed_by": "P2"}, "2 complies", id="two-people"),
        pytest.param({"station": "S2", "performed_by": None}, "1 unjudged, 1 complies", id="nobody-named"),
        pytest.param({"station": "S2", "aircraft": "A2"}, "1 finding", id="two-aircraft"),
    ],
)
def test_one_person_at_two_places(other: dict[str, Any], expected: str) -> None:
    """A pair is counted once, and neither of the two complies by itself."""
    assert verdict(TWO_PLACES, tasks=[TASK, TASK | other]) == expected


def test_a_value_missing_on_one_side() -> None:
    """What may differ is unjudged."""
    lots = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["lot"])
    assert verdict(lots, tasks=[TASK | {"lot": "L1"}, TASK]) == "1 unjudged"
    assert verdict(lots, tasks=[TASK | {"lot": "L1"}, TASK | {"lot": "L1"}]) == "2 complies"


def test_every_pair_is_a_subject() -> None:
    """Three things that all overlap are three pairs."""
    flights = rule("overlap", between=["flights", "flights"], same=["aircraft"])
    three = [flight("09:00:00", "11:00:00"), flight("10:00:00", "12:00:00"), flight("10:30:00", "13:00:00")]
    assert verdict(flights, tasks=[TASK], flights=three) == "3 finding"


@pytest.mark.parametrize("side", [0, 1])
def test_a_doubtful_scope_on_either_side(side: int) -> None:
    """A pair with a record that may be out of scope is unjudged, whichever of the two it is."""
    scope = {"product_class": {"is": "cleaner"}}
    cleaners = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"], scope=scope)
    tasks = [TASK | {"product": "cleaner"}, TASK | {"product": "cleaner", "station": "S2"}]
    assert verdict(cleaners, tasks=tasks) == "1 finding"
    tasks[side] = tasks[side] | {"product": "unheard-of"}
    assert verdict(cleaners, tasks=tasks) == "1 unjudged"


@pytest.mark.parametrize(
    ("destination", "expected"),
    [
        pytest.param("S1", "1 complies", id="the-station"),
        pytest.param("ICA1", "1 complies", id="its-location-indicator"),
        pytest.param("S2", "1 finding", id="another-station"),
        pytest.param("nowhere", "1 unjudged", id="unlisted"),
        pytest.param(None, "1 unjudged", id="blank"),
    ],
)
def test_work_where_the_aircraft_is_not(destination: str | None, expected: str) -> None:
    """An aircraft stands where it landed until it takes off again."""
    stations = [{"station": "S1", "timezone": "UTC", "icao": "ICA1"}, {"station": "S2", "timezone": "UTC"}]
    flights = [flight("07:00:00", "08:00:00", destination=destination), flight("10:00:00", "11:00:00")]
    assert verdict(ELSEWHERE, tasks=[TASK], flights=flights, stations=stations) == expected


def test_stations_without_a_list_of_them() -> None:
    """Without the list a destination that no record names may be the station under another name."""
    flights = [flight("07:00:00", "08:00:00", destination="ICA1")]
    assert verdict(ELSEWHERE, tasks=[TASK], flights=flights, not_supplied=["stations"]) == "1 unjudged"
    assert (
        verdict(ELSEWHERE, tasks=[TASK], flights=[flights[0] | {"destination": "S1"}], not_supplied=["stations"])
        == "1 complies"
    )


def test_one_boot_in_two_places() -> None:
    """Half-open intervals meet without overlap; the figures say for how long they do overlap."""
    boots = rule("overlap", between=["components", "components"], same=["component_serial"])
    there = {"removed_at": "2025-06-01T00:00:00Z"}
    here = {"position": "right wing", "installed_at": "2025-06-01T00:00:00Z"}
    assert verdict(boots, tasks=[TASK], components=[there, here]) == "2 complies"
    early = here | {"installed_at": "2025-05-31T12:00:00Z"}
    assert outcomes(boots, tasks=[TASK], components=[there, early]).cases["measured"].tolist() == [12.0]


def test_what_was_never_taken_off_overlaps_to_the_as_of_time() -> None:
    """Of two boots at one position without a removal the figures go to the as-of time, not beyond."""
    boots = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
    later = {"component_serial": "C2", "installed_at": "2025-06-02T08:00:00Z"}
    assert outcomes(boots, tasks=[TASK], components=[{}, later]).cases["measured"].tolist() == [pytest.approx(2.0)]


@pytest.mark.parametrize(
    "other",
    [
        pytest.param({"removed_at": "2025-06-02T08:00:00Z"}, id="put-on-and-off-at-once"),
        pytest.param({"installed_at": "2025-06-03T08:00:00Z"}, id="after-the-as-of-time"),
    ],
)
def test_a_boot_that_was_not_there_overlaps_with_none(other: dict[str, Any]) -> None:
    """One that was taken off as it was put on was never there; one put on after the as-of time is not yet."""
    boots = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
    other = {"component_serial": "C2", "installed_at": "2025-06-02T08:00:00Z"} | other
    assert verdict(boots, "2025-06-02T10:00:00Z", tasks=[TASK], components=[{}, other]) == "1 complies"


def test_a_pair_is_one_pair_in_every_reading() -> None:
    """Which of two records began first may depend on a reading; that they overlap in all of them is a finding."""
    stations = [{"station": "S1", "timezone": "UTC"}, {"station": "S2", "timezone": "Europe/Berlin"}]
    twice = {"station": "S2", "started_at": "2025-10-26T02:10:00", "finished_at": "2025-10-26T04:50:00"}
    once = {"started_at": "2025-10-26T00:40:00Z", "finished_at": "2025-10-26T02:00:00Z"}
    assert verdict(TWO_PLACES, tasks=[twice, once], stations=stations) == "1 finding"


PERSON = {"person": "Eli Park", "authorisation": "performing", "valid_from": "2020-01-01"}
ZONES = [{"station": name, "timezone": "UTC"} for name in ("NORTH", "SOUTH")]


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        pytest.param({"station": "NORTH"}, {"station": "SOUTH"}, "1 finding", id="two-stations"),
        pytest.param({"station": "NORTH"}, {"station": "N0RTH"}, "1 unjudged", id="one-station-or-two"),
        pytest.param(
            {"station": "NORTH"}, {"station": "SOUTH", "performed_by": "Eli-Park"}, "1 unjudged", id="one-person-or-two"
        ),
        pytest.param(
            {"station": "NORTH"}, {"station": "SOUTH", "performed_by": "Bo Lind"}, "2 complies", id="two-people"
        ),
        pytest.param(
            {"station": "NORTH"}, {"station": "NORTH", "performed_by": "Eli-Park"}, "2 complies", id="at-one-station"
        ),
    ],
)
def test_names_that_are_nearly_equal(one: dict[str, Any], other: dict[str, Any], expected: str) -> None:
    """Who or what may be one, written differently, may be at two places, or at one: that pair is unjudged."""
    tasks = [TASK | {"performed_by": "Eli Park"} | side for side in (one, other)]
    assert verdict(TWO_PLACES, tasks=tasks, people=[PERSON], stations=ZONES) == expected
