"""Broken exports: one clear sentence that names the file and the place, or one quarantined row."""

from __future__ import annotations

import contextlib
import csv
import io
import random
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import AuditError
from audit.intake.export import Export, RowCount
from audit.intake.reading import read_export
from tests.intake.conftest import COMPONENT, FLIGHT, STATION, TASK, Write, as_csv

HEADER = ",".join(TASK)
ROW = ",".join(TASK.values())


def refusal(folder: Path) -> str:
    with pytest.raises(AuditError) as caught:
        read_export(folder)
    sentence = str(caught.value)
    assert "\n" not in sentence
    return sentence


def quarantined(export: Export) -> list[tuple[str, int, str, str, str]]:
    columns = ["file", "line", "column", "value", "reason"]
    return [tuple(row) for row in export.rejects[columns].itertuples(index=False)]


ENDLESS = "; where it stands for no end, a mapping reads it as a blank (key: blank)"


def at_fault(export: Export) -> list[tuple[str, int, str, str, str]]:
    """What is told of cells in rows that are audited all the same."""
    columns = ["file", "line", "column", "value", "reason"]
    return [tuple(row) for row in export.faults[columns].itertuples(index=False)]


def task_rows(*changes: dict[str, str]) -> str:
    return as_csv(*({**TASK, "task_id": f"T{number}", **change} for number, change in enumerate(changes, 1)))


# Folders


def test_missing_folder(tmp_path: Path) -> None:
    """A folder that isn't there is named."""
    assert refusal(tmp_path / "nowhere") == f"{tmp_path / 'nowhere'}: there is no such folder"


def test_folder_is_a_file(write: Write) -> None:
    """A file in the place of the folder is refused."""
    assert "tasks.csv is not a folder" in refusal(write({}) / "tasks.csv")


def test_a_database_file_is_given_by_its_url(tmp_path: Path) -> None:
    """The path of an SQLite file is no folder: the sentence has the URL to give."""
    file = tmp_path / "records.db"
    with contextlib.closing(sqlite3.connect(file)) as made:
        made.execute("CREATE TABLE tasks (task_id)")
    assert refusal(file) == f"{file} is not a folder; it is an SQLite database: give its URL, sqlite:///{file}"


def test_an_export_of_another_system_is_sent_to_a_mapping(tmp_path: Path) -> None:
    """Whoever checks what was not exported for it learns which command reads it: a file, a folder, a table of that
    name with other columns."""
    work, sent = tmp_path / "work.csv", "which `deicer-audit map EXPORT` drafts"
    work.write_text("Card,Tail\n1,A1\n", encoding="utf-8")
    assert refusal(work).endswith(sent)
    assert refusal(tmp_path).endswith(sent)
    work.rename(tmp_path / "tasks.csv")
    assert refusal(tmp_path).endswith(sent)


@pytest.mark.parametrize("files", [{}, {"flights.csv": as_csv(FLIGHT)}, {"notes.txt": "nothing"}])
def test_no_tasks(tmp_path: Path, files: dict[str, str]) -> None:
    """An empty folder, or one without tasks, says which files are looked for."""
    for name, content in files.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    assert "has no tasks table: neither tasks.csv nor tasks.parquet nor tasks.xlsx" in refusal(tmp_path)


def test_two_files_for_one_table(write: Write) -> None:
    """Two files of one table are both named, whichever case their endings have."""
    folder = write({"flights.csv": as_csv(FLIGHT), "flights.PARQUET": b""})
    assert "flights.PARQUET and flights.csv" in refusal(folder)


# Whole files


@pytest.mark.parametrize("content", ["", "\n\n", "\ufeff"])
def test_empty_file(write: Write, content: str) -> None:
    """A file without a header is empty, blank lines or not."""
    assert refusal(write({"tasks.csv": content})).startswith("tasks.csv is empty")


def test_header_only(write: Write) -> None:
    """A table with a header and no rows is a table with no rows."""
    export = read_export(write({"tasks.csv": HEADER + "\n", "flights.csv": ",".join(FLIGHT)}))
    assert [len(export.tables["tasks"]), len(export.tables["flights"])] == [0, 0]
    assert export.tables["flights"]["takeoff_at"].dtype == "datetime64[us, UTC]"
    assert export.rejects.empty


