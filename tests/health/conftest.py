"""An export that is whole, or spoilt to order, and the run before it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from audit.health.earlier import Earlier
from audit.intake.export import Export
from audit.intake.reading import read_rows
from tests.health.whole import DAYS, Tables, earlier_of, rows


@pytest.fixture(scope="session")
def yesterday() -> Earlier:
    """The run of the night before, one day of records shorter."""
    return earlier_of(read_rows(rows(DAYS - 1)))


@pytest.fixture(scope="session")
def export_with() -> Callable[..., Export]:
    """Return the maker of tonight's export; `change` may spoil its rows first."""

    def made(change: Callable[[Tables], Any] = lambda tables: None) -> Export:
        tables = rows()
        change(tables)
        return read_rows(tables)

    return made
