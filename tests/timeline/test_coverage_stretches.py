"""The stretches of time that the flight log does not cover, aircraft by aircraft, and until when there are records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.intake.reading import read_rows
from audit.timeline.coverage import ANY_AIRCRAFT, Missing, Uncovered, aerodromes, fleet_habit, recorded_until, uncovered
from audit.timeline.instants import DAY, FOREVER, HOUR, NEVER, stamp
from audit.timeline.timeline import Timeline, build_timeline

Row = Mapping[str, str]
DAYS = timedelta(days=1)
BEGIN = datetime(2025, 3, 1)
STATIONS = [
    {"station": "S1", "timezone": "UTC", "icao": "XAAA"},
    {"station": "S2", "timezone": "UTC", "icao": "XBBB"},
]


def zulu(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def task(start: float, aircraft: str = "A1", hours: float = 1, **cells: str) -> dict[str, str]:
    """A record that begins so many days after the first."""
    begun = BEGIN + start * DAYS
    return {
        "task_id": f"T{start}{aircraft}{cells}",
        "work_order": "W1",
        "aircraft": aircraft,
        "action": "apply",
        "station": "S1",
        "started_at": zulu(begun),
        "finished_at": zulu(begun + timedelta(hours=hours)),
    } | cells


def flight(takeoff: float, aircraft: str = "A1", hours: float = 1, **cells: str) -> dict[str, str]:
    """A flight that takes off so many days after the first record."""
    begun = BEGIN + takeoff * DAYS
    return {
        "flight_id": f"F{takeoff}{aircraft}{cells}",
        "aircraft": aircraft,
        "takeoff_at": zulu(begun),
        "landing_at": zulu(begun + timedelta(hours=hours)),
        "origin": "",
        "destination": "",
    } | cells


def timeline(tasks: Sequence[Row], as_of: float = 60, **tables: Sequence[Row]) -> Timeline:
    export = read_rows({"tasks": tasks, **tables})
    return build_timeline(export, pd.Timestamp(BEGIN + as_of * DAYS, tz="UTC"))


def when(instant: int) -> float | None:
    """Hours since the first record; None where there is no such time."""
    if instant in (NEVER, FOREVER):
        return None
    return round((stamp(instant).tz_localize(None) - BEGIN) / timedelta(hours=1), 3)


def stretches(line: Timeline, why: Missing) -> list[tuple[str, float | None, float | None]]:
    """The aircraft, begin and end of each stretch without flights for that reason, in order."""
    found = uncovered(line)
    found = found.take(found.why == int(why))
    return sorted(
        ("any" if craft == ANY_AIRCRAFT else str(line.aircraft_names[craft]), when(start), when(end))
        for craft, start, end in zip(*(part.tolist() for part in (found.aircraft, found.start, found.end)), strict=True)
    )


STRETCH = st.tuples(st.sampled_from((ANY_AIRCRAFT, 0, 1, 2)), st.integers(0, 8), st.integers(1, 4), st.integers(0, 2))


@settings(max_examples=50)
@given(st.lists(STRETCH, max_size=6), st.sets(st.integers(0, 2)))
def test_the_first_uncovered_instant(rows: list[tuple[int, int, int, int]], counted: set[int]) -> None:
    """The instant itself where it lies within a stretch that counts, else when the next one of the aircraft, or of any,
    begins."""
    found = Uncovered(
        aircraft=np.array([aircraft for aircraft, *_ in rows], np.int64),
        start=np.array([start for _, start, _, _ in rows], np.int64),
        end=np.array([start + length for _, start, length, _ in rows], np.int64),
        why=np.array([why for *_, why in rows], np.int64),
    )
    asked = [(aircraft, at) for aircraft in range(3) for at in range(-1, 13)]
    expected = [
        min(
            (
                max(start, at)
                for of, start, length, why in rows
                if of in (aircraft, ANY_AIRCRAFT) and why in counted and start + length > at
            ),
            default=FOREVER,
        )
        for aircraft, at in asked
    ]
    aircraft, instants = (np.array([one[part] for one in asked]) for part in (0, 1))
    first = found.first_from(aircraft, instants, lambda why: np.isin(why, list(counted)))
    assert first.tolist() == expected


def test_each_aircraft_for_its_own_reason() -> None:
    """One that the log knows, one that it knows by nearly the same name, one that it does not know."""
    boots = [
        {"component_serial": f"B{name}", "aircraft": name, "position": "left", "material": "chloroprene"}
        | {"installed_at": "2020-01-01T00:00:00Z"}
        for name in ("A1", "A-2", "A3")
    ]
    line = timeline(
        [task(0), task(0, "A-2"), task(0, "A3")],
        flights=[flight(1), flight(1, "A2")],
        components=boots,
    )
    end = 60 * 24.0
    assert stretches(line, Missing.NAME) == [("A-2", None, end)]
    assert stretches(line, Missing.AIRCRAFT) == [("A3", None, end)]
    assert stretches(line, Missing.TABLE) == []
    assert stretches(line, Missing.AFTER) == [(name, end, None) for name in ("A-2", "A1", "A2", "A3")]


def test_flights_under_nearly_the_same_name() -> None:
    """Each was mistyped, perhaps: while it lasted, either way round."""
    flights = [flight(1), flight(1, "A2"), flight(2, "a1"), flight(4, "a1"), flight(3, "A3")]
    line = timeline([task(0), task(0, "A2")], flights=flights)
    assert stretches(line, Missing.NAME) == [("A1", 48, 49), ("A1", 96, 97), ("a1", 24, 25)]


def test_without_a_flight_log() -> None:
    """Nobody knows of any aircraft whether it flew, up to the as-of time and after it."""
    line = timeline([task(0), task(0, "A2")])
    assert stretches(line, Missing.TABLE) == [("A1", None, 1440), ("A2", None, 1440)]
    assert stretches(line, Missing.AIRCRAFT) == []
    empty = timeline([task(0), task(0, "A2")], flights=[])
    assert stretches(empty, Missing.AIRCRAFT) == [("A1", None, 1440), ("A2", None, 1440)]


LANDED = 40
"""Days after the first record: when the last of the regular flights lands."""
A_SECOND = 1 / 86_400


def every(days: float, count: int, aircraft: str = "A1") -> list[dict[str, str]]:
    """So many flights of an hour, with so many days between a landing and the next takeoff."""
    return [flight(LANDED - 1 / 24 - number * (days + 1 / 24), aircraft) for number in range(count)]


@pytest.mark.parametrize(
    ("flights", "days", "expected"),
    [
        pytest.param(every(1, 9), 14 - A_SECOND, [], id="two-weeks"),
        pytest.param(every(1, 9), 14, ["A1"], id="more-than-two-weeks"),
        pytest.param(every(1, 8), 15, [], id="too-few-gaps-for-a-habit"),
        pytest.param([*every(1, 9), *every(5, 30, "A0")], 15, ["A1"], id="by-its-own-habit"),
        pytest.param([*every(1, 9), *every(5, 30, "A2")], 15, ["A1"], id="by-its-own-habit-as-the-first"),
        pytest.param([*every(5, 9), *every(1, 80, "A0")], 19, [], id="by-its-own-longer-habit"),
        pytest.param([*every(5, 9), *every(1, 80, "A0")], 20, ["A1"], id="four-times-its-own-habit"),
        pytest.param([*every(1, 8), *every(5, 30, "A0")], 19, [], id="by-that-of-the-fleet"),
        pytest.param([*every(1, 8), *every(5, 30, "A0")], 20, ["A1"], id="four-times-that-of-the-fleet"),
        # Of 11 gaps one longer one is no habit; of 10 it is.
        pytest.param([*every(1, 11), flight(10)], 15, ["A1"], id="one-of-eleven-is-no-habit"),
        pytest.param([*every(1, 10), flight(10)], 15, [], id="one-of-ten-is"),
        pytest.param(
            [flight(LANDED - 1 / 24), *every(1, 11, "A0"), flight(10, "A0")], 15, ["A1"], id="in-the-fleet-too"
        ),
        pytest.param(
            [flight(LANDED - 1 / 24), *every(1, 10, "A0"), flight(10, "A0")], 15, [], id="of-ten-in-the-fleet"
        ),
    ],
)
def test_an_unusually_long_gap(flights: list[dict[str, str]], days: float, expected: list[str]) -> None:
    """Longer than two weeks, and than four times nine of ten of the gaps of its aircraft, or of the fleet: here, until
    the as-of time."""
    line = timeline([task(0)], as_of=LANDED + days, flights=flights)
    found = [one for one in stretches(line, Missing.GAP) if one[1] == LANDED * 24 and one[0] == "A1"]
    assert found == [(name, LANDED * 24, round((LANDED + days) * 24, 3)) for name in expected]


def test_unusual_gaps_between_flights_and_before_the_first() -> None:
    """Each lasts from a landing, or what the export tells of first, to the next takeoff; of its own aircraft."""
    flights = [*every(1, 12), *every(1, 10, "A0"), flight(LANDED + 20), flight(0, "A2"), flight(LANDED, "A2")]
    line = timeline([task(0)], as_of=LANDED + 20, flights=flights)
    taken_off = (LANDED - 1 / 24 - 11 * 25 / 24) * 24
    assert stretches(line, Missing.GAP) == [
        ("A0", 0, round((LANDED - 1 / 24 - 9 * 25 / 24) * 24, 3)),
        ("A0", LANDED * 24, (LANDED + 20) * 24),
        ("A1", 0, round(taken_off, 3)),
        ("A1", LANDED * 24, (LANDED + 20) * 24),
        ("A2", 1, LANDED * 24),
        ("A2", LANDED * 24 + 1, (LANDED + 20) * 24),
    ]
    found = uncovered(timeline([task(0)], as_of=LANDED + 20, flights=every(1, 12)))
    assert found.end[found.why == int(Missing.GAP)].max() == found.start[found.why == int(Missing.AFTER)][0]


@pytest.mark.parametrize(
    ("flights", "expected"),
    [
        pytest.param([], FOREVER, id="no-flights"),
        pytest.param(every(1, 8), FOREVER, id="seven-gaps"),
        pytest.param(every(1, 9), 4 * DAY, id="eight"),
        pytest.param([*every(1, 5), *every(2, 5, "A0")], 8 * DAY, id="eight-of-two-aircraft"),
        pytest.param([*every(1, 5), *every(2, 4, "A0")], FOREVER, id="seven-of-two-aircraft"),
        pytest.param([*every(1, 10), flight(10)], 4 * (20 * DAY + 13 * HOUR), id="the-longest-of-ten"),
        pytest.param([*every(1, 11), flight(10)], 4 * DAY, id="not-the-longest-of-eleven"),
        pytest.param([*every(1, 8), flight(60)], 80 * DAY, id="one-to-a-takeoff-at-the-as-of-time"),
    ],
)
def test_the_habit_of_the_fleet(flights: list[dict[str, str]], expected: int) -> None:
    """Four times what nine of ten gaps between two flights last, from eight gaps on."""
    line = timeline([task(0)], flights=flights)
    assert fleet_habit(line) == expected
    assert fleet_habit(replace(line, fleet_habit=5)) == 5, "of a part, that of the whole"


@pytest.mark.parametrize(
    ("flights", "expected"),
    [
        pytest.param([("S1", 5, "S2"), ("S1", 7, "S2")], [("A1", 121, 168)], id="elsewhere"),
        pytest.param([("S1", 7, "S2"), ("S1", 5, "S2")], [("A1", 121, 168)], id="however-they-are-listed"),
        pytest.param([("S1", 5, "S1"), ("S2", 7, "S1")], [("A1", 121, 168)], id="from-the-first-aerodrome"),
        pytest.param([("S1", 5, "XAAA"), ("S1", 7, "S2"), ("XBBB", 9, "")], [], id="by-either-code"),
        pytest.param([("S1", 5, "S2"), ("S1", 5 + 1 / 24, "S2")], [], id="at-once"),
        pytest.param([("S1", 5, ""), ("S1", 7, "S2"), ("", 9, "S1")], [], id="blank"),
        pytest.param([("S1", 5, "S3"), ("S4", 7, "S5"), ("S5", 9, "S6")], [("A1", 121, 168)], id="not-listed"),
        pytest.param([("S1", 5, "S2"), ("S3", 7, "S3"), ("S4", 9, "")], [("A1", 121, 168), ("A1", 169, 216)], id="two"),
    ],
)
def test_between_two_legs(flights: list[tuple[str, float, str]], expected: list[tuple[str, float, float]]) -> None:
    """A leg is missing where an aircraft takes off elsewhere than it landed some time before, whatever others do."""
    rows = [flight(at, origin=origin, destination=destination) for origin, at, destination in flights]
    others = [flight(6, "A0", origin="S1", destination="S9"), flight(6, "A2", origin="S7", destination="S8")]
    line = timeline([task(0)], flights=[*rows, *others], stations=STATIONS)
    assert stretches(line, Missing.LEG) == expected
    for column in ("origin", "destination"):
        less = [{name: cell for name, cell in row.items() if name != column} for row in rows]
        assert stretches(timeline([task(0)], flights=less, stations=STATIONS), Missing.LEG) == []


@pytest.mark.parametrize(
    ("aside", "expected"),
    [
        pytest.param({}, [("A1", 120, 168)], id="elsewhere-than-the-next-began"),
        pytest.param({"destination": "S2"}, [], id="where-the-next-began"),
        pytest.param({"destination": ""}, [], id="who-knows-where"),
        pytest.param(
            {"takeoff_at": "?", "landing_at": zulu(BEGIN + 5.25 * DAYS)}, [("A1", 126, 168)], id="since-it-landed"
        ),
        pytest.param({"takeoff_at": "?"}, [], id="at-any-time"),
        pytest.param({"aircraft": ""}, [], id="of-any-aircraft"),
        pytest.param({"aircraft": "A2"}, [("A2", 120, 144)], id="of-another-aircraft"),
        pytest.param({"destination": "S2", "origin": "S9"}, [("A1", 97, 120)], id="from-elsewhere-than-the-last-ended"),
    ],
)
def test_a_leg_that_is_missing_beside_a_flight_in_quarantine(
    aside: dict[str, str], expected: list[tuple[str, float, float]]
) -> None:
    """A flight that can't be read ended somewhere, and began somewhere."""
    rows = [
        flight(4, origin="S2", destination="S2"),
        flight(5, origin="S2", destination="S1") | {"landing_at": "?"} | aside,
        flight(7, origin="S2", destination="S2"),
        flight(6, "A2", origin="S2", destination="S2"),
    ]
    assert stretches(timeline([task(0)], flights=rows, stations=STATIONS), Missing.LEG) == expected


