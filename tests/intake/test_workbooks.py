"""Workbooks: sheets, dates, durations and title rows as a second library wrote them; odd ones refused."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH

from audit.errors import AuditError
from audit.intake.export import Export
from audit.intake.reading import read_export
from tests.intake.conftest import TASK

NAMES = list(TASK)
MAPPING = """\
title: Invented
tables:
  tasks:
    - files: book.xlsx
      sheet: "Work *"
      skip_rows: 2
      zone: UTC
      columns:
        task_id: No
        work_order: {constant: W1}
        aircraft: {constant: A1}
        action: {constant: apply}
        station: {constant: NORTH}
        started_at: {column: Begin, formats: "%d.%m.%Y %H:%M"}
        finished_at: {join: [Day, End], formats: ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M"]}
        humidity_pct: {column: Humidity, decimal: ","}
"""


def save(path: Path, sheets: dict[str, Sequence[Sequence[Any]]], epoch: datetime = WINDOWS_EPOCH) -> None:
    """Write a workbook with the second library."""
    book = openpyxl.Workbook()
    book.epoch = epoch
    for sheet in book.worksheets:
        book.remove(sheet)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)


def read(folder: Path, mapping: str = MAPPING) -> Export:
    (folder / "mapping.yaml").write_text(mapping, encoding="utf-8")
    return read_export(folder, mapping=folder / "mapping.yaml")


def column(export: Export, name: str, table: str = "tasks") -> list[Any]:
    return [None if pd.isna(value) else value for value in export.tables[table][name]]


@pytest.mark.parametrize("epoch", [WINDOWS_EPOCH, MAC_EPOCH], ids=["1900", "1904"])
def test_dates_of_both_systems(tmp_path: Path, epoch: datetime) -> None:
    """Dates, times of day and text dates are read as they were written, whichever year the workbook counts from."""
    begin = [datetime(2024, 2, 29, 23, 59, 59), datetime(2024, 3, 1), "03.03.2024 7:05", datetime(1999, 12, 31, 6)]
    head = [["Title"], [], ["No", "Begin", "Day", "End", "Humidity"]]
    rows = [[number, at, date(2024, 3, 4), time(7, 5), 48.5] for number, at in enumerate(begin, 1)]
    save(tmp_path / "book.xlsx", {"Work 1": [*head, *rows]}, epoch)
    export = read(tmp_path)
    assert export.rejects.empty
    expected = [*begin[:2], datetime(2024, 3, 3, 7, 5), begin[3]]
    assert column(export, "started_at") == [at.replace(tzinfo=UTC) for at in expected]  # type: ignore[union-attr]
    assert column(export, "finished_at") == [datetime(2024, 3, 4, 7, 5, tzinfo=UTC)] * 4
    assert column(export, "task_id") == ["1", "2", "3", "4"]


def test_sheets_title_rows_and_rejects(tmp_path: Path) -> None:
    """Sheets of one pattern are one table; a reject names its sheet, its row there and the text of its cell."""
    head = [["Title over all"], [None, "merged"], ["No", "Begin", "Day", "End", "Humidity"]]
    good = [1, datetime(2024, 3, 1, 5), "01.03.2024", "7:05", "48,5"]
    save(
        tmp_path / "book.xlsx",
        {
            "Work B": [*head, [], good, [], [2, "1/3/2024", *good[2:]], [3, *good[1:4], "48.5"]],
            "Work A": [*head, good, [4, 45000, *good[2:]]],
            "Notes": [["nothing"]],
        },
    )
    book = openpyxl.load_workbook(tmp_path / "book.xlsx")
    book["Work B"].merge_cells("A1:E1")
    book.save(tmp_path / "book.xlsx")
    export = read(tmp_path)
    rejects = export.rejects[["file", "line", "column", "value"]].itertuples(index=False, name=None)
    assert list(rejects) == [
        ("book.xlsx, sheet Work B", 7, "Begin", "1/3/2024"),
        ("book.xlsx, sheet Work A", 4, "No", "1"),
        ("book.xlsx, sheet Work A", 5, "Begin", "45000"),
    ]
    assert export.rejects["reason"].iloc[1] == "duplicate of line 5 of book.xlsx, sheet Work B"
    assert export.faults[["file", "line", "column", "value"]].to_numpy().tolist() == [
        ["book.xlsx, sheet Work B", 8, "Humidity", "48.5"]
    ]
    assert column(export, "humidity_pct") == [48.5, None]
    assert export.counts["tasks"].read == 5


def test_serial_numbers_where_declared(tmp_path: Path) -> None:
    """A bare number is a date only where the mapping says by which system it counts."""
    at = datetime(2024, 3, 13, 7, 5)
    for name, epoch in (("days-since-1900", datetime(1899, 12, 30)), ("days-since-1904", datetime(1904, 1, 1))):
        serial = (at - epoch) / timedelta(days=1)
        save(
            tmp_path / "book.xlsx",
            {"Work": [["a"], ["b"], ["No", "Begin", "Day", "End", "Humidity"], [1, serial, at, "", 1]]},
        )
        mapping = MAPPING.replace("Work *", "Work").replace(
            '"%d.%m.%Y %H:%M"}\n        finished', f"{name}}}\n        finished"
        )
        mapping = mapping.replace("join: [Day, End], formats:", "column: Day, formats:")
        assert column(read(tmp_path, mapping), "started_at") == [at.replace(tzinfo=UTC)]


def test_serial_numbers_of_the_other_system_are_refused(tmp_path: Path) -> None:
    """Bare numbers of a workbook that counts from 1904, read as days since 1900, would be four years off."""
    rows = [["a"], ["b"], ["No", "Begin", "Day", "End", "Humidity"], [1, 43902.25, "", "7:05", 1]]
    save(tmp_path / "book.xlsx", {"Work 1": rows}, MAC_EPOCH)
    mapping = MAPPING.replace('"%d.%m.%Y %H:%M"}\n        finished', "days-since-1900}\n        finished")
    for asked in (mapping, mapping.replace("skip_rows: 2", "skip_rows: 2\n      only: {No: [1]}")):
        with pytest.raises(AuditError, match=r"started_at: the workbook of .*, sheet Work 1 counts its days from 1904"):
            read(tmp_path, asked)
    read(tmp_path, mapping.replace("since-1900", "since-1904"))


def test_durations(tmp_path: Path) -> None:
    """Hours beyond a day ([h]:mm) are hours."""
    mapping = MAPPING + (
        "  flights:\n    - files: book.xlsx\n      sheet: Log\n      zone: UTC\n      columns:\n        flight_id: No\n"
        "        aircraft: {constant: A1}\n        takeoff_at: Off\n        landing_at: On\n"
        "        flight_hours: {column: Flown, unit: hours-and-minutes}\n"
    )
    off = datetime(2024, 3, 1, 5)
    on = [off + timedelta(hours=hours) for hours in (31, 3, 2, 9)]
    flown = [timedelta(hours=30, minutes=15), timedelta(hours=2, minutes=30), "1:45", None]
    head = [["a"], ["b"], ["No", "Begin", "Day", "End", "Humidity"]]
    log = [
        ["No", "Off", "On", "Flown"],
        *([number, off, at, each] for number, (at, each) in enumerate(zip(on, flown, strict=True))),
    ]
    save(tmp_path / "book.xlsx", {"Work 1": head, "Log": log})
    export = read(tmp_path, mapping)
    assert export.rejects.empty
    assert column(export, "flight_hours", "flights") == [30.25, 2.5, 1.75, None]


def test_canonical_workbooks_need_no_mapping(tmp_path: Path) -> None:
    """`tasks.xlsx` with canonical names is read as it is: dates by their type, numbers as text where text is wanted."""
    task = {**TASK, "task_id": 7, "started_at": datetime(2024, 1, 10, 8), "finished_at": datetime(2024, 1, 10, 9)}
    save(tmp_path / "tasks.xlsx", {"Sheet": [[None, *NAMES], [None, *task.values()], [None, *task.values()]]})
    save(tmp_path / "stations.xlsx", {"x": [], "Stations": [["station", "timezone"], ["NORTH", "Europe/Berlin"]]})
    export = read_export(tmp_path)
    assert column(export, "started_at") == [datetime(2024, 1, 10, 7, tzinfo=UTC)]
    assert column(export, "task_id") == ["7"]
    assert export.rejects["reason"].tolist() == ["duplicate of line 2"]


def test_formulas_are_text_or_their_last_value(tmp_path: Path) -> None:
    """A formula is never run: text that looks like one stays text, and a real one without a result is no blank."""
    save(
        tmp_path / "tasks.xlsx",
        {"tasks": [[*NAMES, "lot", "product"], [*TASK.values(), "=1+1", "'=cmd|' /C calc'!A0"]]},
    )
    export = read_export(tmp_path)
    assert column(export, "lot") == [None]
    assert column(export, "product") == ["'=cmd|' /C calc'!A0"]
    faults = export.faults[["line", "column", "value", "reason"]].to_numpy().tolist()
    assert faults == [[2, "lot", "", "a formula without a result: have the workbook calculated, and save it"]]


def test_a_formula_whose_result_is_a_blank_text(tmp_path: Path) -> None:
    """Where a formula gave a text without a sign, the cell is blank; a shared formula with a result has that."""
    save(tmp_path / "tasks.xlsx", {"tasks": [[*NAMES, "lot", "product"], [*TASK.values(), "=1+1", "=2+2"]]})
    altered(tmp_path / "tasks.xlsx", (b'<c r="H2"><f>1+1</f><v />', b'<c r="H2" t="str"><f>1+1</f><v />'))
    altered(tmp_path / "tasks.xlsx", (b"<f>2+2</f><v />", b'<f t="shared" si="0"/><v>4</v>'))
    export = read_export(tmp_path)
    assert export.faults.empty
    assert (column(export, "lot"), column(export, "product")) == ([None], ["4"])
    altered(tmp_path / "tasks.xlsx", (b'<f t="shared" si="0"/><v>4</v>', b'<f t="shared" si="0"/>'))
    assert read_export(tmp_path).faults["column"].tolist() == ["product"]


def test_merged_cells_are_no_blanks(tmp_path: Path) -> None:
    """What is merged over rows has its value in the first: of the others that is told, and nothing is filled in."""
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append([*NAMES, "lot", "product", "position"])
    for number in range(4):
        sheet.append([f"T{number}", *list(TASK.values())[1:], "L1", "", "fin"])
    for area in ("C2:C3", "H2:I3", "I5:I5", "J4:J5"):
        sheet.merge_cells(area)
    sheet["J4"] = None  # nothing is merged here
    book.save(tmp_path / "tasks.xlsx")
    export = read_export(tmp_path)
    merged = "blank in a merged area, which has its value in the first cell: unmerge it, and fill in every row"
    assert export.rejects[["line", "column", "value", "reason"]].to_numpy().tolist() == [
        [3, "aircraft", "", merged],
        [3, "product", "", merged],
        [3, "lot", "", merged],
    ]
    assert export.faults[["line", "column", "reason"]].to_numpy().tolist() == [[2, "product", merged]]
    assert column(export, "lot") == ["L1", "L1", "L1"]
    assert column(export, "position") == ["fin", None, None]


def test_merged_cells_of_what_a_mapping_picks_rows_by(tmp_path: Path) -> None:
    """A row is not left out since the cell that decides is merged with the one above: the export is refused."""
    rows = [
        ["No", "Begin", "Day", "End", "Humidity"],
        [1, datetime(2024, 3, 1, 5), "", "7:05", ""],
        [2, "", "", "", ""],
    ]
    save(tmp_path / "book.xlsx", {"Work 1": [["a"], ["b"], *rows]})
    book = openpyxl.load_workbook(tmp_path / "book.xlsx")
    book["Work 1"].merge_cells("B4:B5")
    book.save(tmp_path / "book.xlsx")
    mapping = MAPPING.replace(
        "      skip_rows: 2", "      skip_rows: 2\n      only: {No: [1], Begin: ['2024-03-01T05:00:00']}"
    )
    export = read(tmp_path, mapping.replace("      skip_rows: 2", "      footer_rows: 1\n      skip_rows: 2"))
    assert export.counts["tasks"].read == 1  # what is left out has no say
    with pytest.raises(AuditError, match=r"only\.Begin: whether line 5 of book\.xlsx, sheet Work 1 is meant .* merged"):
        read(tmp_path, mapping)


def altered(path: Path, change: tuple[bytes, bytes]) -> None:
    """Change the XML of the first sheet."""
    content = io.BytesIO(path.read_bytes())
    with zipfile.ZipFile(content) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                assert change[0] in part
                part = part.replace(*change)
            new.writestr(name, part)


@pytest.mark.parametrize(
    ("cell", "sentence"),
    [
        (b' r="A20000000"', "outside the 1048576 rows"),
        (b' r="XFD1048576"', "so far apart"),
        (b"\n r = 'XFD1048576'", "so far apart"),
        (b'\tr="ZZZZ9"', "outside"),
        (b' r="xfd1048576"', "so far apart"),
        (b' r="a20000000"', "outside the 1048576 rows"),
    ],
)
def test_cells_far_out_are_refused(tmp_path: Path, cell: bytes, sentence: str) -> None:
    """A cell in the last corner would make the reader lay out gigabytes: it is refused before."""
    save(tmp_path / "tasks.xlsx", {"tasks": [NAMES, list(TASK.values())]})
    altered(tmp_path / "tasks.xlsx", (b' r="A2"', cell))
    with pytest.raises(AuditError, match=sentence):
        read_export(tmp_path)


@pytest.mark.parametrize("before", [b" " * 10_000, b"x", b"\n" * 5_000_000])
def test_what_stands_before_a_sheet_hides_nothing(tmp_path: Path, before: bytes) -> None:
    """The reader skips what comes before the first tag, however long: the look at the size doesn't stop there."""
    save(tmp_path / "tasks.xlsx", {"tasks": [NAMES, list(TASK.values())]})
    altered(tmp_path / "tasks.xlsx", (b"<worksheet", before + b"<worksheet"))
    altered(tmp_path / "tasks.xlsx", (b' r="A2"', b' r="XFD1048576"'))
    with pytest.raises(AuditError, match="so far apart"):
        read_export(tmp_path)


def test_a_sheet_that_says_it_is_huge(tmp_path: Path) -> None:
    """The dimension that a sheet claims has no part in how it is read, and may be refused."""
    save(tmp_path / "tasks.xlsx", {"tasks": [NAMES, list(TASK.values())]})
    altered(tmp_path / "tasks.xlsx", (b'<dimension ref="A1:G2"', b'<dimension ref="A1:A20000000"'))
    assert column(read_export(tmp_path), "task_id") == ["T1"]


@pytest.mark.parametrize("name", ["tasks.xlsx", "export.zip"])
def test_zip_bombs_are_refused(tmp_path: Path, name: str) -> None:
    """An archive that unpacks to a thousand times its size is not unpacked."""
    path = tmp_path / name
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("tasks.csv", b" " * (200 << 20))
    with pytest.raises(AuditError, match="would unpack to 200 MB, more than 200 times its size"):
        read_export(path if name.endswith(".zip") else tmp_path)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(
            bytes.fromhex("d0cf11e0a1b11ae1") + b"x" * 600, "is protected by a password", id="password-or-xls"
        ),
        pytest.param(b"PK\x03\x04rubbish", "can't be read as a workbook", id="cut-off"),
        pytest.param(b"No,Begin\n1,2\n", "can't be read as a workbook", id="text"),
    ],
)
def test_no_workbook(tmp_path: Path, content: bytes, sentence: str) -> None:
    """Something else that is called .xlsx is named in one sentence."""
    (tmp_path / "tasks.xlsx").write_bytes(content)
    with pytest.raises(AuditError, match=rf"tasks\.xlsx {sentence}"):
        read_export(tmp_path)


