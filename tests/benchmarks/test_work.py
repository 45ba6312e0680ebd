"""What a check does of the costly things, counted: time would tell of the machine as well."""

from __future__ import annotations

import gc
import tracemalloc
import weakref
from collections import Counter
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from audit.forms.judging import judge_by_week
from audit.options import AuditOptions
from audit.pipeline import read_in, traced_audit
from audit.timeline.timeline import Timeline, build_timeline
from benchmarks.load import write_load
from benchmarks.run import six_rules

ARRAYS = {
    "flight-before-cure": 14,
    "ice-adhesion-treatment-not-last": 11,
    "ice-adhesion-treatment-overdue": 20,
    "ppe-sign-off-missing": 4.5,
    "preservative-on-wrong-material": 2,
    "product-before-cure": 7,
}
"""How many arrays of 8 bytes a record are held at once while a rule is judged, at most; measured, and a little more."""
SORTS = {"flight-before-cure": 4}
"""How many times a rule sorts as much as all records; one judged later finds sorted what it shares."""


@pytest.fixture(scope="module")
def options(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, AuditOptions]:
    """A load of 43,614 records and 55,134 flights, and the six main rules."""
    folder = tmp_path_factory.mktemp("load")
    write_load(folder / "export", "parquet", 40, 460)
    (folder / "rules").mkdir()
    six_rules(folder / "rules")
    return folder / "export", AuditOptions(rules=folder / "rules")


def _placed(asked: tuple[Path, AuditOptions]) -> tuple[Any, Timeline]:
    rulebook, export, as_of = read_in(*asked)
    return rulebook, build_timeline(export, as_of)


def test_a_column_is_read_once(options: tuple[Path, AuditOptions], monkeypatch: pytest.MonkeyPatch) -> None:
    """By itself, so that an export is not held as it was written, which takes several times what is made of it; and
    however many rules ask for it. Texts that no rule reads are not read."""
    read: Counter[tuple[str, str]] = Counter()
    reading = pq.ParquetFile.read

    def counted(self: pq.ParquetFile, columns: Collection[str], **more: Any) -> Any:
        [name] = columns
        read[self.schema_arrow.names[0], name] += 1
        return reading(self, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read", counted)
    read_in(*options)
    assert {("task_id", "product"), ("flight_id", "takeoff_at")} <= read.keys()
    assert set(read.values()) == {1}
    assert ("task_id", "description") not in read


def test_what_is_sorted_is_sorted_once(options: tuple[Path, AuditOptions], monkeypatch: pytest.MonkeyPatch) -> None:
    """Sorting is the costly step: few rules sort as much as all records, and those that follow sort nothing again."""
    rulebook, timeline = _placed(options)
    many, sorts = len(timeline.tasks) // 2, Counter[str]()

    def counting(name: str, sort: Callable[..., Any]) -> Callable[..., Any]:
        def counted(keys: Any, *rest: Any, **more: Any) -> Any:
            sorts[rule.id] += np.size(keys[0] if name == "lexsort" else keys) > many
            return sort(keys, *rest, **more)

        return counted

    for name in ("argsort", "lexsort", "sort", "unique"):
        monkeypatch.setattr(np, name, counting(name, getattr(np, name)))
    for rule in rulebook.rules:
        judge_by_week(rule, timeline)
    assert {rule: count for rule, count in sorts.items() if count} == SORTS


def test_few_arrays_are_as_long_as_the_export(options: tuple[Path, AuditOptions]) -> None:
    """What a rule holds at once grows with the records: this many numbers for each of them."""
    rulebook, timeline = _placed(options)
    held = {}
    for rule in rulebook.rules:
        tracemalloc.start()
        try:
            judge_by_week(rule, timeline)
            held[rule.id] = tracemalloc.get_traced_memory()[1] / 8 / len(timeline.tasks)
        finally:
            tracemalloc.stop()
    assert held.keys() == ARRAYS.keys()
    assert {rule: arrays for rule, arrays in held.items() if arrays > ARRAYS[rule]} == {}


def test_a_report_is_written_without_the_export(options: tuple[Path, AuditOptions]) -> None:
    """Once nobody holds the audit any more, the records are gone at once: nothing of them refers to itself."""
    audited = traced_audit(*options)
    timeline, export = weakref.ref(audited.timeline), weakref.ref(audited.export)
    gc.disable()  # as the command line does
    try:
        result = audited.with_health()
        del audited
        assert (timeline(), export()) == (None, None)
    finally:
        gc.enable()
    assert len(result.findings)
