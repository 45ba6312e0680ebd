"""Foreign exports read by a mapping: every cell translated as it says, or refused under its own name and text."""

from __future__ import annotations

from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import AuditError
from audit.findings.reconciliation import reconcile
from audit.intake.export import Export
from audit.intake.mapping import read_mapping
from audit.intake.reading import read_export
from audit.timeline.timeline import build_timeline

TASKS = """\
title: Invented
tables:
  tasks:
    - files: work*.csv
      zone: station
      columns:
        task_id: No
        work_order: Order
        aircraft: Tail
        action: Action
        station: Shop
        started_at: Begin
        finished_at: End
"""
HEADER = "No,Order,Tail,Action,Shop,Begin,End"
ROW = "1,W1,A1,apply,NORTH,2024-01-10T08:00:00Z,2024-01-10T09:00:00Z"
STATIONS = """\
  stations:
    - files: shops.csv
      columns: {station: Code, timezone: Zone}
"""
SHOPS = "Code,Zone\nNORTH,Europe/Berlin\nWEST,America/New_York\n"


def read(folder: Path, mapping: str, **files: str | bytes) -> Export:
    """The export made of the files (`work__csv` is work.csv), read by the mapping."""
    export = folder / "export"
    export.mkdir(exist_ok=True)
    for name, content in files.items():
        path = export / name.replace("__", ".")
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    (folder / "mapping.yaml").write_text(mapping, encoding="utf-8")
    return read_export(export, mapping=folder / "mapping.yaml")


def refusal(folder: Path, mapping: str, **files: str | bytes) -> str:
    with pytest.raises(AuditError) as caught:
        read(folder, mapping, **files)
    return str(caught.value)


def tasks(columns: str, keys: str = "", more: str = "") -> str:
    """The mapping of tasks with other or more columns, written `name: value` a line, and further keys of the feed."""
    changed = {line.split(":")[0]: line for line in columns.splitlines()}
    lines = []
    for line in TASKS.splitlines():
        name = line.strip().split(":")[0]
        if name == "zone" and "zone:" in keys:
            continue
        if name == "files" or line.strip().startswith("- files"):
            lines += [line, *(f"      {key}" for key in keys.splitlines())]
        else:
            lines.append(f"        {changed.pop(name)}" if name in changed else line)
    return "\n".join([*lines, *(f"        {line}" for line in changed.values()), more])


def at_fault(export: Export) -> list[tuple[Any, ...]]:
    columns = ["file", "line", "column", "value", "reason"]
    assert all(count.read == count.audited + count.quarantined for count in export.counts.values())
    told = pd.concat([export.rejects, export.faults]).sort_values(["file", "line"], kind="stable")
    return [tuple(row) for row in told[columns].itertuples(index=False)]


def column(export: Export, name: str, table: str = "tasks") -> list[Any]:
    return [None if pd.isna(value) else value for value in export.tables[table][name]]


def test_names_alone(tmp_path: Path) -> None:
    """Columns come under their canonical names, whatever they are called and in which order they stand."""
    export = read(tmp_path, TASKS, work__csv=f"{HEADER},Colour\n{ROW},red\n")
    assert column(export, "aircraft") == ["A1"]
    assert column(export, "started_at") == [datetime(2024, 1, 10, 8, tzinfo=UTC)]
    assert list(export.tables["tasks"]) == [
        "task_id", "work_order", "aircraft", "action", "station", "started_at", "finished_at"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "again", "lots", "in_doubt"),
    [
        pytest.param("with", "without", ["L1"], [], id="the-first-has-it"),
        pytest.param("without", "with", [None], [0], id="the-second-has-it"),
    ],
)
def test_a_record_again_in_a_file_without_a_column(
    tmp_path: Path, first: str, again: str, lots: list[str | None], in_doubt: list[int]
) -> None:
    """A file that lacks a column says nothing against what another has there: the row is a duplicate."""
    feeds = {"with": "        lot: Lot\n", "without": ""}
    columns = TASKS[TASKS.index("      zone") :]
    mapping = TASKS.replace("work*", "a").rstrip() + f"\n{feeds[first]}    - files: b.csv\n{columns}{feeds[again]}"
    rows = {"with": f"{HEADER},Lot\n{ROW},L1\n", "without": f"{HEADER}\n{ROW}\n"}
    export = read(tmp_path, mapping, a__csv=rows[first], b__csv=rows[again])
    assert at_fault(export) == [("b.csv", 2, "No", "1", "duplicate of line 2 of a.csv")]
    assert column(export, "lot") == lots
    assert export.unreadable.get(("tasks", "lot"), np.array([])).tolist() == in_doubt