AWAY = task(2, station="S2")
MOVED = [("A1", 1.0, 48.0)]


@pytest.mark.parametrize(
    ("tasks", "flights", "expected"),
    [
        pytest.param([task(0), AWAY], [], MOVED, id="to-another-station"),
        pytest.param([AWAY, task(0)], [], MOVED, id="however-they-are-listed"),
        pytest.param([task(0), task(2, station="XAAA")], [], [], id="by-its-location-indicator"),
        pytest.param([task(0), task(2, "A2", station="S2")], [], [], id="another-aircraft"),
        pytest.param([task(0), AWAY], [flight(1)], [], id="flown-in-between"),
        pytest.param([task(0), AWAY], [flight(1 / 24)], [], id="flown-at-once"),
        pytest.param([task(0), AWAY], [flight(1 / 24 - A_SECOND)], MOVED, id="flown-before-the-work-ended"),
        pytest.param([task(0), AWAY], [flight(2 - A_SECOND)], [], id="flown-last"),
        pytest.param([task(0), AWAY], [flight(2)], MOVED, id="flown-as-work-began"),
        pytest.param([task(0), AWAY], [flight(1, "A2")], MOVED, id="another-flown"),
        pytest.param([task(0), task(1 / 24, station="S2")], [], [], id="no-time-in-between"),
        pytest.param([task(0), task(1, status="open"), AWAY], [], MOVED, id="of-closed-records"),
        pytest.param([task(0), AWAY, task(4)], [], [*MOVED, ("A1", 49.0, 96.0)], id="and-back"),
        pytest.param([task(0, "A2"), task(0), AWAY, task(2, "A0")], [], MOVED, id="among-others"),
    ],
)
def test_between_work_at_two_stations(
    tasks: list[dict[str, str]], flights: list[dict[str, str]], expected: list[tuple[str, float, float]]
) -> None:
    """The aircraft flew from one to the other, which the log lacks where no takeoff lies in between."""
    line = timeline(tasks, flights=flights, stations=STATIONS)
    assert stretches(line, Missing.ELSEWHERE) == expected


