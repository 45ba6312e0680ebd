"""Foreign exports that would be read wrongly: each is refused, or told, before anything is judged by it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import openpyxl
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.intake.reading import read_export

TASKS = """\
title: Invented
tables:
  tasks:
    - files: work.csv
      zone: UTC
      {keys}
      columns:
        task_id: No
        work_order: Order
        aircraft: Tail
        action: Action
        station: Shop
        started_at: Begin
        finished_at: End
        {column}
"""
HEADER = "No,Order,Tail,Action,Shop,Begin,End,More"
ROW = "{0},W{0},A1,apply,NORTH,2024-01-10T08:00,2024-01-10T09:00,{1}"
FLIGHTS = """\
  flights:
    - files: log.csv
      {keys}
      columns: {{flight_id: No, aircraft: Tail, takeoff_at: Off, landing_at: On, flight_hours: {hours}}}
"""

Said = Callable[..., tuple[int, str]]


@pytest.fixture
def said(one_rule: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Said:
    """Check an export of some text files by a mapping; returns the exit code and what was said."""

    def check(mapping: str, **files: str) -> tuple[int, str]:
        export = tmp_path / "export"
        export.mkdir(exist_ok=True)
        for name, content in files.items():
            (export / name.replace("__", ".")).write_text(content, encoding="utf-8")
        (tmp_path / "mapping.yaml").write_text(mapping, encoding="utf-8")
        arguments = ["check", str(export), "--mapping", str(tmp_path / "mapping.yaml"), "--skip-health"]
        code = run([*arguments, "--rules", str(one_rule), "--out", str(tmp_path / "out")])
        return int(code), capsys.readouterr().err

    return check


def work(*more: str) -> str:
    return "\n".join([HEADER, *(ROW.format(number, each) for number, each in enumerate(more or ("",), 1))]) + "\n"


def tasks(column: str = "", keys: str = "") -> str:
    return TASKS.format(column=column, keys=keys)


def log(hours: Sequence[str], minutes: Sequence[int], zone: str = "Z") -> str:
    """A log of flights that last some minutes, with the hours that it gives them."""
    rows = ["No,Tail,Off,On,Hours"]
    for number, (text, length) in enumerate(zip(hours, minutes, strict=True)):
        off = datetime(2024, 2, 1, 8) + timedelta(days=number)
        rows.append(
            f"F{number},A1,{off.isoformat()}{zone},{(off + timedelta(minutes=length)).isoformat()}{zone},{text}"
        )
    return "\n".join(rows) + "\n"


LENGTHS = [82, 75, 130, 55, 61, 90, 145, 38, 119, 64, 82, 77]


@pytest.mark.parametrize(
    ("unit", "told"),
    [
        ("hours.minutes", lambda length: f"{length // 60}.{length % 60:02}"),
        ("minutes", lambda length: str(length)),
        ("days", lambda length: f"{length / 1440:.5f}"),
    ],
)
def test_hours_that_are_none(said: Said, unit: str, told: Callable[[int], str]) -> None:
    """`1.22` for 1 h 22 min, minutes and days are refused as hours, with the unit that fits; by that they are read."""
    hours = [told(length) for length in LENGTHS]
    code, text = said(
        tasks() + FLIGHTS.format(keys="zone: UTC", hours="Hours"), work__csv=work(), log__csv=log(hours, LENGTHS)
    )
    assert code == ExitCode.COULD_NOT_RUN
    assert f"as {unit} 12; say `unit: {unit}` in a mapping" in text
    code, text = said(tasks() + FLIGHTS.format(keys="zone: UTC", hours=f"{{column: Hours, unit: {unit}}}"))
    assert code != ExitCode.COULD_NOT_RUN
    assert "cells of audited rows" not in text


def test_hours_in_the_air_are_hours(said: Said) -> None:
    """Hours in the air below those from block to block, or rounded to tenths, contradict nothing."""
    for hours in ([f"{(length - 20) / 60:.2f}" for length in LENGTHS], [f"{length / 60:.1f}" for length in LENGTHS]):
        files = {"work__csv": work(), "log__csv": log(hours, LENGTHS)}
        code, text = said(tasks() + FLIGHTS.format(keys="zone: UTC", hours="Hours"), **files)
        assert code != ExitCode.COULD_NOT_RUN
        assert "cells of audited rows" not in text


def test_hours_of_one_flight_that_contradict_its_times(said: Said, tmp_path: Path) -> None:
    """75 for 1 h 15 min, and 0 for ten hours, are in doubt; the flights are audited."""
    files = {"work__csv": work(), "log__csv": log(["75", "0", "1.25"], [75, 600, 75])}
    code, _ = said(tasks() + FLIGHTS.format(keys="zone: UTC", hours="Hours"), **files)
    assert code != ExitCode.COULD_NOT_RUN
    export = read_export(tmp_path / "export", mapping=tmp_path / "mapping.yaml")
    assert export.contradicted_hours.tolist() == [0, 1]


def test_times_without_a_zone_are_not_taken_for_utc(said: Said) -> None:
    """A mapping says by which clock times are written that carry no zone; with an offset nothing need be said."""
    files = {"work__csv": work(), "log__csv": log(["", ""], [60, 70], zone="")}
    code, text = said(tasks() + FLIGHTS.format(keys="", hours="Hours"), **files)
    assert code == ExitCode.COULD_NOT_RUN
    assert "columns.takeoff_at: the times of log.csv carry no zone; say with `zone`" in text
    assert said(tasks() + FLIGHTS.format(keys="zone: Europe/Berlin", hours="Hours"))[0] != ExitCode.COULD_NOT_RUN
    files["log__csv"] = log(["", ""], [60, 70])
    assert said(tasks() + FLIGHTS.format(keys="", hours="Hours"), **files)[0] != ExitCode.COULD_NOT_RUN
    code, text = said(tasks().replace("zone: UTC", ""), work__csv=work())
    assert code == ExitCode.COULD_NOT_RUN
    assert "columns.started_at: the times of work.csv carry no zone" in text


def test_a_spreadsheet_that_took_days_for_months(
    one_rule: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Real dates up to the 12th and text after it, in one column: refused. Real dates of all days are read."""
    for swapped in (True, False):
        book = openpyxl.Workbook()
        sheet = book.active
        assert sheet is not None
        sheet.append([*HEADER.split(",")])
        for day in range(5, 22):
            cell = datetime(2024, day, 3) if swapped and day <= 12 else datetime(2024, 3, day)
            shown = f"{day}/03/2024 08:00" if swapped and day > 12 else cell
            sheet.append([day, f"W{day}", "A1", "apply", "NORTH", shown, shown, ""])
        (tmp_path / "export").mkdir(exist_ok=True)
        book.save(tmp_path / "export" / "work.xlsx")
        mapping = tasks(keys='times: "%d/%m/%Y %H:%M"').replace("work.csv", "work.xlsx")
        (tmp_path / "mapping.yaml").write_text(mapping, encoding="utf-8")
        arguments = ["check", str(tmp_path / "export"), "--mapping", str(tmp_path / "mapping.yaml"), "--skip-health"]
        code = run([*arguments, "--rules", str(one_rule), "--out", str(tmp_path / "out")])
        text = capsys.readouterr().err
        assert (code == ExitCode.COULD_NOT_RUN) == swapped
        assert ("column Begin: up to the 12th of a month" in text) == swapped


