"""The same fault has the same id, whatever else changes in the export."""

from __future__ import annotations

import csv
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from audit.pipeline import run_audit
from audit.shipped import sample_folder


def ids(export: Path) -> set[str]:
    found = run_audit(export).findings["finding_id"]
    assert found.is_unique
    return set(found)


@pytest.fixture(scope="module")
def known() -> set[str]:
    """The ids of the sample's findings."""
    return ids(sample_folder())


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the sample that a test may change."""
    return Path(shutil.copytree(sample_folder(), tmp_path / "tomorrow"))


def rewrite(path: Path, change: Callable[[list[list[str]]], object]) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = list(csv.reader(file))
    change(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *rows])


def test_shuffled_rows_keep_their_ids(copy: Path, known: set[str]) -> None:
    """Every table in another order: nothing is a new finding. (Of two rows of one key the first counts: left out.)"""
    for name in ("flights", "components", "products", "stations", "people", "lots", "manuals"):
        rewrite(copy / f"{name}.csv", random.Random(1).shuffle)
    rewrite(copy / "tasks.csv", lambda rows: rows.sort(key=lambda row: row[2], reverse=True))
    assert ids(copy) == known


def test_other_rows_leave_the_ids_alone(copy: Path, known: set[str]) -> None:
    """Rows of another aircraft in front of the others add findings of their own, if any, and change no id."""

    def add(rows: list[list[str]]) -> None:
        rows[:0] = [["T-NEW-1", "WO-NEW-1", "QX-NEW", *rows[0][3:]]]

    rewrite(copy / "tasks.csv", add)
    assert ids(copy) >= known


def test_renamed_and_rewritten_files_keep_their_ids(copy: Path, known: set[str]) -> None:
    """The same rows as Parquet, under a folder of another name, are the same findings."""
    for path in sorted(copy.glob("*.csv")):
        options = pa.csv.ConvertOptions(strings_can_be_null=False)
        with path.open(encoding="utf-8", newline="") as file:
            names = next(csv.reader(file))
        options.column_types = {name: pa.string() for name in names}
        pa.parquet.write_table(pa.csv.read_csv(path, convert_options=options), path.with_suffix(".parquet"))
        path.unlink()
    assert ids(copy) == known


def test_ids_differ_between_rules_subjects_and_positions(known: set[str]) -> None:
    """No two findings share an id, and there are as many ids as findings."""
    result = run_audit(sample_folder())
    assert len(known) == len(result.findings)
    assert result.findings["finding_id"].str.fullmatch("[0-9a-f]{12}").all()
