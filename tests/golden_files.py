"""Whole outputs of a small invented result, kept in tests/golden: `make golden` writes them.

`python -m tests.golden_files` says which are out of date and exits with 1 if one is; with `--write` it writes them. A
workbook is kept as the text of its cells, since how its parts are packed depends on the machine's zlib.
"""

from __future__ import annotations

import io
import math
import sys
from collections.abc import Iterator
from pathlib import Path

import openpyxl

from audit.findings.result import AuditResult
from audit.options import AuditOptions
from audit.pipeline import traced_audit
from audit.report.files import contents
from audit.report.formats import FILES
from audit.report.summary import summarise
from audit.shipped import sample_folder, sample_settings
from tests.report.conftest import finding, hostile_finding, make_result

FOLDER = Path(__file__).parent / "golden"
MESSAGES = "messages.md"
"""What the rules say on the sample records, which takes a whole audit."""
NOT_KEPT = ("report.html",)
"""The page has checks of its own, in a browser."""


def golden_files() -> dict[str, bytes]:
    """Every output by name: two boots of one work order, one level 1, one without a station, one hostile finding."""
    nothing_measured = {"unit": "", "measured": None, "limit": None}
    nowhere = {"station": "", "work_order": "", "task_id": ""}
    result = make_result(
        [
            finding(1, level="1", rule="preservative-on-wrong-material", station="Gullspool", **nothing_measured),
            finding(2, work_order="W-1", aircraft="TARN-001", position="fin"),
            finding(3, work_order="W-1", aircraft="TARN-001"),
            finding(4, level="observation", rule="ice-adhesion-treatment-overdue", **nowhere),
            hostile_finding(5),
        ]
    )
    files = contents(result, [name for name in FILES if name not in ("html", "xlsx")])
    everything = contents(result, FILES)
    kept = {name: everything[name] for name in everything if name not in (*NOT_KEPT, "summary.json", "worklist.xlsx")}
    kept["summary.json"] = files["summary.json"]  # of these alone: the page's hash changes with every touch
    kept["worklist.xlsx.txt"] = "\n".join(_cells(everything["worklist.xlsx"])).encode() + b"\n"
    kept["summary.txt"] = summarise(result, Path("report.html"), Path("worklist.xlsx")).encode()
    return kept


def messages(result: AuditResult) -> bytes:
    """Every sentence of every rule on the sample records, with its figures and what to do: to be read aloud."""
    lines = ["# What every rule says on the sample records", "", "Made by `make golden`, to be read aloud."]
    found = result.findings
    for rule in sorted(result.rules, key=lambda rule: rule.id):
        its = found[found["rule"] == rule.id]
        lines += [
            "",
            f"## {rule.id}",
            "",
            f"{rule.title}.",
            "",
            "| what is wrong | measured | limit |",
            "|---|---|---|",
        ]
        rows = zip(its["message"], its["measured"], its["limit"], its["unit"], strict=True)
        lines += dict.fromkeys(
            f"| {said} | {_figure(one, unit)} | {_figure(two, unit)} |" for said, one, two, unit in rows
        )
        for warning in its["warning"].drop_duplicates():
            lines += ["", f"Warning: {warning or 'none.'}"]
        lines += ["", f"Corrective action: {rule.put_right}"]
    return ("\n".join(lines) + "\n").encode()


def _figure(value: float, unit: str) -> str:
    return "" if math.isnan(value) else f"{value:,.2f}".rstrip("0").rstrip(".") + f" {unit}"


def _cells(workbook: bytes) -> Iterator[str]:
    book = openpyxl.load_workbook(io.BytesIO(workbook))
    yield f"created {book.properties.created}"
    for sheet in book.worksheets:
        yield f"# {sheet.title}: {sheet.sheet_state}, frozen at {sheet.freeze_panes}, filter {sheet.auto_filter.ref}"
        for rule in sheet.data_validations.dataValidation:
            yield f"{rule.sqref} {rule.type} {rule.formula1}"
        for row in sheet.iter_rows():
            for cell in row:
                if cell.value is not None:
                    yield f"{cell.coordinate} {cell.value}"


def main(arguments: list[str]) -> int:
    """Write the files, or only say which are out of date."""
    if arguments not in ([], ["--write"]):
        print("usage: python -m tests.golden_files [--write]", file=sys.stderr)
        return 2
    made = golden_files()
    made[MESSAGES] = messages(traced_audit(sample_folder(), AuditOptions(settings=(sample_settings(),))).result)
    there = {path.name: path.read_bytes() for path in FOLDER.iterdir()} if FOLDER.is_dir() else {}
    stale = sorted(name for name in made.keys() | there.keys() if made.get(name) != there.get(name))
    for name in stale:
        if arguments:
            FOLDER.mkdir(exist_ok=True)
            if name in made:
                (FOLDER / name).write_bytes(made[name])
            else:
                (FOLDER / name).unlink()
        print(f"{name} {'written' if arguments else 'is out of date: make golden'}")
    return 1 if stale and not arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