def test_blank_lines_before_the_header(write: Write) -> None:
    """Blank lines ahead of the header are counted, and nothing else."""
    export = read_export(write({"tasks.csv": f"\n\r\n{HEADER}\n{ROW}\n{ROW}\n"}))
    assert quarantined(export) == [("tasks.csv", 5, "task_id", "T1", "duplicate of line 4")]


def test_unknown_columns_are_ignored(write: Write) -> None:
    """Columns that no table has don't hinder, even when they share a name."""
    export = read_export(write({"tasks.csv": f"{HEADER},colour,colour,\n{ROW},red,blue,\n"}))
    assert list(export.tables["tasks"]) == list(TASK)


def test_missing_column_with_a_near_miss(write: Write) -> None:
    """A misspelt required column is guessed at."""
    assert refusal(write({"tasks.csv": as_csv(TASK).replace("aircraft", "aircaft")})) == (
        "tasks.csv lacks the required column `aircraft`; is `aircaft` meant to be `aircraft`?"
    )


def test_optional_column_written_otherwise(write: Write) -> None:
    """`Lot` would be ignored without a word, and every rule about lots with it."""
    assert refusal(write({"tasks.csv": as_csv({**TASK, "Lot": "L1"})})) == (
        "tasks.csv has a column `Lot`; it has to be written `lot`"
    )


def test_wrong_separator(write: Write) -> None:
    """Cells separated by semicolons are recognised."""
    sentence = refusal(write({"tasks.csv": as_csv(TASK).replace(",", ";")}))
    assert sentence.startswith("tasks.csv lacks the required columns `task_id`, ")
    assert sentence.endswith("its cells have to be separated by commas, or a mapping has to say by what")


def test_duplicate_columns(write: Write) -> None:
    """A column that is there twice leaves open which one counts."""
    sentence = refusal(write({"tasks.csv": f"{HEADER},station \n{ROW},SOUTH\n"}))
    assert sentence == "tasks.csv has the column `station` twice; leave one there"


def test_wrong_encoding(write: Write) -> None:
    """Bytes that aren't UTF-8 are named with their line, even in a column that nobody reads."""
    text = as_csv({**TASK, "remarks": "sound"}, {**TASK, "task_id": "T2", "remarks": "poliert für morgen"})
    content = text.encode("latin-1")
    at = content.index(b"\xfc") + 1
    assert refusal(write({"tasks.csv": content})) == (
        f"tasks.csv, line 3: byte {at} of the file is not UTF-8; save the export as UTF-8, or say its `encoding` "
        "in a mapping"
    )


def test_wrong_encoding_far_into_the_file(write: Write) -> None:
    """The place is right beyond the first block, and where a character lies across two blocks."""
    good = task_rows(*({"work_order": "Ä" * 2000} for _ in range(3000)))
    assert len(good.encode()) > 8 << 20
    assert read_export(write({"tasks.csv": good})).counts["tasks"].quarantined == 3000  # longer than a name may be
    at = len(good.encode()) + 1
    assert f"line 3002: byte {at} of the file" in refusal(write({"tasks.csv": good.encode() + b"\xff,\n"}))


def test_text_cut_off_inside_a_character(write: Write) -> None:
    """A file that ends in half a character is not UTF-8."""
    assert "line 2" in refusal(write({"tasks.csv": (HEADER + "\n" + ROW + "é").encode()[:-1]}))


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le"])
def test_utf_16(write: Write, encoding: str) -> None:
    """UTF-16, with or without its mark, is told from CSV."""
    assert refusal(write({"tasks.csv": as_csv(TASK).encode(encoding)})).startswith("tasks.csv, line 1: this is ")


def test_binary_file(write: Write) -> None:
    """A workbook renamed to .csv is not CSV."""
    content = b"PK\x03\x04\x14\x00\x06\x00\x08\x00\x00\x00!\x00" + bytes(range(256)) * 50
    assert refusal(write({"tasks.csv": content})) == "tasks.csv, line 1: this is a binary file, not CSV text"


