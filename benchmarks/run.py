"""Measure the audit against hand-written SQL, side by side: `make bench`.

Every measurement is a process of its own, the two sides alternating, both on two cores; medians are printed, and the
peak memory of each process. The findings of both, and what they leave unjudged, are compared first: a fast wrong answer
is worth nothing.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import math
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from benchmarks import load
from benchmarks.stages import Stage

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
UNJUDGED = ("reason", "work_order", "aircraft", "position")
"""By which what is unjudged is compared."""
SQL = "SQL, five rules"
TOLERANCE = 1e-4
"""Hours; findings.csv rounds to four decimals."""


class Differs(Exception):
    """The two sides found different things, or left different things unjudged."""


@dataclass(frozen=True)
class Run:
    """One process: wall, user and system time in seconds, and peak resident memory in bytes.

    Linux counts no process lower than the one that started it had ever come: this one stays small.
    """

    wall: float
    user: float
    system: float
    peak: int

    @property
    def processor(self) -> float:
        """User and system time."""
        return self.user + self.system


def measure(command: Sequence[str], expected: Collection[int] = (0,), said: IO[bytes] | None = None) -> Run:
    """Run a command of this Python to its end; RuntimeError, with what it said (into `said`), where it fails."""
    # Bytecode is kept, as on a user's machine.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryFile() as ours:
        told = ours if said is None else said
        started = time.perf_counter()
        process = subprocess.Popen([sys.executable, *command], stdout=told, stderr=told, cwd=ROOT, env=environment)
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in expected:
            told.seek(0)
            raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {told.read().decode()}")
    peak = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return Run(wall, usage.ru_utime, usage.ru_stime, peak)


def check(export: Path, out: Path, *options: str) -> Run:
    """The whole check; findings are not a failure."""
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


def in_turns(repeats: int, sides: Mapping[str, Callable[[], Run]]) -> dict[str, Run]:
    """Run the sides by turns and return the medians of each, with the highest peak."""
    rounds = [{name: side() for name, side in sides.items()} for _ in range(repeats)]
    return {name: _median([one[name] for one in rounds]) for name in sides}


def show(name: str, run: Run, unit: Run | None = None) -> None:
    """Print what a run took, and how many times that of the unit."""
    times = f"   {run.wall / unit.wall:5.2f} {run.processor / unit.processor:5.2f}" if unit else ""
    print(
        f"  {name:32} {run.wall:7.2f} {run.user:7.2f} {run.system:6.2f} s {run.peak / 1e9:6.2f} GB{times}", flush=True
    )


def head(title: str, unit: str) -> None:
    """Print what the columns of the runs that follow are."""
    print(f"{title}\n  {'':32} {'wall':>7} {'user':>7} {'system':>6} {'peak':>11}   times {unit}: wall, processor")


def sides(export: Path, form: str, checked: Path, queried: Path, six: Sequence[str]) -> dict[str, Callable[[], Run]]:
    """The SQL for five of the six main rules, the check by those six, and by every rule that ships."""
    return {
        SQL: lambda: query(export, queried, form),
        "six rules": lambda: check(export, checked, *six),
        "every rule": lambda: check(export, checked, "--skip-health"),
    }


def side_by_side(export: Path, form: str, repeats: int) -> None:
    """The check by the six main rules, and by every rule that ships, against the SQL for five of them, on the same
    files; then the stages of both checks."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as rules:
        checked, queried = Path(folder, "check"), Path(folder, "sql")
        six = six_rules(Path(rules))
        # The first round compares the findings, and leaves the files in the system's cache for both.
        check(export, checked, *six)
        query(export, queried, form, "--sixth")
        compare(checked, queried)
        runs = in_turns(repeats, sides(export, form, checked, queried, six))
        for name, run in runs.items():
            show(name, run, runs[SQL])
        for name, options in (("six rules", six[:2]), ("every rule", ())):
            print(f"  stages, {name}:")
            for stage in stages(export, checked, *options):
                show(f"  {stage.name}", Run(stage.wall, stage.user, stage.system, stage.peak))


def stages(export: Path, out: Path, *options: str) -> list[Stage]:
    """What each stage of one check took."""
    with tempfile.TemporaryFile() as said:
        measure(["-m", "benchmarks.stages", str(export), str(out), *options], said=said)
        said.seek(0)
        return [Stage(**json.loads(line)) for line in said]


