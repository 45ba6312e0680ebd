"""Measure the audit against hand-written SQL, side by side: `make bench`.

Every measurement is a process of its own, the two sides alternating; medians are printed, and the peak memory of each
process. The findings of both are compared first: a fast wrong answer is worth nothing.
"""

from __future__ import annotations

import argparse
import csv
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks.load import SIZES, make_load, write_load
from benchmarks.sql_twin import RULES

DATA = Path(__file__).resolve().parent / "data"
KEYS = {
    "preservative-on-wrong-material": ("task_id", "position"),
    "flight-before-cure": ("work_order", "position", "flight_id"),
    "ice-adhesion-treatment-not-last": ("work_order", "position", "task_id"),
    "ppe-sign-off-missing": ("task_id",),
    "ice-adhesion-treatment-overdue": ("aircraft", "position", "work_order"),
}
"""By which columns the findings of both sides are compared."""


@dataclass(frozen=True)
class Run:
    """One process: wall time in seconds and peak resident memory in bytes."""

    seconds: float
    peak: int


def measure(command: Sequence[str], expected: Sequence[int] = (0,)) -> Run:
    """Run a command to its end; RuntimeError, with what it said, where it fails."""
    with tempfile.TemporaryFile() as said:
        started = time.perf_counter()
        process = subprocess.Popen(command, stdout=said, stderr=said)
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in expected:
            said.seek(0)
            raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {said.read().decode()}")
    return Run(seconds, usage.ru_maxrss * 1024)


def _python(*arguments: str) -> list[str]:
    return [sys.executable, *arguments]


def side_by_side(export: Path, form: str, repeats: int) -> None:
    """The whole check against the SQL for the five main rules, on the same files."""
    with tempfile.TemporaryDirectory() as folder:
        checked, queried = Path(folder, "check"), Path(folder, "sql")
        check = _python("-m", "audit", "check", str(export), "--out", str(checked), "--quiet")
        sql = _python("-m", "benchmarks.sql_twin", str(export), str(queried), "--form", form)
        checks, queries = [], []
        for _ in range(repeats):
            checks.append(measure(check, expected=(0, 1)))
            queries.append(measure(sql))
        _same_findings(checked, queried)
    ours, theirs = (statistics.median(run.seconds for run in runs) for runs in (checks, queries))
    print(f"check  {ours:6.2f} s  {max(run.peak for run in checks) / 1e9:.2f} GB")
    print(f"SQL    {theirs:6.2f} s  {max(run.peak for run in queries) / 1e9:.2f} GB")
    print(f"ratio  {ours / theirs:6.2f}")


def _same_findings(checked: Path, queried: Path) -> None:
    with (checked / "findings.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    for rule in RULES:
        with (queried / f"{rule}.csv").open(encoding="utf-8", newline="") as file:
            sql = sorted(tuple(row[key] for key in KEYS[rule]) for row in csv.DictReader(file))
        ours = sorted(tuple(row[key] for key in KEYS[rule]) for row in found if row["rule"] == rule)
        if ours != sql:
            raise RuntimeError(f"{rule}: {len(ours)} findings by the audit, {len(sql)} by SQL, and they differ")
        print(f"  {rule:34} {len(ours):7,} findings, the same by both")


def nightly(export: Path, repeats: int) -> None:
    """The nightly check against the time that importing pandas takes, and `--help`."""
    with tempfile.TemporaryDirectory() as folder:
        check = _python("-m", "audit", "check", str(export), "--out", folder, "--quiet")
        pandas, checks, helps = [], [], []
        for _ in range(repeats):
            pandas.append(measure(_python("-c", "import pandas")).seconds)
            checks.append(measure(check, expected=(0, 1)).seconds)
            helps.append(measure(_python("-m", "audit", "--help")).seconds)
    unit, took = statistics.median(pandas), statistics.median(checks)
    print(f"import pandas {unit:.2f} s; nightly check {took:.2f} s: {took / unit:.2f} times")
    print(f"--help {statistics.median(helps):.2f} s")


def load(size: str, form: str) -> Path:
    """The folder of a load, made where it isn't there yet."""
    folder = DATA / f"{size}-{form}"
    if not (folder / f"tasks.{form}").exists():
        print(f"making the {size} load as {form} ...")
        write_load(make_load(*SIZES[size]), folder, form)
    return folder


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--form", choices=("parquet", "csv"), default="parquet")
    parser.add_argument("--size", choices=SIZES, default="reference", help="the load to compare with SQL")
    options = parser.parse_args()
    print(f"{options.size}, {options.form}, median of {options.repeats}:")
    side_by_side(load(options.size, options.form), options.form, options.repeats)
    print(f"nightly, {options.form}, median of {options.repeats}:")
    nightly(load("nightly", options.form), options.repeats)


if __name__ == "__main__":
    main()