@pytest.mark.parametrize("name", ["tasks.xlsx", "export.zip"])
@pytest.mark.parametrize("fault", ["no name", "a name in no encoding"])
def test_archives_with_odd_names_are_refused(tmp_path: Path, name: str, fault: str) -> None:
    """A file in an archive without a name, or with one that can't be read, is a damaged archive and no crash."""
    path = tmp_path / name
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("\u00e9", "lot,product\nL,P\n")
    data = bytearray(path.read_bytes())
    if fault == "no name":
        entry = data.index(b"PK\x01\x02")
        data[entry + 30], data[entry + 28] = data[entry + 28], 0  # what was the name is an extra field now
    else:
        data = data.replace("\u00e9".encode(), b"\x8e\x8e")
    path.write_bytes(data)
    with pytest.raises(AuditError, match=rf"{name} can't be "):
        read_export(path if name.endswith(".zip") else tmp_path)


def test_a_cell_with_an_error_is_no_blank(tmp_path: Path) -> None:
    """What a failed formula left is told with its text, and the rest of the workbook is read as ever."""
    with xlsxwriter.Workbook(tmp_path / "tasks.xlsx") as book:
        sheet = book.add_worksheet("tasks")
        sheet.write_row(0, 0, [*NAMES, "lot"])
        sheet.write_row(1, 0, [*TASK.values(), 'a lot called <c t="e">'])
        sheet.write_row(2, 0, ["T2", *list(TASK.values())[1:]])
        sheet.write_formula(2, len(NAMES), "=NA()", None, "#N/A")
    export = read_export(tmp_path)
    assert column(export, "task_id") == ["T1", "T2"]
    assert column(export, "lot") == ['a lot called <c t="e">', None]
    faults = export.faults[["line", "column", "value", "reason"]]
    assert faults.to_numpy().tolist() == [[3, "lot", "#N/A", "a spreadsheet's error, no value"]]


