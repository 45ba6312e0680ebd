"""The command line: exit codes, where text goes, and that nobody ever sees a traceback."""

from __future__ import annotations

import importlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, get_args

import pytest

from audit import __version__
from audit.cli import TRACEBACK, run
from audit.cli.check import FailOn
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.health.judge import HealthJudge
from audit.intake.location import Location
from audit.language.rule import LEVELS
from audit.options import AuditOptions
from audit.shipped import rules_folder
from tests.report.conftest import finding, make_result


@dataclass
class Pipeline:
    """A stand-in for the pipeline: returns `result`, or fails with `error`; remembers what it was asked."""

    result: Any = None
    error: BaseException | None = None
    export: Location | None = None
    options: AuditOptions | None = None
    health: HealthJudge | None = None

    def traced_audit(
        self,
        export: Location,
        options: AuditOptions,
        progress: Callable[[str], None],
        health: HealthJudge | None = None,
        register: Any = None,
    ) -> Any:
        """Answer as the pipeline would."""
        self.export, self.options, self.health = export, options, health
        progress("judging")
        if self.error is not None:
            raise self.error
        return SimpleNamespace(result=self.result, with_health=lambda: self.result)


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Pipeline:
    """Put the stand-in in the pipeline's place, in an empty working directory."""
    stand_in = Pipeline(make_result())
    module = ModuleType("audit.pipeline")
    module.traced_audit = stand_in.traced_audit  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "audit.pipeline", module)
    monkeypatch.chdir(tmp_path)
    return stand_in


def said(capsys: pytest.CaptureFixture[str]) -> str:
    """Return what went to stderr; nothing may go to stdout unasked."""
    captured = capsys.readouterr()
    assert captured.out == ""
    return captured.err


def one_sentence(capsys: pytest.CaptureFixture[str]) -> str:
    """Return the one line on stderr."""
    text = said(capsys)
    assert text.startswith("deicer-audit: ")
    assert text.count("\n") == 1
    return text


@pytest.mark.parametrize(
    ("levels", "fail_on", "code"),
    [
        ([], "observation", ExitCode.CLEAN),
        (["observation"], None, ExitCode.FINDINGS),
        (["observation"], "2", ExitCode.CLEAN),
        (["2"], "2", ExitCode.FINDINGS),
        (["2", "observation"], "1", ExitCode.CLEAN),
        (["1"], "1", ExitCode.FINDINGS),
        (["1"], "2", ExitCode.FINDINGS),
        (["1"], "never", ExitCode.CLEAN),
    ],
)
def test_exit_code_says_whether_a_level_was_reached(
    pipeline: Pipeline, levels: list[str], fail_on: str | None, code: ExitCode
) -> None:
    """Findings at or above the level give 1, others 0; the default is any finding."""
    pipeline.result = make_result([finding(n, level=level) for n, level in enumerate(levels)])
    arguments = ["check", "export"] + (["--fail-on", fail_on] if fail_on else [])
    assert run(arguments) == code
    assert json.loads(Path("deicer-audit-report/summary.json").read_bytes())["findings"] == len(levels)


def test_levels_to_fail_on_are_the_levels_there_are() -> None:
    """Every level of the rule models can be asked for, most serious first, and `never`."""
    assert get_args(FailOn) == (*LEVELS, "never")