def growth(exports: Mapping[int, Path], repeats: int) -> None:
    """How time grows with the work, each against the SQL, and against itself with the least."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as rules:
        out, six = Path(folder), six_rules(Path(rules))
        firsts: dict[str, Run] = {}
        for times, export in exports.items():
            runs = in_turns(repeats, sides(export, "parquet", out / "check", out / "sql", six))
            for name, run in runs.items():
                first = firsts.setdefault(name, run)
                show(f"{times} x medium, {name}", run, runs[SQL])
                if run is not first:
                    grown = run.wall / first.wall, run.processor / first.processor
                    print(
                        f"  {'':32} {grown[0]:.2f} times the wall time of the first, {grown[1]:.2f} the processor time"
                    )


def tenfold(exports: Sequence[Path]) -> None:
    """The check by the six main rules on the reference load and on ten times as many aircraft, stage by stage."""
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as rules:
        first = None
        for export in exports:
            runs = {
                stage.name: Run(stage.wall, stage.user, stage.system, stage.peak)
                for stage in stages(export, Path(folder), *six_rules(Path(rules))[:2])
            }
            whole = Run(
                sum(run.wall for run in runs.values()),
                sum(run.user for run in runs.values()),
                sum(run.system for run in runs.values()),
                max(run.peak for run in runs.values()),
            )
            first = whole if first is None else first
            for name, run in {**runs, "in all": whole}.items():
                show(f"{export.name}, {name}", run, first if run is whole else None)


def compare(checked: Path, queried: Path) -> None:
    """Compare a check and the SQL, findings and what is unjudged; raise Differs, naming the first difference, if they
    do."""
    found, unjudged = _rows(checked / "findings.csv"), _rows(checked / "unjudged.csv")
    for rule, keys in KEYS.items():
        answers = _rows(queried / f"{rule}.csv")
        theirs = _findings([row for row in answers if not row["reason"]], keys)
        ours = _findings([row for row in found if row["rule"] == rule], keys)
        _same(f"{rule}, findings", [name for name, _ in ours], [name for name, _ in theirs])
        open_ = _named([row for row in unjudged if row["rule"] == rule])
        _same(f"{rule}, unjudged", open_, _named([row for row in answers if row["reason"]]))
        for (name, figure), (_, expected) in zip(ours, theirs, strict=True):
            if not math.isnan(expected) and abs(figure - expected) > TOLERANCE:
                raise Differs(f"{rule}, {', '.join(name)}: {figure} by the audit, {expected} by the SQL")
        print(f"  {rule:34} {len(ours):8,} findings, {len(open_):8,} unjudged, the same by both")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _findings(rows: list[dict[str, str]], keys: tuple[str, ...]) -> list[tuple[tuple[str, ...], float]]:
    return sorted((tuple(row[key] for key in keys), float(row.get("measured") or "nan")) for row in rows)


def _named(unjudged: list[dict[str, str]]) -> list[tuple[str, ...]]:
    return sorted(tuple(row[key] for key in UNJUDGED) for row in unjudged)


def _same(what: str, ours: list[tuple[str, ...]], theirs: list[tuple[str, ...]]) -> None:
    if ours != theirs:
        only = [sorted((Counter(one) - Counter(other)).keys())[:1] for one, other in ((ours, theirs), (theirs, ours))]
        raise Differs(
            f"{what}: {len(ours):,} by the audit, {len(theirs):,} by the SQL; "
            f"only by the audit: {only[0] or 'none'}; only by the SQL: {only[1] or 'none'}"
        )


def nightly(export: Path, repeats: int) -> None:
    """The nightly check by every rule against importing pandas, with export health, with a register that knows the
    export already, and `--help`."""
    with tempfile.TemporaryDirectory() as folder:
        out, register = Path(folder, "report"), Path(folder, "register.sqlite")
        check(export, out)
        check(export, out, "--skip-health", "--register", str(register))
        before = register.stat().st_size
        runs = in_turns(
            repeats,
            {
                "import pandas": lambda: measure(["-c", "import pandas"]),
                "--help": lambda: measure(["-m", "audit", "--help"]),
                "check --skip-health": lambda: check(export, out, "--skip-health"),
                "check --skip-health --register": lambda: check(
                    export, out, "--skip-health", "--register", str(register)
                ),
                "import great_expectations": lambda: measure(["-c", "import great_expectations"]),
                "check": lambda: check(export, out),
            },
        )
        for name, run in runs.items():
            show(name, run, runs["import pandas"])
        grown = (register.stat().st_size - before) / repeats
    print(f"  a night on which nothing changed adds {grown / 1e6:.2f} MB to the register")


def _median(runs: Sequence[Run]) -> Run:
    wall, user, system = (
        statistics.median(part) for part in zip(*((run.wall, run.user, run.system) for run in runs), strict=True)
    )
    return Run(wall, user, system, max(run.peak for run in runs))


def main() -> int:
    """Run the benchmark from the command line; 1 where the two sides differ."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, default=DATA, help="where the loads are kept (default: %(default)s)")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--size", choices=load.SIZES, default="reference", help="the load to compare with SQL")
    parser.add_argument("--csv", action="store_true", help="also compare on CSV")
    parser.add_argument("--only", choices=("reference", "nightly", "growth", "tenfold"), help="measure only this")
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:CORES])
    data: Path = options.data.resolve()
    try:
        for form in ("parquet", "csv") if options.csv else ("parquet",):
            if options.only in (None, "reference"):
                export = made(data, options.size, form)
                head(f"{options.size}, {form}, medians of {options.repeats}:", "the SQL")
                side_by_side(export, form, options.repeats)
            if options.only in (None, "nightly"):
                export = made(data, "nightly", form)
                head(f"nightly, {form}, medians of {options.repeats}:", "import pandas")
                nightly(export, options.repeats)
        if options.only in (None, "growth"):
            exports = {
                times: made(data, size, "parquet") for times, size in ((1, "medium"), (2, "double"), (4, "fourfold"))
            }
            head(f"growth, medians of {options.repeats}:", "the SQL")
            growth(exports, options.repeats)
        if options.only == "tenfold":  # not else: it takes gigabytes, and half an hour to make
            head("ten times the reference, once:", "the reference")
            tenfold([made(data, size, "parquet") for size in ("reference", "tenfold")])
    except Differs as difference:
        print(f"THE FINDINGS DIFFER: {difference}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
