"""Wall clocks to UTC, against the published dates of clock changes and Python's own arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.intake.clocks import is_zone, wall_to_utc
from audit.intake.export import Export
from audit.intake.reading import read_export, read_rows
from tests.intake.conftest import FLIGHT, STATION, TASK, Write, as_csv

ZONES = ["America/New_York", "Europe/Berlin", "Europe/Dublin", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Tokyo"]


def place(reading: str, zone: str) -> tuple[str, str]:
    """The instant and the later instant of one reading, `NaT` for none."""
    instant, later = wall_to_utc(np.array([reading], "datetime64[us]"), zone)
    return str(instant.astype("datetime64[m]")[0]), str(later.astype("datetime64[m]")[0])


@pytest.mark.parametrize(
    ("reading", "zone", "instant", "later"),
    [
        # 15 USC 260a: second Sunday of March to first Sunday of November, 02:00 local.
        ("2024-03-10T03:00", "America/New_York", "2024-03-10T07:00", "NaT"),
        ("2024-03-10T02:30", "America/New_York", "NaT", "NaT"),
        ("2024-11-03T01:30", "America/New_York", "2024-11-03T05:30", "2024-11-03T06:30"),
        ("2024-11-03T02:00", "America/New_York", "2024-11-03T07:00", "NaT"),
        # Directive 2000/84/EC: last Sunday of March to last Sunday of October, 01:00 UTC.
        ("2024-03-31T01:59", "Europe/Berlin", "2024-03-31T00:59", "NaT"),
        ("2024-03-31T02:00", "Europe/Berlin", "NaT", "NaT"),
        ("2024-10-27T02:00", "Europe/Berlin", "2024-10-27T00:00", "2024-10-27T01:00"),
        ("2024-10-27T03:00", "Europe/Berlin", "2024-10-27T02:00", "NaT"),
        # Lord Howe Island shifts by half an hour.
        ("2024-04-07T01:45", "Australia/Lord_Howe", "2024-04-06T14:45", "2024-04-06T15:15"),
        ("2024-10-06T02:15", "Australia/Lord_Howe", "NaT", "NaT"),
        ("2024-10-06T02:30", "Australia/Lord_Howe", "2024-10-05T15:30", "NaT"),
    ],
)
def test_clock_changes(reading: str, zone: str, instant: str, later: str) -> None:
    """Readings around clock changes are placed once, twice or never."""
    assert place(reading, zone) == (instant, later)


@given(st.lists(st.datetimes(datetime(1955, 1, 1), datetime(2095, 1, 1)), max_size=20), st.sampled_from(ZONES))
def test_as_python_places_them(readings: list[datetime], zone: str) -> None:
    """Every reading is placed as Python's two folds place it."""
    clock = ZoneInfo(zone)
    instants, later = wall_to_utc(np.array(readings, "datetime64[us]"), zone)
    for reading, instant, second in zip(readings, instants, later, strict=True):
        folds = {reading.replace(tzinfo=clock, fold=fold).astimezone(UTC) for fold in (0, 1)}
        real = sorted(time for time in folds if time.astimezone(clock).replace(tzinfo=None) == reading)
        found = [value.item().replace(tzinfo=UTC) for value in (instant, second) if not np.isnat(value)]
        assert found == real


@given(st.datetimes(datetime(2024, 10, 26, 22), datetime(2024, 10, 27, 3)))
def test_the_hour_that_comes_twice(instant: datetime) -> None:
    """Every instant of the night on which clocks go back is one of the two that its reading stands for."""
    clock = ZoneInfo("Europe/Berlin")
    reading = instant.replace(tzinfo=UTC).astimezone(clock).replace(tzinfo=None)
    instants, later = wall_to_utc(np.array([reading], "datetime64[us]"), "Europe/Berlin")
    assert np.datetime64(instant, "us") in (instants[0], later[0])


@pytest.mark.parametrize(
    "name",
    [
        "Mars/Olympus",
        "Europe",
        "../etc/passwd",
        "CET+1:00:00:00",
        "/usr",
        "europe berlin",
        "\0",
        "localtime",
        "right/UTC",
    ],
)
def test_no_zone(name: str) -> None:
    """What isn't a name of the IANA database is not a zone, and never a crash."""
    assert not is_zone(name)


def tasks(*times: tuple[str, str, str]) -> str:
    return as_csv(
        *(
            {**TASK, "task_id": f"T{number}", "station": station, "started_at": start, "finished_at": end}
            for number, (station, start, end) in enumerate(times, 1)
        )
    )


STATIONS = as_csv(
    STATION,
    {"station": "EAST", "timezone": "America/New_York"},
    {"station": "LOST", "timezone": "Europe/Atlantis"},
)


def reasons(export: Export) -> list[tuple[str, int, str, str, str]]:
    return [tuple(row)[1:] for row in export.rejects.itertuples(index=False)]