def test_rejects_keep_file_column_and_text_as_written(tmp_path: Path) -> None:
    """What is set aside is named as it is in the export, so that it can be found and put right there."""
    mapping = tasks(
        "action: {column: Action, values: {auftragen: apply}}\n"
        'started_at: {join: [Day, Clock], formats: "%d.%m.%Y %H:%M", zone: UTC}\n'
        'ambient_c: {column: Temp, decimal: ","}'
    )
    text = (
        "No,Order,Tail,Action,Shop,Day,Clock,End,Temp\n"
        '1,W1,A1,auftragen,NORTH,10.01.2024,8:00,2024-01-10T09:00Z,"18,5"\n'
        "2,W1,A1,malen,NORTH,10.01.2024,8:00,2024-01-10T09:00Z,18.5\n"
        "3,W1,A1,auftragen,NORTH,30.02.2024,8:00,2024-01-10T09:00Z,\n"
        "4,W1,,auftragen,NORTH,10.01.2024,,2024-01-10T09:00Z,\n"
        '1,W1,A1,auftragen,NORTH,10.01.2024,8:00,2024-01-10T09:00Z,"18,5"\n'
    )
    export = read(tmp_path, mapping, work__csv=text)
    assert at_fault(export) == [
        ("work.csv", 3, "Action", "malen", "not one of the values that the mapping translates"),
        ("work.csv", 3, "Temp", "18.5", "not a number with , as decimal sign"),
        ("work.csv", 4, "Day; Clock", "30.02.2024; 8:00", "not a time of the form %d.%m.%Y %H:%M"),
        ("work.csv", 5, "Tail", "", "required, but blank"),
        ("work.csv", 5, "Day; Clock", "10.01.2024; ", "required, but blank"),
        ("work.csv", 6, "No", "1", "duplicate of line 2"),
    ]
    assert column(export, "ambient_c") == [18.5]
    assert column(export, "started_at") == [datetime(2024, 1, 10, 8, tzinfo=UTC)]


def test_several_files_are_one_table(tmp_path: Path) -> None:
    """Files of one pattern follow each other by name; lines, duplicates and ragged rows stay with their file."""
    first = f"{HEADER}\n{ROW}\nshort\n"
    second = f"{HEADER}\n{ROW.replace('1,', '2,', 1)}\n{ROW}\n{ROW.replace('1,', '3,', 1).replace('apply', 'paint')}\n"
    export = read(tmp_path, TASKS, work_b__csv=second, work_a__csv=first)
    assert column(export, "task_id") == ["1", "2"]
    assert at_fault(export) == [
        (
            "work_a.csv",
            3,
            "",
            "short",
            "1 cell where the header names 7; a total or the like is left out by `footer_rows` in a mapping",
        ),
        ("work_b.csv", 3, "No", "1", "duplicate of line 2 of work_a.csv"),
        ("work_b.csv", 4, "Action", "paint", export.rejects["reason"].iloc[-1]),
    ]
    assert export.counts["tasks"].read == 5
    places = export.places("tasks", export.tables["tasks"].index.to_numpy())
    assert list(places.itertuples(index=False, name=None)) == [("work_a.csv", 2), ("work_b.csv", 2)]


def test_one_file_is_several_tables(tmp_path: Path) -> None:
    """`only` picks the rows of each table; the lines are still those of the file."""
    mapping = tasks(
        "status: {constant: closed}",
        "only: {Kind: [WORK]}",
        "  flights:\n    - files: work.csv\n      only: {Kind: FLT}\n".replace("FLT", "[FLT, 7]")
        + "      columns: {flight_id: No, aircraft: Tail, takeoff_at: Begin, landing_at: End}\n",
    )
    rows = [
        f"Kind,{HEADER}",
        f"WORK,{ROW}",
        f"FLT,{ROW}",
        f"7,{ROW.replace('T09', 'T07').replace('1,', '2,', 1)}",
        f"WORK,{ROW}",
    ]
    export = read(tmp_path, mapping, work__csv="\n".join(rows))
    assert [export.counts[name].read for name in ("tasks", "flights")] == [2, 2]
    assert [file.left_out for name in ("tasks", "flights") for file in export.files[name]] == [2, 2]
    assert column(export, "status") == ["closed"]
    assert [row[:3] for row in at_fault(export)] == [("work.csv", 4, "End"), ("work.csv", 5, "No")]


def test_rows_left_out_for_another_case(tmp_path: Path) -> None:
    """A value that is nearly a listed one is refused, unless another feed lists it as it stands."""
    text = f"Kind,{HEADER}\nWORK,{ROW}\n work ,{ROW.replace('1,', '2,', 1)}\nother,{ROW}\n,{ROW}\n"
    mapping = tasks("", "only: {Kind: [WORK]}")
    assert refusal(tmp_path, mapping, work__csv=text) == (
        "mapping.yaml, line 5: $.tables.tasks[0].only.Kind: rows of work.csv with `work` would be left out, which is "
        "nearly `WORK`; list it, too, or write one of them in the export"
    )
    assert read(tmp_path, tasks("", "only: {Kind: [WORK, work]}"), work__csv=text).counts["tasks"].read == 2
    flights = "  flights:\n    - files: work.csv\n      only: {Kind: [work]}\n"
    columns = "      columns: {flight_id: No, aircraft: Tail, takeoff_at: Begin, landing_at: End}\n"
    export = read(tmp_path, tasks("", "only: {Kind: [WORK]}", flights + columns), work__csv=text)
    assert [export.counts[name].read for name in ("tasks", "flights")] == [1, 1]


