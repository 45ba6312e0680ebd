"""Rows of small exports for the tests of the timeline, spelling out only what matters."""

from __future__ import annotations


def task(number: int = 1, **cells: str) -> dict[str, str]:
    """A record of an hour's work on A1 at S1."""
    default = {
        "task_id": f"T{number}",
        "work_order": "W1",
        "aircraft": "A1",
        "action": "apply",
        "station": "S1",
        "started_at": "2025-06-02T09:00:00Z",
        "finished_at": "2025-06-02T10:00:00Z",
    }
    return default | cells
