"""Parts of an export: judged apart, their cases numbered as in the whole; written as Parquet files and read back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from audit.errors import AuditError
from audit.evidence.treatments import aircraft_of_work_orders
from audit.forms import form_of
from audit.forms.judging import judge_part_by_week, what_comes
from audit.forms.outcomes import Outcomes
from audit.intake.export import Export, later_among, renumbered
from audit.intake.quarantine import no_rejects
from audit.intake.words import of_used_words
from audit.language.rule import Rule
from audit.timeline.codes import MISSING
from audit.timeline.coverage import fleet_habit, recorded_until
from audit.timeline.instants import Ints, stamp
from audit.timeline.timeline import Timeline, build_timeline

LARGE: Final = ("tasks", "flights", "components")
"""Tables of which a part has its own rows; of the others, which are lists, it has all."""
_PACKAGE: Final = "deicer-audit"
_SAME_CODES: Final = (
    ("tasks", "aircraft"),
    ("tasks", "position"),
    ("flights", "aircraft"),
    ("components", "aircraft"),
    ("components", "position"),
)
"""Columns whose words a part has all: from them it numbers aircraft and positions as the whole does."""

Rows = Mapping[str, Ints]
"""The rows of each large table."""


@dataclass(frozen=True)
class Whole:
    """What the parts of an export have to know of the whole: the words of _SAME_CODES, what Timeline says of `as_of`,
    `since`, `fleet_habit`, `recorded_until` and `orders_elsewhere`, and the version that judges."""

    version: str
    words: Mapping[tuple[str, str], pd.Index]
    as_of: int
    since: int
    fleet_habit: int
    recorded_until: int
    orders_elsewhere: pd.DataFrame

    @classmethod
    def of(cls, export: Export, timeline: Timeline) -> Whole:
        """What is so of this export."""
        words = {
            (table, column): export.tables[table][column].cat.categories
            for table, column in _SAME_CODES
            if column in export.tables.get(table, ())
        }
        return cls(
            version(_PACKAGE),
            words,
            timeline.as_of,
            timeline.since,
            fleet_habit(timeline),
            recorded_until(timeline),
            _orders_of_any(timeline),
        )


def _orders_of_any(timeline: Timeline) -> pd.DataFrame:
    """The work orders, with their aircraft, of records that name no aircraft: every part has such a record, and not the
    others of its work order."""
    of_any = timeline.work_orders(np.flatnonzero(timeline.aircraft == MISSING))
    order, aircraft = aircraft_of_work_orders(timeline)
    asked = np.isin(order, of_any)
    names = timeline.tasks["work_order"].cat.categories.take(order[asked])
    return pd.DataFrame({"work_order": names, "aircraft": aircraft[asked]})


@dataclass(frozen=True)
class Judged:
    """What a rule says of an export, or of a part of it: its outcomes, what was judged by station and week
    (WEEK_COLUMNS), and what comes next (see `coming`; None where nobody asked)."""

    outcomes: Outcomes
    weeks: pd.DataFrame
    coming: pd.DataFrame | None


@dataclass(frozen=True, eq=False)
class Part:
    """A part of an export, whose rows it numbers as its own.

    `rows` are those of its large tables in the whole, `aside` those of its task records set aside; `audited` is how
    many task records the whole has.
    """

    export: Export
    rows: Rows
    audited: int
    aside: Ints
    whole: Whole


@dataclass(frozen=True, eq=False)
class StoredPart:
    """A part whose large tables lie in `folder`, with columns of these dtypes; everything else is in `rest`."""

    folder: Path
    rest: Part
    dtypes: Mapping[str, Mapping[str, Any]]


def part_of(export: Export, rows: Rows, aside: Rows, whole: Whole) -> Part:
    """The `rows` of an export's large tables, with the rows `aside` of those set aside, and all of its lists."""
    own = {}
    for table, its in rows.items():
        # Words that number aircraft or positions stay, so that the part numbers them as the whole does.
        numbering = [column for name, column in whole.words if name == table]
        own[table] = of_used_words(export.tables[table].iloc[its], but=numbering)

    def mine(table: str, numbers: Ints) -> Ints:
        return renumbered(numbers, rows[table]) if table in rows else numbers

    def by_column(found: Mapping[tuple[str, str], Ints]) -> dict[tuple[str, str], Ints]:
        return {(table, column): mine(table, numbers) for (table, column), numbers in found.items()}

    part = replace(
        export,
        tables={**export.tables, **{name: frame.reset_index(drop=True) for name, frame in own.items()}},
        later=later_among(export.later, rows["tasks"]),
        rejects=no_rejects(),
        counts={},
        files={},
        sources=(),
        origins={},
        faults=no_rejects(),
        unreadable=by_column(export.unreadable),
        set_aside={
            name: frame.iloc[aside[name]].reset_index(drop=True) if name in aside else frame
            for name, frame in export.set_aside.items()
        },
        date_only=by_column(export.date_only),
        listed_twice=mine("flights", export.listed_twice),
        contradicted_hours=mine("flights", export.contradicted_hours),
        several_names=by_column(export.several_names),
        dropped=no_rejects(),
        as_first_made=None,
    )
    return Part(part, rows, len(export.tables["tasks"]), aside.get("tasks", np.empty(0, np.int64)), whole)


