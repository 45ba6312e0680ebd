"""What is read and sorted of an export is counted: nothing twice, however many rules ask for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.intake import resolving
from audit.intake.tables import Column
from audit.pipeline import run_audit
from audit.timeline import lists, people
from benchmarks.load import write_load


@pytest.fixture(scope="module")
def load(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("load")
    write_load(folder, "parquet", 5, 60)
    return folder


def test_each_column_is_read_and_parsed_once(load: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every rule that ships is judged on one reading of each column."""
    parsed: Counter[tuple[str, int]] = Counter()
    read: list[str] = []
    plain_parse, plain_read = resolving.parse, pq.ParquetFile.read

    def parse(cells: pa.ChunkedArray, column: Column, **options: Any) -> Any:
        parsed[column.name, len(cells)] += 1
        return plain_parse(cells, column, **options)

    def read_columns(self: pq.ParquetFile, columns: Collection[str], **options: Any) -> pa.Table:
        read.extend((f"{self.schema_arrow.names[0]}.{name}") for name in columns)
        return plain_read(self, columns=columns, **options)

    monkeypatch.setattr(resolving, "parse", parse)
    monkeypatch.setattr(pq.ParquetFile, "read", read_columns)
    run_audit(load)
    assert "task_id.work_order" in read
    assert set(Counter(read).values()) == set(parsed.values()) == {1}


def test_people_and_lists_are_joined_once(load: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What many rules ask of nearly all records is worked out once for all of them, not by each."""
    joined: Counter[str] = Counter()
    asked: Counter[tuple[str, bool]] = Counter()
    plain_pairs, plain_person = lists._pairs, people.of_person

    def pairs(timeline: Any, table: str, *columns: Any) -> Any:
        joined[table] += timeline.of == "tasks"
        return plain_pairs(timeline, table, *columns)

    def of_person(timeline: Any, name: str, column: str, signature: str, rows: Any, *days: Any) -> Any:
        if timeline.of == "tasks":
            asked[name, len(rows) == len(timeline.tasks)] += 1
        return plain_person(timeline, name, column, signature, rows, *days)

    monkeypatch.setattr(lists, "_pairs", pairs)
    monkeypatch.setattr(people, "of_person", of_person)
    run_audit(load)
    assert joined == {"products": 1, "lots": 1, "manuals": 1}
    assert asked["performer.authorisation", True] == 1
    assert {times for (_, whole), times in asked.items() if whole} == {1}