@pytest.mark.parametrize(
    ("aside", "expected"),
    [
        pytest.param({"landing_at": "late"}, [("A1", 120, 120)], id="at-its-takeoff"),
        pytest.param({"takeoff_at": "early"}, [("A1", 97, 121)], id="within-a-day-before-its-landing"),
        pytest.param({"takeoff_at": "early", "landing_at": "late"}, [("A1", None, 1440)], id="at-any-time"),
        pytest.param({"landing_at": "late", "aircraft": ""}, [("any", 120, 120)], id="of-any"),
        pytest.param({"landing_at": "late", "takeoff_at": zulu(BEGIN + 61 * DAYS)}, [], id="later"),
        pytest.param({"landing_at": "late", "takeoff_at": zulu(BEGIN + 60 * DAYS)}, [("A1", 1440, 1440)], id="now"),
    ],
)
def test_flights_that_can_not_be_read(aside: Row, expected: list[tuple[str, float, float]]) -> None:
    """Whatever of their times can be read narrows when they may have been."""
    later = flight(5) | {"flight_id": "F9", "takeoff_at": zulu(BEGIN + 70 * DAYS), "landing_at": "late"}
    line = timeline([task(0), task(0, "A2")], flights=[flight(1), later, flight(5) | aside])
    assert stretches(line, Missing.UNREADABLE) == expected


