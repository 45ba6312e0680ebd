"""Measure the audit against hand-written SQL, side by side: `make bench`.

Every measurement is a process of its own, the two sides alternating, both on two cores; medians are printed, and the
peak memory of each process. The findings of both are compared first: a fast wrong answer is worth nothing.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import math
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks import load

CORES = 2
ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT / "benchmarks" / "data"
KEYS = {
    "preservative-on-wrong-material": ("task_id", "position"),
    "flight-before-cure": ("work_order", "aircraft", "position", "flight_id"),
    "ice-adhesion-treatment-not-last": ("work_order", "aircraft", "position", "task_id"),
    "ppe-sign-off-missing": ("task_id",),
    "ice-adhesion-treatment-overdue": ("aircraft", "position", "component_serial", "work_order"),
    "product-before-cure": ("work_order", "aircraft", "position"),
}
"""By which columns the findings of both sides are compared; `measured`, too, where the SQL gives it."""
TOLERANCE = 1e-4
"""Hours; findings.csv rounds to four decimals."""


class Differs(Exception):
    """The two sides found different things."""


@dataclass(frozen=True)
class Run:
    """One process: wall time in seconds and peak resident memory in bytes.

    Linux counts no process lower than the one that started it had ever come: this one stays small.
    """

    seconds: float
    peak: int


def measure(command: Sequence[str], expected: Collection[int] = (0,)) -> Run:
    """Run a command of this Python to its end; RuntimeError, with what it said, where it fails."""
    # Bytecode is kept, as on a user's machine.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryFile() as said:
        started = time.perf_counter()
        process = subprocess.Popen([sys.executable, *command], stdout=said, stderr=said, cwd=ROOT, env=environment)
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in expected:
            said.seek(0)
            raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {said.read().decode()}")
    return Run(seconds, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))


def check(export: Path, out: Path, *options: str) -> Run:
    """The whole check; findings are no failure."""
    return measure(["-m", "audit", "check", str(export), "--out", str(out), "--quiet", *options], expected=(0, 1))


def six_rules(folder: Path) -> tuple[str, ...]:
    """Options by which a check asks what the SQL asks: the rules compared, copied into a folder, and nothing else."""
    for rule in KEYS:
        shutil.copy(ROOT / "rules" / "deicer-care" / f"{rule}.yaml", folder)
    return "--rules", str(folder), "--skip-health"


def query(export: Path, out: Path, form: str, *options: str) -> Run:
    """The rules as SQL: the five main ones, unless the options say otherwise."""
    return measure(["-m", "benchmarks.sql_twin", str(export), str(out), "--form", form, *options])


def made(data: Path, size: str, form: str) -> Path:
    """The folder of a load, made where it isn't there yet or was made by another version of the generator."""
    folder = data / f"{size}-{form}"
    mark = folder / "made_by.txt"
    generator = hashlib.sha256(Path(load.__file__).read_bytes()).hexdigest()
    if not mark.exists() or mark.read_text(encoding="utf-8") != generator:
        print(f"making the {size} load as {form} ...", flush=True)
        # In a process of its own, so that this one stays small.
        measure(["-m", "benchmarks.load", str(folder), "--size", size, "--form", form])
        mark.write_text(generator, encoding="utf-8")
    return folder