def write_part(folder: Path, part: Part) -> StoredPart:
    """Write a part's large tables into a new folder. AuditError where they can't be written."""
    tables, dtypes = dict(part.export.tables), {}
    try:
        folder.mkdir()
        for table in part.rows:
            dtypes[table] = _write(folder / f"{table}.parquet", tables.pop(table))
    except OSError as fault:
        raise AuditError(f"A part of the export can't be written to {folder.parent}: {fault}") from None
    return StoredPart(folder, replace(part, export=replace(part.export, tables=tables)), dtypes)


def _write(path: Path, frame: pd.DataFrame) -> dict[str, Any]:
    """Write one table; returns the dtypes of its columns, save those of words, which Parquet keeps."""
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), path)
    return {str(name): dtype for name, dtype in frame.dtypes.items() if not isinstance(dtype, pd.CategoricalDtype)}


def judge_stored(stored: StoredPart, rules: Sequence[Rule], *, ahead: bool) -> list[Judged]:
    """As `judge_part`; AuditError where the part can't be read, as by a machine that does not have its folder."""
    part = stored.rest
    if (mine := version(_PACKAGE)) != part.whole.version:
        raise AuditError(f"A worker has {_PACKAGE} {mine}, but the check is made with {part.whole.version}.")
    tables = {table: _read(stored, table, dtypes) for table, dtypes in stored.dtypes.items()}
    return judge_part(
        replace(part, export=replace(part.export, tables={**part.export.tables, **tables})), rules, ahead=ahead
    )


def _read(stored: StoredPart, table: str, dtypes: Mapping[str, Any]) -> pd.DataFrame:
    path = stored.folder / f"{table}.parquet"
    try:
        frame: pd.DataFrame = pq.read_table(path).to_pandas().astype(dtypes)
    except (OSError, pa.ArrowException) as fault:
        raise AuditError(
            f"A worker can't read {path}: {fault}. Every machine has to see the folder of the parts under the same "
            "path: say one that they share with --shared."
        ) from None
    for name in frame.select_dtypes("category"):
        words = stored.rest.whole.words.get((table, str(name)))
        if words is None and frame[name].cat.categories.empty:
            words = pd.Index([], dtype="str")  # which Parquet has forgotten
        if words is not None:
            frame[name] = frame[name].cat.set_categories(words)
    return frame


def judge_part(part: Part, rules: Sequence[Rule], *, ahead: bool) -> list[Judged]:
    """What each rule says of a part, and, looking `ahead`, what comes; rows are numbered as in the whole."""
    timeline = replace(
        build_timeline(part.export, stamp(part.whole.as_of)),
        since=part.whole.since,
        fleet_habit=part.whole.fleet_habit,
        recorded_until=part.whole.recorded_until,
        orders_elsewhere=part.whole.orders_elsewhere,
    )
    rows = {**part.rows, "tasks": np.concatenate((part.rows["tasks"], part.audited + part.aside))}

    def judged(rule: Rule) -> Judged:
        outcomes, weeks = judge_part_by_week(rule, timeline)
        cases = _as_in_whole(outcomes.cases, _TABLES_OF_CASES | dict(form_of(rule).rows(rule)), rows)
        coming = _as_in_whole(_of_own(timeline, what_comes(rule, timeline)), _TABLES_OF_COMING, rows) if ahead else None
        return Judged(replace(outcomes, cases=cases), weeks, coming)

    return [judged(rule) for rule in rules]


def _of_own(timeline: Timeline, coming: pd.DataFrame) -> pd.DataFrame:
    """What comes for the aircraft of a part: every part has the records that name none, and so may be of any."""
    own = timeline.has_rows[timeline.aircraft_of(coming["place"].to_numpy(np.int64))]
    return coming[own].reset_index(drop=True)


_TABLES_OF_CASES: Final = {
    "task": "tasks",
    "named_by": "tasks",
    "ended_by": "tasks",
    "component": "components",
    "flight": "flights",
}
_TABLES_OF_COMING: Final = {"subject": "tasks", "task": "tasks", "component": "components"}


def _as_in_whole(frame: pd.DataFrame, tables: Mapping[str, str], rows: Rows) -> pd.DataFrame:
    """The same with the rows that columns number as in the whole; aircraft and positions are already."""

    def renumbered(numbers: Ints, table: str) -> Ints:
        known = numbers >= 0
        return np.where(known, rows[table][np.where(known, numbers, 0)], numbers) if known.any() else numbers

    there = {column: table for column, table in tables.items() if table in rows} if len(frame) else {}
    return frame.assign(**{column: renumbered(frame[column].to_numpy(), table) for column, table in there.items()})
