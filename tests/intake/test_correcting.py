"""Corrections of entries, applied to the task records before anything is judged."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.intake.export import Export
from audit.intake.reading import read_export, read_rows
from tests.intake.conftest import TASK, Write, as_csv

Row = dict[str, str]
RECORD: Row = TASK | {
    "started_at": "2024-01-10T08:00:00",
    "finished_at": "2024-01-10T09:00:00",
    "position": "fin; left wing",
    "product": "gloss",
    "coat": "2",
    "ambient_c": "20.5",
    "performed_by": "Ann Ek",
    "ppe_worn": "gloves",
    "remarks": "windy",
    "lot": "",
    "status": "",
}
STATIONS: list[Row] = [{"station": "NORTH", "timezone": "Europe/Berlin"}, {"station": "SOUTH", "timezone": "UTC"}]


def correction(column: str, was: str, now: str, at: str = "2024-01-12T10:00:00Z", name: str = "K1", **more: str) -> Row:
    row = {"correction_id": name, "task_id": "T1", "column": column, "was": was, "now": now, "made_by": "Bo Lind"}
    return row | {"made_at": at} | more


def read(corrections: Sequence[Row], *tasks: Row, as_of: str | None = None) -> Export:
    rows = {"tasks": list(tasks) or [RECORD], "stations": STATIONS, "corrections": list(corrections)}
    return read_rows(rows, None if as_of is None else pd.Timestamp(as_of))


def states(export: Export) -> list[str]:
    assert export.correction_states is not None
    return list(export.correction_states)


def cell(export: Export, column: str) -> Any:
    value = export.tables["tasks"][column].iloc[0]
    return value.isoformat() if isinstance(value, pd.Timestamp) else value


def first_made(export: Export) -> Export:
    assert export.as_first_made is not None
    return export.as_first_made()


def reasons(frame: pd.DataFrame) -> list[tuple[str, str, str]]:
    return list(frame[["table", "column", "reason"]].itertuples(index=False, name=None))


@pytest.mark.parametrize(
    ("column", "was", "now", "before", "after"),
    [
        ("started_at", "2024-01-10T07:00:00Z", "2024-01-10T08:30", "07:00:00", "07:30:00"),
        ("position", "left wing;fin", "fin", "fin; left wing", "fin"),
        ("Action", " APPLY ", "Inspect", "apply", "inspect"),
        ("coat", "2.0", "3", "2", "3"),
        ("ambient_c", "20.50", "21", "20.5", "21.0"),
        ("performed_by", "ann  EK", "Bo Lind", "Ann Ek", "Bo Lind"),
        ("ppe_worn", "Gloves", "gloves; Goggles", "gloves", "gloves; goggles"),
        ("lot", "", "L1", "nan", "L1"),
        ("product", "gloss", "", "gloss", "nan"),
        ("remarks", "windy", "calm", "windy", "calm"),
        ("status", "closed", "void", "nan", "void"),
        ("status", "", "void", "nan", "void"),
    ],
)
def test_a_cell_is_compared_by_what_it_means(column: str, was: str, now: str, before: str, after: str) -> None:
    """What a correction found is recognised however it is written, and gives way to what it says."""
    export = read([correction(column, was, now)])
    name = column.lower()
    assert states(export) == ["applied"]
    assert after in str(cell(export, name))
    assert before in str(cell(first_made(export), name))
    assert export.rejects.empty
    assert export.faults.empty


def test_a_cell_that_has_the_new_value_is_in_the_export_already() -> None:
    """Nothing is applied then, and what was there is known all the same."""
    export = read([correction("product", "cleaner", "gloss")])
    assert states(export) == ["in the export"]
    assert (cell(export, "product"), cell(first_made(export), "product")) == ("gloss", "cleaner")


@pytest.mark.parametrize(
    ("column", "in_quarantine"), [("product", False), ("started_at", True)], ids=["not needed", "needed"]
)
def test_a_cell_that_has_neither_value_is_in_doubt(column: str, in_quarantine: bool) -> None:
    """What a correction doesn't fit can't be believed: a missing value, or a record set aside, and told."""
    was, now = ("x", "y") if column == "product" else ("2024-01-09T08:00", "2024-01-09T09:00")
    export = read([correction(column, was, now)])
    assert states(export) == ["does not fit"]
    told = reasons(export.rejects if in_quarantine else export.faults)
    assert told == [("tasks", column, "a correction of it does not fit")]
    assert len(export.tables["tasks"]) == (0 if in_quarantine else 1)
    assert len(export.set_aside["tasks"]) == (1 if in_quarantine else 0)
    assert export.as_first_made is None


CHAIN = [
    correction("product", "a", "b", "2024-01-12T00:00:00Z"),
    correction("product", "b", "c", "2024-01-13T00:00:00Z", "K2"),
    correction("product", "c", "a", "2024-01-14T00:00:00Z", "K3"),
    correction("product", "a", "d", "2024-01-15T00:00:00Z", "K4"),
]


@pytest.mark.parametrize("there", ["a", "b", "c", "d"])
@pytest.mark.parametrize(
    ("as_of", "value"),
    [
        ("2024-01-11", "a"),
        ("2024-01-12", "b"),
        ("2024-01-13", "c"),
        ("2024-01-14", "a"),
        ("2024-01-15", "d"),
        (None, "d"),
    ],
)
def test_a_chain_is_followed_up_to_a_time(there: str, as_of: str | None, value: str) -> None:
    """Corrections of corrections go one after another; later ones don't exist, even where the export has them."""
    rows = [CHAIN[number] for number in (2, 0, 3, 1)]
    export = read(rows, RECORD | {"product": there}, as_of=as_of and f"{as_of}T00:00:00Z")
    assert cell(export, "product") == value
    assert export.faults.empty
    assert export.rejects.empty
    if value != "a":
        assert cell(first_made(export), "product") == "a"


