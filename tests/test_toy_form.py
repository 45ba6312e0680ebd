"""A new form is a module and one line: everything else learns of it from the list of forms."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import jsonschema
import pytest

from audit.authoring.editor_schema import editor_schema, settings_schema
from audit.cli import run
from audit.exit_codes import ExitCode
from audit.forms import FORMS
from audit.rulebook.loading import load_rules
from audit.yaml.source import read_source
from tests.generated_docs import catalogue_page, form_table, identity_table
from tests.toy_form import FORGETFUL, MENTION

TASKS = """\
task_id,work_order,aircraft,action,station,started_at,finished_at,position,product,remarks
T1,W1,A1,apply,S1,2025-06-02T09:00:00Z,2025-06-02T09:10:00Z,left wing,G,edges masked
T2,W2,A1,apply,S1,2025-06-03T09:00:00Z,2025-06-03T09:10:00Z,left wing,G,edges cleaned
T3,W3,A1,apply,S1,2025-06-04T09:00:00Z,2025-06-04T09:10:00Z,left wing,G,
"""
PRODUCTS = "product,product_class,approval\nG,gloss-coating,approved\n"


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one line."""
    monkeypatch.setitem(FORMS, "mention", MENTION)  # type: ignore[arg-type]


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    """A rule of the toy form, as `rules new` writes it, filled in."""
    folder = tmp_path / "rules"
    assert run(["rules", "new", "edges-not-masked", "--form", "mention", "--pack", str(folder)]) == ExitCode.CLEAN
    path = folder / "edges-not-masked.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("FILL IN", "the shop"), encoding="utf-8")
    return folder


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """One record that complies, one finding, one unjudged."""
    folder = tmp_path / "export"
    folder.mkdir()
    (folder / "tasks.csv").write_text(TASKS, encoding="utf-8")
    (folder / "products.csv").write_text(PRODUCTS, encoding="utf-8")
    return folder


def check(export: Path, rules: Path, out: Path, *more: str) -> int:
    return run(["check", str(export), "--rules", str(rules), "--out", str(out), "--skip-health", "--quiet", *more])


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_check_judges_by_it(export: Path, rules: Path, tmp_path: Path) -> None:
    """Its outcomes are counted, its sentence is told, and the free text that it reads is read for it."""
    assert check(export, rules, tmp_path / "out", "--write", "csv,html,json,xlsx,sarif,junit,md") == ExitCode.FINDINGS
    [found] = rows(tmp_path / "out/findings.csv")
    assert (found["task_id"], found["message"]) == ("T2", "The remarks (edges cleaned) don't say masked.")
    [unjudged] = rows(tmp_path / "out/unjudged.csv")
    assert (unjudged["task_id"], unjudged["reason"]) == ("T3", "value missing: remarks")
    [coverage] = rows(tmp_path / "out/coverage.csv")
    assert [coverage[name] for name in ("in_scope", "complies", "findings", "unjudged")] == ["3", "1", "1", "1"]


def test_a_form_that_forgets_a_column_stops_the_audit(
    export: Path, rules: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read as blank it would make a finding, or a doubt, of every record: it is an internal error."""
    monkeypatch.setitem(FORMS, "mention", FORGETFUL)  # type: ignore[arg-type]
    assert check(export, rules, tmp_path / "out") == ExitCode.INTERNAL_ERROR
    assert "remarks was requested and had not been read" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_so_does_it_in_the_examples_of_a_rule_that_carry_the_column(
    rules: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What another rule declares, or an example gives, doesn't hide it."""
    monkeypatch.setitem(FORMS, "mention", FORGETFUL)  # type: ignore[arg-type]
    assert run(["rules", "test", str(rules)]) == ExitCode.INTERNAL_ERROR
    assert "remarks was requested and had not been read" in capsys.readouterr().err


def test_its_examples_run_and_it_lints_clean(rules: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The skeleton is a rule of the form, with an example of each outcome."""
    assert run(["rules", "test", str(rules)]) == ExitCode.CLEAN
    assert "3 examples, 0 failed" in capsys.readouterr().out
    assert run(["rules", "lint", str(rules)]) == ExitCode.CLEAN


def test_lint_says_what_it_can_never_find(rules: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the form calls idle is told on its line."""
    path = rules / "edges-not-masked.yaml"
    text = path.read_text(encoding="utf-8").replace("word: masked", "word: of")
    path.write_text(text, encoding="utf-8")
    assert run(["rules", "lint", str(rules)]) == ExitCode.FINDINGS
    line = text.splitlines().index("word: of") + 1
    assert f"edges-not-masked.yaml:{line}: every remark has a space in it" in capsys.readouterr().out


def test_explain_describes_it(rules: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a rule looks at, demands and leaves unjudged is said in the form's words."""
    assert run(["explain", "edges-not-masked", "--rules", str(rules)]) == ExitCode.CLEAN
    text = " ".join(capsys.readouterr().out.split())
    assert "Each closed task record where action is apply and product class is gloss-coating." in text
    assert "the remarks say masked" in text
    assert "the remarks are not recorded" in text


def test_settings_set_its_keys(export: Path, rules: Path, tmp_path: Path) -> None:
    """A key that the form lets settings set is set; the schema of settings files knows it."""
    settings = tmp_path / "settings.yaml"
    settings.write_text(
        "set_by: operator\nsource: a test\nrules: {edges-not-masked: {word: cleaned}}\n", encoding="utf-8"
    )
    check(export, rules, tmp_path / "out", "--settings", str(settings))
    assert [row["task_id"] for row in rows(tmp_path / "out/findings.csv")] == ["T1"]
    assert "word" in json.loads(settings_schema())["$defs"]["RuleSettings"]["properties"]


def test_the_schema_knows_it(rules: Path) -> None:
    """An editor accepts its rule, and marks a key that it doesn't have."""
    schema = json.loads(editor_schema())
    data = read_source((rules / "edges-not-masked.yaml").read_bytes(), "rule").data
    jsonschema.validate(data, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**data, "wrod": "masked"}, schema)


def test_the_command_line_offers_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Whoever asks for a form that there isn't is told of it."""
    run(["rules", "new", "a-fault", "--form", "none", "--pack", str(tmp_path)])
    assert "overlap, mention" in " ".join(capsys.readouterr().err.split())


def test_the_docs_have_it(rules: Path) -> None:
    """The table of forms lists it, and the catalogue has a rule of it."""
    assert "| `mention` | the remarks of a record in scope lack a word | task record |" in form_table()
    assert "| `mention` | task record |" in identity_table()
    assert "Form: `mention`" in catalogue_page("toys", load_rules(rules).rules)