def test_one_column_split_and_two_joined(tmp_path: Path) -> None:
    """Before and after a sign lose nothing; where the sign isn't there, all is before it."""
    mapping = tasks(
        'product: {column: Material, before: " / "}\n'
        'lot: {column: Material, after: " / "}\n'
        "ppe_worn: {join: [{column: Eyes, values: {J: eye-protection, N: ''}}, "
        "{column: Hands, values: {J: chemical-gloves, N: ''}}], with: '; '}"
    )
    text = f"{HEADER},Material,Eyes,Hands\n" + "".join(
        f"{ROW.replace('1,', f'{number},', 1)},{rest}\n"
        for number, rest in enumerate(["P / 4 / 2,J,J", "P,N,J", ",N,N", "/ Q,J,N"])
    )
    export = read(tmp_path, mapping, work__csv=text)
    assert column(export, "product") == ["P", "P", None, "/ Q"]
    assert column(export, "lot") == ["4 / 2", None, None, None]
    assert column(export, "ppe_worn") == ["eye-protection; chemical-gloves", "chemical-gloves", None, "eye-protection"]


def test_lists_are_translated_entry_by_entry(tmp_path: Path) -> None:
    """A list with its own separator becomes one with semicolons, and each entry has its name translated."""
    mapping = tasks('position: {column: Boot, separator: "+", values: {TFL L: left wing, TFL R: right wing}}')
    text = f"{HEADER},Boot\n{ROW},TFL  R+TFL L\n{ROW.replace('1,', '2,', 1)},TFL L+nose\n"
    export = read(tmp_path, mapping, work__csv=text)
    assert column(export, "position") == ["right wing; left wing", None]
    assert [row[2:] for row in at_fault(export)] == [
        ("Boot", "TFL L+nose", "not one of the values that the mapping translates")
    ]


def test_unlisted_values_are_kept_if_the_mapping_says_so(tmp_path: Path) -> None:
    """Only where the mapping says so does a value pass that it doesn't list."""
    mapping = tasks("product: {column: Material, values: {Alt: NEW}, others: keep}")
    export = read(tmp_path, mapping, work__csv=f"{HEADER},Material\n{ROW},Alt\n{ROW.replace('1,', '2,', 1)},Neu\n")
    assert column(export, "product") == ["NEW", "Neu"]


def test_header_footer_and_title_rows(tmp_path: Path) -> None:
    """Lines above the header, a header of two rows and a footer are skipped; line numbers stay those of the file."""
    mapping = tasks(
        "task_id: Record No\nstarted_at: Work Begin\nfinished_at: Work End",
        "skip_rows: 2\nheader_rows: 2\nfooter_rows: 2",
    )
    text = (
        'Export of "Quarrypuffin" 5" boots\n,,\n'
        "Record,Order,Tail,Action,Shop,Work,\nNo,,,,,Begin,End\n"
        f"{ROW}\n{ROW}\n{ROW.replace('1,', '2,', 1)}\nTotal,3\nend of export\n"
    )
    export = read(tmp_path, mapping, work__csv=text)
    assert column(export, "task_id") == ["1", "2"]
    assert [row[1] for row in at_fault(export)] == [6]
    assert export.counts["tasks"].read == 3


def test_no_header(tmp_path: Path) -> None:
    """Without a header the columns are numbered."""
    export = read(tmp_path, numbered("header_rows: 0"), work__csv=f"{ROW}\n{ROW}\n")
    assert column(export, "aircraft") == ["A1"]
    assert [row[1:3] for row in at_fault(export)] == [(2, "1")]


def numbered(keys: str, files: str = "work*.csv") -> str:
    """The mapping of tasks in a file without a header."""
    mapping = TASKS.replace("work*.csv", f"{files}\n      {keys}")
    for number, name in enumerate(HEADER.split(","), 1):
        mapping = mapping.replace(f": {name}\n", f": '{number}'\n")
    return mapping


def test_lines_skipped_above_records_without_a_header_are_told(tmp_path: Path) -> None:
    """With a header a record among them would be missed as it; without one it would be lost without a word."""
    text = f"\ufeffWork of May\n\n{ROW}\n{ROW.replace('1,W1', '2,W1')}\n{ROW.replace('1,W1', '3,W1')}\n"
    export = read(tmp_path, numbered("header_rows: 0\n      skip_rows: 3"), work__csv=text)
    assert export.dropped[["file", "line", "value"]].to_numpy().tolist() == [
        ["work.csv", 1, "Work of May"],
        ["work.csv", 3, ROW],
    ]
    assert [(file.read, file.audited, file.left_out) for file in export.files["tasks"]] == [(2, 2, 2)]
    # The same with rows below that are left out, too.
    below = "header_rows: 0\n      skip_rows: 3\n      footer_rows: 1"
    export = read(tmp_path, numbered(below), work__csv=f"{text}Total 3,,,,,,\n")
    assert export.dropped["line"].to_list() == [1, 3, 6]
    assert [(file.read, file.audited, file.left_out) for file in export.files["tasks"]] == [(2, 2, 3)]


