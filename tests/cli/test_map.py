"""`map`: a draft that reads what it was drafted from, doubts beside what they are about, nothing overwritten."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.intake.reading import read_export
from audit.shipped import sample_folder

SAMPLES = Path(__file__).resolve().parents[2] / "sample_records"


def resolved(draft: Path) -> None:
    """Decide every doubt of a draft as it was guessed."""
    text = draft.read_text(encoding="utf-8")
    text = re.sub(r'^ +doubt: ".*"\n|, doubt: "(?:[^"\\]|\\.)*"', "", text, flags=re.MULTILINE)
    draft.write_text(text, encoding="utf-8")


def test_draft_of_a_workbook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sheets, title rows and columns of an unknown workbook are found; what a first read gives is shown."""
    export = tmp_path / "export"
    export.mkdir()
    shutil.copy(SAMPLES / "quarrypuffin" / "records.xlsx", export)
    out = tmp_path / "draft.yaml"
    assert run(["map", str(export), "--out", str(out)]) == ExitCode.CLEAN
    said = capsys.readouterr().out
    draft = out.read_text(encoding="utf-8")
    assert 'sheet: "Work local"\n      skip_rows: 2' in draft
    assert 'aircraft: "Tail"' in draft
    assert 'was: "Old"\n        now: "New"' in draft
    assert 'made_at: {column: "At", zone: task_id' in draft
    assert "APPL is apply?" in draft
    assert run(["check", str(export), "--mapping", str(out), "--out", str(tmp_path / "out")]) == ExitCode.COULD_NOT_RUN
    assert "APPL is apply?" in capsys.readouterr().err
    resolved(out)
    assert "A first read by it gives:\n  tasks " in said
    assert "x tasks, Act: not one of the values that the mapping translates" in said
    read = read_export(export, mapping=out)
    assert read.counts["flights"].audited > 2000
    assert set(read.tables) == set(read_export(sample_folder()).tables)


@pytest.mark.parametrize(("header", "asked"), [("Flight_Status", True), ("CANCELLED", True), ("Statement", False)])
def test_a_column_that_may_mark_rows_which_do_not_count(tmp_path: Path, header: str, asked: bool) -> None:
    """Read without it a cancelled flight would have been flown: the draft asks, and no audit reads by it until then."""
    export = tmp_path / "export"
    shutil.copytree(sample_folder(), export)
    first, *rows = (export / "flights.csv").read_text().splitlines()
    states = ["flown", *["cancelled"] * (len(rows) - 1)]
    lines = [f"{first},{header}", *(f"{row},{state}" for row, state in zip(rows, states, strict=True))]
    (export / "flights.csv").write_text("\n".join(lines) + "\n")
    out = tmp_path / "draft.yaml"
    run(["map", str(export), "--out", str(out)])
    doubt = f"does {header} (flown, cancelled) mark rows that don't count, such as cancelled ones? then add `only`"
    assert (f'      doubt: "{doubt}"\n' in out.read_text(encoding="utf-8")) == asked


def test_draft_of_canonical_files_reads_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where the names are canonical already, the draft reads what is read without it."""
    out = tmp_path / "draft.yaml"
    assert run(["map", str(sample_folder()), "--out", str(out)]) == ExitCode.CLEAN
    assert "Needed" not in capsys.readouterr().out
    resolved(out)
    drafted, plain = read_export(sample_folder(), mapping=out), read_export(sample_folder())
    assert {name: count.audited for name, count in drafted.counts.items()} == {
        name: count.audited for name, count in plain.counts.items()
    }


def test_formats_separators_and_shared_values(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Formats come from the cells, with a doubt where two fit; a column without a telling name by its values."""
    (tmp_path / "export").mkdir()
    (tmp_path / "export" / "work.csv").write_bytes(
        "Task No;Order;Tail;Action;Wo;Start;Finish;Temp;\u202eodd\r\n"
        "1;W1;A1;apply;Süd;03.04.2024 7:05;03.04.2024 8:00;18,5;x\r\n"
        "2;W1;A1;clean;Nord;04.04.2024 7:05;04.04.2024 8:00;19;x\r\n".replace("\u202e", "").encode("cp1252")
    )
    (tmp_path / "export" / "stations.csv").write_text(
        "station,timezone\nSüd,Europe/Berlin\nNord,Europe/Berlin\n", encoding="utf-8"
    )
    out = tmp_path / "draft.yaml"
    assert run(["map", str(tmp_path / "export"), "--out", str(out)]) == ExitCode.CLEAN
    draft = out.read_text(encoding="utf-8")
    assert 'encoding: "cp1252"' in draft
    assert 'separator: ";"' in draft
    assert 'station: {column: "Wo", doubt: "by its values, which are those of stations.station"}' in draft
    assert "%d.%m.%Y %H:%M" in draft
    assert 'decimal: ","' in draft
    resolved(out)
    assert read_export(tmp_path / "export", mapping=out).counts["tasks"].audited == 2
    capsys.readouterr()


