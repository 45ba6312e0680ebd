"""Whole outputs of a small invented result, kept in tests/golden: `make golden` writes them.

`python -m tests.golden_files` says which are out of date and exits with 1 if one is; with `--write` it writes them. A
workbook is kept as the text of its cells, since how its parts are packed depends on the machine's zlib.
"""

from __future__ import annotations

import io
import math
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import openpyxl

from audit.figures import figure
from audit.forms import form_of
from audit.forms.judging import judge_rule, sentences
from audit.language.rule import Rule
from audit.options import AuditOptions
from audit.pipeline import Audited, traced_audit
from audit.report.files import contents
from audit.report.formats import FILES
from audit.report.summary import summarise
from audit.shipped import sample_folder, sample_settings
from audit.timeline.timeline import Timeline
from tests.report.conftest import finding, hostile_finding, make_result
from tests.shapes import shapes

FOLDER = Path(__file__).parent / "golden"
MESSAGES = "messages.md"
"""What the rules say on the sample records, which takes a whole audit."""
SHAPES = "shapes.md"
"""What rules of many shapes say, and what a drill plants for them."""
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


def messages(audited: Audited) -> bytes:
    """Every sentence of every rule on the sample records, with its figures and what to do: to be read aloud."""
    result = audited.result
    lines = ["# What every rule says on the sample records", "", "Made by `make golden`, to be read aloud."]
    for rule in sorted(result.rules, key=lambda rule: rule.id):
        its = result.findings[result.findings["rule"] == rule.id]
        lines += [
            "",
            f"## {rule.id}",
            "",
            f"{rule.title}.",
            "",
            "| what is wrong | measured | limit |",
            "|---|---|---|",
        ]
        told = _told(rule, audited.timeline)
        rows = zip(its["message"], its["measured"], its["limit"], its["unit"], strict=True)
        lines += dict.fromkeys(
            f"| {said} | {_figure(one, unit) or _of(said, told, 0)} | {_figure(two, unit) or _of(said, told, 1)} |"
            for said, one, two, unit in rows
        )
        for warning in its["warning"].drop_duplicates():
            lines += ["", f"Warning: {warning or 'none.'}"]
        lines += ["", f"Corrective action: {rule.put_right}"]
        reasons = result.unjudged.loc[result.unjudged["rule"] == rule.id, "reason"].drop_duplicates().sort_values()
        lines += ["", f"Not judged: {'; '.join(reasons)}."] if len(reasons) else []
    return ("\n".join(lines) + "\n").encode()


def _told(rule: Rule, timeline: Timeline) -> dict[str, tuple[str, str]]:
    """What was measured and the limit as the sentences have them, by the sentence."""
    cases = judge_rule(rule, timeline).cases
    found = cases[cases["finding"]].reset_index(drop=True)
    form = form_of(rule)
    facts = form.facts(rule, found, timeline)
    told = {}
    for row, said in zip(zip(*facts.values(), strict=True), sentences(rule, found, timeline), strict=True):
        parts = list(form.told(rule, dict(zip(facts, row, strict=True))))
        values = [[str(part.values.get(name, "")) for part in parts] for name in ("measured", "limit")]
        told[said] = ("; ".join(filter(None, values[0])), "; ".join(filter(None, values[1])))
    return told


def _of(said: str, told: Mapping[str, tuple[str, str]], place: int) -> str:
    """A figure of the sentence with which a message begins; none where it was put right by a correction."""
    return next((figures[place] for sentence, figures in told.items() if said.startswith(sentence)), "")


def _figure(value: float, unit: str) -> str:
    return "" if math.isnan(value) else f"{figure(value)} {unit[:-1] if value == 1 and unit.endswith('s') else unit}"


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
    made[MESSAGES] = messages(traced_audit(sample_folder(), AuditOptions(settings=(sample_settings(),))))
    made[SHAPES] = shapes().encode()
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
