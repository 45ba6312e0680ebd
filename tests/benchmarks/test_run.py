"""The benchmark compares findings before it compares speed."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchmarks import sql_twin
from benchmarks.load import write_load
from benchmarks.run import ROOT, Differs, check, compare, made, measure, six_rules


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("both")
    write_load(folder / "export", "parquet", 40, 460)
    (folder / "rules").mkdir()
    check(folder / "export", folder / "check", *six_rules(folder / "rules"))
    sql_twin.run(folder / "export", folder / "sql", rules=sql_twin.RULES)
    return folder / "check", folder / "sql"


def test_audit_and_sql_agree(both: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    """On a small load both find the same, with the same figures, and leave the same unjudged, in every rule."""
    compare(*both)
    assert capsys.readouterr().out.count("the same by both") == len(sql_twin.RULES)


def test_the_load_has_what_can_not_be_judged(both: tuple[Path, Path]) -> None:
    """An aircraft that the flight log doesn't know, one whose flights are missing for a month, and records never closed
    are in the smallest load that is compared."""
    text = (both[0] / "unjudged.csv").read_text(encoding="utf-8")
    for reason in ("in the log,", "in the log for an unusually long time,", "work that is still open"):
        assert reason in text


UNJUDGED = ("flight-before-cure", "ice-adhesion-treatment-not-last", "ice-adhesion-treatment-overdue")


@pytest.mark.parametrize(
    ("rule", "outcome"),
    [(rule, "findings") for rule in sql_twin.RULES] + [(rule, "unjudged") for rule in UNJUDGED],
)
def test_what_one_side_lacks_is_told(rule: str, outcome: str, both: tuple[Path, Path], tmp_path: Path) -> None:
    """One finding, or one subject left unjudged, less on one side stops the benchmark, which names the rule."""
    checked, queried = both
    shutil.copytree(queried, tmp_path / "sql")
    file = tmp_path / "sql" / f"{rule}.csv"
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    # The reason comes last.
    lines.remove(next(line for line in lines[1:] if line.endswith(",\n") == (outcome == "findings")))
    file.write_text("".join(lines), encoding="utf-8")
    with pytest.raises(Differs, match=f"{rule}, {outcome}"):
        compare(checked, tmp_path / "sql")


def test_another_figure_is_told(both: tuple[Path, Path], tmp_path: Path) -> None:
    """The same finding with other hours stops the benchmark too."""
    checked, queried = both
    shutil.copytree(queried, tmp_path / "sql")
    file = tmp_path / "sql" / "flight-before-cure.csv"
    head, *lines = file.read_text(encoding="utf-8").splitlines()
    place = next(number for number, line in enumerate(lines) if line.endswith(","))
    lines[place] = f"{lines[place].rsplit(',', 2)[0]},99.0,"
    file.write_text("\n".join([head, *lines]), encoding="utf-8")
    with pytest.raises(Differs, match=r"99\.0 by the SQL"):
        compare(checked, tmp_path / "sql")


def test_a_process_that_fails_is_no_measurement() -> None:
    """A failure ends the benchmark with what the process said."""
    with pytest.raises(RuntimeError, match="ended with 3: out of boots"):
        measure(["-c", "import sys; print('out of boots', end=''); sys.exit(3)"])


def test_peak_memory_is_that_of_the_process() -> None:
    """A process that fills 600 MB is said to have held so much, measured from a small one."""
    script = "from benchmarks.run import measure; print(measure(['-c', \"b'x' * 600_000_000\"]).peak)"
    peak = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True, cwd=ROOT, text=True).stdout
    assert 600e6 < int(peak) < 700e6


def test_a_load_of_another_generator_is_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A load is kept as long as the generator is the same, and made anew after that."""
    monkeypatch.setattr("benchmarks.run.measure", lambda command: calls.append(command))
    calls: list[list[str]] = []
    (tmp_path / "nightly-csv").mkdir()
    folder = made(tmp_path, "nightly", "csv")
    made(tmp_path, "nightly", "csv")
    assert len(calls) == 1
    (folder / "made_by.txt").write_text("an older generator", encoding="utf-8")
    made(tmp_path, "nightly", "csv")
    assert len(calls) == 2