def test_sheets_that_are_not_there(tmp_path: Path) -> None:
    """Which sheet is meant is never guessed."""
    save(tmp_path / "book.xlsx", {"One": [], "Two": []})
    with pytest.raises(AuditError, match=r"line 5: .*book\.xlsx has no sheet `Work \*`; there are One, Two"):
        read(tmp_path)
    with pytest.raises(AuditError, match="has several sheets, and the mapping names none"):
        read(tmp_path, MAPPING.replace('      sheet: "Work *"\n', ""))


def test_a_sheet_that_nobody_sees(tmp_path: Path) -> None:
    """A hidden sheet is not read in the place of one that is shown; hidden ones beside the table's are of no matter."""
    rows = [NAMES, list(TASK.values())]
    save(tmp_path / "tasks.xlsx", {"Sheet1": rows, "tasks": rows})
    book = openpyxl.load_workbook(tmp_path / "tasks.xlsx")
    book["tasks"].sheet_state = "hidden"
    book.save(tmp_path / "tasks.xlsx")
    with pytest.raises(AuditError, match="the sheet tasks is hidden, and Sheet1 is not; show it, or delete"):
        read_export(tmp_path)
    book["tasks"].sheet_state, book["Sheet1"].sheet_state = "visible", "veryHidden"
    book.save(tmp_path / "tasks.xlsx")
    assert read_export(tmp_path).counts["tasks"].audited == 1


