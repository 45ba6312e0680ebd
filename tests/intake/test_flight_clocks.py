"""Flight times without a zone, against task records that show by which clock they are written."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.errors import AuditError
from audit.intake.export import FlightClock
from audit.intake.reading import read_export
from tests.intake.conftest import FLIGHT, TASK, Write, as_csv

STATION = {"station": "NORTH", "timezone": "America/New_York"}


def export_of(write: Write, begins: str, ends: str, takeoff: str = "09:00", landing: str = "10:00") -> Path:
    """Twelve days, each with a flight and a task record in UTC."""
    days = [f"2024-01-{day:02}" for day in range(10, 22)]
    places = {"origin": "NORTH", "destination": "NORTH"}
    flights = [
        {**FLIGHT, **places, "flight_id": f"F{day}", "takeoff_at": f"{day}T{takeoff}", "landing_at": f"{day}T{landing}"}
        for day in days
    ]
    records = [
        {**TASK, "task_id": f"T{day}", "started_at": f"{day}T{begins}Z", "finished_at": f"{day}T{ends}Z"}
        for day in days
    ]
    tables = {"tasks": records, "flights": flights, "stations": [STATION]}
    return write({f"{name}.csv": as_csv(*rows) for name, rows in tables.items()})


@pytest.mark.parametrize(
    ("begins", "ends"),
    [
        pytest.param("09:20", "09:30", id="within"),
        pytest.param("09:45", "11:00", id="goes on after"),
        pytest.param("08:10", "09:15", id="begins before"),
        pytest.param("08:05", "11:00", id="around it"),
        pytest.param("09:20", "09:20", id="of no length"),
    ],
)
def test_work_in_flight_speaks_against_utc(write: Write, begins: str, ends: str) -> None:
    """Records of which 15 minutes, or all, lie within a flight as it is read, and none by the clock of the station."""
    with pytest.raises(AuditError, match="12 task records are of work in flight and 0 flights land before takeoff"):
        read_export(export_of(write, begins, ends))


@pytest.mark.parametrize(
    ("begins", "ends"),
    [
        pytest.param("09:46", "11:00", id="14 minutes of it"),
        pytest.param("08:10", "09:14", id="14 minutes before"),
        pytest.param("10:00", "11:00", id="from landing on"),
        pytest.param("10:00", "10:00", id="at landing"),
        pytest.param("09:40", "09:20", id="ends before it begins"),
    ],
)
def test_what_may_be_a_slip_of_the_pen_does_not(write: Write, begins: str, ends: str) -> None:
    clock = read_export(export_of(write, begins, ends)).flight_clock
    assert isinstance(clock, FlightClock)
    assert (clock.records, clock.inside, clock.doubtful) == (12, 0, False)