def test_two_formats_that_read_the_same_text_otherwise(said: Said) -> None:
    """Day and month can't be told apart by both orders at once."""
    code, text = said(tasks(keys='times: ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"]'), work__csv=work())
    assert code == ExitCode.COULD_NOT_RUN
    assert "day and month can't be told apart" in text


def test_degrees_fahrenheit(said: Said) -> None:
    """Temperatures that are too high for °C and fit °F are refused; declared, they are converted."""
    told = [str(degrees) for degrees in (68, 70, 71, 65, 72, 66, 69, 70, 68, 73)]
    code, text = said(tasks("ambient_c: More"), work__csv=work(*told))
    assert code == ExitCode.COULD_NOT_RUN
    assert "work.csv: ambient_c are too high for °C: 10 of 10 lie above 50" in text
    assert said(tasks("ambient_c: {column: More, unit: fahrenheit}"))[0] != ExitCode.COULD_NOT_RUN


def test_degrees_fahrenheit_are_converted(said: Said, tmp_path: Path) -> None:
    """68 °F are 20 °C."""
    said(tasks("ambient_c: {column: More, unit: fahrenheit}"), work__csv=work("68", "14"))
    export = read_export(tmp_path / "export", mapping=tmp_path / "mapping.yaml")
    assert export.tables["tasks"]["ambient_c"].tolist() == [20.0, -10.0]


