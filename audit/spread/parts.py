"""Parts of an export: written as Parquet files, read back, judged, and their cases numbered as in the whole."""

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
from audit.forms import form_of
from audit.forms.judging import judge_part_by_week
from audit.forms.outcomes import NONE, Outcomes
from audit.intake.export import Export, later_among, renumbered
from audit.intake.quarantine import no_rejects
from audit.language.rule import Rule
from audit.timeline.coverage import fleet_habit, recorded_until
from audit.timeline.instants import Ints, stamp
from audit.timeline.timeline import Timeline, build_timeline

LARGE: Final = ("tasks", "flights", "components")
"""Tables of which a part has its own rows; of the others, which are lists, it has all."""
_PACKAGE: Final = "deicer-audit"
_ROW: Final = "row in the whole"
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
    `since`, `fleet_habit` and `recorded_until`, and the version that judges."""

    version: str
    words: Mapping[tuple[str, str], pd.Index]
    as_of: int
    since: int
    fleet_habit: int
    recorded_until: int

    @classmethod
    def of(cls, export: Export, timeline: Timeline) -> Whole:
        """What is so of this export."""
        words = {
            (table, column): export.tables[table][column].cat.categories
            for table, column in _SAME_CODES
            if column in export.tables.get(table, ())
        }
        return cls(
            version(_PACKAGE), words, timeline.as_of, timeline.since, fleet_habit(timeline), recorded_until(timeline)
        )


@dataclass(frozen=True, eq=False)
class Part:
    """A part of an export: its large tables lie in `folder`, everything else is in `rest`.

    `rest` numbers the part's own rows. `audited` is how many task records the whole has; `aside` numbers those of its
    records set aside that are the part's.
    """

    folder: Path
    rest: Export
    dtypes: Mapping[str, Mapping[str, Any]]
    audited: int
    aside: Ints
    whole: Whole


def write_part(folder: Path, export: Export, rows: Rows, aside: Rows, whole: Whole) -> Part:
    """Write the `rows` of an export's large tables into a new folder, with the rows `aside` of those set aside.

    AuditError where they can't be written.
    """
    dtypes: dict[str, dict[str, Any]] = {}
    try:
        folder.mkdir()
        for table, mine in rows.items():
            dtypes[table] = _write(folder / f"{table}.parquet", table, export.tables[table].iloc[mine], mine, whole)
    except OSError as fault:
        raise AuditError(f"A part of the export can't be written to {folder.parent}: {fault}") from None
    return Part(
        folder,
        _rest(export, rows, aside),
        dtypes,
        len(export.tables["tasks"]),
        aside.get("tasks", np.empty(0, np.int64)),
        whole,
    )


def _write(path: Path, table: str, frame: pd.DataFrame, rows: Ints, whole: Whole) -> dict[str, Any]:
    """Write a part of one table; returns the dtypes of its columns, save those of words, which Parquet keeps."""
    frame = frame.assign(**{_ROW: rows})
    for name in frame.select_dtypes("category"):
        if (table, name) not in whole.words:
            frame[name] = frame[name].cat.remove_unused_categories()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), path)
    return {str(name): dtype for name, dtype in frame.dtypes.items() if not isinstance(dtype, pd.CategoricalDtype)}


def _rest(export: Export, rows: Rows, aside: Rows) -> Export:
    """The export without its large tables and all that isn't judged; what is in doubt numbered as in the part."""

    def mine(table: str, numbers: Ints) -> Ints:
        return renumbered(numbers, rows[table]) if table in rows else numbers

    def by_column(found: Mapping[tuple[str, str], Ints]) -> dict[tuple[str, str], Ints]:
        return {(table, column): mine(table, numbers) for (table, column), numbers in found.items()}

    return replace(
        export,
        tables={name: frame for name, frame in export.tables.items() if name not in rows},
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


def judged_part(part: Part, rules: Sequence[Rule]) -> list[tuple[Outcomes, pd.DataFrame]]:
    """Judge the rules on a part, as `judge_by_week` does; the rows of the cases are numbered as in the whole.

    AuditError where the part can't be read, as by a machine that does not have its folder.
    """
    if (mine := version(_PACKAGE)) != part.whole.version:
        raise AuditError(f"A worker has {_PACKAGE} {mine}, but the check is made with {part.whole.version}.")
    tables, rows = {}, {}
    for table, dtypes in part.dtypes.items():
        tables[table], rows[table] = _read(part, table, dtypes)
    export = replace(part.rest, tables={**part.rest.tables, **tables})
    timeline = replace(
        build_timeline(export, stamp(part.whole.as_of)),
        since=part.whole.since,
        fleet_habit=part.whole.fleet_habit,
        recorded_until=part.whole.recorded_until,
    )
    rows["tasks"] = np.concatenate((rows["tasks"], part.audited + part.aside))
    found = ((rule, *judge_part_by_week(rule, timeline)) for rule in rules)
    return [(_as_in_whole(rule, outcomes, rows), weeks) for rule, outcomes, weeks in found]


def _read(part: Part, table: str, dtypes: Mapping[str, Any]) -> tuple[pd.DataFrame, Ints]:
    path = part.folder / f"{table}.parquet"
    try:
        frame = pq.read_table(path).to_pandas().astype(dtypes)
    except (OSError, pa.ArrowException) as fault:
        raise AuditError(
            f"A worker can't read {path}: {fault}. Every machine has to see the folder of the parts under the same "
            "path: say one that they share with --shared."
        ) from None
    for name in frame.select_dtypes("category"):
        words = part.whole.words.get((table, str(name)))
        if words is None and frame[name].cat.categories.empty:
            words = pd.Index([], dtype="str")  # which Parquet has forgotten
        if words is not None:
            frame[name] = frame[name].cat.set_categories(words)
    return frame.drop(columns=_ROW), frame[_ROW].to_numpy()


def _as_in_whole(rule: Rule, outcomes: Outcomes, rows: Rows) -> Outcomes:
    """The outcomes with the rows of their cases numbered as in the whole; aircraft and positions are already."""
    tables = {"task": "tasks", "named_by": "tasks", "ended_by": "tasks", "component": "components", "flight": "flights"}
    tables |= form_of(rule).rows(rule)
    cases = outcomes.cases
    renumbered = {
        column: np.where(
            cases[column] >= 0, np.append(rows[table], NONE)[np.maximum(cases[column], NONE)], cases[column]
        )
        for column, table in tables.items()
        if table in rows
    }
    return replace(outcomes, cases=cases.assign(**renumbered))