def test_a_chain_with_a_broken_link_does_not_fit() -> None:
    """A correction that did not find what the one before it left is the one that doesn't fit."""
    rows = [CHAIN[0], correction("product", "x", "c", "2024-01-13T00:00:00Z", "K2")]
    export = read(rows, RECORD | {"product": "a"})
    assert states(export) == ["applied", "does not fit"]
    assert reasons(export.faults) == [("tasks", "product", "a correction of it does not fit")]


def test_two_at_one_instant_leave_the_cell_in_doubt() -> None:
    """Nobody knows which came first."""
    rows = [CHAIN[0], correction("product", "a", "c", "2024-01-12T00:00:00Z", "K2")]
    export = read(rows, RECORD | {"product": "a"})
    assert states(export) == ["unclear", "unclear"]
    assert reasons(export.faults) == [("tasks", "product", "two corrections of it were made at the same time")]


def test_a_record_set_aside_for_one_cell_comes_back() -> None:
    """A correction gives a cell that can't be read its value, whether or not it says what stood there."""
    broken = RECORD | {"started_at": "8 o'clock"}
    for was in ("", "8 o'clock"):
        export = read([correction("started_at", was, "2024-01-10T08:30")], broken)
        assert states(export) == ["applied"]
        assert cell(export, "started_at") == "2024-01-10T07:30:00+00:00"
        assert export.rejects.empty
        assert first_made(export).tables["tasks"].empty
    assert states(read([correction("started_at", "9 o'clock", "2024-01-10T08:30")], broken)) == ["does not fit"]