def test_rows_skipped_above_records_without_a_header_are_told_of_a_sheet(tmp_path: Path) -> None:
    """As of a text file."""
    (tmp_path / "export").mkdir()
    with xlsxwriter.Workbook(str(tmp_path / "export" / "work.xlsx")) as book:
        sheet = book.add_worksheet("Work")
        sheet.write(0, 0, "Work of May")
        for line in (2, 3):
            sheet.write_row(line, 0, [str(line), *ROW.split(",")[1:]])
    export = read(tmp_path, numbered("header_rows: 0\n      skip_rows: 3", "work.xlsx"))
    assert export.dropped["line"].to_list() == [1, 3]
    assert export.dropped["value"][1].startswith("2; W1; A1; apply; NORTH; 2024-01-10")
    assert [(file.read, file.audited, file.left_out) for file in export.files["tasks"]] == [(1, 1, 2)]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "cp1250", "iso-8859-15", "cp850"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_encodings_and_separators(tmp_path: Path, encoding: str, separator: str) -> None:
    """What Python's codec of that name writes is read as it was, with any separator and its sign inside quotes."""
    mapping = tasks(
        "remarks: Note\nperformed_by: Wer", f'encoding: {encoding}\nseparator: "{separator}"'.replace("\t", "\\t")
    )
    row = ROW.replace(",", separator)
    name = f"Müller{separator}Öz ß é"
    text = f'{HEADER}{separator}Wer{separator}Note\r\n{row}{separator}"{name}"{separator}\r\n'.replace(
        HEADER, HEADER.replace(",", separator)
    )
    text += f'{row}{separator}"{name}"{separator}\r\n'
    export = read(tmp_path, mapping, work__csv=text.encode(encoding))
    assert column(export, "performed_by") == [name]
    assert [row[1] for row in at_fault(export)] == [3]


def days_of_june(count: int, form: str = "{day:02d}/06/2024 08:00", odd: str = "") -> str:
    """Records of as many days, from 1 June on; `odd` is what the first is begun at instead."""
    begun = [odd or form.format(day=1), *(form.format(day=day) for day in range(2, count + 1))]
    rows = [f"{number},W1,A1,apply,NORTH,{at},2024-07-01T09:00Z" for number, at in enumerate(begun)]
    return "\n".join([HEADER, *rows, ""])


@pytest.mark.parametrize("begin", ['{column: Begin, formats: "%m/%d/%Y %H:%M"}', '{join: [Begin, Shop], with: "",'])
def test_day_and_month_the_other_way_round(tmp_path: Path, begin: str) -> None:
    """Dates up to the 12th would be read as other days, those after it be set aside: the column is refused, and the
    format that reads it is named; so is one that is joined of several."""
    if "join" in begin:
        begin += ' formats: "%m/%d/%Y %H:%MNORTH"}'
    sentence = refusal(
        tmp_path, tasks(f"started_at: {begin}", more=STATIONS), work__csv=days_of_june(30), shops__csv=SHOPS
    )
    assert ": 18 of 30 are not of the form %m/%d/%Y %H:%M" in sentence
    assert ", 0 not of the form %d/%m/%Y %H:%M" in sentence
    assert sentence.endswith("day and month stand the other way round than the mapping says")


@pytest.mark.parametrize(
    ("text", "odd"),
    [
        pytest.param(days_of_june(12), 0, id="could-be-either"),
        pytest.param(days_of_june(12, odd="13/06/2024 08:00"), 1, id="a-misprint"),
        pytest.param(days_of_june(30, "30/{day:02d}/2024 08:00"), 30, id="neither-way"),
    ],
)
def test_day_and_month_that_may_be_as_the_mapping_says(tmp_path: Path, text: str, odd: int) -> None:
    """Where the other way round reads no more, or one record is at fault, each is told by itself."""
    mapping = tasks('started_at: {column: Begin, formats: "%m/%d/%Y %H:%M"}', more=STATIONS)
    export = read(tmp_path, mapping, work__csv=text, shops__csv=SHOPS)
    assert len([row for row in at_fault(export) if row[2] == "Begin"]) == odd


def test_bytes_that_the_encoding_does_not_know(tmp_path: Path) -> None:
    """A byte that Python's codec refuses is refused here, with its line."""
    content = f"{HEADER}\n{ROW}\n".encode("cp1252") + b"\x81,\n"
    with pytest.raises(UnicodeDecodeError):
        content.decode("cp1252")
    sentence = refusal(tmp_path, tasks("", "encoding: cp1252"), work__csv=content)
    assert (
        sentence
        == f"work.csv, line 3: byte {len(content) - 2} of the file is not cp1252; say another `encoding` in the mapping"
    )


def test_a_header_of_another_encoding(tmp_path: Path) -> None:
    """Where a column isn't found since its name is not UTF-8, the encoding is asked for and not the name."""
    content = f"{HEADER},Tätigkeit\n{ROW},x\n".encode("cp1252")
    at = content.index(b"\xe4") + 1
    assert refusal(tmp_path, tasks("remarks: Tätigkeit"), work__csv=content) == (
        f"work.csv, line 1: byte {at} of the file is not UTF-8; save the export as UTF-8, or say its `encoding` "
        "in a mapping"
    )


def test_cut_off_utf_16(tmp_path: Path) -> None:
    """Half a character at the end is refused."""
    content = f"{HEADER}\n{ROW}\n".encode("utf-16")[:-1]
    assert "is not utf-16" in refusal(tmp_path, tasks("", "encoding: utf-16"), work__csv=content)


