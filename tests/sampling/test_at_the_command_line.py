"""`sample plan`, `draw`, `result`: drawn, filled in, read back."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.sampling.sheet import DAY, HOW_SHEET, ISSUED_SHEET, PAPER, RECORD, VALUES, WHAT_DIFFERS, WHO

TASKS = "task_id,work_order,aircraft,action,station,started_at,finished_at,performed_by,remarks\n"
STATIONS = "station,timezone\nGullspool,Europe/Berlin\nTernholm,America/New_York\n"


@pytest.fixture
def export(tmp_path: Path) -> Path:
    folder = tmp_path / "export"
    folder.mkdir()
    rows = [
        f"T-{number:03},WO-{number},TARN-TEAL,inspect,{'Gullspool' if number % 3 else 'Ternholm'},"
        f'2026-01-{number % 28 + 1:02}T09:00,2026-01-{number % 28 + 1:02}T10:00,A. Reed,"={number}, <b>"\n'
        for number in range(120)
    ]
    (folder / "tasks.csv").write_text(TASKS + "".join(rows))
    (folder / "stations.csv").write_text(STATIONS)
    return folder


Fill = Callable[[Callable[[int, dict[str, object]], None]], Path]


@pytest.fixture
def sheet(export: Path, tmp_path: Path) -> Path:
    assert run(["sample", "draw", str(export), "--out", str(tmp_path / "s"), "--seed", "7"]) is ExitCode.CLEAN
    return tmp_path / "s" / "paper-sheet.xlsx"


@pytest.fixture
def fill(sheet: Path) -> Fill:
    def filled(change: Callable[[int, dict[str, object]], None]) -> Path:
        """Answer every record `equal`, and let `change` alter the answer of each, by its number."""
        book = openpyxl.load_workbook(sheet)
        number = 0
        for page in book.worksheets:
            if page.title in (HOW_SHEET, ISSUED_SHEET):
                continue
            head = [cell.value for cell in page[1]]
            for row in page.iter_rows(min_row=2):
                answer: dict[str, object] = {PAPER: "equal", WHO: "B. Fenn", DAY: date(2026, 2, 1)}
                change(number, answer)
                for name, value in answer.items():
                    row[head.index(name)].value = value
                number += 1
        book.save(sheet)
        return sheet

    return filled


def test_all_equal(fill: Fill, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = fill(lambda number, answer: answer.update({WHAT_DIFFERS: "none"}) if number == 1 else None)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.CLEAN
    said = capsys.readouterr().out
    assert said.startswith("With 95 % confidence at most ")
    assert "of the 120 records differ from the paper" in said
    assert "0 of them deviate.\nThat is below the tolerable share of 5 % (6 would be too many).\n" in said
    assert "  Gullspool: 0 of " in said
    assert "  Ternholm: 0 of " in said


@pytest.mark.parametrize("verdict", ["differs", "not found", "unreadable"])
def test_whatever_is_not_equal_deviates(fill: Fill, verdict: str, capsys: pytest.CaptureFixture[str]) -> None:
    def change(number: int, answer: dict[str, object]) -> None:
        if number == 3:
            answer |= {PAPER: verdict, WHAT_DIFFERS: "performer: C. Moss"}

    sheet = fill(change)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.FINDINGS
    said = capsys.readouterr().out
    assert f" {verdict}: performer: C. Moss\n" in said
    assert "1 of them deviates.\n" in said
    assert " deviates; at most " in said
    assert "That is not below" in said


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        ({PAPER: "same"}, "has 'same' under Paper; choose one of equal, differs, not found, unreadable"),
        ({PAPER: "differs"}, "differs, and nothing says what (What differs)"),
        ({PAPER: "differs", WHAT_DIFFERS: "n/a"}, "differs, and nothing says what (What differs)"),
        ({WHO: "-"}, "doesn't say who checked it (Checked by)"),
        ({RECORD: None}, "has something filled in, and no Record beside it"),
        ({WHAT_DIFFERS: "lot 7"}, "is equal, and has 'lot 7' under What differs: only one of them can hold"),
        ({WHO: ""}, "doesn't say who checked it (Checked by)"),
        ({DAY: ""}, "doesn't say on which day (On day)"),
        ({DAY: "soon"}, "has 'soon' for a day; write a date, such as 2026-04-30"),
        ({DAY: "2026-01-02 or 03"}, "has '2026-01-02 or 03' for a day"),
        ({DAY: "2026-01-021"}, "has '2026-01-021' for a day"),
        ({DAY: date(2099, 1, 1)}, "is checked on 2099-01-01, a day still to come"),
        ({PAPER: ""}, "has nothing under Paper, though other cells are filled in"),
        ({RECORD: "T-999"}, "was not drawn"),
    ],
)
def test_what_a_sheet_lacks_is_named(
    fill: Fill, answer: dict[str, object], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = fill(lambda number, given: given.update(answer) if number == 0 else None)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.FINDINGS
    said = capsys.readouterr().out
    assert sentence in said
    assert said.endswith("As long as that is so, the sample shows nothing.\n")
    assert "confidence" not in said


def test_a_lost_row_is_named(sheet: Path, fill: Fill, capsys: pytest.CaptureFixture[str]) -> None:
    fill(lambda number, answer: None)
    book = openpyxl.load_workbook(sheet)
    page = book["Gullspool"]
    lost = page.cell(2, 1).value
    page.delete_rows(2)
    book.save(sheet)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.FINDINGS
    assert f"{lost} was drawn, and its row is gone, or the first row of its sheet" in capsys.readouterr().out


def test_one_record_that_nobody_has_looked_at(fill: Fill, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = fill(lambda number, answer: answer.update({PAPER: None, WHO: None, DAY: None}) if number == 0 else None)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.FINDINGS
    assert "records has no verdict yet" in capsys.readouterr().out


def test_a_sheet_nobody_filled_in_shows_nothing(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.FINDINGS
    assert "records have no verdict yet" in capsys.readouterr().out


def test_values_are_shown_as_paper_has_them(sheet: Path, export: Path) -> None:
    """By the clock of the station, blank where blank, and text stays text."""
    book = openpyxl.load_workbook(sheet)
    rows = {row[0].value: str(row[1].value) for row in book["Ternholm"].iter_rows(min_row=2)}
    task, values = next(iter(rows.items()))
    number = int(str(task).removeprefix("T-"))
    assert f"start of the work: 2026-01-{number % 28 + 1:02} 09:00 local" in values
    assert f"remarks: ={number}, <b>" in values
    assert "product" not in values  # the export has no such column
    assert [cell.value for cell in book["Ternholm"][1]] == [RECORD, VALUES, PAPER, WHAT_DIFFERS, WHO, DAY]
    page = (sheet.parent / "paper-sheet.html").read_text()
    assert f"={number}, &lt;b&gt;" in page


def test_the_same_seed_gives_the_same_bytes(export: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        run(["sample", "draw", str(export), "--out", str(tmp_path / name), "--seed", "x"])
    for file in ("paper-sheet.xlsx", "paper-sheet.html"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_a_sheet_that_is_there_is_kept(
    export: Path, sheet: Path, fill: Fill, capsys: pytest.CaptureFixture[str]
) -> None:
    """Days of work may be in it; the same draw again puts nothing beside itself."""
    draw = ["sample", "draw", str(export), "--out", str(sheet.parent), "--seed", " 7 "]
    assert run(draw) is ExitCode.CLEAN
    assert [path.name for path in sheet.parent.glob("*.xlsx")] == [sheet.name]
    filled = fill(lambda number, answer: None).read_bytes()
    capsys.readouterr()
    assert run(draw) is ExitCode.CLEAN
    [kept] = sheet.parent.glob("paper-sheet-kept-*.xlsx")
    assert kept.read_bytes() == filled
    said = capsys.readouterr().out
    assert f"it is kept as {kept}" in said
    assert f"then: deicer-audit sample result {sheet}\n" in said
    assert "Seed 7, frame" in said


def test_what_is_in_quarantine_is_told(export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tasks = export / "tasks.csv"
    tasks.write_text(f"{tasks.read_text()}T-900,WO-900,TARN-TEAL,inspect,Gullspool,soon,later,A. Reed,\n")
    assert run(["sample", "draw", str(export), "--out", str(tmp_path / "s")]) is ExitCode.CLEAN
    assert "1 row is in quarantine: what stands nowhere else can't be drawn" in capsys.readouterr().out


def test_a_plan(export: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sample", "plan", str(export), "--tolerable", "10 %"]) is ExitCode.CLEAN
    said = capsys.readouterr().out
    assert said.startswith("120 records, 2 strata. 12 deviating records (10 %) would be too many; 95 % confidence.\n")
    assert "  up to 5 deviating: draw " in said
    tasks = export / "tasks.csv"
    header, first, *_ = tasks.read_text().splitlines()
    tasks.write_text(f"{header}\n{first}\n")
    run(["sample", "plan", str(export)])
    assert capsys.readouterr().out.startswith("1 record, 1 stratum. ")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["draw", "{export}", "--tolerable", "0"], "--tolerable '0': expected per cent between 0 and 100"),
        (["draw", "{export}", "--confidence", "nan"], "--confidence 'nan': expected per cent"),
        (["draw", "{export}", "--from", "2027-01-01"], "no task record to draw from: none of those days was audited"),
        (["draw", "{export}", "--seed", " "], "--seed is blank"),
        (["draw", "{export}", "--expected", "9"], "No sample of 120 records can show it"),
        (
            ["result", "{export}/tasks.csv"],
            "tasks.csv is not a workbook: give the filled-in paper sheet as .xlsx, with all its sheets",
        ),
        (["result", "{export}/nothing.xlsx"], "there is no such file"),
        (["result", "{export}"], "a folder; give the filled-in paper sheet in it"),
    ],
)
def test_what_is_refused(
    export: Path, arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    given = [argument.format(export=export) for argument in arguments]
    out = ["--out", str(tmp_path / "none")] if arguments[0] == "draw" else []
    assert run(["sample", *given, *out]) is ExitCode.COULD_NOT_RUN
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("row", "column", "value"),
    [
        pytest.param(3, 3, "few", id="not a number"),
        pytest.param(3, 3, "81", id="one stratum with two numbers of records"),
        pytest.param(3, 4, "T-001", id="a record drawn twice"),
        pytest.param(1, 5, "0", id="no tolerable share"),
        pytest.param(1, 6, "2", id="more than full confidence"),
        pytest.param(1, 7, "-1", id="fewer than no deviations expected"),
    ],
)
def test_a_changed_hidden_sheet_is_damage(
    fill: Fill, row: int, column: int, value: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What no draw can have is refused, and nothing is worked out from it."""
    sheet = fill(lambda number, answer: None)
    book = openpyxl.load_workbook(sheet)
    issued = book[ISSUED_SHEET]
    issued.cell(row, column).value = issued.cell(4, 4).value if value == "T-001" else value
    book.save(sheet)
    capsys.readouterr()
    assert run(["sample", "result", str(sheet)]) is ExitCode.COULD_NOT_RUN
    assert "is damaged" in capsys.readouterr().err


def test_a_register_keeps_the_result(
    export: Path, fill: Fill, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside the nights; a register that isn't there is not begun."""
    register = str(tmp_path / "register.db")
    sheet = str(fill(lambda number, answer: None))
    assert run(["sample", "result", sheet, "--register", register]) is ExitCode.COULD_NOT_RUN
    run(["register", "start", register, str(export), "-q"])
    capsys.readouterr()
    for told in ("The register keeps it.", "The register has this sheet already."):
        assert run(["sample", "result", sheet, "--register", register]) is ExitCode.CLEAN
        assert told in capsys.readouterr().out
    run(["register", "runs", register])
    assert "of 120 records differ from the paper" in capsys.readouterr().out
    assert run(["register", "verify", register]) is ExitCode.CLEAN