def test_a_corrected_station_changes_the_clock() -> None:
    """The record is read as if it had been entered so; the correction's own time is by the clock of its record."""
    export = read([correction("station", "NORTH", "SOUTH", "2024-01-12T10:00:00")])
    assert cell(export, "started_at") == "2024-01-10T08:00:00+00:00"
    assert cell(first_made(export), "started_at") == "2024-01-10T07:00:00+00:00"
    assert export.tables["corrections"]["made_at"].iloc[0] == pd.Timestamp("2024-01-12T09:00:00Z")


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        (correction("product", "gloss", "x", task_id="T9"), "task_id", "the export has no task record of that id"),
        (correction("produkt", "gloss", "x"), "column", "is product meant?"),
        (correction("task_id", "T1", "T2"), "column", "not one of work_order"),
        (correction("humidity_pct", "", "40"), "column", "the task records are exported without that column"),
        (correction("action", "apply", "aply"), "column; now", "is apply meant?"),
        (correction("coat", "2", "0"), "column; now", "outside 1 to 100"),
        (correction("started_at", "2024-01-10T08:00", "soon"), "column; now", "not a time such as"),
        (correction("product", "gloss", "x", "12 January"), "made_at", "not a time such as"),
        (correction("product", "gloss", "x", made_by=""), "made_by", "required, but blank"),
    ],
)
def test_what_cannot_be_followed_is_told(row: Row, column: str, reason: str) -> None:
    """A correction of no record, no column or to no value is set aside with its reason; nothing is applied."""
    export = read([row])
    told = [(one, why) for table, one, why in reasons(export.rejects) if table == "corrections"]
    assert [one for one, _ in told] == [column]
    assert reason in told[0][1]
    assert export.tables["corrections"].empty
    assert export.as_first_made is None


def test_a_correction_that_cannot_be_read_leaves_its_cell_in_doubt() -> None:
    """It may say something of that cell; one of a later time says nothing yet."""
    row = correction("product", "gloss", "x", made_by="")
    assert reasons(read([row]).faults) == [("tasks", "product", "a correction of it can't be read")]
    assert read([row], as_of="2024-01-11T00:00:00Z").faults.empty


def test_corrections_without_the_values_as_corrected() -> None:
    """They take nothing out of the records: what they correct is in doubt."""
    row = correction("product", "gloss", "x")
    del row["now"]
    export = read([row])
    told = ("corrections", "column", "the corrections are exported without the values as corrected")
    assert pd.isna(cell(export, "product"))
    assert reasons(export.rejects) == [told]
    assert reasons(export.faults) == [("tasks", "product", "a correction of it can't be read")]


@pytest.mark.parametrize(
    ("there", "was", "now", "state"),
    [
        ("02:30:00", "02:30:00", "01:30:00", "applied"),
        ("02:30:00", "01:30:00Z", "01:30:00", "applied"),
        ("01:30:00Z", "02:30:00", "01:30:00", "applied"),
        ("00:30:00Z", "02:30:00", "01:30:00", "applied"),
        ("01:30:00Z", "01:30:00", "02:30:00", "in the export"),
        ("02:30:00", "01:30:00", "01:30:00Z", "in the export"),
        ("01:00:00Z", "02:30:00", "01:30:00", "does not fit"),
    ],
)
def test_a_time_that_came_twice_is_either_of_two(there: str, was: str, now: str, state: str) -> None:
    """The clocks went back at 03:00: a correction fits that means one of the two instants."""
    night = RECORD | {"started_at": "2024-10-26T20:00:00Z", "finished_at": f"2024-10-27T{there}"}
    fix = correction("finished_at", f"2024-10-27T{was}", f"2024-10-27T{now}", "2024-11-02T10:00:00Z")
    assert states(read([fix], night)) == [state]


@pytest.mark.parametrize(
    ("column", "there", "was", "state"),
    [
        ("lot", "L-7", "l 7", "unclear"),
        ("component_serial", "C-09", "C-9", "unclear"),
        ("position", "fin", "Fin ", "unclear"),
        ("performed_by", "Ann-Ek", "Ann Ek", "unclear"),
        ("lot", "L-7", "L-8", "does not fit"),
        ("lot", "L-7", "", "does not fit"),
        ("coat", "2", "1", "does not fit"),
    ],
)
def test_a_correction_that_says_nearly_what_was_there(column: str, there: str, was: str, state: str) -> None:
    """It may mean the same or not: neither can be said of it, and its cell is in doubt."""
    export = read([correction(column, was, "X9" if column != "coat" else "3")], RECORD | {column: there})
    assert states(export) == [state]
    told = {"unclear": "a correction of it says nearly the same", "does not fit": "a correction of it does not fit"}
    assert reasons(export.faults) == ([("tasks", column, told[state])] if state in told else [])


