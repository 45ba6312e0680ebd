"""The overlap form at its limits."""

from __future__ import annotations

from itertools import combinations
from math import nan
from typing import Any

import pandas as pd
import pytest

from audit.forms.judging import judge_rule
from audit.forms.overlap import OVERLAP, OverlapRule
from audit.intake.reading import read_rows
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule, verdict

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


def test_a_record_that_ends_before_it_starts() -> None:
    """When its work was done isn't known: it contradicts nothing for sure, and agrees with nothing for sure."""
    turned = {"started_at": TASK["finished_at"], "finished_at": TASK["started_at"]}
    for takeoff, landing in (("09:20:00", "09:40:00"), ("09:30:00", "11:00:00"), ("12:00:00", "13:00:00")):
        assert verdict(IN_FLIGHT, tasks=[turned], flights=[flight(takeoff, landing)]) == "1 unjudged"
    for day, expected in (("01", "1 complies"), ("03", "1 unjudged"), ("04", "1 complies")):
        other = {"takeoff_at": f"2025-06-{day}T08:00:00Z", "landing_at": f"2025-06-{day}T09:00:00Z"}
        assert verdict(IN_FLIGHT, tasks=[turned], flights=[other]) == expected
    elsewhere = turned | {"station": "S2"}
    assert verdict(TWO_PLACES, tasks=[TASK, elsewhere]) == "1 unjudged, 1 complies"
    assert verdict(TWO_PLACES, tasks=[TASK | {"finished_at": "2025-06-02T11:00:00Z"}, elsewhere]) == "1 unjudged"
    assert verdict(TWO_PLACES, tasks=[turned, elsewhere]) == "1 finding", "both at the same times, whenever that was"
    sooner = elsewhere | {"finished_at": "2025-06-02T08:30:00Z"}
    assert verdict(TWO_PLACES, tasks=[turned, sooner]) == "1 unjudged", "one of the two times of each is wrong"
    assert verdict(TWO_PLACES, tasks=[turned, TASK | {"performed_by": "P2", "station": "S2"}]) == "2 complies"
    entered_twice = rule("overlap", between=["tasks", "tasks"], same=["aircraft", "started_at", "finished_at"])
    assert verdict(entered_twice, tasks=[turned, TASK]) == "2 complies"


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
    either = {**lots, "differing": ["lot", "manual"]}
    [reason] = outcomes(either, tasks=[TASK | {"lot": "L1"}, TASK | {"lot": "L2"}]).cases["reason"]
    assert reason == "value missing: lot or manual"
    assert verdict(either, tasks=[TASK | {"manual": "M1"}, TASK | {"manual": "M2"}]) == "1 unjudged"


def test_two_columns_of_which_one_differs_in_how_it_is_written_only() -> None:
    """That the other differs doesn't make two of what may be one."""
    aircraft = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["aircraft", "lot"])
    tasks = [TASK | {"lot": "L1"}, TASK | {"lot": "L2", "aircraft": "A-1"}]
    flights = [flight("12:00:00", "13:00:00")]
    assert verdict(aircraft, tasks=tasks, flights=flights) == "1 unjudged"
    tasks[1]["aircraft"] = "B7"
    assert verdict(aircraft, tasks=tasks, flights=flights) == "1 finding"


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


@pytest.mark.parametrize(("station", "expected"), [("S-1", "1 unjudged"), ("S9", "1 finding")])
def test_work_at_a_station_of_nearly_the_same_name(station: str, expected: str) -> None:
    """It may have been done where the aircraft stood."""
    tasks = [TASK | {"station": station}]
    flights = [flight("07:00:00", "08:00:00", destination="S1")]
    assert verdict(ELSEWHERE, tasks=tasks, flights=flights) == expected
    # Without a list of stations the flight names it; where the flight names the aerodrome, only the list does.
    there = TASK | {"station": "S1", "aircraft": "A2"}
    landed = [*flights, flight("07:00:00", "08:00:00", destination="S1", aircraft="A2")]
    found = verdict(ELSEWHERE, tasks=[*tasks, there], flights=landed, not_supplied=["stations"])
    assert found == f"{expected}, 1 complies"
    stations = [{"station": "S1", "timezone": "UTC", "icao": "ICA1"}]
    flights = [flight("07:00:00", "08:00:00", destination="ICA1")]
    assert verdict(ELSEWHERE, tasks=tasks, flights=flights, stations=stations) == expected


