"""An export with hostile text in every cell that takes text, through the whole audit into every format."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import openpyxl
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.report.formats import FILES
from audit.shipped import rules_folder

EVIL = "=1+1\x1b]0;x\x07\u202e\u2066<script>alert(1)</script>|[a](http://x.example)@all`'\"&;"
NAMES = ("task", "order", "aircraft", "station", "product", "person", "flight", "serial", "remark")
TEXT = {name: f"{EVIL}{name}".replace(";", ",") for name in NAMES} | {"remark": f"{EVIL} " * 900}
HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]")


def write(folder: Path, name: str, rows: list[dict[str, str]]) -> None:
    """Write one table as CSV."""
    with (folder / name).open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)


@pytest.fixture
def report(tmp_path: Path) -> Path:
    """The report folder of the audit of such an export, in every format."""
    export, rules = tmp_path / "=1+1\u202e", tmp_path / "rules"
    export.mkdir()
    rules.mkdir()
    [rule] = rules_folder().rglob("flight-before-cure.yaml")
    (rules / rule.name).write_bytes(rule.read_bytes())
    task = {
        "task_id": TEXT["task"],
        "work_order": TEXT["order"],
        "aircraft": TEXT["aircraft"],
        "action": "apply",
        "station": TEXT["station"],
        "started_at": "2025-12-01T08:00Z",
        "finished_at": "2025-12-01T08:30Z",
        "position": "fin",
        "product": TEXT["product"],
        "performed_by": TEXT["person"],
        "remarks": TEXT["remark"],
    }
    flight = {
        "flight_id": TEXT["flight"],
        "aircraft": TEXT["aircraft"],
        "takeoff_at": "2025-12-01T10:00Z",
        "landing_at": "2025-12-01T11:00Z",
    }
    boot = {
        "component_serial": TEXT["serial"],
        "aircraft": TEXT["aircraft"],
        "position": "fin",
        "material": "chloroprene",
        "installed_at": "2024-01-01",
    }
    write(export, "tasks.csv", [task, task | {"task_id": f"{TEXT['task']}2", "started_at": f"{EVIL}no time"}])
    write(export, "flights.csv", [flight])
    write(export, "components.csv", [boot])
    write(export, "products.csv", [{"product": TEXT["product"], "product_class": "rubber-preservative"}])
    # Nobody of that name is listed: export health names who is missing.
    write(export, "people.csv", [{"person": "P1", "authorisation": "boots", "valid_from": "2020-01-01"}])
    out = tmp_path / "out"
    arguments = ["check", str(export), "--rules", str(rules), "--out", str(out), "--write", ",".join(FILES)]
    assert run(arguments) == ExitCode.FINDINGS
    return out


def test_text_from_an_export_stays_text(report: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every file can be read as what it is; nothing in it is live, and the exit code is that of the finding."""
    terminal = capsys.readouterr().err
    assert not HIDDEN.search(terminal.replace("\n", ""))
    [row] = csv.DictReader(io.StringIO((report / "findings.csv").read_text(encoding="utf-8"), newline=""))
    assert row["aircraft"] == f"'{TEXT['aircraft']}"
    [told] = json.loads((report / "findings.json").read_bytes())["findings"]
    assert told["aircraft"] == TEXT["aircraft"]
    [run_] = json.loads((report / "findings.sarif").read_bytes())["runs"]
    assert len(run_["results"]) == 1
    [case] = ElementTree.parse(report / "junit.xml").getroot().iter("testcase")
    assert case.find("failure") is not None
    facts = csv.DictReader(io.StringIO((report / "health.csv").read_text(encoding="utf-8"), newline=""))
    assert any("<script>alert(1)" in fact["detail"] for fact in facts)
    assert "&lt;script&gt;alert" in (report / "report.html").read_text(encoding="utf-8").partition('id="health"')[2]
    for name in ("report.html", "worklist.html", "summary.md", "junit.xml"):
        text = (report / name).read_text(encoding="utf-8")
        assert "<script>alert" not in text, name
        assert not HIDDEN.search(text.replace("\n", "")), name
    assert "](http" not in (report / "summary.md").read_text(encoding="utf-8")
    book = openpyxl.load_workbook(report / "worklist.xlsx")
    assert {cell.data_type for sheet in book.worksheets for line in sheet.iter_rows() for cell in line} <= {"s", "n"}
    texts = [str(cell.value) for sheet in book.worksheets for line in sheet.iter_rows() for cell in line]
    assert any(text.startswith("=1+1[U+001B]") for text in texts)
    assert not [text for text in texts if HIDDEN.search(text)]


def test_its_work_list_can_be_read_back(report: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A list with a hostile station's sheet is read like any other."""
    capsys.readouterr()
    assert run(["answers", str(report / "worklist.xlsx")]) == ExitCode.FINDINGS
    assert capsys.readouterr().out == "0 of 1 findings have a complete answer\n1 have no answer yet\n"