def test_humidities_as_shares(said: Said, tmp_path: Path) -> None:
    """What a workbook shows as 45 % it keeps as 0.45: a column of that is refused; declared, it becomes percent."""
    code, text = said(tasks("humidity_pct: More"), work__csv=work(*["0.45", "1"] * 5))
    assert code == ExitCode.COULD_NOT_RUN
    assert "work.csv: humidity_pct are too low for %: all 10 lie between 0 and 1; say `unit: share`" in text
    assert said(tasks("humidity_pct: {column: More, unit: share}"))[0] != ExitCode.COULD_NOT_RUN
    export = read_export(tmp_path / "export", mapping=tmp_path / "mapping.yaml")
    assert export.tables["tasks"]["humidity_pct"].tolist() == [45.0, 100.0] * 5


def test_a_footer_that_would_take_a_record(said: Said, tmp_path: Path) -> None:
    """A blank line is not a row: a footer that would reach into the records is refused; rows left out are listed."""
    text = work("a", "b") + "\n,,,,,,Total,2\n"
    code, told = said(tasks(keys="footer_rows: 2"), work__csv=text)
    assert code == ExitCode.COULD_NOT_RUN
    assert "footer_rows: line 3 of work.csv would be left out, and is a record: 2; W2; A1; apply" in told
    assert said(tasks(keys="footer_rows: 1"))[0] != ExitCode.COULD_NOT_RUN
    [dropped] = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))["dropped_rows"]
    assert [dropped[name] for name in ("file", "line", "value")] == ["work.csv", 5, "Total"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "work.csv, line 5: Total" in page


def test_open_doubts_of_a_draft(said: Said) -> None:
    """A mapping with an open doubt is refused: each is named with its place and what is to be decided."""
    doubtful = tasks('lot: {column: More, doubt: "is this the lot?"}', 'doubt: "are these tasks, or lots?"')
    code, text = said(doubtful, work__csv=work("L1"))
    assert code == ExitCode.COULD_NOT_RUN
    assert "mapping.yaml, line 6: $.tables.tasks[0].doubt: are these tasks, or lots?; decide it, and take" in text
    assert "$.tables.tasks[0].columns.lot.doubt: is this the lot?; decide it, and take `doubt` away" in text


def test_each_open_doubt_has_a_line_of_its_own(said: Said) -> None:
    """Two questions are two sentences, and are answered one by one."""
    _, text = said(tasks('lot: {column: More, doubt: "is this the lot?"}', 'doubt: "tasks?"'), work__csv=work("L1"))
    assert [line.rpartition(": ")[2] for line in text.splitlines() if "doubt" in line] == [
        f"{doubt}; decide it, and take `doubt` away" for doubt in ("tasks?", "is this the lot?")
    ]


def test_what_repeats_tells_no_records_apart(tmp_path: Path) -> None:
    """A column `Task` that says what was done is no record number; of two that may be the work order one is asked
    for."""
    export, out = tmp_path / "export", tmp_path / "draft.yaml"
    export.mkdir()
    rows = "\n".join(
        f"C{n},W{n // 4},R{n // 4},A1,{('apply', 'inspect')[n % 2]},S1,2024-01-10T08:00Z,2024-01-10T09:00Z"
        for n in range(12)
    )
    head = "Job card,WO,Order,Tail,Task,Station,Started,Finished"
    (export / "work.csv").write_text(f"{head}\n{rows}\n", encoding="utf-8")
    assert run(["map", str(export), "--out", str(out)]) == ExitCode.CLEAN
    draft = out.read_text(encoding="utf-8")
    assert '  task_id: "Job card"\n' in draft
    assert 'work_order: {column: "Order", doubt: "or is it WO?"}' in draft
    assert re.search(r'  action: (\{column: )?"Task"', draft)


def test_a_draft_doubts_what_it_can_only_guess(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Vague names, units, clocks, and rows that may be of two tables, are doubts; `map` itself still reads by it."""
    export, out = tmp_path / "export", tmp_path / "draft.yaml"
    export.mkdir()
    rows = "\n".join(f"{n},W{n},A1,apply,NORTH,2024-01-10 08:00,2024-01-10 09:00,{18 + n}" for n in range(5))
    (export / "job cards.csv").write_text(f"No,Order,Tail,Action,Code,Start,Finish,Temp\n{rows}\n", encoding="utf-8")
    hours = "\n".join(f"F{n},A1,2024-02-0{n + 1}T08:00Z,2024-02-0{n + 1}T09:22Z,1.22" for n in range(5))
    (export / "flight log.csv").write_text(f"Flight,Tail,Off,On,Hours\n{hours}\n", encoding="utf-8")
    assert run(["map", str(export), "--out", str(out)]) == ExitCode.CLEAN
    assert "A first read by it gives" in capsys.readouterr().out
    draft = out.read_text(encoding="utf-8")
    assert re.search(r'station: \{column: "Code", doubt: "is this the station\?"\}', draft)
    assert re.search(r'started_at: \{column: "Start", .*zone: station, doubt: ".*by which clock\?', draft)
    assert re.search(r'ambient_c: \{column: "Temp", doubt: ".*°C, or °F', draft)
    assert re.search(r'flight_hours: \{column: "Hours", doubt: ".*is 1\.22 in hours, hours\.minutes or minutes', draft)
    assert run(["check", str(export), "--mapping", str(out), "--out", str(tmp_path / "out")]) == ExitCode.COULD_NOT_RUN
    assert "is this the station?; decide it" in capsys.readouterr().err


def test_job_cards_are_not_taken_for_lots(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cards with a product and a lot each look like lots: a doubt, and no audit reads by the draft until it is settled,
    for whichever table."""
    export, out = tmp_path / "export", tmp_path / "draft.yaml"
    export.mkdir()
    (export / "work.csv").write_text(work("a", "b"), encoding="utf-8")
    cards = "\n".join(f"C{n},Black,L{n},N1" for n in range(5))
    (export / "job cards.csv").write_text(f"Card,Product,Lot,Shelf\n{cards}\n", encoding="utf-8")
    assert run(["map", str(export), "--out", str(out)]) == ExitCode.CLEAN
    draft = out.read_text(encoding="utf-8")
    doubt = 'doubt: "are these lots? only their columns say so"'
    assert f'  lots:\n    - files: "job cards.csv"\n      {doubt}\n' in draft
    check = ["check", str(export), "--mapping", str(out), "--out", str(tmp_path / "out"), "--skip-health"]
    assert run(check) == ExitCode.COULD_NOT_RUN
    assert "$.tables.lots[0].doubt: are these lots? only their columns say so; decide it" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    # Whoever sees what they are takes them out: what is left is other doubts, and none about them.
    out.write_text(draft[: draft.index("  lots:")], encoding="utf-8")
    run(check)
    assert "lots" not in capsys.readouterr().err
