"""The columns a rule may name: a task record joined, as of its own time, with everything known about it.

A plain name is a column of the task record itself or is worked out from it; a dotted name belongs to the row that the
record is joined with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from audit.intake.tables import (
    ALTERATIONS,
    COMPONENTS,
    CORRECTION_STATES,
    CORRECTIONS,
    LOTS,
    MANUALS,
    PEOPLE,
    PRODUCTS,
    TASKS,
    Column,
    Table,
)


@dataclass(frozen=True)
class RecordColumn:
    """A column that conditions may use; `table` is the canonical table that it comes from."""

    column: Column
    table: str

    @property
    def kind(self) -> str:
        """How its values compare: see `audit.intake.tables.Kind`."""
        return self.column.kind

    @property
    def label(self) -> str:
        """What people call it."""
        return self.column.label


def _columns(prefix: str, table: Table, *columns: Column | str) -> dict[str, RecordColumn]:
    found = [table.columns[column] if isinstance(column, str) else column for column in columns]
    return {f"{prefix}.{column.name}": RecordColumn(column, table.name) for column in found}


def _person(prefix: str) -> dict[str, RecordColumn]:
    # Several entries may be valid on one day: their values stand in one cell, as a list.
    columns = [PEOPLE.columns[name] for name in ("authorisation", "certificate_number", "certificate_kind")]
    columns.append(Column("certificates", "codes", "certificates with their kinds"))
    as_lists = (replace(column, kind="codes", label=f"{prefix}'s {column.label}") for column in columns)
    return _columns(prefix, PEOPLE, *as_lists)


VOCABULARY: Mapping[str, RecordColumn] = {
    **{name: RecordColumn(column, TASKS.name) for name, column in TASKS.columns.items()},
    "work_date": RecordColumn(Column("work_date", "date", "local date of the work"), TASKS.name),
    "work_minutes": RecordColumn(Column("work_minutes", "number", "minutes from start to end of the work"), TASKS.name),
    "signed_after_minutes": RecordColumn(
        Column("signed_after_minutes", "number", "minutes from end of the work to signature"),
        TASKS.name,
    ),
    "position_count": RecordColumn(Column("position_count", "count", "number of positions named"), TASKS.name),
    "certificate": RecordColumn(Column("certificate", "code", "certificate with its kind"), TASKS.name),
    "product_class": RecordColumn(PRODUCTS.columns["product_class"], PRODUCTS.name),
    **_columns("product", PRODUCTS, "product", "approval", "hazard_codes"),
    **_columns(
        "component",
        COMPONENTS,
        "component_serial",
        "material",
        "finish",
        "part_number",
        "installed_at",
    ),
    **_columns("lot", LOTS, "lot", "expires_on", "opened_on"),
    **_columns("manual", MANUALS, "revision", "effective_from", "superseded_on"),
    **_person("performer"),
    **_person("certifier"),
    **_columns(
        "correction",
        CORRECTIONS,
        *(name for name in CORRECTIONS.columns if name != "task_id"),
        Column("state", "choice", "state of the correction", choices=CORRECTION_STATES[:3]),
    ),
    **_person("corrector"),
    **_columns(
        "alteration",
        ALTERATIONS,
        *(name for name in ALTERATIONS.columns if name != "task_id"),
        Column("correction", "id", "correction that says the same"),
        Column("in_export", "choice", "whether the record is in the export", choices=("yes", "no")),
        Column("hours_late", "number", "hours from the end of the work to an audit that did not have it"),
    ),
}
"""Every column that a condition may name.

work_date: the calendar day, at the station, on which the work started. work_minutes: finished_at minus started_at.
signed_after_minutes: signed_at minus finished_at, negative where signed before. position_count: how many positions the
record names; missing where it names none, or `all`. certificate: number and kind that the record gives, as one text,
missing where either is; `performer.certificates` and `certifier.certificates` list such texts.

Dotted columns are missing where the joined row isn't listed (`product.product`, `lot.lot` and `manual.revision` are
`present` exactly where it is). What a performer holds is what is valid on the day of the work, what a certifier holds
on the day of the signature, or, where it isn't recorded, on the day on which the work ended: both by the clock of the
station.

Only a rule of corrections may name `correction.` columns and what the corrector held on the day of the correction, by
the clock of the record's station. `correction.state` is `in the export` (the record has the new value already), `laid
over` or `does not fit`. Only a rule of alterations may name `alteration.` columns: `correction` is the id of one that
says the same, `in_export` whether the record is there now, `hours_late` how long before the last audit that did
not have the record its work had ended.
"""

ONLY_OF: Mapping[str, str] = {"correction": "corrections", "corrector": "corrections", "alteration": "alterations"}
"""The prefixes of columns that only a rule of one table may name, and that table."""