def test_nothing_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is there is left alone."""
    out = tmp_path / "draft.yaml"
    out.write_text("mine", encoding="utf-8")
    assert run(["map", str(sample_folder()), "--out", str(out)]) == ExitCode.COULD_NOT_RUN
    assert "is there already" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == "mine"


def test_needed_columns_that_are_nowhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What can't be found is said, and marked in the draft; names that could mislead a reader are escaped."""
    (tmp_path / "export").mkdir()
    (tmp_path / "export" / "tasks.csv").write_text(
        "task_id,work_order,action,station,started_at,finished_at,\u202elot\n1,2,apply,N,2024-01-01T08:00,2024-01-01T09:00,x\n",
        encoding="utf-8",
    )
    out = tmp_path / "draft.yaml"
    assert run(["map", str(tmp_path / "export"), "--out", str(out)]) == ExitCode.CLEAN
    said = capsys.readouterr().out
    assert "Required, and not found:\n  tasks.aircraft\n" in said
    assert "\u202e" not in said + out.read_text(encoding="utf-8")
    assert 'aircraft: "?"  # not found' in out.read_text(encoding="utf-8")


def test_nothing_to_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty folder is refused."""
    assert run(["map", str(tmp_path), "--out", str(tmp_path / "x.yaml")]) == ExitCode.COULD_NOT_RUN
    assert "holds nothing that could be mapped" in capsys.readouterr().err
    assert not (tmp_path / "x.yaml").exists()


def test_a_long_cell_is_no_obstacle(tmp_path: Path) -> None:
    """A cell that a check reads can be drafted from, whatever was read before in this process."""
    csv.field_size_limit(131_072)
    (tmp_path / "export").mkdir()
    (tmp_path / "export" / "work.csv").write_text(f"Task No,Remarks\nT1,{'x' * 150_000}\n", encoding="utf-8")
    assert run(["map", str(tmp_path / "export"), "--out", str(tmp_path / "draft.yaml")]) == ExitCode.CLEAN


def test_a_title_above_the_header(tmp_path: Path) -> None:
    """A title row is skipped, although the separators of empty cells follow it."""
    (tmp_path / "export").mkdir()
    text = (
        "Maintenance 2024;;;;;;\nTask No;Order;Tail;Action;Shop;Start;Finish\nT1;W1;A1;apply;N;2024-01-10;2024-01-10\n"
    )
    (tmp_path / "export" / "work.csv").write_text(text, encoding="utf-8")
    assert run(["map", str(tmp_path / "export"), "--out", str(tmp_path / "draft.yaml")]) == ExitCode.CLEAN
    draft = (tmp_path / "draft.yaml").read_text(encoding="utf-8")
    assert 'separator: ";"\n      skip_rows: 1' in draft
    assert 'task_id: "Task No"' in draft


def test_what_is_like_no_table_can_be_written_in_by_hand(tmp_path: Path) -> None:
    """How such a file is to be read, and its columns, stand in the draft as comments."""
    (tmp_path / "export").mkdir()
    (tmp_path / "export" / "vt.csv").write_text("Lfd;Vorgang;Was\n1;2;3\n", encoding="utf-8")
    assert run(["map", str(tmp_path / "export"), "--out", str(tmp_path / "draft.yaml")]) == ExitCode.CLEAN
    draft = (tmp_path / "draft.yaml").read_text(encoding="utf-8")
    assert '#     - files: "vt.csv"\n#       separator: ";"\n#       columns:\n#         # not used: Lfd\n' in draft


def drafted(folder: Path, **files: str) -> str:
    """The draft of an export of these CSV files."""
    (folder / "export").mkdir()
    for name, text in files.items():
        (folder / "export" / f"{name}.csv").write_text(text, encoding="utf-8")
    assert run(["map", str(folder / "export"), "--out", str(folder / "draft.yaml")]) == ExitCode.CLEAN
    return (folder / "draft.yaml").read_text(encoding="utf-8")


def test_counts_since_1970_are_drafted_as_such(tmp_path: Path) -> None:
    """Seconds since 1970 have a format, and no clock is in doubt."""
    draft = drafted(tmp_path, tasks="task_id,started_at,finished_at\nT1,1704873600,1704877200000\n")
    assert '        started_at: {column: "started_at", formats: "unix-seconds"}\n' in draft
    assert '        finished_at: {column: "finished_at", formats: "unix-milliseconds"}\n' in draft


def test_records_with_lots_in_them_are_records(tmp_path: Path) -> None:
    """A table is what most of its columns are made of: not the list of lots, of whose few columns it has all."""
    draft = drafted(
        tmp_path,
        cards="Card,W/O,Tail,Type,Shop,Material,Product,Batch,Technician,Inspector,PPE,Manual,Remarks\n"
        'C1,W1,A1,APPL,NORTH,rubber,Ice Film,L1,Ada,Cora,"goggles, gloves",DM,x\n',
    )
    assert '  tasks:\n    - files: "cards.csv"' in draft
    assert "  lots:" not in draft
    assert '        product: "Product"' in draft  # which says more than "Material"
    assert 'ppe_worn: {column: "PPE", separator: ",", doubt: "does , stand between the entries of a list?"}' in draft
    assert 'started_at: "?"  # not found: write the column\'s name here, or `{join: [DAY, TIME]}`' in draft


def test_a_file_called_as_a_table_is_drafted_as_that(tmp_path: Path) -> None:
    """Where no column has a name that is known, the name of the file says what it may be; names are as they are
    written."""
    draft = drafted(tmp_path, tasks="Nr,Tätigkeit\nX1,Prüfen\n", vorgang="Nr,Tätigkeit\nX1,Prüfen\n")
    assert '    - files: "tasks.csv"\n      doubt: "are these tasks? only the name says so"\n' in draft
    assert '        task_id: "?"  # not found: write the column\'s name here\n' in draft
    assert "        # not used: Tätigkeit\n" in draft
    assert '#     - files: "vorgang.csv"' in draft


def test_a_first_row_that_may_be_a_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Read as names of columns, the first record would be lost: the draft asks, and no audit reads by it until then."""
    row = "{0},W1,TARN-1,apply,NORTH,2025-01-0{0}T08:00Z,2025-01-0{0}T09:00Z\n"
    draft = drafted(tmp_path, tasks=row.format(1) + row.format(2))
    assert "is the first row a record (1)? then `header_rows: 0`, and columns are called 1, 2, 3" in draft
    assert run(["map", str(sample_folder()), "--out", str(tmp_path / "other.yaml")]) == ExitCode.CLEAN
    assert "header_rows" not in (tmp_path / "other.yaml").read_text(encoding="utf-8")
    capsys.readouterr()


