"""The way through intake: what an export becomes."""

from __future__ import annotations

import hashlib
import random
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import AuditError
from audit.intake.export import Export, RowCount
from audit.intake.reading import read_export, read_rows
from audit.intake.resolving import MANY_ROWS
from audit.intake.tables import TABLES
from tests.intake.conftest import COMPONENT, FLIGHT, STATION, TASK, Write, as_csv

FULL_TASK = TASK | {
    "status": "closed",
    "position": "fin; left wing",
    "component_serial": "C1",
    "product": "P1",
    "lot": "001",
    "coat": "1",
    "coats": "3",
    "performed_by": "NA",
    "signed_at": "2024-01-10T09:30:00Z",
    "description": "second coat, thin",
    "manual": "M1",
    "ppe_worn": "eye-protection; chemical-gloves",
    "ambient_c": "-4.5",
    "humidity_pct": "62",
    "remarks": "none",
}
TABLES_AS_ROWS = {
    "tasks": [FULL_TASK, TASK | {"task_id": "T2", "started_at": "2024-01-10T10:00", "finished_at": "2024-01-10T11:00"}],
    "flights": [FLIGHT | {"origin": "NORTH", "flight_hours": "1.0", "cycles": "1"}, FLIGHT | {"flight_id": "F2"}],
    "components": [COMPONENT | {"finish": "black"}],
    "products": [{"product": "P1", "product_class": "cleaner", "hazard_codes": "H225; H319"}],
    "stations": [STATION],
    "lots": [{"lot": "001", "product": "P1", "expires_on": "2025-01-01"}],
    "people": [{"person": "NA", "authorisation": "coating", "valid_from": "2020-01-01T00:00", "valid_to": ""}],
    "manuals": [{"manual": "M1", "revision": "2", "effective_from": "2022-05-01", "superseded_on": ""}],
    "corrections": [
        {
            "correction_id": "K1",
            "task_id": "T1",
            "column": "Position",
            "was": "fin",
            "now": "left wing; fin",
            "made_by": "NA",
            "made_at": "2024-01-12T08:00:00Z",
            "signed_by": "NA",
        }
    ],
}
DTYPES = {
    "id": "str",
    "code": "category",
    "choice": "category",
    "codes": "category",
    "text": "str",
    "time": "datetime64[us, UTC]",
    "date": "datetime64[s]",
    "number": "float64",
    "count": "Int64",
}
EVERY_TEXT = {"tasks": ("description", "remarks")}


@pytest.fixture
def whole(write: Write) -> Path:
    """An export of all tables."""
    return write({f"{name}.csv": as_csv(*rows) for name, rows in TABLES_AS_ROWS.items()})


def same(left: Export, right: Export) -> None:
    assert list(left.tables) == list(right.tables)
    for name, frame in left.tables.items():
        pd.testing.assert_frame_equal(frame, right.tables[name])
    pd.testing.assert_frame_equal(left.later, right.later)
    assert left.counts == right.counts


def test_every_table(whole: Path) -> None:
    """All tables are read in their documented dtypes, in the order of the canonical tables."""
    export = read_export(whole, EVERY_TEXT)
    assert export.rejects.empty
    assert list(export.tables) == list(TABLES)
    for name, frame in export.tables.items():
        assert isinstance(frame.index, pd.RangeIndex)
        for column, dtype in frame.dtypes.items():
            assert str(dtype) == DTYPES[TABLES[name].columns[str(column)].kind], column
    tasks = export.tables["tasks"]
    assert tasks.loc[0, "lot"] == "001"
    assert tasks.loc[0, "performed_by"] == "NA"
    assert pd.isna(tasks.loc[1, "status"])
    assert pd.isna(tasks.loc[1, "coat"])
    assert export.counts["tasks"] == RowCount(read=2, audited=2, quarantined=0)


def test_sources(whole: Path) -> None:
    """Every file is listed with its size and SHA-256, as another program computes it."""
    for source in read_export(whole).sources:
        content = (whole / source.name).read_bytes()
        assert (source.size, source.sha256) == (len(content), hashlib.sha256(content).hexdigest())
    assert [source.name for source in read_export(whole).sources] == [f"{name}.csv" for name in TABLES]