@pytest.mark.parametrize("keep", [0, 3, 50, -100, -1])
def test_truncated_parquet(write: Write, tmp_path: Path, keep: int) -> None:
    """A Parquet file that was cut off is named."""
    pq.write_table(pa.table({name: [value] for name, value in TASK.items()}), tmp_path / "whole")
    content = (tmp_path / "whole").read_bytes()
    sentence = refusal(write({"tasks.parquet": content[:keep]}))
    assert sentence.startswith("tasks.parquet can't be read as a Parquet file")


def test_text_named_parquet(write: Write) -> None:
    """CSV text renamed to .parquet is not Parquet."""
    assert refusal(write({"tasks.parquet": as_csv(TASK)})).startswith("tasks.parquet can't be read as a Parquet file")


def test_parquet_column_of_a_senseless_type(write: Write, tmp_path: Path) -> None:
    """A list where a time is wanted is refused with the column's name."""
    columns = {name: pa.array([value]) for name, value in TASK.items()} | {"signed_at": pa.array([[1, 2]])}
    pq.write_table(pa.table(columns), tmp_path / "tasks.parquet")
    assert "tasks.parquet: column `signed_at` (time of signature) can't be read from" in refusal(tmp_path)


def test_parquet_with_duplicate_or_missing_columns(tmp_path: Path) -> None:
    """A Parquet file is held to its columns as a CSV file is."""
    names = list(TASK)
    cells = [pa.array([value]) for value in TASK.values()]
    pq.write_table(pa.Table.from_arrays([*cells, cells[0]], [*names, "task_id"]), tmp_path / "tasks.parquet")
    assert refusal(tmp_path) == "tasks.parquet has the column `task_id` twice; leave one there"
    pq.write_table(pa.Table.from_arrays(cells[1:], names[1:]), tmp_path / "tasks.parquet")
    assert refusal(tmp_path) == "tasks.parquet lacks the required column `task_id`"


