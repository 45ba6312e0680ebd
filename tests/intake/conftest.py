"""Small exports on disk: sound by default, so that each test spells out only what is wrong."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

TASK = {
    "task_id": "T1",
    "work_order": "W1",
    "aircraft": "A1",
    "action": "apply",
    "station": "NORTH",
    "started_at": "2024-01-10T08:00:00Z",
    "finished_at": "2024-01-10T09:00:00Z",
}
FLIGHT = {
    "flight_id": "F1",
    "aircraft": "A1",
    "takeoff_at": "2024-01-11T08:00:00Z",
    "landing_at": "2024-01-11T09:00:00Z",
}
COMPONENT = {
    "component_serial": "C1",
    "aircraft": "A1",
    "position": "fin",
    "material": "chloroprene",
    "installed_at": "2023-01-01",
}
STATION = {"station": "NORTH", "timezone": "Europe/Berlin"}


def as_csv(*rows: Mapping[str, str]) -> str:
    """The rows as CSV text, with the columns of all of them."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


Write = Callable[[Mapping[str, str | bytes]], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write an export folder: file name -> content. A sound tasks.csv is added where there is no tasks file."""

    def write_files(files: Mapping[str, str | bytes]) -> Path:
        if not any(name.lower().startswith("tasks.") for name in files):
            files = {"tasks.csv": as_csv(TASK), **files}
        for name, content in files.items():
            (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        return tmp_path

    return write_files