def test_a_workbook_of_another_format_is_told_what_to_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """To whoever has a .xls it is a workbook: the message says which are read."""
    (tmp_path / "report.xls").write_bytes(b"\xd0\xcf\x11\xe0")
    assert run(["map", str(tmp_path), "--out", str(tmp_path / "draft.yaml")]) == ExitCode.COULD_NOT_RUN
    assert "report.xls: neither text (.csv, .tsv, .txt) nor a workbook (.xlsx, .xlsm)" in capsys.readouterr().err


def test_what_stands_for_a_missing_value_hides_no_column(tmp_path: Path) -> None:
    """A column that is `NULL` but for a few cells, or in all, is known by its name and its other cells; what was taken
    for a blank is asked."""
    boot = "B{0},TARN-1,fin,chloroprene,NULL,2024-01-0{0}T08:00Z,NULL\n"
    draft = drafted(
        tmp_path,
        tasks="task_id,work_order,aircraft,action,station,started_at,finished_at,coat\n"
        "1,W1,TARN-1,apply,NORTH,2025-01-01T08:00Z,2025-01-01T09:00Z,-\n",
        components="component_serial,aircraft,position,material,finish,installed_at,removed_at\n"
        + boot.format(1)
        + boot.format(2),
    )
    assert '        removed_at: "removed_at"\n' in draft
    assert '        finish: "finish"\n' in draft
    assert '        coat: "coat"\n' in draft
    assert '      blank: ["NULL"]\n      doubt: "does NULL stand for a missing value (`blank`)?"\n' in draft
    assert '      blank: ["-"]\n' in draft
    resolved(tmp_path / "draft.yaml")
    read = read_export(tmp_path / "export", mapping=tmp_path / "draft.yaml")
    assert read.faults.empty
    assert read.counts["components"].audited == 2