def test_an_unjudged_pair_of_flights_shows_one_of_them_and_no_figures() -> None:
    """Figures say what a finding is; the flight says which pair is meant."""
    flights = [flight("08:00:00", "09:00:00"), flight("08:59:00", "10:00:00")]
    pairs = rule("overlap", between=["flights", "flights"], same=["aircraft"])
    [case] = outcomes(pairs, tasks=[TASK], flights=flights).cases.to_dict("records")
    assert (case["finding"], case["flight"], case["other"], case["measured"]) == (
        False,
        1,
        -1,
        pytest.approx(nan, nan_ok=True),
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
    found = outcomes(boots, as_of=TASK["finished_at"], tasks=[TASK], components=[{}, later])
    assert found.cases["measured"].tolist() == [pytest.approx(2.0)]


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


@pytest.mark.parametrize(
    ("as_of", "expected"),
    [
        pytest.param("2025-06-02T08:00:00Z", "1 finding", id="put-on-at-the-as-of-time"),
        pytest.param("2025-06-02T07:59:59Z", "1 complies", id="not-yet"),
    ],
)
def test_the_as_of_time_itself_is_known(as_of: str, expected: str) -> None:
    """What was installed, landed or was worked on at that very time is there."""
    boots = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
    second = {"component_serial": "C2", "installed_at": "2025-06-02T08:00:00Z"}
    earlier = {"started_at": "2025-06-01T09:00:00Z"}
    assert verdict(boots, as_of, tasks=[earlier], components=[{}, second]) == expected
    work = {"started_at": "2025-06-02T08:00:00Z", "station": "S2", "finished_at": "2025-06-02T08:00:00Z"}
    flights = [flight("05:00:00", "06:00:00", destination="S1")]
    assert verdict(ELSEWHERE, as_of, tasks=[work], flights=flights) == expected.replace("1 complies", "idle")


@pytest.mark.parametrize(
    ("time", "station", "expected"),
    [
        pytest.param("08:00:00", "S2", "1 complies", id="before-any-landing"),
        pytest.param("09:30:00", "S2", "1 finding", id="between-two-flights"),
        pytest.param("09:30:00", "S1", "1 complies", id="between-two-flights-where-it-stands"),
        pytest.param("11:30:00", "S1", "1 finding", id="where-it-stood-before"),
        pytest.param("14:30:00", "S1", "1 finding", id="after-the-last-flight"),
        pytest.param("14:30:00", "S2", "1 complies", id="after-the-last-flight-where-it-stands"),
    ],
)
def test_an_aircraft_stands_until_its_own_next_takeoff(time: str, station: str, expected: str) -> None:
    """Flights of another aircraft, before, between and after, take it nowhere."""
    own = [flight("08:30:00", "09:00:00", destination="S1"), flight("10:00:00", "11:00:00", destination="S2")]
    others = [
        flight(takeoff, landing, aircraft=aircraft, destination="S3")
        for takeoff, landing in (("06:00:00", "07:00:00"), ("09:10:00", "09:20:00"), ("12:00:00", "13:00:00"))
        for aircraft in ("A0", "A2")
    ]
    work = {"started_at": f"2025-06-02T{time}Z", "station": station}
    assert verdict(ELSEWHERE, tasks=[work], flights=[*others, *own]) == expected


def test_a_stay_that_lasts_no_time_is_none() -> None:
    """An aircraft that took off at the time at which it landed stood nowhere, not even for an instant."""
    flights = [flight("08:00:00", "09:00:00", destination="S1"), flight("09:00:00", "11:00:00", destination="S2")]
    assert verdict(ELSEWHERE, tasks=[INSTANT | {"station": "S3"}], flights=flights) == "1 complies"


@pytest.mark.parametrize(
    ("stations", "destination", "station", "expected"),
    [
        pytest.param({"icao": "ICA1"}, "S2", "S1", "1 complies", id="two-stations-of-one-aerodrome"),
        pytest.param({"icao": "ICA1"}, "ICA1", "S2", "1 complies", id="their-location-indicator"),
        pytest.param({"icao": "ICA1"}, "S3", "S1", "1 finding", id="a-third-station"),
        pytest.param({"icao": "ICA1"}, "ICA3", "S2", "1 finding", id="the-third-one-s-location-indicator"),
        pytest.param({"icao": None}, "S2", "S1", "1 finding", id="without-location-indicators"),
        pytest.param({"icao": None}, "ICA1", "S1", "1 complies", id="one-without-a-location-indicator"),
    ],
)
def test_stations_at_one_aerodrome(stations: dict[str, Any], destination: str, station: str, expected: str) -> None:
    """Stations with one location indicator are one place; where none is given each is a place of its own."""
    listed = [{"station": "S1", "timezone": "UTC", "icao": "ICA1"}, {"station": "S2", "timezone": "UTC"} | stations]
    listed.append({"station": "S3", "timezone": "UTC", "icao": "ICA3"})
    work = TASK | {"station": station}
    flights = [flight("07:00:00", "08:00:00", destination=destination)]
    assert verdict(ELSEWHERE, tasks=[work], flights=flights, stations=listed) == expected


def test_one_person_at_two_stations_of_one_aerodrome() -> None:
    """Records name stations too; another aerodrome is another place, whichever of its stations is named."""
    icao = {"S1": "ICA1", "S2": "ICA2", "S3": "ICA1", "S4": "ICA2", "S5": "", "S6": ""}
    stations = [{"station": name, "timezone": "UTC", "icao": place} for name, place in icao.items()]
    tasks = [
        TASK | {"station": station, "performed_by": f"the one of {' and '.join(pair)}"}
        for pair in combinations(icao, 2)
        for station in pair
    ]
    found = outcomes(TWO_PLACES, tasks=tasks, stations=stations)
    assert (found.findings, found.complies) == (13, 4), "S1 with S3 and S2 with S4"


@pytest.mark.parametrize(
    ("same", "owner"),
    [
        (["aircraft"], "aircraft"),
        (["certified_by", "aircraft"], "aircraft"),
        (["performed_by"], "performed_by"),
        (["station", "certified_by"], "certified_by"),
        (["station"], "none"),
    ],
)
def test_by_whom_a_load_can_be_split(same: list[str], owner: str) -> None:
    """By the aircraft or the person that both must share; else every part needs all."""
    data = rule("overlap", between=["tasks", "tasks"], same=same)
    assert OVERLAP.owner(OverlapRule.model_validate(data)) == owner


def test_a_pair_is_one_pair_in_every_reading() -> None:
    """Which of two records began first may depend on a reading; that they overlap in all of them is a finding."""
    stations = [{"station": "S1", "timezone": "UTC"}, {"station": "S2", "timezone": "Europe/Berlin"}]
    twice = {"station": "S2", "started_at": "2025-10-26T02:10:00", "finished_at": "2025-10-26T04:50:00"}
    once = {"started_at": "2025-10-26T00:40:00Z", "finished_at": "2025-10-26T02:00:00Z"}
    assert verdict(TWO_PLACES, tasks=[twice, once], stations=stations) == "1 finding"


def aside(data: dict[str, Any], **tables: list[dict[str, str]]) -> str:
    """The verdicts on all subjects of an export of which rows are set aside."""
    usual: dict[str, dict[str, str]] = {
        "tasks": {"work_order": "W1", "aircraft": "A1", "action": "inspect", "station": "S1", "performed_by": "P1"}
        | TASK,
        "flights": {"aircraft": "A1", "takeoff_at": "2025-06-02T10:00:00Z", "landing_at": "2025-06-02T11:00:00Z"},
        "components": {
            "aircraft": "A1",
            "position": "fin",
            "material": "other",
            "installed_at": "2025-06-01T00:00:00Z",
        },
    }
    keys = {"tasks": "task_id", "flights": "flight_id", "components": "component_serial"}
    rows = {
        table: [usual[table] | {keys[table]: str(number)} | row for number, row in enumerate(some)]
        for table, some in ({"tasks": [{}]} | tables).items()
    }
    found = judge_rule(
        RULES.validate_python(data), build_timeline(read_rows(rows), pd.Timestamp("2025-06-09T00:00:00Z"))
    )
    return f"{found.findings} found, {found.unjudged} unjudged, {found.complies} comply"


PASSED, OPEN = "0 found, 0 unjudged, 1 comply", "0 found, 1 unjudged, 0 comply"
BOOTS = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
FLIGHTS = rule("overlap", between=["flights", "flights"], same=["aircraft"])


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param(
            {"station": "S2", "finished_at": "?", "started_at": "2025-06-01T09:00:01Z"}, OPEN, id="within-a-day"
        ),
        pytest.param({"station": "S2", "finished_at": "?", "started_at": "2025-06-01T09:00:00Z"}, PASSED, id="a-day"),
        pytest.param(
            {"station": "S2", "finished_at": "2025-06-03T09:59:59Z", "started_at": ""}, OPEN, id="ended-next-day"
        ),
        pytest.param(
            {"station": "S2", "finished_at": "2025-06-03T10:00:00Z", "started_at": ""}, PASSED, id="a-day-later"
        ),
        pytest.param({"station": "S2", "finished_at": "?", "started_at": "?"}, OPEN, id="at-any-time"),
        pytest.param({"station": "S2", "finished_at": "?"} | {"performed_by": "P2"}, PASSED, id="another-person"),
        pytest.param({"station": "S2", "finished_at": "?"} | {"performed_by": ""}, OPEN, id="nobody-named"),
        pytest.param({"finished_at": "?"}, PASSED, id="at-the-same-station"),
        pytest.param({"station": ""}, OPEN, id="at-no-station"),
        pytest.param({"station": "S2", "finished_at": "?", "status": "void"}, PASSED, id="void"),
        pytest.param({"station": "S2", "work_order": ""}, OPEN, id="of-no-work-order"),
    ],
)
def test_a_record_in_quarantine_may_be_the_other_one(other: dict[str, str], expected: str) -> None:
    """What a record that was set aside may contradict is open; one that can't have been there changes nothing."""
    assert aside(TWO_PLACES, tasks=[{}, other]) == expected


