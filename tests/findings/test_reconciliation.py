"""Every row of every file is accounted for, from what was read to what a rule used."""

from __future__ import annotations

from dataclasses import replace

import pytest

from audit.errors import InternalError
from audit.findings.reconciliation import FileReconciled, reconcile
from audit.intake.reading import read_rows
from audit.language.rule import Rule
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder
from audit.timeline.timeline import build_timeline

TASK = {
    "work_order": "W-1",
    "aircraft": "TARN-1",
    "action": "apply",
    "station": "Mossgate",
    "started_at": "2026-01-05T10:00Z",
    "finished_at": "2026-01-05T11:00Z",
    "product": "RP-1",
}
ROWS = {
    "tasks": [
        TASK | {"task_id": "T-1"},
        TASK | {"task_id": "T-1"},
        TASK | {"task_id": "T-2", "action": "inspect"},
        TASK | {"task_id": "T-3", "finished_at": "soon", "action": "polish"},
        TASK | {"task_id": "T-4", "status": "open"},
        dict.fromkeys((*TASK, "task_id"), " "),
    ],
    "products": [
        {"product": "RP-1", "product_class": "rubber-preservative"},
        {"product": "RP-2", "product_class": "rubber-preservative"},
    ],
    "lots": [{"lot": "L-1", "product": "RP-1"}],
}


@pytest.fixture(scope="module")
def wrong_material() -> tuple[Rule, ...]:
    """The rule about preservative on the wrong material: it reads tasks, products and components."""
    return tuple(rule for rule in load_rules(rules_folder()).rules if rule.id == "preservative-on-wrong-material")


def test_each_row_is_counted_once(wrong_material: tuple[Rule, ...]) -> None:
    """A row of two faults counts by its first; blank, repeated and unused rows are told apart."""
    export = read_rows(ROWS)
    tasks, products, lots = reconcile(export, build_timeline(export), wrong_material)
    assert (tasks.read, tasks.blank, tasks.duplicate, tasks.quarantined, tasks.audited) == (6, 1, 1, 1, 3)
    assert sum(tasks.reasons.values()) == 1
    assert tasks.used == 1
    assert products == FileReconciled("products", "products", 2, 0, 0, 0, 2, used=1)
    assert lots.used == 0


def test_without_rules_nothing_is_used() -> None:
    """No rule, no use: the rows are accounted for all the same."""
    export = read_rows(ROWS)
    assert [(file.read, file.used) for file in reconcile(export, build_timeline(export), ())] == [
        (6, 0),
        (2, 0),
        (1, 0),
    ]


def test_rows_left_out_by_a_mapping_are_told(wrong_material: tuple[Rule, ...]) -> None:
    """They are not rows read of this table, and stand beside them."""
    export = read_rows(ROWS)
    (rows,) = export.files["tasks"]
    filtered = replace(export, files={**export.files, "tasks": (replace(rows, left_out=9),)})
    tasks, products, _ = reconcile(filtered, build_timeline(export), wrong_material)
    assert (tasks.read, tasks.left_out, products.left_out) == (6, 9, 0)


@pytest.mark.parametrize(("read", "audited"), [(7, 3), (5, 2)])
def test_numbers_that_do_not_add_up_stop_the_run(read: int, audited: int, wrong_material: tuple[Rule, ...]) -> None:
    """A row too many or too few is a defect of the program, never a report."""
    export = read_rows(ROWS)
    (rows,) = export.files["tasks"]
    spoilt = replace(export, files={**export.files, "tasks": (replace(rows, read=read, audited=audited),)})
    with pytest.raises(InternalError, match="tasks"):
        reconcile(spoilt, build_timeline(export), wrong_material)