def test_rows_go_by_their_station(write: Write) -> None:
    """A naive time is the wall clock of its row's station; one with a zone is taken as written."""
    export = read_export(
        write(
            {
                "stations.csv": STATIONS,
                "tasks.csv": tasks(
                    ("EAST", "2024-01-10T08:00", "2024-01-10 09:00:00"),
                    ("NORTH", "2024-07-10T08:00", "2024-07-10T09:00Z"),
                    ("LOST", "2024-07-10T08:00+05:30", "2024-07-10T08:00Z"),
                ),
            }
        )
    )
    rows = export.tables["tasks"]
    assert list(rows["started_at"]) == [
        pd.Timestamp("2024-01-10T13:00Z"),
        pd.Timestamp("2024-07-10T06:00Z"),
        pd.Timestamp("2024-07-10T02:30Z"),
    ]
    assert list(rows["finished_at"])[:2] == [pd.Timestamp("2024-01-10T14:00Z"), pd.Timestamp("2024-07-10T09:00Z")]
    assert list(export.rejects["table"]) == ["stations"]


def test_times_that_cannot_be_placed(write: Write) -> None:
    """No station, a station with a bad zone and an hour that never was quarantine the row, once each."""
    export = read_export(
        write(
            {
                "stations.csv": STATIONS,
                "tasks.csv": tasks(
                    ("WEST", "2024-01-10T08:00", "2024-01-10T09:00"),
                    ("LOST", "2024-01-10T08:00", "2024-01-10T09:00Z"),
                    ("NORTH", "2024-03-31T02:30", "2024-03-31T03:30"),
                    ("", "2024-01-10T08:00", "2024-01-10T09:00"),
                    ("north", "2024-01-10T08:00Z", "2024-01-10T09:00Z"),
                ),
            }
        )
    )
    no_zone = "the stations table has no time zone for it, and times of the row are wall clock"
    assert reasons(export) == [
        ("tasks.csv", 2, "station", "WEST", no_zone),
        ("tasks.csv", 3, "station", "LOST", no_zone),
        (
            "tasks.csv",
            4,
            "started_at",
            "2024-03-31T02:30",
            "never occurred: the clocks of the station went forward over it",
        ),
        ("tasks.csv", 5, "station", "", "required, but blank"),
        ("stations.csv", 4, "timezone", "Europe/Atlantis", "not a time zone of the IANA database"),
    ]


def test_no_stations_table(write: Write) -> None:
    """Without stations, times with a zone are fine and all others can't be placed."""
    times = tasks(
        ("NORTH", "2024-01-10T08:00Z", "2024-01-10T09:00Z"), ("NORTH", "2024-01-10T08:00", "2024-01-10T09:00")
    )
    export = read_export(write({"tasks.csv": times}))
    assert (export.counts["tasks"].audited, export.counts["tasks"].quarantined) == (1, 1)


def test_flights_and_components_are_utc(write: Write) -> None:
    """Naive times of flights and components are UTC, in the hour that comes twice too."""
    flight = {**FLIGHT, "takeoff_at": "2024-10-27T02:30", "landing_at": "2024-10-27T04:30+02:00"}
    component = {"component_serial": "C", "aircraft": "A", "position": "fin", "material": "other"}
    export = read_export(
        write(
            {
                "flights.csv": as_csv(flight),
                "components.csv": as_csv({**component, "installed_at": "2023-07-01", "removed_at": "2023-07-02T12:00"}),
                "stations.csv": STATIONS,
            }
        )
    )
    assert export.tables["flights"].loc[0, "takeoff_at"] == pd.Timestamp("2024-10-27T02:30Z")
    assert export.tables["components"].loc[0, "installed_at"] == pd.Timestamp("2023-07-01T00:00Z")
    assert export.tables["components"].loc[0, "removed_at"] == pd.Timestamp("2023-07-02T12:00Z")
    assert export.later.empty


def test_later_readings_follow_their_rows() -> None:
    """The list of later instants points at audited rows, whatever was quarantined before them."""
    rows = [
        {**TASK, "task_id": "T1", "action": "none", "started_at": "2024-10-27T02:10"},
        {**TASK, "task_id": "T2"},
        {**TASK, "task_id": "T2"},
        {**TASK, "task_id": "T3", "started_at": "2024-10-27T02:30", "finished_at": "2024-10-27T02:40"},
    ]
    export = read_rows({"tasks": rows, "stations": [STATION]})
    assert export.counts["tasks"].quarantined == 2
    expected = pd.DataFrame(
        {
            "row": [1, 1],
            "column": pd.Series(["finished_at", "started_at"], dtype="str"),
            "later": pd.to_datetime(["2024-10-27T01:40Z", "2024-10-27T01:30Z"]).as_unit("us"),
        }
    )
    pd.testing.assert_frame_equal(export.later, expected)
    assert export.tables["tasks"].loc[1, "started_at"] == pd.Timestamp("2024-10-27T00:30Z")