def test_a_record_in_quarantine_that_the_rule_is_not_about() -> None:
    """The scope is asked of it, too."""
    inspections = TWO_PLACES | {"scope": {"action": {"is": "inspect"}}}
    assert aside(inspections, tasks=[{}, {"station": "S2", "work_order": ""}]) == OPEN
    assert aside(inspections, tasks=[{}, {"station": "S2", "work_order": "", "action": "clean"}]) == PASSED


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"installed_at": "?", "removed_at": "2025-06-01T00:00:01Z"}, OPEN, id="put-on-at-any-time"),
        pytest.param({"installed_at": "?", "removed_at": "2025-06-01T00:00:00Z"}, PASSED, id="gone-before"),
        pytest.param({"material": ""}, OPEN, id="still-there"),
        pytest.param({"material": "", "position": "left"}, PASSED, id="at-another-position"),
        pytest.param({"position": ""}, OPEN, id="at-no-position"),
        pytest.param({"position": "", "aircraft": "A2"}, PASSED, id="on-another-aircraft"),
    ],
)
def test_a_boot_in_quarantine_may_be_the_second(other: dict[str, str], expected: str) -> None:
    """Two boots at one position may be recorded, one of them in a row that can't be read."""
    assert aside(BOOTS, components=[{}, other]) == expected


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"takeoff_at": "2025-06-02T09:00:00Z", "landing_at": ""}, OPEN, id="before-the-next"),
        pytest.param({"takeoff_at": "", "landing_at": "2025-06-02T10:00:01Z"}, OPEN, id="landed-after-the-takeoff"),
        pytest.param({"takeoff_at": "", "landing_at": "2025-06-02T10:00:00Z"}, PASSED, id="landed-before"),
        pytest.param({"takeoff_at": "2025-06-02T11:00:00Z", "landing_at": ""}, PASSED, id="took-off-later"),
        pytest.param({"takeoff_at": "2025-06-02T10:59:59Z", "landing_at": ""}, OPEN, id="took-off-meanwhile"),
        pytest.param({"takeoff_at": "2025-06-01T10:00:01Z", "landing_at": ""}, OPEN, id="a-day-before"),
        pytest.param({"takeoff_at": "2025-06-01T10:00:00Z", "landing_at": ""}, PASSED, id="longer-before"),
        pytest.param({"takeoff_at": "", "landing_at": "2025-06-03T10:59:59Z"}, OPEN, id="landed-a-day-later"),
        pytest.param({"takeoff_at": "", "landing_at": "2025-06-03T11:00:00Z"}, PASSED, id="landed-still-later"),
        pytest.param({"takeoff_at": "", "landing_at": ""}, OPEN, id="at-any-time"),
        pytest.param({"takeoff_at": "", "landing_at": "", "aircraft": "A2"}, PASSED, id="another-aircraft"),
        pytest.param({"aircraft": ""}, OPEN, id="no-aircraft-named"),
        pytest.param(
            {"aircraft": "", "takeoff_at": "2025-06-02T12:00:00Z", "landing_at": "2025-06-02T13:00:00Z"},
            PASSED,
            id="no-aircraft-named-at-another-time",
        ),
    ],
)
def test_a_flight_in_quarantine_may_be_the_second(other: dict[str, str], expected: str) -> None:
    """A flight that can't be read may overlap those beside it."""
    assert aside(FLIGHTS, flights=[{}, other]) == expected


