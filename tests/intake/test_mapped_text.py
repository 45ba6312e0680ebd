"""Text of a foreign export that could mislead or be run is text: shown harmlessly, wherever it comes out."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.cli import run
from tests.intake.test_mapping import HEADER, ROW, tasks

NASTY = ("=cmd|' /C calc'!A0", "\u202etxt.exe", "<script>alert(1)</script>", "\x1b[2Jgone")


@pytest.mark.parametrize("text", NASTY)
def test_nasty_cells(tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A cell that is refused stands in the quarantine with a formula disarmed, and in the report without power."""
    export, out = tmp_path / "export", tmp_path / "out"
    export.mkdir()
    (export / "work.csv").write_text(
        f"{HEADER}\n{ROW}\n{ROW.replace('1,', '2,', 1).replace('apply', text)}\n", encoding="utf-8"
    )
    (tmp_path / "mapping.yaml").write_text(tasks("action: {column: Action, values: {apply: apply}}"), encoding="utf-8")
    run(["check", str(export), "--mapping", str(tmp_path / "mapping.yaml"), "--out", str(out), "--skip-health"])
    said = capsys.readouterr()
    assert text not in said.out + said.err
    line = (out / "quarantine.csv").read_text(encoding="utf-8").splitlines()[1]
    assert ",'=cmd" in line or text in line
    page = (out / "report.html").read_text(encoding="utf-8")
    assert text not in page
    assert "not one of the values that the mapping translates" in page


@pytest.mark.parametrize("text", NASTY)
def test_nasty_names(tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Names of files, columns and mapping keys reach the terminal without their power too."""
    export = tmp_path / "export"
    export.mkdir()
    (export / "work.csv").write_text(f'"{text}",{HEADER}\nx,{ROW}\n', encoding="utf-8")
    (tmp_path / "mapping.yaml").write_text(tasks("task_id: Nummer"), encoding="utf-8")
    run(["check", str(export), "--mapping", str(tmp_path / "mapping.yaml"), "--out", str(tmp_path / "out")])
    run(["map", str(export), "--out", str(tmp_path / "draft.yaml")])
    said = capsys.readouterr()
    assert "\u202e" not in said.out + said.err + (tmp_path / "draft.yaml").read_text(encoding="utf-8")
    assert "\x1b" not in said.out + said.err + (tmp_path / "draft.yaml").read_text(encoding="utf-8")
