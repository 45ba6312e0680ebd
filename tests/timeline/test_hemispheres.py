"""In which hemisphere an aircraft works, by the time zones of its stations."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

import airportsdata
import pytest

from audit.authoring.examples import example_export
from audit.language.rule import Example
from audit.timeline.hemispheres import NEAR_THE_EQUATOR, NORTH, SOUTH, hemispheres, latitudes
from audit.timeline.timeline import build_timeline

SOUTHERN, NORTHERN, EQUATOR = "Pacific/Auckland", "Europe/Berlin", "America/Guayaquil"


def side(zones: dict[str, str], tasks: list[str], origins: list[str | None] | None = None) -> int:
    """The hemisphere of A1, which has a record at each of some stations and a takeoff at each of others."""
    records: list[dict[str, Any]] = [
        {"station": name, "started_at": f"2025-06-{day:02}T10:00:00Z"} for day, name in enumerate(tasks, 1)
    ]
    flights: list[dict[str, Any]] = [
        {"origin": name, "takeoff_at": f"2025-07-{day:02}T10:00:00Z"} for day, name in enumerate(origins or (), 1)
    ]
    stations = [{"station": name, "timezone": zone, "icao": f"X{name}"} for name, zone in zones.items()]
    example = Example.model_validate(
        {"name": "n", "expect": "complies", "tasks": records, "flights": flights, "stations": stations}
    )
    timeline = build_timeline(example_export(example))
    return int(hemispheres(timeline)[list(timeline.aircraft_names).index("A1")])


ZONES = {"N": NORTHERN, "S": SOUTHERN, "E": EQUATOR, "U": "Etc/GMT-12"}


@pytest.mark.parametrize(
    ("tasks", "origins", "expected"),
    [
        pytest.param(["N"], [], NORTH, id="north"),
        pytest.param(["S"], [], SOUTH, id="south"),
        pytest.param(["E", "E"], [], 0, id="near-the-equator"),
        pytest.param(["U"], [], 0, id="a-zone-without-a-place"),
        pytest.param(["S", "S", "N"], [], SOUTH, id="most-of-it"),
        pytest.param(["S", "N"], [], 0, id="as-much-here-as-there"),
        pytest.param(["S"], ["XN", "N"], NORTH, id="takeoffs-count-too-by-either-code"),
        pytest.param(["E"], ["S", "nowhere", "nowhere"], SOUTH, id="what-is-not-listed-says-nothing"),
        pytest.param(["S"], [None, None], SOUTH, id="what-is-blank-says-nothing"),
    ],
)
def test_an_aircraft_works_where_most_of_its_records_and_takeoffs_are(
    tasks: list[str], origins: list[str | None], expected: int
) -> None:
    """Stations of zones that tell nothing are left out; a tie tells nothing either."""
    assert side(ZONES, tasks, origins) == expected


def test_the_latitudes_are_those_of_the_airports_of_each_zone() -> None:
    """Wherever the zone's place is far enough from the equator, so are all its airports, on the same side of it.

    Airports and their zones: the package airportsdata (MIT).
    """
    known = latitudes()
    assert abs(known["Pacific/Auckland"] + 36.87) < 0.01
    assert abs(known["Europe/Berlin"] - 52.5) < 0.01
    assert set(known) <= available_timezones()
    airports = [port for port in airportsdata.load().values() if abs(known.get(port["tz"], 0)) >= NEAR_THE_EQUATOR]
    wrong = [port["icao"] for port in airports if port["lat"] * known[port["tz"]] < 0]
    assert len(airports) > 20_000
    assert wrong == []


def test_without_a_closed_record_takeoffs_alone_tell() -> None:
    """An aircraft whose only record is still open, and which flies in the south, works there."""
    example = Example.model_validate(
        {
            "name": "n",
            "expect": "complies",
            "tasks": [{"status": "open", "started_at": "2025-06-01T10:00:00Z"}],
            "flights": [{"origin": "S9", "takeoff_at": "2025-07-01T10:00:00Z"}],
            "stations": [{"station": "S1", "timezone": NORTHERN}, {"station": "S9", "timezone": SOUTHERN}],
        }
    )
    assert hemispheres(build_timeline(example_export(example))).tolist() == [SOUTH]


def sides(tasks: list[dict[str, Any]], flights: list[dict[str, Any]], **more: Any) -> dict[str, int]:
    """The hemisphere of each aircraft; N1 lies in the north, S1 and S2 in the south."""
    zones = {"N1": NORTHERN, "S1": SOUTHERN, "S2": SOUTHERN}
    stations = [{"station": name, "timezone": zone} for name, zone in zones.items()]
    tables = more if "stations" in more.get("not_supplied", ()) else {"stations": stations} | more
    rows = [{"started_at": "2025-06-01T10:00:00Z"} | row for row in tasks]
    legs = [{"takeoff_at": f"2025-06-{day:02}T10:00:00Z"} | row for day, row in enumerate(flights, 1)]
    data = {"name": "n", "expect": "complies", "tasks": rows, "flights": legs, "components": [], "as_of": "2025-06-20"}
    timeline = build_timeline(example_export(Example.model_validate(data | tables)))
    return dict(zip(timeline.aircraft_names, hemispheres(timeline).tolist(), strict=True))


def test_each_aircraft_by_its_own_records_and_takeoffs() -> None:
    """Of closed records, and of flights in whatever order they are listed."""
    tasks = [
        {"station": "N1"},
        {"station": "S1", "aircraft": "A2"},
        {"station": "N1", "aircraft": "A3"},
        {"station": "S1", "aircraft": "A3"},
        {"station": "S2", "aircraft": "A3"},
        {"station": "S1", "status": "open"},
        {"station": "S1", "status": "void"},
    ]
    assert sides(tasks, []) == {"A1": NORTH, "A2": SOUTH, "A3": SOUTH}
    flights = [
        {"origin": "N1", "aircraft": "A2", "takeoff_at": "2025-06-09T10:00:00Z"},
        {"origin": "S2"},
        {"origin": "N1", "aircraft": "A2"},
        {"origin": "S2"},
        {"origin": "N1", "aircraft": "A3"},
        {"origin": "S2", "aircraft": "A4"},
        {"origin": "S1", "takeoff_at": "2025-07-09T10:00:00Z"},
    ]
    assert sides(tasks, flights) == {"A1": SOUTH, "A2": NORTH, "A3": 0, "A4": SOUTH}


def test_without_stations_nothing_is_known() -> None:
    """Nor of an aircraft of which nothing but a boot is known."""
    assert sides([{"station": "N1"}], [], not_supplied=["stations"]) == {"A1": 0}
    assert sides([{"station": "N1"}], [], components=[{"aircraft": "A0"}]) == {"A0": 0, "A1": NORTH}
    assert sides([{"station": "N1"}], [], not_supplied=["flights"]) == {"A1": NORTH}
