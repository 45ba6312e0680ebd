"""The wheel carries the rules and the sample records, and works where there is no checkout."""

from __future__ import annotations

import base64
import gzip
import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from audit.shipped import rules_folder, sample_folder

ROOT = Path(__file__).parents[1]


def run(*command: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the wheel has been unpacked."""
    folder = tmp_path_factory.mktemp("wheel")
    built = run("-m", "hatchling", "build", "-t", "wheel", "-d", str(folder), cwd=ROOT)
    assert built.returncode == 0, built.stderr
    [wheel] = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def files(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("carried", ["rules", "sample_records/tarnwhistle"])
def test_wheel_carries(installed: Path, carried: str) -> None:
    """The wheel's copy of the rules and of the sample export is the checkout's, byte for byte."""
    checkout = files(ROOT / carried)
    assert checkout
    assert files(installed / "audit" / "shipped_data" / carried) == checkout


def test_wheel_carries_every_file_of_the_package(installed: Path) -> None:
    """Templates, styles and the typing marker are in the wheel, tests and benchmarks are not."""
    package = {f"audit/{name}" for name in files(ROOT / "audit") if "__pycache__" not in name and "/." not in name}
    assert {"audit/py.typed", "audit/report/templates/report.css"} <= package
    carried = {name for name in files(installed) if not name.startswith("audit/shipped_data/")}
    assert package <= carried
    assert {name.split("/")[0].split("-")[0] for name in carried} == {"audit", "deicer_audit"}


def test_checkout_is_found() -> None:
    """In a checkout the folders are those that are edited, not copies."""
    assert rules_folder() == ROOT / "rules"
    assert sample_folder() == ROOT / "sample_records" / "tarnwhistle"


def unpacked(page: str) -> str:
    """A report with its packed findings as text: how they are packed depends on the machine's zlib."""
    return re.sub(
        r'(?<=id="data">)[^<]+', lambda packed: gzip.decompress(base64.b64decode(packed[0])).decode(), page, count=1
    )


def test_installed_demo_runs_anywhere(installed: Path, tmp_path: Path) -> None:
    """From the wheel alone, in an empty folder, the demo runs and writes the report that the repository shows; its
    rules can be copied and tested."""
    away = {"PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"}
    where = run(
        "-c", "import audit.shipped as s; print(s.rules_folder(), s.sample_folder(), sep='\\n')", cwd=tmp_path, **away
    )
    assert [Path(text).is_relative_to(installed) for text in where.stdout.splitlines()] == [True, True], where.stderr
    demo = run("-m", "audit", "demo", "--out", "report", cwd=tmp_path, **away)
    assert demo.returncode == 0, demo.stderr
    example = (ROOT / "reports" / "example.html").read_text(encoding="utf-8")
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert unpacked(page) == unpacked(example), "make example-report writes it anew"
    copied = run("-m", "audit", "rules", "copy", "mine", cwd=tmp_path, **away)
    assert copied.returncode == 0, copied.stderr
    # All of their examples are judged elsewhere: here those of the smallest pack.
    examples = run("-m", "audit", "rules", "test", "mine/impossible-records", cwd=tmp_path, **away)
    assert examples.returncode == 0, examples.stdout + examples.stderr