def test_unreadable_file(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that the system won't open is named."""
    folder = write({})
    opened = Path.open

    def refuse(path: Path, *args: object, **kwargs: object) -> object:
        if path.name == "tasks.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *args, **kwargs)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    assert refusal(folder).startswith("tasks.csv can't be read")


def test_a_file_called_nearly_as_the_tasks(write: Write) -> None:
    """Where there are no tasks, a file that may hold them is named."""
    folder = write({"tasks.csv": "", "task.csv": ""})
    (folder / "tasks.csv").unlink()
    assert "neither tasks.csv nor tasks.parquet nor tasks.xlsx is there, but task.csv; " in refusal(folder)


# Rows and cells of a CSV file


def test_a_total_below_the_records(write: Write) -> None:
    """The last row may be no record: it is quarantined, with what leaves it out."""
    export = read_export(write({"tasks.csv": f"{HEADER}\nT0,W1\n{ROW}\nTotal,1\n"}))
    hint = "; a total or the like is left out by `footer_rows` in a mapping"
    assert [(line, reason) for _, line, _, _, reason in quarantined(export)] == [
        (2, "2 cells where the header names 7"),
        (4, f"2 cells where the header names 7{hint}"),
    ]


def test_a_total_of_full_width_below_the_records(write: Write) -> None:
    """The last row of a file with most required cells blank is told once what leaves it out; others are not."""
    blanks = "," * HEADER.count(",")
    text = f"{HEADER}\nSum{blanks}\n{ROW}\n%s\n"
    hint = "required, but blank; a total or the like is left out by `footer_rows` in a mapping"
    for last, column in ((f"Total{blanks}", "work_order"), ("Total,12,,,,,", "aircraft")):
        export = read_export(write({"tasks.csv": text % last}))
        assert [told[1:3] for told in quarantined(export) if told[4] == hint] == [(4, column)]
        assert len({told[1:3] for told in quarantined(export)}) == len(quarantined(export))
    for last in (blanks, "T2,W1,A1,,NORTH,,"):
        assert not any("total" in told[4] for told in quarantined(read_export(write({"tasks.csv": text % last}))))


def test_ragged_rows(write: Write) -> None:
    """A row with too few or too many cells is quarantined with its line, text and reason; the others stay."""
    short, long = "T2,W1,A1", f"T3,{ROW},,"
    export = read_export(write({"tasks.csv": f"{HEADER}\n{ROW}\n\n{short}\n{long}\n{ROW.replace('T1', 'T4')}\n"}))
    assert quarantined(export) == [
        ("tasks.csv", 4, "", short, "3 cells where the header names 7"),
        ("tasks.csv", 5, "", long, "10 cells where the header names 7"),
    ]
    assert list(export.tables["tasks"]["task_id"]) == ["T1", "T4"]
    assert (export.counts["tasks"].read, export.counts["tasks"].quarantined) == (4, 2)


def test_lines_after_quoted_newlines_blank_lines_and_ragged_rows(write: Write) -> None:
    """Line numbers stay those of an editor whatever came before."""
    rows = [
        f"{HEADER},remarks",  # 1
        f'{ROW},"two\nlines"',  # 2, 3
        "",  # 4
        "only one cell",  # 5
        f'{ROW.replace("T1", "T2").replace("apply", "paint")},"a ""quoted""\r\n\r\nword"',  # 6, 7, 8
        "one,two",  # 9
        f"{ROW},again",  # 10
        ROW.replace("T1", "T3").replace("2024-01-10T08:00:00Z", "yesterday") + ",",  # 11
    ]
    export = read_export(write({"tasks.csv": "\n".join(rows)}))
    assert [(line, column) for _, line, column, _, _ in quarantined(export)] == [
        (5, ""),
        (6, "action"),
        (9, ""),
        (10, "task_id"),
        (11, "started_at"),
    ]
    assert quarantined(export)[3] == ("tasks.csv", 10, "task_id", "T1", "duplicate of line 2")


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_lines_with_every_line_ending(write: Write, ending: str, last: bool) -> None:
    """Line numbers don't depend on the line ending, nor on one after the last row."""
    rows = [HEADER, ROW, ROW.replace("T1", "T2"), ROW.replace("T1", "")]
    text = ending.join(rows) + (ending if last else "")
    assert quarantined(read_export(write({"tasks.csv": text}))) == [
        ("tasks.csv", 4, "task_id", "", "required, but blank")
    ]


def test_blank_line_and_no_line_end_at_the_end(write: Write) -> None:
    """One blank line and one missing line end don't cancel each other out."""
    text = f"{HEADER}\n\n{ROW.replace('T1', '')}"
    assert [line for _, line, *_ in quarantined(read_export(write({"tasks.csv": text})))] == [3]


def test_byte_order_mark(write: Write) -> None:
    """A byte order mark is not part of the first column's name, quoted or not."""
    text = as_csv(TASK).replace("task_id", '"task_id"', 1)
    assert read_export(write({"tasks.csv": "\ufeff" + text})).counts["tasks"].audited == 1


def test_nul_byte(write: Write) -> None:
    """A NUL byte in an identifier or code is a fault."""
    export = read_export(write({"tasks.csv": task_rows({}, {"task_id": "T\0"}, {"lot": "L\0"}, {"coat": "\0"})}))
    found = quarantined(export) + at_fault(export)
    assert [(line, column, reason) for _, line, column, _, reason in found] == [
        (3, "task_id", "contains a NUL character"),
        (4, "lot", "contains a NUL character"),
        (5, "coat", "contains a NUL character"),
    ]


def test_what_a_failed_formula_left(write: Write) -> None:
    """A spreadsheet's error is no identifier, code or text, and neither is what it shows for want of room; a lot may
    begin with #."""
    changes: list[dict[str, str]] = [{"lot": "#N/A"}, {"performed_by": " #REF! "}, {"humidity_pct": "#DIV/0!"}]
    changes += [{"lot": "#7"}, {"remarks": "#N/A"}, {"remarks": "see #N/A"}, {"lot": "#####"}]
    export = read_export(write({"tasks.csv": task_rows({}, *changes)}), {"tasks": ["remarks"]})
    assert [(line, column, reason) for _, line, column, _, reason in at_fault(export)] == [
        (3, "lot", "a spreadsheet's error, no value"),
        (4, "performed_by", "a spreadsheet's error, no value"),
        (5, "humidity_pct", "a spreadsheet's error, no value"),
        (7, "remarks", "a spreadsheet's error, no value"),
        (9, "lot", "a spreadsheet's error, no value"),
    ]
    assert export.tables["tasks"]["lot"].tolist()[4] == "#7"
    assert export.tables["tasks"]["remarks"].tolist()[6] == "see #N/A"


def test_long_numbers_that_were_rounded(write: Write) -> None:
    """A name in scientific notation has lost digits, and stands for many; a number in it has not."""
    changes = [
        {"task_id": "1.23457E+11"},
        {"lot": "1e+15"},
        {"lot": "1.2E11"},
        {"lot": "1+E+5"},
        {"ambient_c": "1.5E+01"},
    ]
    export = read_export(write({"tasks.csv": task_rows({}, *changes)}))
    rounded = "a long number that was rounded: it has lost digits"
    assert [(line, column, reason) for _, line, column, _, reason in quarantined(export)] == [(3, "task_id", rounded)]
    assert [(line, column, reason) for _, line, column, _, reason in at_fault(export)] == [(4, "lot", rounded)]
    assert export.tables["tasks"]["ambient_c"].tolist()[-1] == 15


def test_huge_cell(write: Write) -> None:
    """A cell of 10 MB is read; as an identifier it is quarantined, and the list of rejects stays short."""
    huge = "x" * (10 << 20)
    folder = write({"tasks.csv": task_rows({}, {"remarks": huge}, {"work_order": huge}, {})})
    export = read_export(folder, {"tasks": ["remarks"]})
    assert len(export.tables["tasks"]["remarks"][1]) == len(huge)
    [(_, line, column, value, reason)] = quarantined(export)
    assert (line, column, reason) == (4, "work_order", "longer than 1000 characters")
    assert value == "x" * 1000 + "…"


@pytest.mark.parametrize("rows_after", [0, 1, 200_000])
def test_quote_never_closed(write: Write, rows_after: int) -> None:
    """An open quote would swallow every row after it; the line of its row is named."""
    text = f'{HEADER},remarks\n{ROW},\n{ROW},"open\n' + f"{ROW},\n" * rows_after
    assert refusal(write({"tasks.csv": text})).startswith("tasks.csv, line 3: in the row that starts here a quote")


def test_quote_closed_by_the_next_row(write: Write) -> None:
    """A quote that another row's quote happens to close would join two rows into one."""
    text = f'{HEADER},remarks\n{ROW},"open\n{ROW.replace("T1", "T2")},"shut"\n{ROW.replace("T1", "T3")},\n'
    assert refusal(write({"tasks.csv": text})).startswith("tasks.csv, line 2: in the row that starts here a quote")


def test_quotes_inside_a_cell_are_text(write: Write) -> None:
    """A quote that doesn't open its cell is an inch sign, and an odd number of them does no harm."""
    text = f'{HEADER},remarks\n{ROW},5" hose\n{ROW.replace("T1", "T2")},"say ""so"""\n'
    export = read_export(write({"tasks.csv": text}), {"tasks": ["remarks"]})
    assert list(export.tables["tasks"]["remarks"]) == ['5" hose', 'say "so"']


# Values


@pytest.mark.parametrize(
    ("column", "value", "reason"),
    [
        ("task_id", "   ", "required, but blank"),
        ("aircraft", "", "required, but blank"),
        ("started_at", "0001-01-01T00:00:00Z", "before 1950 or after 2099"),
        ("started_at", "9999-12-31T23:59:59Z", f"before 1950 or after 2099{ENDLESS}"),
        ("finished_at", "2024-02-30T10:00Z", "not a time such as 2025-06-02T09:00Z"),
        ("finished_at", "10/01/2024 08:00", "not a time such as 2025-06-02T09:00Z"),
        ("finished_at", "2024-01-10", "a date without a time of day"),
        ("action", "paint", "not one of clean, prepare, apply, inspect, repair, install, remove, other"),
    ],
)
def test_a_needed_cell_that_cannot_be_read(write: Write, column: str, value: str, reason: str) -> None:
    """It quarantines its row, with the value as it was written; what else the row says stays possible."""
    export = read_export(write({"tasks.csv": task_rows({}, {column: value}, {}), "stations.csv": as_csv(STATION)}))
    assert quarantined(export) == [("tasks.csv", 3, column, value, reason)]
    assert at_fault(export) == []
    assert len(export.tables["tasks"]) == 2
    [possible] = export.set_aside["tasks"].to_dict("records")
    assert {name for name, cell in possible.items() if pd.isna(cell)} == {column}


@pytest.mark.parametrize(
    ("column", "value", "reason"),
    [
        ("signed_at", "2100-01-01T00:00", "before 1950 or after 2099"),
        ("coat", "-1", "outside 1 to 100"),
        ("coat", "1.5", "not a whole number"),
        ("coats", "0x1F", "not a whole number"),
        ("coats", "0", "outside 1 to 100"),
        ("humidity_pct", "101", "outside 2 to 100"),
        ("humidity_pct", "0.45", "outside 2 to 100"),
        ("ambient_c", "-300", "outside -90 to 70"),
        ("ambient_c", "nan", "not a number"),
        ("ambient_c", "1e999", "too large a number"),
        ("humidity_pct", "45 %", "not a number"),
        ("status", "closd", "not one of closed, open, void; is closed meant?"),
        ("position", "fin; ALL", "`all` stands for every position, and others are next to it"),
    ],
)
def test_a_cell_that_is_not_needed_and_cannot_be_read(write: Write, column: str, value: str, reason: str) -> None:
    """It is a missing value, told as it was written; its row is audited, and the value known to be unreadable."""
    rows = task_rows({"task_id": ""}, {}, {column: value}, {})
    export = read_export(write({"tasks.csv": rows, "stations.csv": as_csv(STATION)}))
    assert at_fault(export) == [("tasks.csv", 4, column, value, reason)]
    assert quarantined(export) == [("tasks.csv", 2, "task_id", "", "required, but blank")]
    assert export.counts["tasks"] == RowCount(read=4, audited=3, quarantined=1)
    assert pd.isna(export.tables["tasks"].loc[1, column])
    assert {place: rows.tolist() for place, rows in export.unreadable.items()} == {("tasks", column): [1]}


@pytest.mark.parametrize(
    ("change", "column", "reason"),
    [
        ({"landing_at": "2024-01-11T07:59:59Z"}, "landing_at", "landing before takeoff"),
        ({"takeoff_at": "2024-01-11"}, "takeoff_at", "a date without a time of day"),
        ({"takeoff_at": "1949-12-31T23:59"}, "takeoff_at", "before 1950 or after 2099"),
    ],
)
def test_bad_flight(write: Write, change: dict[str, str], column: str, reason: str) -> None:
    """A flight that can't have been is quarantined, and stays possible evidence without the time at fault."""
    export = read_export(write({"flights.csv": as_csv(FLIGHT, {**FLIGHT, "flight_id": "F2", **change})}))
    assert [(line, found, why) for _, line, found, _, why in quarantined(export)] == [(3, column, reason)]
    [possible] = export.set_aside["flights"].to_dict("records")
    assert possible["aircraft"] == "A1"
    assert {name for name, cell in possible.items() if pd.isna(cell)} == {column}


def test_impossible_hours_and_cycles(write: Write) -> None:
    """What no flight can have is not a value; the flight is audited."""
    flight = FLIGHT | {"flight_hours": "-0.1", "cycles": "-1"}
    export = read_export(write({"flights.csv": as_csv(flight)}))
    assert [(column, value, why) for _, _, column, value, why in at_fault(export)] == [
        ("cycles", "-1", "outside 0 to 100,000"),
        ("flight_hours", "-0.1", "outside 0 to 100,000"),
    ]
    assert export.tables["flights"].loc[0, ["flight_hours", "cycles"]].isna().all()


def test_hours_written_as_a_clock_shows_them_tell_what_reads_them(write: Write) -> None:
    export = read_export(write({"flights.csv": as_csv(FLIGHT | {"flight_hours": "1:30"})}))
    reason = "not a number; a mapping reads hours and minutes (unit: hours-and-minutes)"
    assert [cells[2:] for cells in at_fault(export)] == [("flight_hours", "1:30", reason)]
    export = read_export(write({"tasks.csv": task_rows({"ambient_c": "1:30"})}))
    assert [cells[2:] for cells in at_fault(export) if cells[0] == "tasks.csv"] == [
        ("ambient_c", "1:30", "not a number")
    ]


def test_landing_at_takeoff_is_allowed(write: Write) -> None:
    """A flight of no length and no hours is odd, but not impossible."""
    flight = {**FLIGHT, "landing_at": FLIGHT["takeoff_at"], "flight_hours": "0", "cycles": "0"}
    assert read_export(write({"flights.csv": as_csv(flight)})).rejects.empty


def test_component_removed_before_installed(write: Write) -> None:
    """Removal may be the moment of installation, not before; a blank one is still installed."""
    rows = [
        {**COMPONENT, "component_serial": f"C{number}", "removed_at": removed}
        for number, removed in enumerate(["", "2023-01-01", "2022-12-31T23:59Z"])
    ]
    export = read_export(write({"components.csv": as_csv(*rows)}))
    assert at_fault(export) == [("components.csv", 4, "removed_at", "2022-12-31T23:59Z", "removed before installed")]
    assert export.unreadable["components", "removed_at"].tolist() == [2]
    assert export.tables["components"]["removed_at"].isna().tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("table", "named", "days", "reason"),
    [
        ("people", {"person": "P1"}, ("valid_from", "valid_to"), "ends before it begins"),
        ("manuals", {"manual": "M1"}, ("effective_from", "superseded_on"), "superseded before it was in force"),
    ],
)
def test_what_ends_before_it_begins(
    write: Write, table: str, named: dict[str, str], days: tuple[str, str], reason: str
) -> None:
    """Either day may be the wrong one: the row is set aside, and stays evidence; one day alone is sound."""
    other = {"people": "authorisation", "manuals": "revision"}[table]
    rows = [{**named, other: str(end), days[0]: "2024-01-02", days[1]: f"2024-01-0{end}"} for end in (1, 2)]
    export = read_export(write({f"{table}.csv": as_csv(*rows)}))
    told = export.rejects[["line", "column", "value", "reason"]].to_numpy().tolist()
    assert told == [[2, "; ".join(days), "2024-01-02; 2024-01-01", reason]]
    assert (len(export.tables[table]), len(export.set_aside[table])) == (1, 1)