@pytest.mark.parametrize(
    "spelling",
    [pa.string(), pa.large_string(), pa.string_view(), pa.binary(), pa.dictionary(pa.int8(), pa.string())],
    ids=str,
)
def test_parquet_text_equals_csv(whole: Path, tmp_path_factory: pytest.TempPathFactory, spelling: pa.DataType) -> None:
    """The same text in Parquet becomes the same tables, whatever Arrow calls its text."""
    folder = tmp_path_factory.mktemp("parquet")
    for name, rows in TABLES_AS_ROWS.items():
        names = list(dict.fromkeys(column for row in rows for column in row))
        columns = {column: pa.array([row.get(column) for row in rows], pa.string()) for column in names}
        pq.write_table(
            pa.table({column: cells.cast(spelling) for column, cells in columns.items()}), folder / f"{name}.parquet"
        )
    same(read_export(whole, EVERY_TEXT), read_export(folder, EVERY_TEXT))


def test_typed_parquet_equals_csv(whole: Path, tmp_path: Path) -> None:
    """Typed columns become what their text would."""
    typed = tmp_path / "typed"
    typed.mkdir()
    for name, rows in TABLES_AS_ROWS.items():
        columns = {}
        for column, spec in TABLES[name].columns.items():
            cells = [row.get(column) or None for row in rows]
            if not any(cells):
                if any(column in row for row in rows):
                    columns[column] = pa.nulls(len(rows))
                continue
            match spec.kind:
                case "time" if name == "tasks" and column != "signed_at":
                    continue  # a column of both kinds of time can only be text
                case "time":
                    columns[column] = pa.array(
                        [cell and datetime.fromisoformat(cell).replace(tzinfo=UTC) for cell in cells]
                    )
                case "date":
                    columns[column] = pa.array([cell and date.fromisoformat(cell[:10]) for cell in cells])
                case "number" | "count":
                    columns[column] = pa.array([None if cell is None else float(cell) for cell in cells])
                case _:
                    columns[column] = pa.array(cells)
        if name == "tasks":
            for column in ("started_at", "finished_at"):
                columns[column] = pa.array([row[column] for row in rows])
        pq.write_table(pa.table(columns), typed / f"{name}.parquet")
    same(read_export(whole, EVERY_TEXT), read_export(typed, EVERY_TEXT))


def test_parquet_identifiers_stored_as_numbers(tmp_path: Path) -> None:
    """Numbers that serve as names are the names that CSV would give, gaps or not."""
    columns = {name: pa.array([value] * 3) for name, value in TASK.items()}
    columns |= {
        "task_id": pa.array([1, 2, 3]),
        "work_order": pa.array([7.0, 8.0, 7.0]),
        "lot": pa.array([12.0, None, float("nan")]),
        "manual_revision": pa.array([1.5, 2.0, None]),
        "certificate_number": pa.array([123456789012.0, 1.5, 2.0**60]),
        "component_serial": pa.array([9.0, 1.5, None], pa.float16()),
    }
    pq.write_table(pa.table(columns), tmp_path / "tasks.parquet")
    export = read_export(tmp_path)
    tasks = export.tables["tasks"]
    assert tasks["certificate_number"].tolist()[:2] == ["123456789012", "1.5"]
    assert tasks["component_serial"].tolist()[:2] == ["9", "1.5"]
    # A float of that size may stand for several whole numbers.
    assert export.faults[["line", "column"]].to_numpy().tolist() == [[3, "certificate_number"]]
    assert list(tasks["task_id"]) == ["1", "2", "3"]
    assert list(tasks["work_order"]) == ["7", "8", "7"]
    assert tasks["lot"].tolist()[0] == "12"
    assert tasks["lot"].isna().tolist() == [False, True, True]
    assert list(tasks["manual_revision"].cat.categories) == ["1.5", "2"]