@pytest.mark.parametrize(
    ("aircraft", "again", "expected"),
    [
        pytest.param("A1", "08:00:00", PASSED, id="before-the-work"),
        pytest.param("A1", "10:30:00", OPEN, id="after-the-work"),
        pytest.param("A0", "08:00:00", OPEN, id="another-aircraft-before-the-work"),
        pytest.param("A2", "08:00:00", OPEN, id="yet-another-before-the-work"),
    ],
)
def test_a_flight_in_quarantine_ends_before_the_next(aircraft: str, again: str, expected: str) -> None:
    """Of one whose landing can't be read, the next takeoff of its own aircraft tells the latest end."""
    taken_off = {"takeoff_at": f"2025-06-02T{again}Z", "landing_at": f"2025-06-02T{again[:2]}:40:00Z"}
    unreadable = {"takeoff_at": "2025-06-02T07:00:00Z", "landing_at": "?"}
    other_day = {"takeoff_at": "2025-06-05T07:00:00Z", "landing_at": "2025-06-05T08:00:00Z"}
    assert aside(IN_FLIGHT, flights=[taken_off | {"aircraft": aircraft}, unreadable, other_day]) == expected


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"started_at": "?"}, OPEN, id="at-any-time"),
        pytest.param({"station": ""}, OPEN, id="at-that-time"),
        pytest.param({"station": "", "started_at": "2025-06-02T09:00:01Z"}, PASSED, id="a-second-later"),
    ],
)
def test_a_record_in_quarantine_that_may_have_begun_together(other: dict[str, str], expected: str) -> None:
    """Of records that must begin together one without a readable start may be the second."""
    together = rule("overlap", between=["tasks", "tasks"], same=["performed_by", "started_at"])
    assert aside(together, tasks=[{}, other]) == expected


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


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        pytest.param("SOUTH", "N0RTH", "1 unjudged", id="nearly-one-at-its-aerodrome"),
        pytest.param("N0RTH", "S0UTH", "1 unjudged", id="each-nearly-one-there"),
        pytest.param("EAST", "N0RTH", "1 finding", id="at-another"),
        pytest.param("SOUTH", "NORTH", "2 complies", id="two-at-one-aerodrome"),
    ],
)
def test_names_that_are_nearly_those_of_one_aerodrome(one: str, other: str, expected: str) -> None:
    """A station of nearly the same name as one of two at an aerodrome may be at the place of both."""
    stations = [
        {"station": name, "timezone": "UTC", "icao": icao}
        for name, icao in (("NORTH", "ZZNO"), ("SOUTH", "ZZNO"), ("EAST", "ZZEA"))
    ]
    tasks = [TASK | {"performed_by": "Eli Park", "station": station} for station in (one, other)]
    assert verdict(TWO_PLACES, tasks=tasks, people=[PERSON], stations=stations) == expected


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        pytest.param({"station": "S2"}, "2 unjudged", id="one-of-them-elsewhere"),
        pytest.param({"station": "S1"}, "1 unjudged, 1 complies", id="one-of-them-there"),
        pytest.param({"station": "S2", "performed_by": "Cy Moss"}, "1 unjudged, 1 complies", id="somebody-else"),
        pytest.param({"station": "S2", "performed_by": "Bo Lind; Cy Moss"}, "2 unjudged", id="one-of-them-or-another"),
    ],
)
def test_one_of_several_people_at_two_places(other: dict[str, Any], expected: str) -> None:
    """Whoever of several people in a cell did the work may have been where one of them is named."""
    tasks = [TASK | {"performed_by": "Ann Lee; Bo Lind"}, TASK | {"performed_by": "Ann Lee"} | other]
    assert verdict(TWO_PLACES, tasks=tasks) == expected


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Eli-Park", "1 unjudged"),
        ("Eli Park", "1 unjudged"),
        ("Bo Lind", "2 complies"),
    ],
)
def test_names_that_are_nearly_equal_in_an_hour_that_came_twice(name: str, expected: str) -> None:
    """By one of the two hours who may be the same person was at another station meanwhile."""
    stations = [{"station": "NORTH", "timezone": "Europe/Berlin"}, {"station": "SOUTH", "timezone": "UTC"}]
    one = {"station": "NORTH", "started_at": "2025-10-26T02:10:00", "finished_at": "2025-10-26T02:50:00"}
    other = {"station": "SOUTH", "started_at": "2025-10-26T01:20:00Z", "finished_at": "2025-10-26T01:40:00Z"}
    tasks = [one | {"performed_by": "Eli Park"}, other | {"performed_by": name}]
    assert verdict(TWO_PLACES, tasks=tasks, people=[PERSON], stations=stations) == expected


