"""From the rows of the export's files to the rows that rules used: every row accounted for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from audit.errors import InternalError
from audit.evidence.conditions import FALSE, judge, without_component
from audit.forms import form_of
from audit.forms.reads import tables_read
from audit.intake.export import Export
from audit.intake.parsing import BLANK
from audit.intake.tables import TABLES
from audit.language.rule import Rule
from audit.timeline.instants import Bools, micros
from audit.timeline.timeline import Timeline

NAMED_BY: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "products": ("product", ("product",)),
    "stations": ("station", ("station",)),
    "lots": ("lot", ("lot",)),
    "people": ("person", ("performed_by", "certified_by")),
    "manuals": ("manual", ("manual",)),
}
"""The column of a list, and the columns of task records that name its rows."""

_BEGAN: Final[Mapping[str, str]] = {"flights": "takeoff_at", "components": "installed_at", "corrections": "made_at"}
"""When a row of other tables began to count."""


@dataclass(frozen=True)
class FileReconciled:
    """The rows that one file gave to one table: read = blank + duplicate + quarantined + audited.

    `blank` ones are blank in every column that a row needs; `duplicate` ones repeat the key of another; the other
    `quarantined` ones are counted by their first fault in `reasons`. `used` of the audited ones were used by at least
    one rule (see `reconcile`). `left_out` rows stand in the file and aren't read for this table, as the mapping says.
    """

    table: str
    file: str
    read: int
    blank: int
    duplicate: int
    quarantined: int
    audited: int
    used: int
    reasons: Mapping[str, int] = field(default_factory=dict)
    left_out: int = 0


def reconcile(export: Export, timeline: Timeline, rules: Sequence[Rule]) -> tuple[FileReconciled, ...]:
    """Account for every row of every file; InternalError where the numbers don't add up.

    A closed task record begun by the as-of time is used where at least one rule asks for such a record as its subject
    or as evidence (by its scope, or by what it says of other records; what can't be decided counts, and what is said
    of boots is left aside). A flight or component is used where some rule reads its table and it began by the as-of
    time, a row of a list where some rule reads it (stations: always, for their clocks) and a used record names it.
    """
    reconciled = []
    used = _used(timeline, rules)
    for table, files in export.files.items():
        end = 0
        for file in files:
            start, end = end, end + file.audited
            # The line that a duplicate repeats, and what else a reason goes on to say, would make each a kind of its
            # own.
            kind = file.rejects["reason"].str.replace(r"; .*$|(?<=^duplicate) of .*$", "", regex=True)
            here = file.rejects.assign(kind=kind)
            rows = here.groupby("line")
            required = len(TABLES[table].required)
            blank = here["kind"].eq(BLANK).groupby(here["line"]).sum() == required
            kinds = rows["kind"].first()[~blank]
            reasons = {str(kind): int(number) for kind, number in kinds.value_counts().sort_index().items()}
            duplicate = reasons.pop("duplicate", 0)
            one = FileReconciled(
                table=table,
                file=file.file,
                read=file.read,
                blank=int(blank.sum()),
                duplicate=duplicate,
                quarantined=sum(reasons.values()),
                audited=file.audited,
                used=int(used[table][start:end].sum()),
                reasons=reasons,
                left_out=file.left_out,
            )
            if one.read != one.blank + one.duplicate + one.quarantined + one.audited or one.used > one.audited:
                raise InternalError(f"{file.file}: the rows of {table} don't add up: {one}")
            reconciled.append(one)
        if end != len(export.tables[table]):
            raise InternalError(f"{table}: its files have {end} audited rows, the table {len(export.tables[table])}")
    return tuple(reconciled)


def _used(timeline: Timeline, rules: Sequence[Rule]) -> dict[str, Bools]:
    """Which rows of each table at least one rule used."""
    read = frozenset().union(*(tables_read(rule) for rule in rules)) if rules else frozenset()
    records = np.zeros(len(timeline.tasks), bool)
    # Many rules ask for the same records. The least particular question first: where one asks for any record, the
    # others need not be asked.
    asked = {repr(one): one for rule in rules for one in map(without_component, form_of(rule).selects(rule))}
    for conditions in sorted(asked.values(), key=lambda one: len(one.names())):
        left = timeline.rows[~records[timeline.rows]]
        if not len(left):
            break
        records[left[judge(conditions, timeline, left).truth != FALSE]] = True
    used = {"tasks": records}
    for table, frame in timeline.tables.items():
        if table not in TABLES or table == "tasks":
            continue
        if table not in read and table != "stations":
            used[table] = np.zeros(len(frame), bool)
        elif table in NAMED_BY:
            name, columns = NAMED_BY[table]
            used[table] = frame[name].isin(_named(timeline.tasks, records, columns)).to_numpy()
        else:
            used[table] = micros(frame[_BEGAN[table]]) <= timeline.as_of
    return used


def _named(tasks: pd.DataFrame, records: Bools, columns: Iterable[str]) -> set[str]:
    """What some columns of the records name."""
    return {name for column in columns if column in tasks for name in tasks[column].array[records].unique().dropna()}