def test_two_components_at_one_position(write: Write) -> None:
    """Two boots in one place at one time are both kept: the timeline says that it doesn't know which."""
    rows = as_csv(COMPONENT, {**COMPONENT, "component_serial": "C2"})
    assert read_export(write({"components.csv": rows})).counts["components"].audited == 2


def test_several_faults_in_one_row(write: Write) -> None:
    """Each fault is listed, and the row is counted once."""
    export = read_export(write({"tasks.csv": task_rows({"coat": "one", "action": "paint"}, {})}))
    assert [(line, column) for _, line, column, _, _ in quarantined(export)] == [(2, "action"), (2, "coat")]
    assert export.counts["tasks"].quarantined == 1


def test_rejects_name_their_table_and_file(write: Write) -> None:
    """The list holds every table's rejects, in the order of the tables and lines."""
    export = read_export(
        write(
            {
                "tasks.csv": task_rows({"action": "x"}),
                "Flights.CSV": as_csv({**FLIGHT, "landing_at": "x"}),
                "stations.csv": as_csv({**STATION, "timezone": "Mars/Olympus"}),
            }
        )
    )
    expected = pd.DataFrame(
        {
            "table": ["tasks", "flights", "stations"],
            "file": ["tasks.csv", "Flights.CSV", "stations.csv"],
            "line": [2, 2, 2],
            "column": ["action", "landing_at", "timezone"],
            "value": ["x", "x", "Mars/Olympus"],
            "reason": [
                "not one of clean, prepare, apply, inspect, repair, install, remove, other",
                "not a time such as 2025-06-02T09:00Z",
                "not a time zone of the IANA database",
            ],
        }
    )
    pd.testing.assert_frame_equal(export.rejects, expected)