def test_parquet_dates_of_another_zone(tmp_path: Path) -> None:
    """A date stored as midnight in its own zone stays that date."""
    midnight = pa.array([datetime(2024, 6, 30, 22)], pa.timestamp("us", "Europe/Berlin"))
    pq.write_table(pa.table({name: [value] for name, value in TASK.items()}), tmp_path / "tasks.parquet")
    lots = tmp_path / "lots.parquet"
    pq.write_table(pa.table({"lot": ["L"], "product": ["P"], "expires_on": midnight}), lots)
    assert read_export(tmp_path).tables["lots"].loc[0, "expires_on"] == pd.Timestamp("2024-07-01")
    nowhere = midnight.cast(pa.timestamp("us", "Mars/Olympus"))
    pq.write_table(pa.table({"lot": ["L"], "product": ["P"], "expires_on": nowhere}), lots)
    with pytest.raises(
        AuditError, match=r"lots\.parquet: column `expires_on` is in an unknown time zone, Mars/Olympus"
    ):
        read_export(tmp_path)


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("2026-01-31T23:00:00Z", None),  # midnight of 1 February in Berlin
        (" 2026-01-31 23:00+00:00", None),
        ("2026-01-31T23Z", None),
        ("2026-01-31T23:00", "2026-01-31"),  # by whatever clock it was written
        ("2026-01-31T23:00+01:00", "2026-01-31"),
        ("2026-01-31T22:59:59Z", "2026-01-31"),
        ("2026-01-31T00:00:00Z", "2026-01-31"),
        ("2026-01-31", "2026-01-31"),
    ],
)
def test_midnight_of_a_station_in_utc_is_two_days(written: str, day: str | None) -> None:
    """Systems that keep a day as its midnight write the day before in UTC: of such a date the day isn't known."""
    lots = [
        {"lot": "L", "product": "P", "expires_on": "2026-03-01"},
        {"lot": "M", "product": "P", "expires_on": written},
    ]
    found = read_rows({"tasks": [TASK], "stations": [STATION], "lots": lots})
    assert found.tables["lots"]["expires_on"].dt.strftime("%Y-%m-%d").fillna("").tolist() == ["2026-03-01", day or ""]
    assert {place: rows.tolist() for place, rows in found.unreadable.items()} == (
        {} if day else {("lots", "expires_on"): [1]}
    )


def test_midnight_of_a_station_in_utc_is_two_days_in_parquet_too(tmp_path: Path) -> None:
    for name, rows in (("tasks", [TASK]), ("stations", [STATION])):
        pq.write_table(pa.Table.from_pylist(rows), tmp_path / f"{name}.parquet")
    midnights = pa.array([datetime(2026, 1, 31, 23), datetime(2026, 1, 31)], pa.timestamp("us", "UTC"))
    lots = pa.table({"lot": ["L", "M"], "product": ["P", "P"], "expires_on": midnights})
    pq.write_table(lots, tmp_path / "lots.parquet")
    read = read_export(tmp_path).tables["lots"]["expires_on"]
    assert read.dt.strftime("%Y-%m-%d").fillna("").tolist() == ["", "2026-01-31"]


def test_parquet_lines_are_row_numbers(tmp_path: Path) -> None:
    """In Parquet a reject's line is its row number, and its value is shown as text."""
    columns = {name: pa.array([value] * 3) for name, value in TASK.items()}
    columns |= {"task_id": pa.array(["T1", "T2", "T3"]), "coat": pa.array([1, 0, 2])}
    pq.write_table(pa.table(columns), tmp_path / "tasks.parquet")
    [reject] = read_export(tmp_path).faults.itertuples(index=False)
    assert tuple(reject) == ("tasks", "tasks.parquet", 2, "coat", "0", "outside 1 to 100")


def test_audited_rows_know_their_lines(write: Write) -> None:
    """A row is told the line it starts on, past blank lines, line ends inside cells, ragged and quarantined rows."""
    rows = [
        "task_id,work_order,aircraft,action,station,started_at,finished_at,remarks",
        "T1,W1,A1,apply,NORTH,2024-01-10T08:00Z,2024-01-10T09:00Z,fine",
        "",
        'T2,W1,A1,apply,NORTH,2024-01-10T08:00Z,2024-01-10T09:00Z,"two\nlines"',
        "ragged,row",
        "T3,W1,A1,apply,NORTH,yesterday,2024-01-10T09:00Z,",
        "T4,W1,A1,apply,NORTH,2024-01-10T08:00Z,2024-01-10T09:00Z,",
    ]
    export = read_export(write({"tasks.csv": "\n".join(rows)}))
    assert list(export.tables["tasks"]["task_id"]) == ["T1", "T2", "T4"]
    places = export.places("tasks", np.array([2, 0, 1]))
    assert list(places["line"]) == [8, 2, 4]
    assert set(places["file"]) == {"tasks.csv"}
    assert len(export.places("tasks", np.array([], np.int64))) == 0


def test_free_text_is_read_on_demand_only(whole: Path) -> None:
    """Free text is there for who asks, and asking changes nothing else; corrections may be of any."""
    every = read_export(whole)
    assert {"remarks", "description"} <= set(every.tables["tasks"])
    (whole / "corrections.csv").unlink()
    without, some = read_export(whole), read_export(whole, {"tasks": ["remarks"]})
    assert "remarks" not in without.tables["tasks"]
    assert list(some.tables["tasks"]["remarks"].dropna()) == ["none"]
    assert "description" not in some.tables["tasks"]
    pd.testing.assert_frame_equal(some.tables["tasks"].drop(columns="remarks"), without.tables["tasks"])


