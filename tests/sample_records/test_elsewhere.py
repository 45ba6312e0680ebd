"""The sample records as two other systems export them: the same facts, so the same findings."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import audit
from audit.findings.result import FINDING_COLUMNS
from audit.pipeline import Audited
from audit.shipped import sample_settings

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_records"


@pytest.mark.parametrize("name", ["quarrypuffin", "linnetlatch"])
def test_same_findings(name: str, sample_audit: Audited) -> None:
    """Read by its mapping, each gives the same findings to the letter, and leaves the same unjudged and unread."""
    folder = SAMPLES / name
    canonical = sample_audit.result
    result = audit.run_audit(folder, mapping=folder / "mapping.yaml", settings=[sample_settings()])
    columns = list(FINDING_COLUMNS)
    pd.testing.assert_frame_equal(result.findings[columns], canonical.findings[columns])
    pd.testing.assert_frame_equal(result.unjudged, canonical.unjudged)
    pd.testing.assert_frame_equal(result.coverage, canonical.coverage)
    assert len(canonical.findings) > 50
    rows = {table: (count.read, count.audited) for table, count in canonical.rows.items()}
    assert {table: (count.read, count.audited) for table, count in result.rows.items()} == rows


def test_files_are_those_of_the_sample() -> None:
    """The files on disk are made of the sample records as they are now, byte for byte."""
    run = subprocess.run(
        [sys.executable, "-m", "sample_records.elsewhere", "--check"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