def test_what_may_not_be_in_scope_is_open_though_it_meets_nothing() -> None:
    """A record of which the scope can't be decided is no pass, with a flight beside it or without."""
    gloss = {"product_class": {"is": "gloss-coating"}}
    data = rule("overlap", scope=gloss, between=["tasks", "flights"], same=["aircraft"])
    work = {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
    flight = {"takeoff_at": "2025-06-02T12:00:00Z"}
    assert verdict(data, tasks=[work | {"product": "gloss-coating"}], flights=[flight]) == "1 complies"
    assert verdict(data, tasks=[work | {"product": "unheard-of"}], flights=[flight]) == "1 unjudged"


@pytest.mark.parametrize(
    ("removed", "expected"),
    [
        pytest.param("2025-06-03T00:00:00Z", "1 finding", id="at-an-instant"),
        pytest.param("2025-06-03", "1 unjudged", id="on-a-day"),
        pytest.param("2025-06-05", "1 finding", id="on-a-later-day"),
    ],
)
def test_two_boots_at_one_position_by_no_more_than_a_day_without_a_time(removed: str, expected: str) -> None:
    """The first may have come off before the second came, by whatever clock the day is written."""
    data = rule("overlap", between=["components", "components"], same=["aircraft", "position"])
    boots = [{"removed_at": removed}, {"component_serial": "C2", "installed_at": "2025-06-02T12:00:00Z"}]
    assert verdict(data, tasks=[TASK], components=boots) == expected


@pytest.mark.parametrize(
    ("removed", "said"),
    [
        pytest.param({"removed_at": "?"}, "can't be read: components.removed_at", id="unreadable"),
        pytest.param({}, "column not supplied: components.removed_at", id="no-such-column"),
        pytest.param({"removed_at": ""}, "", id="installed-still"),
    ],
)
def test_a_boot_of_which_nobody_knows_when_it_came_off(removed: dict[str, str], said: str) -> None:
    """It may have come off before it was installed elsewhere; the reason says what is not known of the removal."""
    data = rule("overlap", between=["components", "components"], same=["component_serial"], differing=["aircraft"])
    boot = {"component_serial": "C1", "aircraft": "A1", "position": "fin", "material": "chloroprene", "finish": "black"}
    boots = [boot | {"installed_at": f"2025-0{month}-01T00:00:00Z", "aircraft": f"A{month}"} for month in (1, 2)]
    task = {"task_id": "T1", "work_order": "W1", "aircraft": "A1", "action": "inspect", "station": "S1"}
    task |= {"started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
    export = read_rows({"tasks": [task], "components": [one | removed for one in boots]})
    assert judge_rule(RULES.validate_python(data), build_timeline(export)).cases["reason"].tolist() == [said]