def side_by_side(export: Path, form: str, repeats: int) -> None:
    """The check by the six main rules, and by every rule that ships, against the SQL for five of them, on the same
    files."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as rules:
        checked, queried = Path(folder, "check"), Path(folder, "sql")
        six = six_rules(Path(rules))
        # The first round compares the findings, and leaves the files in the system's cache for both.
        check(export, checked, *six)
        query(export, queried, form, "--sixth")
        compare(checked, queried)
        rounds = [
            (check(export, checked, *six), query(export, queried, form), check(export, checked, "--skip-health"))
            for _ in range(repeats)
        ]
    ours, theirs, every = ([runs[side] for runs in rounds] for side in range(3))
    for name, runs in (("six rules", ours), ("SQL", theirs), ("every rule", every)):
        print(f"  {name:10} {_median(runs):7.2f} s   {max(run.peak for run in runs) / 1e9:5.2f} GB")
    print(f"  ratio      {_median(ours) / _median(theirs):7.2f}, every rule {_median(every) / _median(theirs):.2f}")


def compare(checked: Path, queried: Path) -> None:
    """Compare the findings of a check and of the SQL; raise Differs, naming the first difference, if they do."""
    found = _rows(checked / "findings.csv")
    for rule, keys in KEYS.items():
        theirs = _findings(_rows(queried / f"{rule}.csv"), keys)
        ours = _findings([row for row in found if row["rule"] == rule], keys)
        _same(rule, [name for name, _ in ours], [name for name, _ in theirs])
        for (name, figure), (_, expected) in zip(ours, theirs, strict=True):
            if not math.isnan(expected) and abs(figure - expected) > TOLERANCE:
                raise Differs(f"{rule}, {', '.join(name)}: {figure} by the audit, {expected} by the SQL")
        print(f"  {rule:34} {len(ours):8,} findings, the same by both")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _findings(rows: list[dict[str, str]], keys: tuple[str, ...]) -> list[tuple[tuple[str, ...], float]]:
    return sorted((tuple(row[key] for key in keys), float(row.get("measured") or "nan")) for row in rows)


def _same(rule: str, ours: list[tuple[str, ...]], theirs: list[tuple[str, ...]]) -> None:
    if ours != theirs:
        only = [sorted(set(one) - set(other))[:1] for one, other in ((ours, theirs), (theirs, ours))]
        raise Differs(
            f"{rule}: {len(ours):,} findings by the audit, {len(theirs):,} by the SQL; "
            f"only by the audit: {only[0] or 'none'}; only by the SQL: {only[1] or 'none'}"
        )


def nightly(export: Path, repeats: int) -> None:
    """The nightly check by every rule against importing pandas, with export health against importing its library, and
    `--help`."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        check(export, out)
        rounds = [
            (
                measure(["-c", "import pandas"]),
                check(export, out, "--skip-health"),
                measure(["-c", "import great_expectations"]),
                check(export, out),
                measure(["-m", "audit", "--help"]),
            )
            for _ in range(repeats)
        ]
    unit, took, library, whole, help_ = (_median([runs[side] for runs in rounds]) for side in range(5))
    print(f"  import pandas              {unit:5.2f} s")
    print(f"  check --skip-health        {took:5.2f} s, {took / unit:.2f} times that")
    print(f"  import great_expectations  {library:5.2f} s")
    print(f"  check                      {whole:5.2f} s, {whole - library:.2f} s more than that")
    print(f"  --help                     {help_:5.2f} s")


def tenfold(reference: Path, export: Path) -> None:
    """Print how the time grows with ten times the work, on one run each."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as rules:
        out, six = Path(folder), six_rules(Path(rules))
        _grown("check", check(reference, out / "check", *six), check(export, out / "check", *six))
        _grown("SQL", query(reference, out / "sql", "parquet"), query(export, out / "sql", "parquet"))


def _grown(name: str, once: Run, tenth: Run) -> None:
    print(
        f"  {name:6} {once.seconds:7.2f} s, ten times the work {tenth.seconds:7.2f} s: "
        f"{tenth.seconds / once.seconds:.1f} times   {tenth.peak / 1e9:5.2f} GB",
        flush=True,
    )


def _median(runs: Sequence[Run]) -> float:
    return statistics.median(run.seconds for run in runs)


def main() -> int:
    """Run the benchmark from the command line; 1 where the two sides differ."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, default=DATA, help="where the loads are kept (default: %(default)s)")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--size", choices=load.SIZES, default="reference", help="the load to compare with SQL")
    parser.add_argument("--csv", action="store_true", help="also compare on CSV")
    parser.add_argument("--tenfold", action="store_true", help="also measure ten times the work")
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    data: Path = options.data.resolve()
    try:
        for form in ("parquet", "csv") if options.csv else ("parquet",):
            export = made(data, options.size, form)
            print(f"{options.size}, {form}, median of {options.repeats}, peak memory:", flush=True)
            side_by_side(export, form, options.repeats)
            export = made(data, "nightly", form)
            print(f"nightly, {form}, median of {options.repeats}:", flush=True)
            nightly(export, options.repeats)
    except Differs as difference:
        print(f"THE FINDINGS DIFFER: {difference}", file=sys.stderr)
        return 1
    if options.tenfold:
        reference, export = made(data, "reference", "parquet"), made(data, "tenfold", "parquet")
        print("ten times the work, parquet, one run each:", flush=True)
        tenfold(reference, export)
    return 0


if __name__ == "__main__":
    sys.exit(main())
