"""An example of a rule as a small export, read by the same intake as any other.

Rows name only what matters. Defaults: task records T1, T2 ... of work order W1 on aircraft A1, `apply` at station S1
(UTC), position `left wing`, closed, ended ten minutes after they started, by person P1; flights F1, F2 ... of A1 that
last as long as their hours say, else one hour; boot C1, chloroprene and black, at `left wing` of A1 since 2000; one
approved product for each class, named as its class; stations S1 (UTC), S2 (Europe/Berlin) and S3 (America/New_York);
corrections K1, K2 ... of task record T1, made and signed by P2 for the reason `misread`; alterations of T1, `altered`,
first seen on 1 July 2025. A cell of null takes a default away.

It is looked at a day after the last instant of which it tells, or at `as_of`: by then a job is over, whatever it lacks.

Flights, components, products and stations are supplied unless named in `not_supplied: [components]`; lots, people,
manuals, corrections and alterations only where the example gives them. An empty list is a table that is supplied and
has no rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

from audit.errors import AuditError
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.intake.tables import ALTERATIONS, PRODUCT_CLASSES, TABLES
from audit.language.rule import Example
from audit.timeline.instants import DAY, stamp
from audit.timeline.timeline import latest_instant

_TASK = {
    "work_order": "W1",
    "aircraft": "A1",
    "action": "apply",
    "station": "S1",
    "position": "left wing",
    "status": "closed",
    "performed_by": "P1",
}
_FLIGHT = {"aircraft": "A1"}
_COMPONENT = {
    "component_serial": "C1",
    "aircraft": "A1",
    "position": "left wing",
    "material": "chloroprene",
    "finish": "black",
    "installed_at": "2000-01-01T00:00:00Z",
}
_PRODUCTS = [{"product": name, "product_class": name, "approval": "approved"} for name in PRODUCT_CLASSES]
_CORRECTION = {"task_id": "T1", "made_by": "P2", "signed_by": "P2", "reason": "misread"}
_ALTERATION = {"task_id": "T1", "what": "altered", "first_seen": "2025-07-01T00:00:00Z"}
_STATIONS = [
    {"station": "S1", "timezone": "UTC"},
    {"station": "S2", "timezone": "Europe/Berlin"},
    {"station": "S3", "timezone": "America/New_York"},
]

Row = Mapping[str, Any]


def example_export(example: Example) -> Export:
    """Make the export of an example."""
    rows = example_rows(example)
    # What an example leaves out is blank, not a column that its export lacks.
    whole = {name: [dict.fromkeys(TABLES[name].columns, "") | row for row in rows[name]] for name in rows}
    return read_rows(whole, _as_of_said(example))


def as_of_example(example: Example, export: Export) -> pd.Timestamp:
    """When an example is looked at, by its export: as it says, else a day after the last instant of which it tells."""
    return _as_of_said(example) or stamp(latest_instant(export) + DAY)


def _as_of_said(example: Example) -> pd.Timestamp | None:
    if example.as_of is None:
        return None
    as_of = pd.Timestamp(example.as_of)
    return as_of.tz_localize("UTC") if as_of.tzinfo is None else as_of


def example_alterations(example: Example) -> pd.DataFrame | None:
    """What a register has seen, in an example; None where it has none. AuditError where a time can't be read."""
    if example.alterations is None:
        return None
    rows = [dict.fromkeys(ALTERATIONS.columns, "") | row for row in alteration_rows(example)]
    frame = pd.DataFrame(rows, columns=[*ALTERATIONS.columns])
    try:
        seen = pd.to_datetime(frame["first_seen"], utc=True, format="ISO8601")
    except ValueError as error:
        raise AuditError(f"example {example.name!r}: alterations: {error}") from None
    return frame.where(frame != "").assign(first_seen=seen.astype("datetime64[us, UTC]"))


def alteration_rows(example: Example) -> list[dict[str, str]]:
    """What a register has seen, in an example, defaults filled in."""
    return [_cells({**_ALTERATION, **row}) for row in example.alterations or ()]


def example_rows(example: Example) -> dict[str, list[dict[str, str]]]:
    """The rows of each table that an example supplies, defaults filled in, cells as text and blank ones left out."""
    tables = {"tasks": [_task(number, row) for number, row in enumerate(example.tasks, 1)]}
    components = [{}] if example.components is None else example.components
    supplied: dict[str, Sequence[Row] | None] = {
        "flights": [_flight(number, row) for number, row in enumerate(example.flights, 1)],
        "components": [{**_COMPONENT, **row} for row in components],
        "products": _PRODUCTS if example.products is None else example.products,
        "stations": _STATIONS if example.stations is None else example.stations,
        "lots": example.lots,
        "people": example.people,
        "manuals": example.manuals,
        "corrections": None
        if example.corrections is None
        else [
            {"correction_id": f"K{number}", **_CORRECTION, **row} for number, row in enumerate(example.corrections, 1)
        ],
    }
    for name, rows in supplied.items():
        if rows is not None and name not in example.not_supplied:
            tables[name] = [_cells(row) for row in rows]
    return tables


def _task(number: int, row: Row) -> dict[str, str]:
    merged = {"task_id": f"T{number}", **_TASK, **row}
    merged.setdefault("finished_at", _later(merged.get("started_at"), timedelta(minutes=10)))
    return _cells(merged)


def _flight(number: int, row: Row) -> Row:
    merged = {"flight_id": f"F{number}", **_FLIGHT, **row}
    merged.setdefault("landing_at", _later(merged.get("takeoff_at"), _flown(merged.get("flight_hours"))))
    return merged


def _flown(hours: Any) -> timedelta:
    """How long a flight of so many hours lasts; an hour where it doesn't say."""
    try:
        return timedelta(hours=float(hours))
    except (TypeError, ValueError, OverflowError):
        return timedelta(hours=1)


def _later(started: Any, duration: timedelta) -> str | None:
    if started is None:
        return None
    try:
        return (datetime.fromisoformat(str(started)) + duration).isoformat()
    except (ValueError, OverflowError):
        return str(started)  # for intake to refuse, as in any export


def _cells(row: Row) -> dict[str, str]:
    return {name: str(value) for name, value in row.items() if value is not None}