@pytest.mark.parametrize(
    ("text", "keys", "value"),
    [
        ("18,5", 'decimal: ","', 18.5),
        ("1.234,5", 'decimal: ",", thousands: "."', 1234.5),
        ("1 234 567", 'thousands: " "', 1234567.0),
        ("-,5", 'decimal: ","', -0.5),
        ("1.5", 'decimal: ",", thousands: "."', None),
        ("1.23.456", 'decimal: ",", thousands: "."', None),
        ("1,5", 'thousands: ","', None),
        ("1e5", 'decimal: ","', None),
        ("١", 'decimal: ","', None),
    ],
)
def test_decimal_and_thousands_signs(
    tmp_path: Path, text: str, keys: str, value: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A number has exactly the signs that were declared: `1.5` with points between thousands is not fifteen."""
    monkeypatch.setattr("audit.intake.resolving.breaches", lambda *_, **__: [])  # whatever a place's temperature may be
    export = read(tmp_path, tasks(f"ambient_c: {{column: T, {keys}}}"), work__csv=f'{HEADER},T\n{ROW},"{text}"\n')
    assert column(export, "ambient_c") == [value]
    if value is None:
        assert at_fault(export)[0][2:4] == ("T", text)


FLIGHTS = """\
  flights:
    - files: log.csv
      columns:
        flight_id: {{join: [Tail, Day, Off], with: "-"}}
        aircraft: Tail
        takeoff_at: {{join: [Day, Off], formats: "%Y-%m-%d hhmm", zone: {off}}}
        landing_at: {{join: [Day, On], formats: "%Y-%m-%d hhmm", zone: {on}, not_before: takeoff_at}}
        origin: From
        destination: To
        flight_hours: {{column: Flown, unit: {unit}}}
"""


def flown(folder: Path, *rows: str, off: str = "origin", on: str = "destination", unit: str = "minutes") -> Export:
    mapping = TASKS + STATIONS + FLIGHTS.format(off=off, on=on, unit=unit)
    log = "Tail,Day,Off,On,From,To,Flown\n" + "\n".join(rows)
    return read(folder, mapping, work__csv=f"{HEADER}\n{ROW}\n", shops__csv=SHOPS, log__csv=log)


def test_clock_of_the_place_and_landing_on_the_next_day(tmp_path: Path) -> None:
    """Takeoff by the clock of the origin, landing by that of the destination, after midnight on the next day."""
    export = flown(
        tmp_path,
        "A1,2024-01-10,1000,1200,NORTH,WEST,480",
        "A1,2024-01-10,2200,30,NORTH,NORTH,150",
        "A1,2024-01-11,2330,2400,WEST,WEST,30",
        "A1,2024-01-12,5,59,WEST,WEST,",
    )
    assert at_fault(export) == []
    off = [
        datetime(2024, 1, 10, 9),
        datetime(2024, 1, 10, 21),
        datetime(2024, 1, 12, 4, 30),
        datetime(2024, 1, 12, 5, 5),
    ]
    on = [
        datetime(2024, 1, 10, 17),
        datetime(2024, 1, 10, 23, 30),
        datetime(2024, 1, 12, 5),
        datetime(2024, 1, 12, 5, 59),
    ]
    assert [time.replace(tzinfo=None) for time in column(export, "takeoff_at", "flights")] == off
    assert [time.replace(tzinfo=None) for time in column(export, "landing_at", "flights")] == on
    assert column(export, "flight_hours", "flights") == [8.0, 2.5, 0.5, None]


def test_the_next_day_in_each_of_several_files(tmp_path: Path) -> None:
    """Work over midnight is over midnight in whichever file it stands; a station that isn't listed is told once."""
    mapping = TASKS.replace("finished_at: End", "finished_at: {column: End, not_before: started_at}") + STATIONS
    night = "{0},W{0},A1,apply,{1},2024-01-10T22:00:00,2024-01-10T01:00:00"
    files = {f"work{n}__csv": f"{HEADER}\n{night.format(n, shop)}\n" for n, shop in ((1, "NORTH"), (2, "WEST"))}
    files["work3__csv"] = f"{HEADER}\n{night.format(3, 'EAST')}\n"
    export = read(tmp_path, mapping, shops__csv=SHOPS, **files)
    worked = export.tables["tasks"]["finished_at"] - export.tables["tasks"]["started_at"]
    assert worked.tolist() == [pd.Timedelta(hours=3)] * 2
    assert [line[0] for line in at_fault(export)] == ["work3.csv"]


def test_one_file_in_two_feeds_of_a_table(tmp_path: Path) -> None:
    """Two feeds may each take their rows of one file: what each sets aside is counted with it."""
    feed = TASKS.partition("    - files: work*.csv\n")[2]
    only = "    - files: work.csv\n      only: {{Action: [{}]}}\n"
    mapping = "title: Invented\ntables:\n  tasks:\n" + "".join(only.format(word) + feed for word in ("apply", "clean"))
    rows = [
        ROW,
        ROW.replace("1,W1", "2,W1").replace("apply", "clean"),
        ROW.replace("1,W1", "3,W1").replace("09:00", "25:00"),
    ]
    export = read(tmp_path, mapping + STATIONS, work__csv="\n".join([HEADER, *rows]) + "\n", shops__csv=SHOPS)
    found = [file for file in reconcile(export, build_timeline(export), ()) if file.table == "tasks"]
    assert [(file.read, file.audited, file.quarantined, file.left_out) for file in found] == [
        (2, 1, 1, 1),
        (1, 1, 0, 2),
    ]


def test_rows_below_the_records_are_accounted_for(tmp_path: Path) -> None:
    """A footer is told as left out; one longer than the file is refused: it would swallow records."""
    totals = f"{HEADER}\n{ROW}\n,,,,,,Total 1\n"
    export = read(tmp_path, tasks("", "footer_rows: 1"), work__csv=totals)
    assert [(file.read, file.audited, file.left_out) for file in export.files["tasks"]] == [(1, 1, 1)]
    sentence = refusal(tmp_path, tasks("", "footer_rows: 3"), work__csv=totals)
    assert sentence == "work.csv: footer_rows: 3 would take more rows than the 2 below its header"


def test_clocks_that_cannot_be_read(tmp_path: Path) -> None:
    """A flight's time that occurred twice or never, or by the clock of no known place, is set aside."""
    export = flown(
        tmp_path,
        "A1,2024-10-27,230,400,NORTH,NORTH,",
        "A1,2024-03-31,230,400,NORTH,NORTH,",
        "A1,2024-01-10,1000,1200,,NORTH,",
        "A1,2024-01-10,1001,1200,EAST,NORTH,",
        "A1,2024-01-10,1060,1200,NORTH,NORTH,",
    )
    assert [(line, name, reason) for _, line, name, _, reason in at_fault(export)] == [
        (2, "Day; Off", "occurred twice: the clocks went back over it"),
        (3, "Day; Off", "never occurred: the clocks of the station went forward over it"),
        (4, "Day; Off", "wall clock of a station, and none is given"),
        (5, "From", "the stations table has no time zone for it, and times of the row are wall clock"),
        (6, "Day; Off", "not a time of the form %Y-%m-%d hhmm"),
    ]


def test_zone_of_the_whole_export(tmp_path: Path) -> None:
    """A zone that is given holds whatever the station; tasks that are ambiguous in it are judged both ways."""
    mapping = tasks("", "zone: Europe/Berlin", STATIONS)
    text = f"{HEADER}\n1,W1,A1,apply,WEST,2024-10-27T02:30,2024-10-27T04:00\n"
    export = read(tmp_path, mapping, work__csv=text, shops__csv=SHOPS)
    assert column(export, "started_at") == [datetime(2024, 10, 27, 0, 30, tzinfo=UTC)]
    assert column(export, "finished_at") == [datetime(2024, 10, 27, 3, tzinfo=UTC)]
    assert export.later["later"].tolist() == [pd.Timestamp("2024-10-27T01:30Z")]


def test_zones_differ_between_feeds(tmp_path: Path) -> None:
    """Each feed's times are read by its own clock, that of the station where the feed says nothing."""
    second = tasks("", "zone: America/New_York").split("  tasks:\n")[1].replace("work*", "more*")
    export = read(
        tmp_path,
        TASKS + second + STATIONS,
        work__csv=f"{HEADER}\n{ROW.replace('Z', '')}\n",
        more__csv=f"{HEADER}\n{ROW.replace('Z', '').replace('1,', '2,', 1)}\n",
        shops__csv=SHOPS,
    )
    assert [time.hour for time in column(export, "started_at")] == [7, 13]


MIDNIGHT = "a time in UTC that is midnight of the next day at a station: which day is meant?"


@pytest.mark.parametrize(
    ("written", "day", "reason"),
    [
        ("2026-02-01 00:30 +0200", date(2026, 2, 1), None),  # 31 January in UTC
        ("2026-01-31 23:30 -0500", date(2026, 1, 31), None),  # 1 February in UTC
        ("2026-01-31 23:00 +0000", None, MIDNIGHT),  # of Berlin
        ("2026-01-31 05:00 Z", date(2026, 1, 31), None),  # of New York
        ("2026-01-31 22:00 Z", date(2026, 1, 31), None),
    ],
)
def test_a_time_with_an_offset_in_the_place_of_a_date(
    tmp_path: Path, written: str, day: date | None, reason: str | None
) -> None:
    """The day is that which is written, whatever it is in UTC."""
    expiry = '{column: X, formats: ["%Y-%m-%d %H:%M %z"]}'
    lots = f"  lots: [{{files: lots.csv, columns: {{lot: L, product: P, expires_on: {expiry}}}}}]"
    files = {"work__csv": f"{HEADER}\n{ROW}\n", "shops__csv": SHOPS, "lots__csv": f"L,P,X\n1,P,{written}\n"}
    export = read(tmp_path, TASKS + STATIONS + lots, **files)
    assert [found and found.date() for found in column(export, "expires_on", "lots")] == [day]
    told = [("lots.csv", 2, "X", written, reason)] if reason else []
    assert at_fault(export) == told


@pytest.mark.parametrize(
    ("unit", "text", "landing", "hours"),
    [
        ("hours-and-minutes", "7:30", 1730, 7.5),
        ("hours-and-minutes", "13:15:36", 2316, 13.26),
        ("hours.minutes", "1.30", 1130, 1.5),
        ("hours.minutes", "1.3", 1130, 1.5),
        ("hours.minutes", "2", 1200, 2.0),
        ("hours.minutes", "1.03", 1103, 1.05),
        ("hours.minutes", "1.75", 1200, None),
        ("days", "0.25", 1600, 6.0),
        ("hours", "2", 1200, 2.0),
        ("hours-and-minutes", "7:60", 1800, None),
    ],
)
def test_units_of_flight_hours(tmp_path: Path, unit: str, text: str, landing: int, hours: float | None) -> None:
    """Hours flown are hours, however the export counts them."""
    export = flown(tmp_path, f"A1,2024-01-10,1000,{landing},NORTH,NORTH,{text}", unit=unit)
    assert column(export, "flight_hours", "flights") == [hours]


def test_canonical_files_need_no_mapping_and_get_the_same(tmp_path: Path) -> None:
    """A mapping that only repeats the canonical names reads what is read without it."""
    names = ["task_id", "work_order", "aircraft", "action", "station", "started_at", "finished_at"]
    columns = "".join(f"        {name}: {name}\n" for name in names)
    mapping = f"title: Same\ntables:\n  tasks:\n    - files: tasks.csv\n      columns:\n{columns}"
    text = f"{','.join(names)}\n{ROW}\n{ROW}\n"
    mapped = read(tmp_path, mapping, tasks__csv=text)
    plain = read_export(tmp_path / "export")
    pd.testing.assert_frame_equal(mapped.tables["tasks"], plain.tables["tasks"])
    pd.testing.assert_frame_equal(mapped.rejects, plain.rejects)


def test_column_that_is_not_there(tmp_path: Path) -> None:
    """The mapping's line is named, and the column that may be meant."""
    assert refusal(tmp_path, tasks("lot: Losnr"), work__csv=f"{HEADER},Los-Nr\n{ROW},\n") == (
        "mapping.yaml, line 14: $.tables.tasks[0].columns.lot: work.csv has no column `Losnr` (did you mean Los-Nr?)"
    )


def test_a_title_in_the_place_of_the_header(tmp_path: Path) -> None:
    """Cells without a name are not listed, and one name alone is perhaps none of a column."""
    sentence = refusal(tmp_path, TASKS, work__csv=f"Work of May,,,,,,\n{HEADER}\n{ROW}\n")
    assert sentence.endswith(
        "has no column `No`; it has `Work of May`; a title above the header is left out by `skip_rows`"
    )


def test_column_that_is_there_twice(tmp_path: Path) -> None:
    """Which of two columns of one name is meant, nobody can say."""
    assert "work.csv has the column `Tail` 2 times" in refusal(tmp_path, TASKS, work__csv=f"{HEADER},Tail\n{ROW},A1\n")


def test_file_that_is_not_there(tmp_path: Path) -> None:
    """A feed without a file is an error: tonight's export isn't whole."""
    assert refusal(tmp_path, TASKS, jobs__csv="") == (
        "mapping.yaml, line 4: $.tables.tasks[0].files: the export has no file `work*.csv`; it has jobs.csv"
    )


def test_links_out_of_the_export_are_not_followed(tmp_path: Path) -> None:
    """A link in the folder to a file outside is not a file of the export."""
    (tmp_path / "secret.csv").write_text(f"{HEADER}\n{ROW}\n", encoding="utf-8")
    (tmp_path / "export").mkdir()
    (tmp_path / "export" / "work.csv").symlink_to(tmp_path / "secret.csv")
    assert "the export has no file" in refusal(tmp_path, TASKS)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("files: ../../etc/passwd", "expected names inside the export, got '../../etc/passwd'"),
        ("files: /etc/passwd", "expected names inside the export"),
        ("files: 'C:\\secret.csv'", "expected names inside the export"),
        ("files: 'a\\..\\..\\b'", "expected names inside the export"),
        ("query: DROP TABLE tasks", "expected a SELECT, got 'DROP TABLE tasks'"),
        ("files: &a work.csv", "an anchor (&name) is not allowed"),
        ("files: *a", "an alias (*name) is not allowed"),
        ("files: !!python/object:os.system x", "the tag"),
        ("filse: work.csv", "unknown key 'filse' (did you mean files?)"),
        ("table: x\n      sheet: y", "this goes with `files`"),
        ("files: x\n      zone: Europe/Berlim", "expected a time zone of the IANA database, or one of station"),
        ("files: x\n      times: '%d.%m %H:%M'", "a format needs %Y or %y once"),
        ("files: x\n      times: '%d.%m.%Y'", "a time needs a time of day"),
        ("files: x\n      times: [iso, '%d.%m.%Y %H:%M']", "expected iso alone"),
        ("files: x\n      encoding: utf8", "did you mean utf-8"),
        ("files: x\n      skip_rows: -1", "skip_rows"),
    ],
)
def test_faults_of_mapping_files(line: str, sentence: str) -> None:
    """Each is refused with file, line and what was expected, before any file of the export is opened."""
    with pytest.raises(AuditError) as caught:
        read_mapping(TASKS.replace("files: work*.csv\n      zone: station", line).encode(), "mapping.yaml")
    assert str(caught.value).startswith("mapping.yaml, line ")
    assert sentence in str(caught.value)