def test_a_correction_that_found_nearly_what_the_one_before_it_left() -> None:
    """A chain with such a link is unclear from there on."""
    rows = [CHAIN[0] | {"now": "B-1"}, correction("product", "b 1", "c", "2024-01-13T00:00:00Z", "K2")]
    assert states(read(rows, RECORD | {"product": "a"})) == ["applied", "unclear"]


@pytest.mark.parametrize(
    ("there", "as_of", "expected", "told"),
    [
        ("c", None, ["in the export", "in the export"], None),
        ("b", "2024-01-12T12:00:00Z", ["in the export", "not yet"], None),
        ("a", "2024-01-11T12:00:00Z", ["not yet", "not yet"], None),
        ("a", None, ["unclear", "unclear"], "the corrections are exported without the values before them"),
        (
            "b",
            "2024-01-11T12:00:00Z",
            ["not yet", "not yet"],
            "the corrections are exported without the values before them",
        ),
    ],
)
def test_without_the_values_before_them_corrections_are_only_recognised(
    there: str, as_of: str | None, expected: list[str], told: str | None
) -> None:
    """What was there is not known, nor blank: the record has the corrected value, or the cell is in doubt."""
    rows = [{name: value for name, value in link.items() if name != "was"} for link in CHAIN[:2]]
    export = read(rows, RECORD | {"product": there}, as_of=as_of)
    assert states(export) == expected
    assert export.as_first_made is None
    assert reasons(export.faults) == ([] if told is None else [("tasks", "product", told)])
    assert pd.isna(cell(export, "product")) if told else cell(export, "product") == there


def test_one_correction_twice_is_one() -> None:
    """The same row again is a duplicate; the same id with other contents is believed by nobody."""
    row = correction("product", "gloss", "x")
    export = read([row, row])
    assert (states(export), cell(export, "product")) == (["applied"], "x")
    export = read([row, row | {"now": "y"}])
    assert reasons(export.faults)[0] == ("tasks", "product", "a correction of it can't be read")
    ended = correction("finished_at", "2024-01-10T09:00:00", "2024-01-10T09:30:00")
    export = read([ended, ended])
    assert (states(export), cell(export, "finished_at")) == (["applied"], "2024-01-10T08:30:00+00:00")
    assert reasons(export.rejects) == [("corrections", "correction_id", "duplicate of line 1")]
    assert export.faults.empty


@pytest.mark.parametrize("at", ["2024-01-12T00:00:00Z", "2024-01-12T09:00:00Z"], ids=["at one instant", "later"])
@pytest.mark.parametrize(("there", "state"), [("a", "applied"), ("b", "in the export")])
def test_a_correction_entered_again_under_another_number_fits(there: str, state: str, at: str) -> None:
    """It finds the value that it asks for there already; what follows it finds that, too."""
    again = correction("product", "a", "b", at, "K2")
    export = read([CHAIN[0], again], RECORD | {"product": there})
    assert (states(export), cell(export, "product")) == ([state, state], "b")
    assert export.faults.empty
    export = read([CHAIN[0], again, correction("product", "b", "c", "2024-01-13T00:00:00Z", "K3")], RECORD)
    assert states(export) == ["does not fit"] * 3
    export = read([CHAIN[0], again, CHAIN[1] | {"correction_id": "K3"}], RECORD | {"product": there})
    assert (states(export), cell(export, "product")) == ([state, state, "applied"], "c")
    export = read([CHAIN[0], again], RECORD | {"product": there}, as_of="2024-01-12T08:00:00Z")
    assert cell(export, "product") == "b"
    assert states(export) == [state, state if at == CHAIN[0]["made_at"] else "not yet"]


