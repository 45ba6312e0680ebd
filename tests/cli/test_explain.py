"""`explain`: the text of a rule on stdout, one sentence where there is no such rule."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder

SHIPPED = {rule.id: rule for rule in load_rules(rules_folder()).rules}


def test_a_rule_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """Every part of the explanation is there, under its heading, in lines that fit a terminal."""
    assert run(["explain", "flight-before-cure"]) == ExitCode.CLEAN
    text = capsys.readouterr().out
    headings = [line for line in text.splitlines() if line.isupper() and not line.startswith(" ")]
    assert headings == [
        "WHAT IT CHECKS",
        "WHY IT MATTERS",
        "SOURCES",
        "AN EXAMPLE THAT COMPLIES",
        "AN EXAMPLE THAT IS A FINDING",
        "WHAT A FINDING SAYS",
        "WARNING, BEFORE ANYTHING ELSE",
        "CORRECTIVE ACTION, NEVER BY ALTERING A RECORD",
        "LATER RECORDS THAT SHOW THAT IT WAS DONE",
        "WHAT LEAVES IT UNJUDGED",
    ]
    assert max(map(len, text.splitlines())) <= 100
    assert "\x1b" not in text


@pytest.mark.parametrize(("columns", "width"), [("40", 80), ("90", 90), ("300", 100)])
def test_the_text_fits_the_terminal(
    columns: str, width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As wide as the terminal, but never narrower than 80 columns nor wider than 100, with nothing lost."""
    monkeypatch.setenv("COLUMNS", columns)
    assert run(["explain", "product-before-cure"]) == ExitCode.CLEAN
    text = capsys.readouterr().out
    assert width - 12 < max(map(len, text.splitlines())) <= width
    assert " ".join(SHIPPED["product-before-cure"].why.split()) in " ".join(text.split())


def test_an_unknown_rule_is_an_error_with_the_likely_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2 and one sentence; a folder of rules of one's own is named in it."""
    assert run(["explain", "flight-befor-cure"]) == ExitCode.COULD_NOT_RUN
    assert capsys.readouterr().err == (
        "deicer-audit: there is no rule 'flight-befor-cure' (did you mean flight-before-cure?)\n"
    )
    [file] = rules_folder().rglob("product-before-cure.yaml")
    (tmp_path / file.name).write_bytes(file.read_bytes())
    assert run(["explain", "flight-before-cure", "--rules", str(tmp_path)]) == ExitCode.COULD_NOT_RUN
    assert f"in {tmp_path}" in capsys.readouterr().err
    assert run(["explain", "product-before-cure", "--rules", str(tmp_path)]) == ExitCode.CLEAN


def test_settings_are_explained_with_the_rule(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The rule is told as it is set, and by whom each value was set instead of what."""
    settings = tmp_path / "settings.yaml"
    settings.write_text(
        "set_by: operator\nsource: Programme 7\nrules: {flight-before-cure: {for: PT36H}}\n", encoding="utf-8"
    )
    assert run(["explain", "flight-before-cure", "--settings", str(settings)]) == ExitCode.CLEAN
    text = " ".join(capsys.readouterr().out.split())
    assert "within 36 hours of the session's end" in text
    assert "for is PT36H, set by operator: Programme 7, instead of PT24H (rule file)" in text
    assert run(["explain", "product-before-cure", "--settings", str(settings)]) == ExitCode.CLEAN
    assert "SETTINGS" not in capsys.readouterr().out