@pytest.mark.parametrize(
    ("columns", "sentence"),
    [
        ("lto: x", "tasks have no column 'lto' (did you mean lot?)"),
        ("lot: {column: x, formats: iso}", "this goes with times and dates only"),
        ("lot: {column: x, constant: 3}", "expected one of column, join and constant, got column and constant"),
        ("lot: {}", "got none"),
        ("lot: {column: x, with: y}", "this goes with `join`"),
        ("signed_at: {column: x, not_before: lot}", "expected another time of tasks, got 'lot'"),
        ("lot: {join: [x]}", "expected at least 2"),
        ("lot: {column: x, unit: days}", "this goes with numbers only"),
        ("ambient_c: {column: x, unit: days}", "ambient_c aren't counted in days"),
        ("status: {column: x, values: {Z: close}}", "'close' is not a known status (did you mean closed?)"),
        ("status: {constant: done}", "'done' is not a known status; expected one of closed, open, void"),
    ],
)
def test_faults_of_mapped_columns(columns: str, sentence: str) -> None:
    """A column that can't be meant so is refused where it stands."""
    with pytest.raises(AuditError) as caught:
        read_mapping(tasks(columns).encode(), "mapping.yaml")
    assert "$.tables.tasks[0].columns" in str(caught.value)
    assert sentence in str(caught.value)