# Files broken at random

WHOLE = task_rows(
    {"remarks": 'say "so"'}, {"remarks": "two\nlines"}, {}, {"remarks": "a, b"}, {"remarks": "é"}
).encode()
PIECES = [
    b'"',
    b'""',
    b",",
    b'",',
    b',"',
    b"\n",
    b"\r",
    b"\r\n\n",
    b"\0",
    b"\xff",
    b"\xc3",
    b"\xef\xbb\xbf",
    b" ",
    b"T1",
]
DAMAGE = st.lists(st.tuples(st.integers(0, len(WHOLE)), st.sampled_from(PIECES), st.integers(0, 40)), max_size=4)


@given(DAMAGE)
def test_any_damage_to_csv_is_refused_or_accounted_for(damage: list[tuple[int, bytes, int]]) -> None:
    """Whatever happens to a file, each record that Python's csv module sees is audited or listed by its line."""
    content = WHOLE
    for at, inserted, cut in damage:
        content = content[:at] + inserted + content[at + cut :]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "tasks.csv").write_bytes(content)
        try:
            export = read_export(Path(folder), {"tasks": ["remarks"]})
        except AuditError:
            return
    starts, records = [], []
    reader = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
    while True:
        starts.append(reader.line_num + 1)
        records.append(next(reader, None))
        if records[-1] is None:
            break
    header, *rows = [(line, row) for line, row in zip(starts, records, strict=True) if row]
    assert export.counts["tasks"].read == len(rows)
    by_line = dict(rows)
    for reject in pd.concat([export.rejects, export.faults]).itertuples():
        if reject.column:
            assert by_line[reject.line][[name.strip() for name in header[1]].index(reject.column)] == reject.value
        else:
            assert len(by_line[reject.line]) != len(header[1])


