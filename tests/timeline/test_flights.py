"""Flights in order, by aircraft: what was flown, which count, and which is next."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline.flights import Flights
from audit.timeline.instants import HOUR, instant
from audit.timeline.timeline import Timeline, build_timeline

DAY_3 = instant(pd.Timestamp("2025-06-03T00:00:00Z"))


def flight(name: str, day: int, length: str = "10:00", aircraft: str = "A1", **cells: str) -> dict[str, str]:
    """A flight that takes off at midnight of a day in June."""
    times = {"takeoff_at": f"2025-06-{day:02}T00:00:00Z", "landing_at": f"2025-06-{day:02}T{length}:00Z"}
    return {"flight_id": name, "aircraft": aircraft} | times | cells


def timeline(*flights: dict[str, str], as_of: str = "2025-06-30T00:00:00Z") -> Timeline:
    return build_timeline(read_rows({"tasks": [], "flights": flights}), pd.Timestamp(as_of))


def ids(line: Timeline) -> list[str]:
    return line.tables["flights"]["flight_id"].to_numpy()[line.flights.row].tolist()  # type: ignore[no-any-return]


def flown(found: Flights) -> list[float]:
    """The hours of each flight."""
    return [round((b - a) / HOUR, 6) for a, b in pairwise(found.flown.tolist())]


@pytest.mark.parametrize(
    ("hours", "length", "expected", "unsure"),
    [
        pytest.param("", "10:00", 10, False, id="blank"),
        pytest.param("10", "10:00", 10, False, id="as-its-times-say"),
        pytest.param("9.5", "10:00", 9.5, False, id="less"),
        pytest.param("10.1", "10:00", 10.1, False, id="more-by-what-is-rounded"),
        pytest.param("10.11", "10:00", 10, True, id="more"),
        pytest.param("4.9", "10:00", 4.9, False, id="half-of-it-by-what-is-rounded"),
        pytest.param("4.89", "10:00", 4.89, True, id="less-than-half"),
        pytest.param("0.1", "00:03", 0.1, False, id="short"),
        pytest.param("0", "00:12", 0, False, id="too-short-to-tell"),
        pytest.param("0", "00:13", 0, True, id="no-hours"),
    ],
)
def test_the_hours_of_a_flight(hours: str, length: str, expected: float, unsure: bool) -> None:
    """Those written; where they contradict takeoff and landing, the smaller of the two. Others stay what they are."""
    others = flight("F0", 1, flight_hours="9.9"), flight("F9", 9, flight_hours="")
    found = timeline(others[1], flight("F5", 5, length, flight_hours=hours), others[0]).flights
    assert flown(found) == [9.9, expected, 10]
    assert found.unsure.tolist() == ([1] if unsure else [])


def test_no_hours_and_no_cycles_at_all() -> None:
    """Hours are from takeoff to landing, and each flight is one cycle: of a blank column, too."""
    rows = flight("F1", 1, "01:30"), flight("F2", 2, "02:00")
    blank = {"flight_hours": "", "cycles": ""}
    for flights in (rows, [row | blank for row in rows]):
        found = timeline(*flights).flights
        assert (flown(found), found.cycles.tolist()) == ([1.5, 2], [0, 1, 2])
        assert found.unsure.tolist() == []
    found = timeline(rows[0] | {"cycles": "3"}, rows[1] | {"cycles": ""}).flights
    assert found.cycles.tolist() == [0, 3, 4]


def test_flights_in_order_of_aircraft_and_takeoff() -> None:
    """Up to the as-of time, a flight that takes off then included; however they are listed."""
    listed = [
        flight("B2", 2, aircraft="A2", cycles="5"),
        flight("A9", 9),
        flight("A3", 3, "02:00"),
        flight("A1", 1, "01:00"),
        flight("B1", 1, "03:00", aircraft="A2"),
        flight("A4", 3, "04:00", takeoff_at="2025-06-03T00:00:01Z"),
    ]
    line = timeline(*listed, as_of="2025-06-03T00:00:00Z")
    found = line.flights
    assert ids(line) == ["A1", "A3", "B1", "B2"]
    assert found.aircraft.tolist() == [0, 0, 1, 1]
    assert flown(found) == [1, 2, 3, 10]
    assert found.cycles.tolist() == [0, 1, 2, 3, 8]
    assert found.takeoff.tolist()[1] == DAY_3
    assert ((found.landing - found.takeoff) / HOUR).tolist() == [1, 2, 3, 10]
    assert ids(timeline(*listed)) == ["A1", "A3", "A4", "A9", "B1", "B2"]


def test_a_flight_listed_again_counts_once() -> None:
    """Under two numbers it is one; of a later time none is told."""
    rows = [flight("F1", 1), flight("F2", 2), flight("F3", 2), flight("F4", 4), flight("F5", 4), flight("F6", 2)]
    line = timeline(*rows, as_of="2025-06-03T00:00:00Z")
    assert ids(line) == ["F1", "F2"]
    assert line.tables["flights"]["flight_id"].iloc[line.flights.twice].tolist() == ["F3", "F6"]
    line = timeline(*rows, as_of="2025-06-04T00:00:00Z")
    assert ids(line) == ["F1", "F2", "F4"]
    assert line.tables["flights"]["flight_id"].iloc[line.flights.twice].tolist() == ["F3", "F5", "F6"]


@pytest.mark.parametrize(
    ("aircraft", "at", "expected"),
    [
        pytest.param(0, DAY_3, "A3", id="then"),
        pytest.param(0, DAY_3 - 1, "A3", id="before"),
        pytest.param(0, DAY_3 + 1, "A5", id="after"),
        pytest.param(0, DAY_3 + 60 * HOUR, None, id="none-since"),
        pytest.param(1, DAY_3 - 500 * HOUR, "B3", id="of-another"),
        pytest.param(1, DAY_3 + 1, None, id="none-of-the-last"),
        pytest.param(2, DAY_3, None, id="none-of-it"),
    ],
)
def test_the_next_takeoff(aircraft: int, at: int, expected: str | None) -> None:
    """The first of the aircraft then or later."""
    line = timeline(flight("A5", 5), flight("B3", 3, aircraft="A2"), flight("A3", 3))
    place, takeoff = line.flights.next_takeoff(np.array([0, aircraft]), np.array([DAY_3, at]))
    assert place[0] == 0
    days = {"A3": 0, "A5": 48, "B3": 0}
    assert (place[1], takeoff[1]) == (
        (-1, 0) if expected is None else (ids(line).index(expected), DAY_3 + days[expected] * HOUR)
    )


def test_without_flights_none_is_next() -> None:
    """Whatever aircraft is asked about."""
    place, takeoff = timeline().flights.next_takeoff(np.array([0, 1]), np.array([0, DAY_3]))
    assert (place.tolist(), takeoff.tolist()) == ([-1, -1], [0, 0])


@pytest.mark.parametrize(
    ("opens", "closes", "expected"),
    [(0, 0, False), (0, 1, True), (-1, 0, False), (-1, 1, True), (1, 47 * HOUR, False), (1, 49 * HOUR, True)],
)
def test_whether_it_took_off(opens: int, closes: int, expected: bool) -> None:
    """From a moment to another, the first included and the last not; not when another did."""
    found = timeline(flight("A5", 5), flight("B3", 4, aircraft="A2"), flight("A3", 3)).flights
    took_off = found.took_off(np.array([0]), np.array([DAY_3 + opens]), np.array([DAY_3 + closes]))
    assert took_off.tolist() == [expected]