def test_needed_columns_and_tables() -> None:
    """A mapping without tasks, or without a column that they can't do without, maps nothing."""
    with pytest.raises(AuditError, match="tasks can't do without aircraft"):
        read_mapping(TASKS.replace("        aircraft: Tail\n", "").encode(), "m")
    with pytest.raises(AuditError, match="expected `tasks` among the tables"):
        read_mapping(("title: T\ntables:\n" + STATIONS).encode(), "m")


@given(
    st.lists(st.datetimes(datetime(1950, 1, 1), datetime(2099, 12, 31)), max_size=40),
    st.sampled_from(["%d.%m.%Y %H:%M:%S", "%m/%d/%y %I:%M:%S %p", "%Y%m%dT%H%M%S", "%d-%b-%Y %H:%M:%S.%f"]),
)
def test_formats_read_what_strftime_wrote(times: list[datetime], shape: str) -> None:
    """Times written by Python in a declared format are read as they were, to the precision of the format."""
    import pyarrow as pa

    from audit.intake.time_formats import compile_format, read_times

    if "%y" in shape:
        times = [time.replace(year=1969 + time.year % 100) for time in times if (time.month, time.day) != (2, 29)]
    values, odd = read_times(pa.array([time.strftime(shape) for time in times], pa.string()), [compile_format(shape)])
    assert not len(odd)
    exact = [time if "%f" in shape else time.replace(microsecond=0) for time in times]
    assert values.tolist() == exact


