"""Exports of real flights, read once for all tests."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from audit.intake.export import Export
from audit.intake.reading import read_export
from audit.timeline.timeline import Timeline, build_timeline
from tests.external import new_york


@dataclass(frozen=True)
class Clocked:
    """Wall-clock readings as intake placed them: by flight row, missing where there is none or it was refused."""

    export: Export
    departure: pd.Series
    arrival: pd.Series


def read_clocks(folder: Path, events: pd.DataFrame) -> Clocked:
    new_york.write_clocks(folder, events)
    export = read_export(folder)
    placed = export.tables["tasks"].set_index("task_id")["started_at"]
    numbers = new_york.recorded()["flight_id"].str[1:]
    departure, arrival = (placed.reindex(letter + numbers).reset_index(drop=True) for letter in "DA")
    return Clocked(export, departure, arrival)


@pytest.fixture(scope="session")
def scheduled(tmp_path_factory: pytest.TempPathFactory) -> Clocked:
    """Scheduled departures and arrivals."""
    return read_clocks(tmp_path_factory.mktemp("scheduled"), new_york.scheduled())


@pytest.fixture(scope="session")
def actual(tmp_path_factory: pytest.TempPathFactory) -> Clocked:
    """Departures and arrivals as they happened."""
    return read_clocks(tmp_path_factory.mktemp("actual"), new_york.actual())


@pytest.fixture(scope="session")
def arrived(scheduled: Clocked) -> pd.Series:
    """The instant of each arrival: as scheduled, plus the delay."""
    return scheduled.arrival + pd.to_timedelta(new_york.recorded()["arr_delay"], unit="m")


@pytest.fixture(scope="session")
def flown(arrived: pd.Series) -> pd.DataFrame:
    """The 327,346 flights whose time in the air is known: tail, destination, minutes, gate times."""
    flights = new_york.recorded()
    frame = pd.DataFrame(
        {
            "flight_id": flights["flight_id"],
            "aircraft": flights["tailnum"],
            "destination": flights["dest"],
            "minutes": flights["air_time"],
            "departed": new_york.departed(),
            "arrived": arrived,
        }
    )
    frame = frame[flights["air_time"].notna()].reset_index(drop=True)
    return frame.assign(minutes=frame["minutes"].astype(np.int64))


@pytest.fixture(scope="session")
def by_the_gate(flown: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Timeline:
    """Flights from gate to gate, their hours in the air written as decimals; a boot on each aircraft."""
    folder = tmp_path_factory.mktemp("gate")
    new_york.write_one_record(folder)
    new_york.write_table(
        folder,
        "flights",
        {
            **flown[["flight_id", "aircraft"]],
            "takeoff_at": flown["departed"],
            "landing_at": flown["arrived"],
            "flight_hours": flown["minutes"] / 60,
        },
    )
    tails = sorted(set(flown["aircraft"]))
    new_york.write_table(
        folder,
        "components",
        {
            "component_serial": [f"boot of {tail}" for tail in tails],
            "aircraft": tails,
            "position": ["left wing"] * len(tails),
            "material": ["chloroprene"] * len(tails),
            "installed_at": ["2012-06-01"] * len(tails),
        },
    )
    return whole(read_export(folder))


@pytest.fixture(scope="session")
def in_the_air(flown: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Timeline:
    """Flights as long as they were in the air, without a column of hours."""
    folder = tmp_path_factory.mktemp("air")
    new_york.write_one_record(folder)
    new_york.write_table(
        folder,
        "flights",
        {
            **flown[["flight_id", "aircraft"]],
            "takeoff_at": flown["departed"],
            "landing_at": flown["departed"] + pd.to_timedelta(flown["minutes"], unit="m"),
        },
    )
    return whole(read_export(folder))


def whole(export: Export) -> Timeline:
    assert export.rejects.empty, export.rejects.head().to_string()
    return build_timeline(export)