def test_flights_that_may_count_for_more() -> None:
    """At the takeoff of each whose hours contradict its times, or that is listed again; until the as-of time."""
    hours = {"flight_hours": "9"}
    rows = [flight(2, "A2"), flight(3, "A2", **hours), flight(4), flight(5, **hours), flight(65, **hours)]
    rows += [flight(at, "A2", flight_id=f"again-{at}-{name}") for at in (6, 7, 66) for name in (1, 2)]
    line = timeline([task(0), task(0, "A2")], flights=rows)
    assert stretches(line, Missing.HOURS) == [("A1", 120, 120), ("A2", 72, 72)]
    assert stretches(line, Missing.TWICE) == [("A2", 144, 144), ("A2", 168, 168)]


def numbers(line: Timeline, *columns: list[str | None]) -> list[list[int]]:
    cells = [pd.Series(pd.Categorical(column)) for column in columns]
    return [found.tolist() for found in aerodromes(line, *cells)]


def test_aerodromes_by_stations_and_indicators() -> None:
    """One number for a station, its indicator and another station there, in all columns; none for a blank cell."""
    stations = [*STATIONS, {"station": "S3", "timezone": "UTC", "icao": ""}, STATIONS[0] | {"station": "S9"}]
    (first, second) = numbers(
        timeline([task(0)], stations=stations), ["S1", "XAAA", None, "S9", "S2"], ["XBBB", "S3", "nowhere", "S1", None]
    )
    here, there = first[0], first[4]
    assert first == [here, here, -1, here, there]
    assert second == [there, second[1], second[2], here, -1]
    assert len({here, there, second[1], second[2], -1}) == 5
    for line in (timeline([task(0)]), timeline([task(0)], stations=[{"station": "S1", "timezone": "UTC"}])):
        (codes,) = numbers(line, ["S1", "XAAA", "S1", None])
        assert (codes[0] == codes[2], codes[0] == codes[1], codes[3]) == (True, False, -1)


