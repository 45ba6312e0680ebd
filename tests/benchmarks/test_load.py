"""A load must be what it says: repeatable, in order, sound, and at fault only here and there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from audit.intake.reading import read_export
from audit.intake.tables import TABLES
from benchmarks import load
from benchmarks.load import write_load

AIRCRAFT, DAYS = 12, 200
WRITTEN = {name: table for name, table in TABLES.items() if name != "corrections"}
"""The tables of a load; its entries are as they were first made, so that it has no corrections."""


def rows(folder: Path, table: str) -> pa.Table:
    return pyarrow.parquet.read_table(folder / f"{table}.parquet")


def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    """Twice the same seed is the same bytes, another seed is another load."""
    for name, seed in (("once", 1), ("again", 1), ("other", 2)):
        write_load(tmp_path / name, "parquet", AIRCRAFT, DAYS, seed=seed)
    for table in WRITTEN:
        once, again, other = (
            (tmp_path / name / f"{table}.parquet").read_bytes() for name in ("once", "again", "other")
        )
        assert once == again
        if table in ("tasks", "flights", "components"):
            assert once != other


def test_the_size_of_the_blocks_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows made a few at a time are the rows made at once."""
    write_load(tmp_path / "whole", "parquet", AIRCRAFT, DAYS)
    monkeypatch.setattr(load, "AIRCRAFT_AT_ONCE", 5)
    monkeypatch.setattr(load, "ROWS_AT_ONCE", 1000)
    write_load(tmp_path / "parts", "parquet", AIRCRAFT, DAYS)
    for table in ("tasks", "flights"):
        assert rows(tmp_path / "whole", table) == rows(tmp_path / "parts", table)


def test_rows_stand_in_the_order_of_time_unless_shuffled(tmp_path: Path) -> None:
    """An export is in the order of time; shuffled, it is the same rows in another."""
    write_load(tmp_path / "sorted", "parquet", AIRCRAFT, DAYS)
    write_load(tmp_path / "shuffled", "parquet", AIRCRAFT, DAYS, shuffle=True)
    for table, time in (("tasks", "started_at"), ("flights", "takeoff_at")):
        in_order, mixed = rows(tmp_path / "sorted", table), rows(tmp_path / "shuffled", table)
        assert in_order[time].to_pylist() == sorted(in_order[time].to_pylist())
        assert mixed != in_order
        assert mixed.sort_by(TABLES[table].key[0]) == in_order


@pytest.mark.parametrize("form", ["parquet", "csv"])
@pytest.mark.parametrize("naive_stations", [0, len(load.STATIONS)])
def test_every_row_is_sound(form: str, naive_stations: int, tmp_path: Path) -> None:
    """Intake quarantines nothing, whatever the form of the export and of its times, and finds every column."""
    write_load(tmp_path, form, AIRCRAFT, DAYS, naive_stations=naive_stations)
    export = read_export(tmp_path, {"tasks": {"description", "remarks"}})
    assert export.rejects.empty
    assert {name: list(table.columns) for name, table in export.tables.items()} == {
        name: list(table.columns) for name, table in WRITTEN.items()
    }


def test_wall_clock_times_mean_the_same_instants(tmp_path: Path) -> None:
    """Stations that write their wall clock change the text, not the time (save where the clock went back)."""
    for form, stations in (("parquet", 0), ("csv", 3)):
        write_load(tmp_path / form, form, AIRCRAFT, DAYS, naive_stations=stations)
    text = pyarrow.csv.read_csv(
        tmp_path / "csv" / "tasks.csv",
        convert_options=pyarrow.csv.ConvertOptions(column_types={"started_at": pa.string()}),
    )
    local = [not started.endswith("Z") for started in text["started_at"].to_pylist()]
    assert any(local)
    assert local == [station in list(load.STATIONS)[:3] for station in text["station"].to_pylist()]
    with_zone, without = read_export(tmp_path / "parquet"), read_export(tmp_path / "csv")
    resolved = ~without.tables["tasks"].index.isin(without.later["row"])
    assert with_zone.tables["tasks"]["started_at"][resolved].equals(without.tables["tasks"]["started_at"][resolved])


def test_sizes_are_those_promised() -> None:
    """A twentieth of the reference fleet makes a twentieth of its rows, within a percent or two."""
    fleet = load._fleet(100, 1000, 20260101)
    counts: dict[str, Callable[..., load.Rows]] = {"flights": load._flights, "tasks": load._tasks}
    made = {name: len(make(fleet, load.np.arange(100))["start"]) * 20 for name, make in counts.items()}
    assert made == {"flights": pytest.approx(6e6, rel=0.02), "tasks": pytest.approx(4.6e6, rel=0.02)}