@pytest.mark.parametrize("seed", [8744, 12570, 21540])
def test_damaged_column_statistics_end_no_process(seed: int, tmp_path: Path) -> None:
    """Flipped bytes in what the file tells of its columns: refused in a sentence, or read."""
    stored = io.BytesIO()
    pq.write_table(pa.table({name: [value] * 3 for name, value in TASK.items()}), stored)
    content, chance = bytearray(stored.getvalue()), random.Random(seed)
    for _ in range(chance.randint(1, 4)):
        content[chance.randrange(len(content) // 2, len(content))] = chance.randrange(256)
    (tmp_path / "tasks.parquet").write_bytes(content)
    with contextlib.suppress(AuditError):
        assert read_export(tmp_path).counts["tasks"].read == 3


@given(st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=4))
def test_any_damage_to_parquet_is_refused_or_accounted_for(damage: list[tuple[float, int]]) -> None:
    """A flipped byte makes the file unreadable or a value wrong; it never gets past as a crash."""
    stored = io.BytesIO()
    pq.write_table(pa.table({name: [value] * 3 for name, value in TASK.items()}), stored)
    content = bytearray(stored.getvalue())
    for place, value in damage:
        content[int(place * len(content))] = value
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "tasks.parquet").write_bytes(content)
        try:
            count = read_export(Path(folder)).counts["tasks"]
        except AuditError:
            return
    assert count.read == 3
    assert count.audited <= 1  # the rows are all alike


def test_parquet_written_to_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A nightly job may still be writing: columns of two states of a file are no table."""
    reading = pq.ParquetFile.read

    def written_between(self: pq.ParquetFile, columns: list[str], **more: Any) -> Any:
        read = reading(self, columns=columns, **more)
        if columns == ["task_id"]:
            pq.write_table(pa.table({name: [value] * 3 for name, value in TASK.items()}), tmp_path / "tasks.parquet")
        return read

    pq.write_table(pa.table({name: [value] * 2 for name, value in TASK.items()}), tmp_path / "tasks.parquet")
    monkeypatch.setattr(pq.ParquetFile, "read", written_between)
    assert refusal(tmp_path).startswith("tasks.parquet was written to while it was read")