def test_a_record_exported_twice_is_corrected_twice() -> None:
    """It stays one record."""
    export = read([correction("product", "gloss", "x")], RECORD, RECORD)
    assert list(export.tables["tasks"]["product"]) == ["x"]


def test_other_records_stay_as_they_are() -> None:
    """Times that come twice keep their second instant, and every other cell its value."""
    twice = RECORD | {"task_id": "T2", "started_at": "2024-10-27T02:30:00", "finished_at": "2024-10-27T04:00:00"}
    plain = read([], RECORD, twice)
    export = read([correction("started_at", "2024-01-10T08:00:00", "2024-10-27T02:10:00")], RECORD, twice)
    assert list(export.later["row"]) == [0, 1]
    assert list(plain.later["row"]) == [1]
    pd.testing.assert_series_equal(export.tables["tasks"].iloc[1], plain.tables["tasks"].iloc[1], check_names=False)
    pd.testing.assert_frame_equal(first_made(export).later, plain.later)


PATHS = ("csv", "parquet", "xlsx", "sqlite", "mapped")


@pytest.mark.parametrize("way", PATHS)
def test_every_way_in(way: str, write: Write, tmp_path: Path) -> None:
    """Corrections come in by every path that other tables come in by."""
    tables = {"tasks": [RECORD], "stations": STATIONS, "corrections": [correction("product", "gloss", "x")]}
    mapping = None
    place: Path | str = tmp_path
    if way == "csv":
        write({f"{name}.csv": as_csv(*rows) for name, rows in tables.items()})
    elif way == "parquet":
        for name, rows in tables.items():
            pq.write_table(pa.Table.from_pylist(rows), tmp_path / f"{name}.parquet")
    elif way == "xlsx":
        for name, rows in tables.items():
            pd.DataFrame(rows).to_excel(tmp_path / f"{name}.xlsx", index=False, engine="xlsxwriter")
    elif way == "sqlite":
        with sqlite3.connect(tmp_path / "records.db") as connection:
            for name, rows in tables.items():
                pd.DataFrame(rows).to_sql(name, connection, index=False)
        place = f"sqlite:///{tmp_path / 'records.db'}"
    else:
        foreign = [
            {
                "Nr": "K1",
                "Rec": "T1",
                "Field": "Prod",
                "Old": "gloss",
                "New": "x",
                "Who": "Bo",
                "On": "12.01.2024 10:00",
            }
        ]
        write({"tasks.csv": as_csv(RECORD), "stations.csv": as_csv(*STATIONS), "changes.csv": as_csv(*foreign)})
        mapping = tmp_path / "mapping.yaml"
        own = {name: "\n".join(f"          {column}: {column}" for column in rows[0]) for name, rows in tables.items()}
        mapping.write_text(
            f"""title: Foreign
tables:
  tasks:
    - files: tasks.csv
      zone: station
      columns:
{own["tasks"]}
  stations:
    - files: stations.csv
      columns:
{own["stations"]}
  corrections:
    - files: changes.csv
      zone: task_id
      times: '%d.%m.%Y %H:%M'
      columns:
          correction_id: Nr
          task_id: Rec
          column: {{column: Field, values: {{Prod: product}}}}
          was: Old
          now: New
          made_by: Who
          made_at: On
"""
        )
    export = read_export(place, mapping=mapping)
    assert states(export) == ["applied"]
    assert cell(export, "product") == "x"
    assert export.tables["corrections"]["made_at"].iloc[0] in (
        pd.Timestamp("2024-01-12T10:00:00Z"),
        pd.Timestamp("2024-01-12T09:00:00Z"),
    )


