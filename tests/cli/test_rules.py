"""`rules new` and `rules lint`: what they write, say and leave alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from audit.authoring.linting import lint
from audit.authoring.running import run_examples
from audit.cli import run
from audit.exit_codes import ExitCode
from audit.forms import FORMS
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder, sample_folder


@pytest.mark.parametrize("form", FORMS)
def test_a_new_rule_loads_and_its_examples_hold(form: str, tmp_path: Path) -> None:
    """As it is written: each outcome is shown, and each example is judged as it says."""
    assert run(["rules", "new", "a-fault", "--form", form, "--pack", str(tmp_path)]) == ExitCode.CLEAN
    [rule] = load_rules(tmp_path).rules
    assert (rule.id, rule.form) == ("a-fault", form)
    results = list(run_examples([rule]))
    assert all(result.passed for result in results)
    assert {result.got for result in results} >= {"complies", "finding", "unjudged"}


@pytest.mark.parametrize("form", FORMS)
def test_lint_asks_for_the_blanks_and_for_nothing_else(form: str, tmp_path: Path) -> None:
    """Every blank is told on its line; once they are filled in, no fault is left."""
    run(["rules", "new", "a-fault", "--form", form, "--pack", str(tmp_path)])
    path = tmp_path / "a-fault.yaml"
    text = path.read_text(encoding="utf-8")
    assert {found.message for found in lint(tmp_path)} == {"still to be filled in (FILL IN)"}
    assert len(lint(tmp_path)) == text.count("FILL IN")
    path.write_text(text.replace("FILL IN", "the shop"), encoding="utf-8")
    assert lint(tmp_path) == []


def test_a_form_that_is_none_is_answered_with_those_there_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence names them all, and nothing is written."""
    folder = tmp_path / "mine"
    assert run(["rules", "new", "a-fault", "--form", "hodl", "--pack", str(folder)]) == ExitCode.COULD_NOT_RUN
    assert "there are record, hold, order" in " ".join(capsys.readouterr().err.split())
    assert not folder.exists()


def test_next_steps_are_told_and_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step names a command that runs as it stands; nothing is on stdout."""
    monkeypatch.chdir(tmp_path)
    assert run(["rules", "new", "a-fault", "--pack", "mine"]) == ExitCode.CLEAN
    told = capsys.readouterr()
    assert told.out == ""
    steps = [line.partition("deicer-audit ")[2].split() for line in told.err.splitlines() if "deicer-audit" in line]
    assert [run(step) for step in steps] == [ExitCode.CLEAN, ExitCode.FINDINGS, ExitCode.CLEAN]


def test_an_editor_finds_the_schema_where_there_is_one(tmp_path: Path) -> None:
    """Beside a copy of the rules the new file names their schema; elsewhere it names none."""
    run(["rules", "copy", str(tmp_path / "rules")])
    run(["rules", "new", "a-fault", "--pack", str(tmp_path / "rules/deicer-care")])
    text = (tmp_path / "rules/deicer-care/a-fault.yaml").read_text(encoding="utf-8")
    assert text.startswith("# yaml-language-server: $schema=../rule.schema.json\nid: a-fault\n")
    run(["rules", "new", "a-fault", "--pack", str(tmp_path / "elsewhere")])
    assert (tmp_path / "elsewhere/a-fault.yaml").read_text(encoding="utf-8").startswith("id: a-fault\n")


@pytest.mark.parametrize("rule_id", ["check-cure", "A fault", "../a-fault", ""])
def test_an_id_that_no_rule_can_have_is_refused(
    rule_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence, and nothing is written."""
    assert run(["rules", "new", rule_id, "--pack", str(tmp_path / "mine")]) == ExitCode.COULD_NOT_RUN
    assert capsys.readouterr().err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_new_rule_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of that name stays as it is; a folder that can't be made is one sentence too."""
    (tmp_path / "a-fault.yaml").write_text("mine", encoding="utf-8")
    assert run(["rules", "new", "a-fault", "--pack", str(tmp_path)]) == ExitCode.COULD_NOT_RUN
    assert "is there already: nothing was written" in capsys.readouterr().err
    assert (tmp_path / "a-fault.yaml").read_text(encoding="utf-8") == "mine"
    assert run(["rules", "new", "b", "--pack", str(tmp_path / "a-fault.yaml")]) == ExitCode.COULD_NOT_RUN
    assert "can't be written" in capsys.readouterr().err


