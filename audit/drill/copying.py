"""Planted edits in copies of an export: what is written is read by the same intake as any other row."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from audit.drill.fleets import RENAMED, SHARED, copies_of, named
from audit.intake.export import Export, Rows
from audit.intake.reading import read_rows
from audit.planting.planting import Edit
from audit.timeline.timeline import stacked

Row = dict[str, str]


@dataclass(frozen=True)
class Copied:
    """Copies of an export, as one, with edits in them.

    `changed` are the rows that edits changed or added, by table and row, with the numbers of the plantings of each.
    `refused` are the plantings of which intake would set a row aside, or not read a cell, with the reason: nothing of
    them is in it.
    """

    export: Export
    changed: Mapping[tuple[str, int], frozenset[int]]
    refused: Mapping[int, str]


@dataclass
class _Written:
    """The rows of one table as text: those edited, by the row that they take the place of, and new ones below."""

    of: list[int] = field(default_factory=list)
    copy: list[int] = field(default_factory=list)
    new: list[bool] = field(default_factory=list)
    cells: list[Row] = field(default_factory=list)
    by: list[set[int]] = field(default_factory=list)
    place: dict[tuple[int, int], int] = field(default_factory=dict)

    def add(self, edit: Edit, copy: int, by: int) -> None:
        """Add an edit; several of one row are one."""
        key = copy, edit.row
        if not edit.new and key in self.place:
            place = self.place[key]
            self.cells[place] |= edit.cells
            self.by[place].add(by)
            return
        if not edit.new:
            self.place[key] = len(self.of)
        self.of.append(edit.row)
        self.copy.append(copy)
        self.new.append(edit.new)
        self.cells.append(dict(edit.cells))
        self.by.append({by})


def copies_with(export: Export, copies: Sequence[Mapping[int, Sequence[Edit]]], as_of: pd.Timestamp) -> Copied:
    """Put edits into copies of an export: for each copy those of its plantings, by number.

    What the export lacks stays lacking: an edit of a column or table that it does not have changes nothing.
    """
    written: dict[str, _Written] = {}
    for copy, plantings in enumerate(copies):
        for number, edits in plantings.items():
            for edit in edits:
                if edit.table in export.tables and edit.row < len(export.tables[edit.table]):
                    written.setdefault(edit.table, _Written()).add(edit, copy, number)
    texts = {name: _texts(export.tables[name], name, rows) for name, rows in written.items()}
    read = read_rows(_with_references(export, texts, written), as_of)
    lines = {name: read.places(name, np.arange(len(read.tables[name])))["line"].to_numpy() - 1 for name in written}
    return _merged(export, len(copies), read, written, lines)


def _texts(frame: pd.DataFrame, table: str, written: _Written) -> list[Row]:
    """The rows of a table as text, with the edits over them, and the names of their copies."""
    rows = _as_text(frame, np.array(written.of))
    return [
        _of_copy(row | {name: text for name, text in cells.items() if name in row}, table, copy)
        for row, cells, copy in zip(rows, written.cells, written.copy, strict=True)
    ]


def _of_copy(row: Row, table: str, copy: int) -> Row:
    """A row with the names of one copy; a correction of a name too."""
    renamed = {name for name in row if (table, name) in RENAMED}
    if table == "corrections" and ("tasks", row["column"]) in RENAMED:
        renamed |= {"was", "now"}
    return row | {name: named(row[name], copy) for name in renamed if row.get(name)}


def _as_text(frame: pd.DataFrame, rows: Rows) -> list[Row]:
    """Rows of a typed table as canonical text."""
    columns = {str(name): _column_text(series.iloc[rows]) for name, series in frame.items()}
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def _column_text(series: pd.Series) -> list[str]:
    if isinstance(series.dtype, pd.DatetimeTZDtype):
        texts = series.dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    elif pd.api.types.is_datetime64_dtype(series.dtype):
        texts = series.dt.strftime("%Y-%m-%d")
    else:
        texts = series.astype(object)
    said: Callable[[Any], str] = repr if pd.api.types.is_float_dtype(series.dtype) else str
    return ["" if missing else said(text) for text, missing in zip(texts, series.isna(), strict=True)]


def _with_references(
    export: Export, texts: Mapping[str, list[Row]], written: Mapping[str, _Written]
) -> dict[str, list[Row]]:
    """The rows to be read, with those that say how: the stations, and behind the others the records corrected."""
    rows = {name: list(of_table) for name, of_table in texts.items()}
    if "stations" in export.tables:
        stations = export.tables["stations"]
        rows["stations"] = _as_text(stations, np.arange(len(stations)))
    tasks = rows.setdefault("tasks", [])
    if "corrections" in rows:
        there = {row["task_id"] for row in tasks}
        frame = export.tables["tasks"]
        place = {str(name): row for row, name in enumerate(frame["task_id"])}
        of = export.tables["corrections"]["task_id"].iloc[written["corrections"].of]
        wanted = {
            (place[str(name)], copy)
            for name, copy in zip(of, written["corrections"].copy, strict=True)
            if name in place
        }
        ordered = sorted(wanted)
        found = _as_text(frame, np.array([row for row, _ in ordered], np.intp))
        references = (_of_copy(row, "tasks", copy) for row, (_, copy) in zip(found, ordered, strict=True))
        tasks += [row for row in references if row["task_id"] not in there]
    return rows


def _refused(read: Export, written: Mapping[str, _Written], lines: Mapping[str, Any]) -> dict[int, str]:
    """The plantings of which a row was set aside or a cell could not be read, with what intake says of it."""
    found: dict[int, str] = {}
    faults = pd.concat([read.rejects, read.faults])
    for name, rows in written.items():
        said: dict[int, list[tuple[str, str]]] = {}
        mine = faults[faults["table"] == name]
        for line, column, reason in zip(mine["line"], mine["column"], mine["reason"], strict=True):
            said.setdefault(int(line) - 1, []).append((str(column), str(reason)))
        there = set(lines[name].tolist())
        for place, by in enumerate(rows.by):
            told = said.get(place, [])
            of_cells = [reason for column, reason in told if column in rows.cells[place]]
            if place not in there or of_cells:
                reason = next(iter(of_cells), told[0][1] if told else "set aside")
                found |= dict.fromkeys(by, reason)
    return found


def _merged(
    export: Export, count: int, read: Export, written: Mapping[str, _Written], lines: Mapping[str, Any]
) -> Copied:
    """The copies with the rows that were read in the place of those edited, and the new ones below."""
    refused = _refused(read, written, lines)
    copies = copies_of(export, count)
    tables, states = dict(copies.tables), copies.correction_states
    changed: dict[tuple[str, int], frozenset[int]] = {}
    edited: set[tuple[str, str, int]] = set()
    for name, rows in written.items():
        at = {place: nth for nth, place in enumerate(lines[name].tolist())}
        kept = [place for place, by in enumerate(rows.by) if not by & refused.keys()]
        size, before = 0 if name in SHARED else len(export.tables[name]), len(tables[name])
        over = [(place, rows.of[place] + size * rows.copy[place]) for place in kept if not rows.new[place]]
        below = [place for place in kept if rows.new[place]]
        index = np.arange(before + len(below))
        index[[row for _, row in over]] = [before + at[place] for place, _ in over]
        index[before:] = [before + at[place] for place in below]
        edited |= {(name, column, row) for place, row in over for column in rows.cells[place]}
        changed |= {(name, row): frozenset(rows.by[place]) for place, row in over}
        changed |= {(name, before + nth): frozenset(rows.by[place]) for nth, place in enumerate(below)}
        tables[name] = stacked(tables[name], read.tables[name]).iloc[index].reset_index(drop=True)
        if name == "corrections" and states is not None and read.correction_states is not None:
            states = np.append(states, read.correction_states)[index]
    later = copies.later
    times = zip(later["row"], later["column"], strict=True)
    moved = np.array([("tasks", str(column), int(row)) in edited for row, column in times], bool)
    copied = replace(
        copies,
        tables=tables,
        later=later[~moved],
        unreadable=_not_edited(copies.unreadable, edited),
        date_only=_not_edited(copies.date_only, edited),
        correction_states=states,
    )
    return Copied(copied, changed, refused)


def _not_edited(rows: Mapping[tuple[str, str], Rows], edited: set[tuple[str, str, int]]) -> dict[tuple[str, str], Rows]:
    """The rows in which a cell is in doubt, without those that were written anew."""
    return {
        (table, column): np.array([row for row in there.tolist() if (table, column, row) not in edited], np.intp)
        for (table, column), there in rows.items()
    }
