"""Where the flight log does not cover an aircraft: it may have flown unrecorded, and only then."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.forms.rules import outcomes, rule

GLOSS = {"product_class": {"is": "gloss-coating"}}
NO_FLIGHT = rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT24H"})
FEW_HOURS = rule("interval", scope=GLOSS, at_most={"flight_hours": 5})
# The hold of the coat lasts from 09:10 of the second to 09:10 of the third of June.
COAT = {"product": "gloss-coating", "started_at": "2025-06-02T09:00:00Z"}
AS_OF = "2025-06-30T00:00:00Z"


def flight(time: str, **more: Any) -> dict[str, Any]:
    return {"takeoff_at": f"2025-{time}:00Z"} | more


def reasons(*flights: dict[str, Any], data: dict[str, Any] = NO_FLIGHT, as_of: str = AS_OF, **tables: Any) -> list[str]:
    """Why the first coat's hold (or what was flown since) can't be judged; nothing where it complies."""
    found = outcomes(data, as_of, **{"tasks": [COAT], "flights": flights} | tables)
    assert found.findings == 0
    return found.cases["reason"].tolist()  # type: ignore[no-any-return]


LATER = flight("06-20T12:00")
"""A flight, so that the log knows the aircraft."""


def test_the_log_knows_the_aircraft() -> None:
    """Without the table, or without a flight of the aircraft in it, nobody knows whether it flew."""
    assert reasons(LATER) == []
    assert reasons(not_supplied=["flights"]) == ["table not supplied: flights"]
    assert reasons() == ["no flights of this aircraft in the log"]
    others = outcomes(NO_FLIGHT, AS_OF, tasks=[COAT, COAT | {"aircraft": "A2"}], flights=[LATER]).cases
    assert others[["subject", "reason"]].to_numpy().tolist() == [[1, "no flights of this aircraft in the log"]]


def test_the_log_knows_it_by_nearly_the_same_name() -> None:
    """That is said rather than that it has no flight of it."""
    here = {"aircraft": "A-1"}
    expected = ["the flight log knows an aircraft of nearly the same name"]
    assert reasons(LATER, tasks=[COAT | here], components=[here]) == expected
    assert reasons(LATER | here, tasks=[COAT | here], components=[here]) == []


@pytest.mark.parametrize(
    ("as_of", "expected"),
    [
        pytest.param("2025-06-03T09:09:59Z", ["still running at the as-of time"], id="before-it-ends"),
        # What happens at the as-of time is known.
        pytest.param("2025-06-03T09:10:00Z", [], id="as-it-ends"),
    ],
)
def test_what_comes_is_not_recorded_yet(as_of: str, expected: list[str]) -> None:
    """A hold that runs on at the as-of time may still be broken."""
    assert reasons(flight("05-20T12:00"), as_of=as_of) == expected


def regular(days: int, count: int, **more: Any) -> list[dict[str, Any]]:
    """So many flights of an hour with so many days in between; the last one lands at 13:00 on the 26th of May."""
    takeoffs = [datetime(2025, 5, 26, 12) - number * timedelta(days=days, hours=1) for number in range(count)]
    return [{"takeoff_at": f"{takeoff.isoformat()}Z", **more} for takeoff in takeoffs]


UNUSUAL = "no flights of this aircraft in the log for an unusually long time"
FLEET = {"aircraft": "A2"}


@pytest.mark.parametrize(
    ("flights", "following", "expected"),
    [
        pytest.param(regular(1, 12), "06-09T13:00", [], id="two-weeks"),
        pytest.param(regular(1, 12), "06-09T13:01", [UNUSUAL], id="a-minute-more"),
        pytest.param(regular(5, 12), "06-15T13:00", [], id="four-times-its-habit"),
        pytest.param(regular(5, 12), "06-15T13:01", [UNUSUAL], id="more-than-four-times-its-habit"),
        pytest.param(regular(1, 9), None, [UNUSUAL], id="up-to-the-as-of-time"),
        pytest.param(regular(1, 8), None, [], id="too-few-for-a-habit"),
        pytest.param([*regular(1, 12, **FLEET), *regular(1, 1)], "06-09T13:01", [UNUSUAL], id="by-that-of-the-fleet"),
        pytest.param([*regular(1, 6, **FLEET), *regular(1, 1)], "06-09T13:01", [], id="too-few-in-the-fleet"),
        pytest.param([*regular(1, 40, **FLEET), *regular(5, 12)], "06-15T13:00", [], id="by-its-own-not-the-fleets"),
    ],
)
def test_an_unusually_long_time_without_a_flight(
    flights: list[dict[str, Any]], following: str | None, expected: list[str]
) -> None:
    """More than two weeks, and four times as long as nine of ten gaps: those of the aircraft, or with few the fleet."""
    assert reasons(*flights, *([] if following is None else [flight(following)])) == expected


def test_before_its_first_flight() -> None:
    """What the export tells of before the first flight of an aircraft is a time without a flight as well."""
    assert reasons(*regular(1, 12, **FLEET), flight("06-20T12:00")) == [UNUSUAL]


STATIONS = [
    {"station": "S1", "timezone": "UTC", "icao": "XAAA"},
    {"station": "S2", "timezone": "UTC", "icao": "XBBB"},
    {"station": "S9", "timezone": "UTC", "icao": "XAAA"},
]
LEG = "a leg is missing in the flight log: the next flight begins elsewhere"


@pytest.mark.parametrize(
    ("landed", "taken_off", "expected"),
    [
        pytest.param("S1", "S1", [], id="where-it-landed"),
        pytest.param("S1", "S2", [LEG], id="elsewhere"),
        pytest.param("S1", "XAAA", [], id="by-its-location-indicator"),
        pytest.param("XBBB", "S1", [LEG], id="elsewhere-by-its-location-indicator"),
        pytest.param("S1", "S9", [], id="another-station-of-the-aerodrome"),
        pytest.param("S1", "nowhere", [LEG], id="one-that-is-not-listed"),
        pytest.param("S1", None, [], id="no-origin"),
        pytest.param(None, "S2", [], id="no-destination"),
    ],
)
def test_a_missing_leg(landed: str | None, taken_off: str | None, expected: list[str]) -> None:
    """Where a flight begins elsewhere than the one before it ended, the aircraft flew there in between."""
    flights = [
        flight("06-01T12:00", destination=landed),
        flight("06-20T12:00", origin=taken_off),
        flight("06-25T12:00"),
    ]
    assert reasons(flight("05-20T12:00"), *flights, stations=STATIONS) == expected
    assert reasons(flights[0] | {"aircraft": "A2"}, *flights[1:], stations=STATIONS) == []
    before = [flights[0] | {"takeoff_at": "2025-05-01T12:00:00Z"}, flight("06-02T07:00", origin=taken_off)]
    assert reasons(*before, stations=STATIONS) == [], "over before the hold began"


AWAY = {"product": "cleaner", "work_order": "W2", "station": "S2"}
MOVED = "work at another station without a flight in between: flights are missing in the log"


@pytest.mark.parametrize(
    ("work", "expected"),
    [
        pytest.param({"started_at": "2025-06-02T20:00:00Z"}, [MOVED], id="during-the-hold"),
        pytest.param({"started_at": "2025-06-05T20:00:00Z"}, [MOVED], id="after-it"),
        pytest.param({"started_at": "2025-06-02T08:00:00Z"}, [], id="before-it"),
        pytest.param({"started_at": "2025-06-02T20:00:00Z", "station": "S9"}, [], id="at-the-same-aerodrome"),
        pytest.param({"started_at": "2025-06-02T20:00:00Z", "aircraft": "A2"}, [], id="on-another-aircraft"),
        pytest.param({"started_at": "2025-06-25T20:00:00Z"}, [], id="after-a-flight"),
        pytest.param({"started_at": "2025-06-02T09:10:00Z"}, [], id="at-once"),
        pytest.param({"started_at": "2025-06-02T20:00:00Z", "status": "open"}, [], id="not-done"),
    ],
)
def test_work_elsewhere_without_a_flight(work: dict[str, Any], expected: list[str]) -> None:
    """An aircraft that was worked on at two stations flew from one to the other."""
    assert reasons(LATER, tasks=[AWAY | work, COAT], stations=STATIONS) == expected
    if work.get("station") is None:
        back = [AWAY | work | {"station": "S1"}, COAT | {"station": "S2"}]
        assert reasons(LATER, tasks=back, stations=STATIONS) == expected, "the other way"


UNREADABLE = "a flight in quarantine may fall in this time"


@pytest.mark.parametrize(
    ("aside", "expected"),
    [
        pytest.param({"takeoff_at": "2025-06-02T09:09:59Z"}, [], id="before-the-hold"),
        pytest.param({"takeoff_at": "2025-06-02T09:10:00Z"}, [UNREADABLE], id="as-it-begins"),
        pytest.param({"takeoff_at": "2025-06-03T09:09:59Z"}, [UNREADABLE], id="before-it-ends"),
        pytest.param({"takeoff_at": "2025-06-03T09:10:00Z"}, [], id="as-it-ends"),
        pytest.param({"takeoff_at": "once"}, [UNREADABLE], id="at-any-time"),
        pytest.param({"takeoff_at": "?", "landing_at": "2025-06-02T09:10:00Z"}, [], id="landed-as-it-begins"),
        pytest.param({"takeoff_at": "?", "landing_at": "2025-06-02T09:10:01Z"}, [UNREADABLE], id="landed-within"),
        pytest.param(
            {"takeoff_at": "?", "landing_at": "2025-06-04T09:09:59Z"}, [UNREADABLE], id="within-the-day-after"
        ),
        pytest.param({"takeoff_at": "?", "landing_at": "2025-06-04T09:10:00Z"}, [], id="landed-a-day-after"),
        pytest.param({"takeoff_at": "2025-06-02T12:00:00Z", "aircraft": "A2"}, [], id="of-another-aircraft"),
        pytest.param({"takeoff_at": "2025-06-02T12:00:00Z", "aircraft": None}, [UNREADABLE], id="of-any-aircraft"),
        pytest.param({"takeoff_at": "2025-06-02T12:00:00Z", "aircraft": "A9"}, [], id="of-one-that-nobody-else-names"),
        pytest.param(
            {"takeoff_at": "2025-06-02T12:00:00Z", "aircraft": "A-1"}, [UNREADABLE], id="of-one-of-nearly-its-name"
        ),
    ],
)
def test_a_flight_that_can_not_be_read(aside: dict[str, Any], expected: list[str]) -> None:
    """It may be any flight of its aircraft at its takeoff, or within the day before its landing; of any aircraft, at
    any time, where that can't be read."""
    tasks = [COAT, {"product": "cleaner", "aircraft": "A2", "started_at": "2025-06-02T09:00:00Z"}]
    assert reasons({"landing_at": "late"} | aside, LATER, tasks=tasks) == expected


@pytest.mark.parametrize(
    ("flights", "expected"),
    [
        pytest.param([flight("06-05T12:00", flight_hours=1)], [], id="sound"),
        pytest.param(
            [flight("06-05T12:00", landing_at="2025-06-05T13:00:00Z", flight_hours=4)],
            ["hours flown contradict takeoff and landing"],
            id="more-hours-than-it-was-away",
        ),
        pytest.param(
            [flight("06-05T12:00", flight_id="F8"), flight("06-05T12:00", flight_id="F9")],
            ["a flight is listed twice under two numbers"],
            id="twice",
        ),
    ],
)
def test_flights_that_may_count_for_more(flights: list[dict[str, Any]], expected: list[str]) -> None:
    """What was flown since the treatment may be more than was counted."""
    boots = [{"installed_at": "2025-06-02T09:00:00Z"}]
    cases = outcomes(FEW_HOURS, AS_OF, tasks=[COAT], flights=flights, components=boots).cases
    assert cases.loc[cases["task"] >= 0, "reason"].tolist() == expected
