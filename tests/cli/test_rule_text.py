"""The text of a rule, to its last word, wherever it is said: of a long one the end is often what must not be done."""

from __future__ import annotations

import base64
import gzip
import html
import json
import re
from pathlib import Path

import openpyxl
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode

LONG = "word " * 900
TEXTS = {name: f"{name} begins, {LONG}and {name} ends here" for name in ("title", "why", "put_right", "message")}
RULE = f"""\
id: long-text
title: {TEXTS["title"]}
form: record
level: 2
basis: [{{source: 'common practice, no source'}}]
message: {{finding: '{{description}}: {TEXTS["message"]}'}}
why: {TEXTS["why"]}.
put_right: {TEXTS["put_right"]}.
scope: {{product: {{present: true}}}}
require: {{description: {{in: [washed]}}}}
examples:
  - name: washed
    expect: complies
    tasks: [{{product: cleaner, description: washed, started_at: '2025-06-02T09:00:00Z'}}]
  - name: nothing said
    expect: finding
    tasks: [{{product: cleaner, started_at: '2025-06-02T09:00:00Z'}}]
"""
SAID_IN = {
    "report.html": {*TEXTS},
    "worklist.html": {"title", "put_right", "message"},
    "worklist.xlsx": {"title", "put_right", "message"},
    "findings.csv": {"put_right", "message"},
    "findings.json": {"put_right", "message"},
    "findings.sarif": {*TEXTS},
    "junit.xml": {"title", "message"},
    "summary.md": {"title", "message"},
    "codequality.json": {"message"},
}


def told(path: Path) -> str:
    """What a file says, as people read it."""
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        return "\n".join(
            str(cell) for sheet in book.worksheets for row in sheet.iter_rows(values_only=True) for cell in row
        )
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".json" or path.suffix == ".sarif":
        return json.dumps(json.loads(text), ensure_ascii=False)
    packed = [gzip.decompress(base64.b64decode(each)).decode() for each in re.findall(r">\s*(H4sI[^<]+)<", text)]
    return html.unescape("\n".join([text, *packed]))


@pytest.mark.parametrize("said", ["polished", "polished " * 2_000])
def test_text_of_a_rule_is_never_cut(said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In every file and by `explain`; a value of the records that stands before the rule's words is what is cut."""
    export, rules, out = tmp_path / "export", tmp_path / "rules", tmp_path / "out"
    export.mkdir()
    rules.mkdir()
    (rules / "long-text.yaml").write_text(RULE, encoding="utf-8")
    (export / "tasks.csv").write_text(
        "task_id,work_order,aircraft,action,station,started_at,finished_at,product,description\n"
        f"T1,W1,TARN-TEAL,apply,Gullspool,2026-01-10T09:00Z,2026-01-10T10:00Z,Black,{said}\n",
        encoding="utf-8",
    )
    (export / "stations.csv").write_text("station,timezone\nGullspool,Europe/Berlin\n", encoding="utf-8")
    arguments = ["check", str(export), "--rules", str(rules), "--out", str(out), "--skip-health"]
    arguments += ["--write", "csv,json,html,xlsx,sarif,junit,md,codequality"]
    assert run(arguments) == ExitCode.FINDINGS
    capsys.readouterr()
    missing = [
        (name, of)
        for name, texts in SAID_IN.items()
        for of in sorted(texts)
        if " ".join(TEXTS[of].split()) not in " ".join(told(out / name).split())
    ]
    assert missing == []
    assert all(len(told(out / name)) < 200_000 for name in SAID_IN if name != "report.html")
    assert run(["explain", "long-text", "--rules", str(rules)]) == ExitCode.CLEAN
    explained = " ".join(capsys.readouterr().out.split())
    assert [of for of in TEXTS if " ".join(TEXTS[of].split()) not in explained] == []