@pytest.mark.parametrize("fail_on", ["observation", "never"])
def test_nothing_judged_is_never_clean(pipeline: Pipeline, fail_on: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Where nothing could be judged the code is 3, whatever the level, and the report is written."""
    coverage = make_result([]).coverage.assign(complies=0, findings=0)
    pipeline.result = make_result([], coverage=coverage)
    assert run(["check", "export", "--fail-on", fail_on]) == ExitCode.NOTHING_JUDGED
    assert "NOTHING COULD BE JUDGED" in said(capsys)
    assert Path("deicer-audit-report/report.html").exists()


def test_options_reach_the_pipeline(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """Rules, settings in their order, mapping, folder and as-of time are handed on; a naive time is UTC."""
    settings = ["--settings", "theirs.yaml", "--settings", "ours.yaml", "--mapping", "map.yaml"]
    arguments = ["check", "export", "--rules", "mine", *settings, "--out", "a/b", "--quiet", "--as-of"]
    assert run([*arguments, "2026-01-05T10:00+02:00"]) == ExitCode.FINDINGS
    assert pipeline.export == Path("export")
    assert pipeline.options == AuditOptions(
        rules=Path("mine"),
        as_of=datetime(2026, 1, 5, 8, tzinfo=UTC),
        settings=(Path("theirs.yaml"), Path("ours.yaml")),
        mapping=Path("map.yaml"),
        ahead=True,
    )
    assert said(capsys) == ""
    assert Path("a/b/report.html").exists()
    assert run([*arguments, "2026-01-05T10:00"]) == ExitCode.FINDINGS
    assert pipeline.options.as_of == datetime(2026, 1, 5, 10, tzinfo=UTC)


def test_the_formats_that_are_written(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """`--write` chooses the files, those of an earlier run in other formats go, and the exit code stays what it was."""
    for formats, files in (
        ("csv,json,html", {"report.html", "findings.json", "findings.csv"}),
        ("sarif,md", {"findings.sarif", "summary.md"}),
        ("junit", {"junit.xml"}),
    ):
        assert run(["check", "export", "--write", formats]) == ExitCode.FINDINGS
        there = {path.name for path in Path("deicer-audit-report").iterdir()}
        assert there - {"unjudged.csv", "coverage.csv", "quarantine.csv"} >= files | {"summary.json"}
        assert there.isdisjoint({"report.html", "findings.csv", "findings.sarif", "junit.xml"} - files)
        assert pipeline.options is not None
        assert pipeline.options.locate == ("sarif" in formats)
    assert str(Path("deicer-audit-report")) in said(capsys).splitlines()[-1]


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["check", "x", "--write", "html,pdf"], "'pdf' is not a format; there are csv, json"),
        (["check", "x", "--write", ""], "'' is not a format"),
        ([], "Missing command"),
        (["check"], "EXPORT"),
        (["chek", "x"], "chek"),
        (["check", "x", "y"], "y"),
        (["check", "x", "--frob"], "--frob"),
        (["check", "x", "--fail-on", "3"], "'3'"),
        (["check", "x", "--as-of", "yesterday"], "'yesterday'"),
        (["check", "x", "--as-of", "2026-01-05"], "date and time of day"),
        (["check", "x", "--as-of", "0001-01-01T00:00+10:00"], "'0001-01-01T00:00+10:00'"),
        (["check", "x", "--out", "taken"], "taken is a file"),
        (["check", "x", "--out", "taken/report"], "taken is a file"),
        (["check", "x", "--out", "x"], "the export itself"),
        (["check", "x", "--out", "../here/./x"], "the export itself"),
        (["rules", "copy"], "DIR"),
    ],
)
def test_bad_arguments_are_one_sentence(
    pipeline: Pipeline,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    expected: str,
) -> None:
    """Arguments that can't be meant give 2 and a sentence naming them, before anything is read."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    Path("taken").write_text("mine", encoding="utf-8")
    assert run(arguments) == ExitCode.COULD_NOT_RUN
    assert expected in one_sentence(capsys)
    assert pipeline.options is None
    assert Path("taken").read_text(encoding="utf-8") == "mine"


def test_an_audit_that_can_not_run(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """An AuditError is 2 and its sentence, hidden characters spelled out; the earlier report stays."""
    assert run(["check", "export"]) == ExitCode.FINDINGS
    earlier = {path.name: path.read_bytes() for path in Path("deicer-audit-report").iterdir()}
    said(capsys)
    pipeline.error = AuditError("tasks.csv, line 7: no column 'a\x1b[2Jb\nc'.")
    assert run(["check", "export"]) == ExitCode.COULD_NOT_RUN
    assert one_sentence(capsys) == ("deicer-audit: tasks.csv, line 7: no column 'a[U+001B][2Jb c'.\n")
    assert earlier == {path.name: path.read_bytes() for path in Path("deicer-audit-report").iterdir()}


def test_each_fault_has_a_line(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """What stops an audit in several places is a list; a line break inside a sentence still makes no line."""
    pipeline.error = AuditError("a.yaml, line 2: no\nsuch form.", "b.yaml: no title.")
    assert run(["check", "export"]) == ExitCode.COULD_NOT_RUN
    assert said(capsys).splitlines() == [
        "deicer-audit: a.yaml, line 2: no such form.",
        "deicer-audit: b.yaml: no title.",
    ]


def test_a_defect_is_told_apart(
    pipeline: Pipeline, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Any other exception is 4: one sentence by default, the traceback for those who ask."""
    pipeline.error = KeyError("work_order")
    monkeypatch.delenv(TRACEBACK, raising=False)
    assert run(["check", "export"]) == ExitCode.INTERNAL_ERROR
    assert "internal error, KeyError: 'work_order'" in one_sentence(capsys)
    assert not Path("deicer-audit-report").exists()
    monkeypatch.setenv(TRACEBACK, "1")
    assert run(["check", "export"]) == ExitCode.INTERNAL_ERROR
    assert "Traceback" in said(capsys)


def test_ctrl_c_is_no_verdict(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """An interrupted audit has an exit code of its own, and nothing is written."""
    pipeline.error = KeyboardInterrupt()
    assert run(["check", "export"]) == ExitCode.INTERRUPTED
    assert one_sentence(capsys) == "deicer-audit: interrupted.\n"
    assert not Path("deicer-audit-report").exists()


def test_the_demo_succeeds_when_it_finds_its_faults(pipeline: Pipeline, capsys: pytest.CaptureFixture[str]) -> None:
    """`demo` audits the sample records with the shipped rules; findings there are success."""
    assert run(["demo", "--out", "demo"]) == ExitCode.CLEAN
    assert pipeline.export == importlib.import_module("audit.shipped").sample_folder()
    assert str(Path("demo") / "report.html") in said(capsys)


@pytest.fixture
def shipped(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Two invented rule files in the place of those that ship."""
    folder = tmp_path / "shipped"
    (folder / "pack").mkdir(parents=True)
    (folder / "pack" / "one.yaml").write_text("id: one", encoding="utf-8")
    (folder / "pack" / "two.yaml").write_text("id: two", encoding="utf-8")
    monkeypatch.setattr("audit.shipped.rules_folder", lambda: folder)
    return folder


def test_rules_are_copied(shipped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every rule file arrives with its folder and bytes, and the message says how to use them."""
    assert run(["rules", "copy", str(tmp_path / "mine" / "rules")]) == ExitCode.CLEAN
    assert "2 rule files copied" in said(capsys)
    assert (tmp_path / "mine" / "rules" / "pack" / "two.yaml").read_text(encoding="utf-8") == "id: two"


def test_rules_are_never_overwritten(shipped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One file in the way, and nothing is copied."""
    (tmp_path / "mine" / "pack").mkdir(parents=True)
    (tmp_path / "mine" / "pack" / "two.yaml").write_text("edited", encoding="utf-8")
    assert run(["rules", "copy", str(tmp_path / "mine")]) == ExitCode.COULD_NOT_RUN
    assert "two.yaml is there already" in one_sentence(capsys)
    assert (tmp_path / "mine" / "pack" / "two.yaml").read_text(encoding="utf-8") == "edited"
    assert not (tmp_path / "mine" / "pack" / "one.yaml").exists()


def test_rule_examples_are_told_one_by_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`rules test` prints each example, and ends with 1 where one is not judged as it says."""
    name = "ppe-sign-off-missing.yaml"
    text = (rules_folder() / "deicer-care" / name).read_text(encoding="utf-8")
    (tmp_path / name).write_text(text, encoding="utf-8")
    assert run(["rules", "test", str(tmp_path)]) == ExitCode.CLEAN
    assert "ok      ppe-sign-off-missing: gloves missing" in capsys.readouterr().out

    wrong = text.replace("name: gloves missing\n    expect: finding", "name: gloves missing\n    expect: complies")
    gap = wrong.replace("expect: out-of-scope", "expect: out-of-scope\n    known_gap: not yet")
    gap = gap.replace(
        "name: worn, but nobody signed\n    expect: finding",
        "name: worn, but nobody signed\n    expect: unjudged\n    known_gap: never judged so",
    )
    (tmp_path / name).write_text(gap, encoding="utf-8")
    assert run(["rules", "test", str(tmp_path)]) == ExitCode.FINDINGS
    lines = capsys.readouterr().out.splitlines()
    assert "FAILED  ppe-sign-off-missing: gloves missing: expected complies, got finding" in lines
    assert (
        "FAILED  ppe-sign-off-missing: no product was used: expected out-of-scope, got out-of-scope; "
        "the known gap is closed, remove known_gap"
    ) in lines
    assert "gap     ppe-sign-off-missing: worn, but nobody signed (never judged so)" in lines
    assert lines[-1] == "8 examples, 2 of them known gaps, 2 failed"
    # Those that failed come last, each with what the rule found and its figures.
    [first, *_] = (number for number, line in enumerate(lines) if line.startswith("FAILED"))
    assert first == 6
    assert lines[first + 1] == "        1 in scope: 0 complies, 1 finding, 0 unjudged"
    assert "gloves" in lines[first + 2]


def test_help_and_version_go_to_stdout(capsys: pytest.CaptureFixture[str]) -> None:
    """What is asked for is the payload."""
    assert run(["--version"]) == ExitCode.CLEAN
    assert capsys.readouterr().out == f"deicer-audit {__version__}\n"
    assert run(["check", "--help"]) == ExitCode.CLEAN
    assert "--fail-on" in capsys.readouterr().out


def test_help_imports_nothing_heavy() -> None:
    """`python -m audit --help` answers without pandas, Arrow, jinja or rich."""
    program = (
        "import sys, audit.cli; assert audit.cli.run(['check', '--help']) == 0; "
        "sys.exit(str({'pandas', 'numpy', 'pyarrow', 'jinja2', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.stderr == "set()\n"


def test_the_module_is_the_command(tmp_path: Path) -> None:
    """`python -m audit` runs the command line and leaves with its code."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-m", "audit", "check"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env=environment,
    )
    assert done.returncode == ExitCode.COULD_NOT_RUN
    assert done.stdout == ""
    assert done.stderr.startswith("deicer-audit: Missing argument 'EXPORT'")


def test_a_reader_that_leaves_changes_no_verdict(pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    """A closed stderr pipe doesn't turn a clean audit into findings."""
    pipeline.result = make_result([])

    class Gone:
        def isatty(self) -> bool:
            return False

        def write(self, _text: str) -> int:
            raise BrokenPipeError(32, "Broken pipe")

        def flush(self) -> None:
            raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr(sys, "stderr", Gone())
    assert run(["check", "export"]) == ExitCode.CLEAN


@pytest.mark.parametrize("arguments", [["rules", "test", "."], ["explain", "flight-before-cure"], ["check", "--help"]])
def test_a_pager_that_is_left_changes_no_exit_code(arguments: list[str], tmp_path: Path) -> None:
    """Whoever closes the pipe before the end has not found a finding."""
    shutil.copy(next(rules_folder().rglob("certifier-not-named.yaml")), tmp_path)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, "-m", "audit", *arguments]
    read, write = os.pipe()
    os.close(read)
    with subprocess.Popen(
        command, stdout=write, stderr=subprocess.PIPE, text=True, env=environment, cwd=tmp_path
    ) as process:
        os.close(write)
        _, said = process.communicate()
    assert (process.returncode, said) == (ExitCode.CLEAN, "")


def test_no_report_inside_a_mapped_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its files would be taken for those of the export when it is read again."""
    (tmp_path / "export").mkdir()
    (tmp_path / "mapping.yaml").write_text("title: t\ntables: {}\n", encoding="utf-8")
    arguments = ["--mapping", str(tmp_path / "mapping.yaml"), "--out", str(tmp_path / "export" / "report")]
    assert run(["check", str(tmp_path / "export"), *arguments]) == ExitCode.COULD_NOT_RUN
    assert "inside the export" in capsys.readouterr().err


@pytest.mark.parametrize("moment", ["9999-12-31T00:00Z", "1949-12-31T23:59Z"])
def test_an_as_of_time_out_of_all_time(moment: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A misprinted year is refused, as it is in a cell."""
    assert run(["check", "export", "--as-of", moment]) == ExitCode.COULD_NOT_RUN
    assert "is not in the years 1950 to 2099" in capsys.readouterr().err


def test_somebody_s_own_file_is_kept(clean_export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A findings.csv that no audit wrote gets another name, once, and is said to be there."""
    (tmp_path / "findings.csv").write_text("mine", encoding="utf-8")
    arguments = ["check", str(clean_export), "--skip-health", "--fail-on", "never", "--out", str(tmp_path)]
    for formats in ("md", "csv", "csv"):
        assert run([*arguments, "--write", formats]) == ExitCode.CLEAN
    assert capsys.readouterr().err.count("no audit wrote") == 1
    [kept] = tmp_path.glob("findings-kept-*.csv")
    assert kept.read_text(encoding="utf-8") == "mine"


def test_no_report_in_the_export_s_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An export that is one file isn't replaced by a report of the same name."""
    (tmp_path / "findings.csv").write_text("a,b\n", encoding="utf-8")
    assert run(["check", str(tmp_path / "findings.csv"), "--out", str(tmp_path)]) == ExitCode.COULD_NOT_RUN
    assert "its findings.csv would replace the export" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["check", ""], ["quarantine", ""]])
def test_a_blank_export_is_not_the_working_folder(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A variable that was never set names no export."""
    assert run(arguments) == ExitCode.COULD_NOT_RUN
    assert "EXPORT is blank" in capsys.readouterr().err


def test_without_a_stderr_the_command_works() -> None:
    """Services without one meet this."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    closed = ["import os, runpy, sys; os.close(2); sys.stderr = None; sys.argv[:] = ['audit', *sys.argv[1:]]"]
    closed.append("runpy.run_module('audit', run_name='__main__')")
    silent = [sys.executable, "-c", "; ".join(closed), "explain", "flight-before-cure"]
    assert subprocess.run(silent, stdout=subprocess.DEVNULL, env=environment, check=False).returncode == ExitCode.CLEAN


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
def test_a_full_device_is_told() -> None:
    """That standard output can't be written is a sentence, and no defect."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, "-m", "audit", "explain", "flight-before-cure"]
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, env=environment, check=False)
    assert done.returncode == ExitCode.COULD_NOT_RUN
    assert done.stderr.startswith("deicer-audit: standard output can't be written: ")


def test_the_process_ends_without_taking_objects_apart() -> None:
    """What is to be done at the end is done; but under a thread that still reads, taking apart would abort all."""
    program = """
import atexit, os, sys
from audit.__main__ import main
class Kept:
    def __del__(self, write=os.write):
        write(1, b"taken apart")
sys.kept = Kept()
atexit.register(lambda: os.write(1, b"tidied up"))
main()
"""
    command = [sys.executable, "-c", program, "explain", "flight-before-cure"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == ExitCode.CLEAN, done.stderr
    assert done.stdout.endswith("tidied up")