def test_a_column_of_the_very_name_is_taken_whatever_is_in_it(tmp_path: Path) -> None:
    """Times in a format that is not known here are doubt about the format, not about which column they are."""
    row = "{0},W1,TARN-1,apply,NORTH,Mon 10 September 2025 17:3{0},Mon 10 September 2025 18:3{0},about 45\n"
    draft = drafted(
        tmp_path,
        tasks="task_id,work_order,aircraft,action,station,started_at,finished_at,humidity_pct\n" + row.format(1),
    )
    for name in ("started_at", "finished_at"):
        assert f'{name}: {{column: "{name}", zone: station, doubt: "no format that is known here reads it; ' in draft
    assert '        humidity_pct: "humidity_pct"\n' in draft


@pytest.mark.parametrize(
    ("day", "clock", "formats"),
    [
        pytest.param("{0:02}.01.2024", "0{0}:15", "%d.%m.%Y %H:%M", id="points"),
        pytest.param("2024-01-{0:02}", "{0}15", "%Y-%m-%d hhmm", id="iso-and-no-colon"),
        pytest.param("{0}.1.2024", "{0}.15", "%d.%m.%Y %H.%M", id="points-between"),
        pytest.param("{0}/13/2024", "0{0}:15:00", "%m/%d/%Y %H:%M:%S", id="american"),
        pytest.param("0{0}/02/2024", "0{0}:15", "%d/%m/%Y %H:%M", id="either-way"),
    ],
)
def test_days_and_times_of_day_in_two_columns(tmp_path: Path, day: str, clock: str, formats: str) -> None:
    """They are joined, by the names of the times and with a doubt, and are read as they are written."""
    rows = [f"{n},W1,A1,apply,NORTH,{day},{clock},{clock.replace('15', '45')}".format(n) for n in range(1, 6)]
    stations = "station,timezone\nNORTH,Europe/Berlin\n"
    draft = drafted(tmp_path, work="\n".join(["No,Order,Tail,Action,Shop,Day,From,To", *rows, ""]), stations=stations)
    assert f'started_at: {{join: ["Day", "From"], formats: "{formats}", zone: station, doubt: "is this' in draft
    assert f'join: ["Day", "To"], formats: "{formats}", zone: station, not_before: started_at' in draft
    assert ("%m/%d/%Y %H:%M reads it too" in draft) == day.startswith("0{0}/")
    resolved(tmp_path / "draft.yaml")
    read = read_export(tmp_path / "export", mapping=tmp_path / "draft.yaml")
    assert read.counts["tasks"].audited == 5
    lasted = read.tables["tasks"]["finished_at"] - read.tables["tasks"]["started_at"]
    assert set(lasted.dt.total_seconds() / 60) == {30.0}