FOREIGN_RECORD: Row = {
    "Nr": "T1",
    "Order": "W1",
    "Tail": "A1",
    "Act": "CLN",
    "Shop": "NORTH",
    "Day": "10.01.2024",
    "From": "0800",
    "End": "10.01.2024 09:00",
    "Stuff": "gloss / L7",
    "Air": "20,5",
    "Wet": "1.045,5",
    "Where": "FN+LH",
    "Worn": "gloves",
}


@pytest.mark.parametrize(
    ("column", "was", "now", "expected"),
    [
        pytest.param("Act", "CLN", "INS", "inspect", id="a-word-of-a-list"),
        pytest.param("Act", "clean", "inspect", "inspect", id="its-canonical-word"),
        pytest.param("End", "10.01.2024 09:00", "10.01.2024 09:30", "2024-01-10T08:30:00+00:00", id="a-time"),
        pytest.param("End", "2024-01-10T09:00", "2024-01-10T09:30", "2024-01-10T08:30:00+00:00", id="a-canonical-time"),
        pytest.param("From", "10.01.2024 0800", "10.01.2024 0815", "2024-01-10T07:15:00+00:00", id="a-joined-time"),
        pytest.param("Air", "20,5", "21,25", 21.25, id="a-number-with-a-comma"),
        pytest.param("Air", "20.5", "21.25", 21.25, id="a-number-with-a-point"),
        pytest.param("Wet", "1.045,5", "45,5", 45.5, id="a-number-that-could-not-be"),
        pytest.param("Where", "LH+FN", "LH", "left wing", id="a-list-with-its-own-names"),
        pytest.param("Stuff", "gloss", "film", "film", id="the-part-of-a-cell-that-is-meant"),
        pytest.param("Worn", "gloves", "-", None, id="what-stands-for-nothing"),
    ],
)
def test_values_as_the_mapped_column_writes_them(
    column: str, was: str, now: str, expected: object, write: Write, tmp_path: Path
) -> None:
    """`was` and `now` are read in the column's own format, and in canonical text where they are not written so."""
    names = {"Act": "action", "End": "finished_at", "From": "started_at", "Air": "ambient_c", "Wet": "humidity_pct"}
    names |= {"Where": "position", "Stuff": "product", "Worn": "ppe_worn"}
    made = {"Nr": "K1", "Rec": "T1", "Field": column, "Old": was, "New": now, "Who": "Bo", "On": "12.01.2024 10:00"}
    write({"tasks.csv": as_csv(FOREIGN_RECORD), "stations.csv": as_csv(*STATIONS), "changes.csv": as_csv(made)})
    fields = ", ".join(f"{field}: {name}" for field, name in names.items())
    (tmp_path / "mapping.yaml").write_text(
        f"""title: Foreign
defaults: {{times: '%d.%m.%Y %H:%M', blank: ['-']}}
tables:
  tasks:
    - files: tasks.csv
      zone: station
      decimal: ","
      columns:
        task_id: Nr
        work_order: Order
        aircraft: Tail
        action: {{column: Act, values: {{CLN: clean, INS: inspect}}}}
        station: Shop
        started_at: {{join: [Day, From], formats: '%d.%m.%Y hhmm'}}
        finished_at: End
        product: {{column: Stuff, before: " / "}}
        ambient_c: Air
        humidity_pct: {{column: Wet, thousands: "."}}
        position: {{column: Where, separator: +, values: {{LH: left wing, FN: fin}}}}
        ppe_worn: Worn
  stations:
    - files: stations.csv
      columns: {{station: station, timezone: timezone}}
  corrections:
    - files: changes.csv
      zone: task_id
      columns:
        correction_id: Nr
        task_id: Rec
        column: {{column: Field, values: {{{fields}}}}}
        was: Old
        now: New
        made_by: Who
        made_at: On
"""
    )
    export = read_export(tmp_path, mapping=tmp_path / "mapping.yaml")
    assert states(export) == ["applied"]
    value = cell(export, names[column])
    assert value == expected or (expected is None and pd.isna(value))
    assert export.tables["corrections"]["was"].iloc[0] != export.tables["corrections"]["now"].iloc[0]