@given(st.text(alphabet="0123456789.: -hm", max_size=18))
def test_formats_read_nothing_that_strptime_refuses(text: str) -> None:
    """A text that has the format is one that Python's strptime reads too, and as the same time."""
    import pyarrow as pa

    from audit.intake.time_formats import compile_format, read_times

    values, odd = read_times(pa.array([text]), [compile_format("%d.%m.%Y %H:%M")])
    if not len(odd):
        assert values.tolist() == [datetime.strptime(text, "%d.%m.%Y %H:%M")]


def test_example_in_the_readme() -> None:
    """The mapping that the page of exports shows is one."""
    text = (Path(__file__).parents[2] / "sample_records" / "README.md").read_text(encoding="utf-8")
    example = text.partition("```yaml\ntitle: Text files")[2].partition("```")[0]
    assert read_mapping(f"title: Text files{example}".encode(), "README.md").written.tables["flights"]


@pytest.mark.parametrize(
    ("unit", "cells"), [("seconds", "1704873600,1704877200.25"), ("milliseconds", "1704873600000,1704877200250")]
)
@pytest.mark.parametrize("kept", ["text", "numbers"])
def test_counts_since_1970(tmp_path: Path, unit: str, cells: str, kept: str) -> None:
    """Seconds and milliseconds since 1970 are in UTC, whatever the zone; one is never read as the other."""
    begin, end = (f"{{column: {name}, formats: unix-{unit}}}" for name in ("Begin", "End"))
    mapping = tasks(f"started_at: {begin}\nfinished_at: {end}", keys="zone: Asia/Tokyo")
    text = f"No,Order,Tail,Action,Shop,Begin,End\n1,W1,A1,apply,NORTH,{cells}\n"
    if kept == "numbers":
        pd.read_csv(StringIO(text)).to_parquet(tmp_path / "work.parquet")
        parquet = (tmp_path / "work.parquet").read_bytes()
        export = read(tmp_path, mapping.replace(".csv", ".parquet"), work__parquet=parquet)
    else:
        export = read(tmp_path, mapping, work__csv=text)
    assert column(export, "started_at") == [datetime(2024, 1, 10, 8, tzinfo=UTC)]
    assert column(export, "finished_at") == [datetime(2024, 1, 10, 9, 0, 0, 250_000, tzinfo=UTC)]
    other = {"seconds": "milliseconds", "milliseconds": "seconds"}[unit]
    swapped = read(tmp_path, mapping.replace(f"unix-{unit}", f"unix-{other}"), work__csv=text)
    assert swapped.counts["tasks"].quarantined == 1