def test_a_new_rule_has_an_id_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A pack beside, or a folder of the pack, that has the id would not load with it; what is elsewhere may."""
    run(["rules", "copy", str(tmp_path / "rules")])
    new = ["rules", "new", "flight-before-cure", "--pack"]
    capsys.readouterr()
    for pack in ("rules/own", "rules"):
        assert run([*new, str(tmp_path / pack)]) == ExitCode.COULD_NOT_RUN
        assert "the id flight-before-cure is taken by" in capsys.readouterr().err
        assert not (tmp_path / pack / "flight-before-cure.yaml").exists()
    assert run([*new, str(tmp_path / "elsewhere")]) == ExitCode.CLEAN


def test_lint_names_file_and_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each fault on stdout as an editor reads it, how many on stderr, exit code 1; none, exit code 0."""
    [file] = rules_folder().rglob("product-before-cure.yaml")
    text = file.read_text(encoding="utf-8")
    (tmp_path / file.name).write_text(text, encoding="utf-8")
    assert run(["rules", "lint", str(tmp_path)]) == ExitCode.CLEAN
    assert capsys.readouterr() == ("", "No faults found.\n")
    (tmp_path / file.name).write_text(text.replace("title: ", "title: Check for "), encoding="utf-8")
    assert run(["rules", "lint", str(tmp_path)]) == ExitCode.FINDINGS
    told = capsys.readouterr()
    line = text.splitlines().index(next(line for line in text.splitlines() if line.startswith("title"))) + 1
    assert told.out.startswith(f"{tmp_path / file.name}:{line}: the title names the fault, not the cure")
    assert told.err == "1 fault found.\n"


def test_rules_that_do_not_load_are_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A bad rule file is exit code 2, as everywhere."""
    (tmp_path / "a-fault.yaml").write_text("id: a-fault\n", encoding="utf-8")
    assert run(["rules", "lint", str(tmp_path)]) == ExitCode.COULD_NOT_RUN
    assert "no form is given" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new"), [("started_at: '2025-", "started_at: '2025-1"), ("product: cleaner", "coat: two")]
)
def test_an_example_that_is_set_aside_is_told(
    old: str, new: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A cell of an example that can't be read is named, and is not a verdict of the rule."""
    [file] = rules_folder().rglob("product-before-cure.yaml")
    text = file.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / file.name).write_text(text.replace(old, new, 1), encoding="utf-8")
    assert run(["rules", "test", str(tmp_path)]) == ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert "product-before-cure, example '" in told
    assert f"tasks[0].{new.partition(':')[0]}" in told or f"tasks[1].{new.partition(':')[0]}" in told


def test_no_audit_by_a_rule_with_blanks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check` refuses what `rules new` has written, one sentence with file and places; filled in, it is used."""
    for name in ("a-fault", "another"):
        run(["rules", "new", name, "--pack", str(tmp_path / "mine")])
    capsys.readouterr()
    check = ["check", str(sample_folder()), "--rules", str(tmp_path / "mine"), "--out", str(tmp_path / "out"), "-q"]
    check += ["--skip-health", "--write", "json"]
    assert run(check) == ExitCode.COULD_NOT_RUN
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "FILL IN stands in a-fault.yaml at $.title, $.basis[0].note, $.why" in told
    assert "; another.yaml at $.title" in told
    assert not (tmp_path / "out").exists()
    for path in (tmp_path / "mine").iterdir():
        path.write_text(path.read_text(encoding="utf-8").replace("FILL IN", "the shop"), encoding="utf-8")
    assert run(check) in (ExitCode.CLEAN, ExitCode.FINDINGS)