@pytest.mark.parametrize("other", ["tasks (2)", "Tasks 2025"])
def test_another_sheet_of_the_same_table(tmp_path: Path, other: str) -> None:
    """Records in a second sheet are not passed over; a sheet of something else is."""
    rows = [NAMES, list(TASK.values())]
    save(tmp_path / "tasks.xlsx", {"tasks": rows, other: [["Made on 3 March"], ["by somebody"]], "Notes": rows})
    assert read_export(tmp_path).counts["tasks"].audited == 1
    save(tmp_path / "tasks.xlsx", {"tasks": rows, "empty tasks": [], other: rows})
    with pytest.raises(AuditError) as caught:
        read_export(tmp_path)
    where = f"tasks.xlsx has tasks in the sheets tasks and {other}"
    assert str(caught.value) == f"{where}; leave one, or a mapping reads both (key: sheet)"


def test_archives_are_read_as_folders(tmp_path: Path) -> None:
    """A zip file of canonical files is an export; where its names lead to has no meaning."""
    path = tmp_path / "nightly.zip"
    text = ",".join(NAMES) + "\n" + ",".join(TASK.values()) + "\n"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("tasks.csv", text)
        packed.writestr("../../lots.csv", "lot,product\nL,P\n")
    export = read_export(path)
    assert list(export.tables) == ["tasks", "lots"]
    assert not list(tmp_path.parent.parent.glob("lots.csv"))
    assert export.places("tasks", export.tables["tasks"].index.to_numpy())["line"].tolist() == [2]