def days_of_work(*days: float) -> list[dict[str, str]]:
    return [task(day, f"A{number % 2}") for number, day in enumerate(days)]


NINE = tuple(range(9))
LONG_ENDED = 8 * 24 + 1.0
"""When the last record of NINE ends, in hours."""


@pytest.mark.parametrize(
    ("tasks", "days", "expected"),
    [
        pytest.param(days_of_work(*NINE), 14, None, id="two-weeks"),
        pytest.param(days_of_work(*NINE), 14 + A_SECOND, LONG_ENDED, id="more-than-two-weeks"),
        pytest.param(days_of_work(*NINE[1:]), 30, None, id="too-few-records"),
        pytest.param(days_of_work(*(number * 5 - 32 for number in NINE)), 20, None, id="four-times-what-is-usual"),
        pytest.param(
            days_of_work(*(number * 5 - 32 for number in NINE)), 20 + A_SECOND, LONG_ENDED, id="more-than-that"
        ),
        # Of 11 times between records one longer one is not usual; of 10 it is.
        pytest.param(days_of_work(-30, *range(-2, 9)), 15, LONG_ENDED, id="one-of-eleven-is-unusual"),
        pytest.param(days_of_work(-30, *range(-1, 9)), 15, None, id="one-of-ten-is-usual"),
        pytest.param(days_of_work(*reversed(NINE)), 15, LONG_ENDED, id="however-they-are-listed"),
        pytest.param([*days_of_work(*NINE), task(8, "A3", status="open")], 15, LONG_ENDED, id="open-ones-too"),
        pytest.param([*days_of_work(*NINE), task(5, "A3", 80)], 15, LONG_ENDED + 7, id="by-the-last-end"),
        pytest.param([*days_of_work(*NINE), task(30, "A3")], 15, LONG_ENDED, id="none-of-a-later-time"),
        pytest.param([*days_of_work(*NINE), task(20, "A3")], 15, None, id="one-since"),
        pytest.param([*days_of_work(*NINE), task(23 + 1 / 24, "A3")], 15, None, id="one-at-the-as-of-time"),
        pytest.param([], 15, None, id="none"),
        pytest.param([task(40)], 15, None, id="none-yet"),
        pytest.param(
            [*days_of_work(*NINE[1:]), task(3, started_at="?"), task(4, started_at="?")],
            15,
            None,
            id="none-without-a-start",
        ),
    ],
)
def test_until_when_there_are_records(tasks: list[dict[str, str]], days: float, expected: float | None) -> None:
    """The end of the last, where none has come for more than two weeks and four times as long as is usual."""
    line = timeline(tasks, as_of=8 + 1 / 24 + days)
    assert when(recorded_until(line)) == expected
    assert recorded_until(replace(line, recorded_until=7)) == 7, "of a part, that of the whole"


def test_the_as_of_time_itself_is_known() -> None:
    """What happened then is recorded, from the next moment on nothing is; a takeoff is a moment."""
    rows = [flight(1), flight(5, landing_at="late"), flight(5, "", takeoff_at="early", landing_at="late")]
    rows += [flight(at, flight_id=name) for at in (6, 60) for name in (f"F{at}", f"G{at}")]
    line = timeline([task(0), task(0, "A2")], flights=[*rows, flight(3, flight_hours="9")])
    assert line.flights.takeoff.max() == line.as_of
    found = uncovered(line)
    assert found.start[found.why == int(Missing.AFTER)].tolist() == [line.as_of + 1] * 2
    moments = np.isin(found.why, (Missing.HOURS, Missing.TWICE)) | (
        (found.why == Missing.UNREADABLE) & (found.start > NEVER)
    )
    assert (found.end - found.start)[moments].tolist() == [1] * 4
    others = np.isin(found.why, (Missing.AIRCRAFT, Missing.UNREADABLE)) & ~moments
    assert found.end[others].tolist() == [line.as_of + 1] * 2
    bare = uncovered(timeline([task(0)]))
    assert bare.end[bare.why == int(Missing.TABLE)].tolist() == [line.as_of + 1]