@given(st.text(st.characters(codec="utf-8"), max_size=30), st.booleans())
def test_quarantine_never_depends_on_free_text(text: str, asked: bool) -> None:
    """No remark, however odd, puts a row into quarantine."""
    export = read_rows({"tasks": [TASK | ({"remarks": text} if asked else {})]})
    assert export.rejects.empty
    if asked and text.strip():
        assert export.tables["tasks"].loc[0, "remarks"] == text.strip()


def test_duplicate_keys(write: Write) -> None:
    """The first of equal rows stays; the others name its line."""
    export = read_export(
        write(
            {
                "flights.csv": as_csv(FLIGHT, FLIGHT | {"flight_id": "F2"}, FLIGHT, FLIGHT | {"flight_id": "F2"}),
                "components.csv": as_csv(COMPONENT, COMPONENT | {"installed_at": "2023-01-01T00:00"}),
            }
        )
    )
    assert export.rejects[["table", "line", "column", "value", "reason"]].values.tolist() == [
        ["flights", 4, "flight_id", "F1", "duplicate of line 2"],
        ["flights", 5, "flight_id", "F2", "duplicate of line 3"],
        [
            "components",
            3,
            "component_serial; aircraft; position; installed_at",
            "C1; A1; fin; 2023-01-01T00:00",
            "duplicate of line 2",
        ],
    ]
    assert export.counts["flights"] == RowCount(read=4, audited=2, quarantined=2)
    assert export.set_aside["flights"].empty
    assert export.faults.empty


def test_categories_are_those_of_audited_rows(write: Write) -> None:
    """A word that only quarantined rows used is not a category."""
    rows = [TASK, TASK | {"task_id": "T2", "aircraft": "A2", "action": "x"}, TASK | {"task_id": "T3", "aircraft": "A0"}]
    export = read_export(write({"tasks.csv": as_csv(*rows)}))
    tasks = export.tables["tasks"]
    assert list(tasks["aircraft"].cat.categories) == ["A0", "A1"]
    assert list(export.set_aside["tasks"]["aircraft"].cat.categories) == ["A2"]
    assert list(tasks["aircraft"]) == ["A1", "A0"]


def test_rows_in_memory_equal_files(whole: Path) -> None:
    """Rows given as text go through the same parsing as files."""
    in_memory = read_rows(TABLES_AS_ROWS)
    same(in_memory, read_export(whole, EVERY_TEXT))
    assert in_memory.sources == ()


def test_rejects_of_rows_in_memory() -> None:
    """A reject in memory names the table as its file and the row as its line; a missing column is refused."""
    export = read_rows({"tasks": [TASK, TASK | {"task_id": "T2", "coat": "x", "station": ""}], "flights": []})
    assert export.rejects.to_numpy().tolist() == [
        ["tasks", "tasks", 2, "station", "", "required, but blank"],
        ["tasks", "tasks", 2, "coat", "x", "not a whole number"],
    ]
    assert export.tables["flights"].empty
    with pytest.raises(AuditError, match="flights lacks the required columns `aircraft`"):
        read_rows({"flights": [{"flight_id": "F1"}]})
    with pytest.raises(AuditError, match="no such table: boots"):
        read_rows({"boots": []})


def test_many_rows_are_read_the_same_each_time(tmp_path: Path) -> None:
    """Above the size at which threads are used, each run gives the same bytes, and every bad row is found."""
    chance = random.Random(1)
    count = MANY_ROWS + 5000
    table = pa.table(
        {
            "flight_id": [f"F{number}" for number in range(count)],
            "aircraft": [f"A{chance.randrange(300)}" for _ in range(count)],
            "takeoff_at": [
                "2024-01-11T08:00:00Z" if chance.random() < 0.5 else "2024-01-11 08:00" for _ in range(count)
            ],
            "landing_at": ["2024-01-11T09:00:00" if row % 1000 else "late" for row in range(count)],
            "cycles": [str(chance.randrange(3)) for _ in range(count)],
        }
    )
    pyarrow.csv.write_csv(table, tmp_path / "flights.csv")
    (tmp_path / "tasks.csv").write_text(as_csv(TASK), encoding="utf-8")
    first, second = read_export(tmp_path), read_export(tmp_path)
    same(first, second)
    pd.testing.assert_frame_equal(first.rejects, second.rejects)
    assert list(first.rejects["line"]) == list(range(2, count + 2, 1000))
    kept = [row for row in range(count) if row % 1000]
    assert list(first.tables["flights"]["aircraft"]) == table["aircraft"].take(pa.array(kept)).to_pylist()
