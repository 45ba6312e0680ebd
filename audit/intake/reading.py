"""The way through intake: find the files, read, parse, place in time, check, count."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

from audit.errors import AuditError
from audit.intake.cells import Cells, ExportFile, match_columns
from audit.intake.clocks import NO_ZONE, no_later
from audit.intake.correcting import correct
from audit.intake.export import Export, FlightClock, Rows
from audit.intake.files import find_files, read_file
from audit.intake.flight_clocks import flight_clock
from audit.intake.location import Location
from audit.intake.names import NO_ALIASES, Aliases, near_names, one_spelling, several_names
from audit.intake.quarantine import no_rejects
from audit.intake.resolving import Resolved, Typed, resolve, typed_rows
from audit.intake.tables import PLACES, TABLES, TASKS, Column, Table
from audit.memory import hand_back

if TYPE_CHECKING:
    from audit.intake.mapping import ExportMapping

_NOTHING_MORE: Final[Mapping[str, Collection[str]]] = {}


Opener = Callable[[], Sequence[Cells]]


def read_export(
    export: Location,
    text_columns: Mapping[str, Collection[str]] = _NOTHING_MORE,
    mapping: Path | None = None,
    as_of: pd.Timestamp | None = None,
) -> Export:
    """Read an export: a folder or zip file of canonical files, or a database with canonical tables, by its URL.

    With a mapping file, whatever that maps. `text_columns` names the free-text columns that are wanted, by table. All
    other canonical columns are read in any case, so that what is quarantined never depends on what was requested.
    Task records are as corrected by the as-of time (None: by all corrections).
    AuditError, naming the file and the place, if the export or a whole file can't be read, or the mapping doesn't fit.
    """
    if mapping is None:
        read = _read_canonical(export, text_columns, NO_ALIASES, as_of)
    else:
        from audit.intake.mapping import load_mapping

        read = read_mapped(export, load_mapping(mapping), text_columns, as_of)
    # The cells as they were written take twice what was made of them; judging needs the room.
    hand_back()
    return read


def read_mapped(
    export: Location,
    mapping: ExportMapping,
    text_columns: Mapping[str, Collection[str]] = _NOTHING_MORE,
    as_of: pd.Timestamp | None = None,
) -> Export:
    """Read an export by a mapping; as `read_export`."""
    from audit.intake.foreign import foreign_tables

    text_columns = _with_corrected(text_columns, mapping.written.tables)
    if not mapping.written.tables:
        read = _read_canonical(export, text_columns, mapping.aliases, as_of)
    elif isinstance(export, str):
        from audit.intake.databases import open_database

        with open_database(export) as database:
            read = _read(foreign_tables(database, mapping, text_columns), mapping.aliases, as_of)
    else:
        read = _read(foreign_tables(export, mapping, text_columns), mapping.aliases, as_of)
    return replace(read, sources=(*read.sources, mapping.file))


def _with_corrected(
    text_columns: Mapping[str, Collection[str]], tables: Collection[str]
) -> Mapping[str, Collection[str]]:
    """The free text that is wanted: of task records all, where it may have been corrected."""
    if "corrections" not in tables:
        return text_columns
    return {**text_columns, "tasks": [column.name for column in TASKS.columns.values() if column.kind == "text"]}


def _read_canonical(
    export: Location, text_columns: Mapping[str, Collection[str]], aliases: Aliases, as_of: pd.Timestamp | None
) -> Export:
    def wanted(table: Table, there: Collection[str]) -> list[Column]:
        text = _with_corrected(text_columns, there)
        return [c for c in table.columns.values() if c.kind != "text" or c.name in text.get(table.name, ())]

    if isinstance(export, str):
        from audit.intake.databases import canonical_opener, open_database

        with open_database(export) as database:
            tables = database.canonical_tables()
            openers = {
                name: canonical_opener(database, TABLES[name], there, wanted(TABLES[name], tables))
                for name, there in tables.items()
            }
            return _read(openers, aliases, as_of)
    files, beside = find_files(export)

    def opener(name: str, file: ExportFile) -> Opener:
        return lambda: [read_file(file, TABLES[name], wanted(TABLES[name], files))]

    read = _read({name: opener(name, file) for name, file in files.items()}, aliases, as_of)
    return replace(read, beside=beside)


def read_rows(tables: Mapping[str, Sequence[Mapping[str, str]]], as_of: pd.Timestamp | None = None) -> Export:
    """Read rows given as text, as if each table were a file; `file` is the table's name, `line` counts from 1."""

    def opener(name: str) -> Opener:
        return lambda: [_cells_of(TABLES[name], tables[name])]

    if unknown := sorted(set(tables) - set(TABLES)):
        raise AuditError(f"no such table: {', '.join(unknown)}; there are {', '.join(TABLES)}")
    return _read({name: opener(name) for name in TABLES if name in tables}, as_of=as_of, side_by_side=1)


def _cells_of(table: Table, rows: Sequence[Mapping[str, str]]) -> Cells:
    names = list(dict.fromkeys(name for row in rows for name in row)) if rows else list(table.columns)
    written = match_columns(names, table.name, table, list(table.columns.values()))
    return Cells(
        table=table,
        file=table.name,
        columns={
            name: pa.chunked_array([pa.array([row.get(there, "") for row in rows], pa.string())])
            for name, there in written.items()
        },
        rows=len(rows),
        lines_of=lambda records: records + 1,
        present=frozenset(written),
    )


def _read(
    openers: Mapping[str, Opener],
    aliases: Aliases = NO_ALIASES,
    as_of: pd.Timestamp | None = None,
    side_by_side: int = 2,
) -> Export:
    typed: dict[str, Typed] = {}
    if "stations" in openers:  # First: the clocks of the other tables are read by them.
        typed["stations"] = typed_rows(openers["stations"](), {})
    resolved = {name: resolve(rows) for name, rows in typed.items()}
    zones = _zones(resolved["stations"].frame, aliases) if resolved else {}
    others = [name for name in openers if name not in ("stations", "corrections")]
    # The two large tables side by side; Arrow uses the other cores within a table.
    with ThreadPoolExecutor(side_by_side) as pool:
        typed.update(zip(others, pool.map(lambda name: typed_rows(openers[name](), zones), others), strict=True))
        corrected = None
        if "corrections" in openers and "tasks" in typed:
            made = typed_rows(openers["corrections"](), zones, _stations_of(typed["tasks"]))
            corrected = correct(typed["tasks"], made, zones, aliases, as_of)
            typed |= {"tasks": corrected.tasks, "corrections": corrected.corrections}
        left = [name for name in typed if name not in resolved]
        resolved.update(zip(left, pool.map(lambda name: resolve(typed[name]), left), strict=True))
    in_order = {name: resolved[name] for name in openers if name in resolved}
    export = replace(_exported(in_order, aliases), flight_clock=_flight_clock(typed, resolved, zones))
    if corrected is None:
        return export
    first_made = corrected.first_made

    def as_first_made() -> Export:
        return _exported({**in_order, "tasks": resolve(first_made)}, aliases)

    states = corrected.states[resolved["corrections"].rows]
    return replace(export, correction_states=states, as_first_made=as_first_made if corrected.changes else None)


def _flight_clock(
    typed: Mapping[str, Typed], resolved: Mapping[str, Resolved], zones: Mapping[str, str]
) -> FlightClock | None:
    """What speaks against reading flight times without a zone as UTC, if there are any.

    AuditError where so much does that whatever depends on flights would be judged wrongly.
    """
    if not {"stations", "flights", "tasks"} <= typed.keys() or not typed["flights"].as_utc:
        return None
    clock = flight_clock(resolved["tasks"].frame, typed["flights"].frame, resolved["stations"].frame, zones)
    if clock is not None and clock.refuted:
        raise AuditError(
            f"{typed['flights'].parts[0].file}: takeoff_at and landing_at carry no zone; {clock}; export them with "
            "their zone (Z), or say `zone: origin` and `zone: destination` in a mapping"
        )
    return clock


def _stations_of(tasks: Typed) -> Mapping[str, str]:
    """The station of each task record, as it was first exported."""
    named = tasks.frame[["task_id", "station"]].dropna().drop_duplicates("task_id")
    return dict(zip(named["task_id"], named["station"].astype("str"), strict=True))


def _exported(in_order: Mapping[str, Resolved], aliases: Aliases) -> Export:
    # What spells names alike doesn't change the tables that it is given.
    tables = {name: table.frame.copy(deep=False) for name, table in in_order.items()}
    set_aside = {name: table.set_aside.copy(deep=False) for name, table in in_order.items()}
    one_spelling(tables, set_aside, aliases)
    none = np.empty(0, dtype=np.intp)
    return Export(
        tables=tables,
        later=in_order["tasks"].later if "tasks" in in_order else no_later(),
        rejects=pd.concat([no_rejects(), *(table.rejects for table in in_order.values())], ignore_index=True),
        counts={name: table.count for name, table in in_order.items()},
        files={name: table.files for name, table in in_order.items()},
        sources=tuple(dict.fromkeys(source for table in in_order.values() for source in table.sources)),
        origins={name: table.places for name, table in in_order.items()},
        set_aside=set_aside,
        faults=pd.concat([no_rejects(), *(table.faults for table in in_order.values())], ignore_index=True),
        unreadable=_by_column({name: table.unreadable for name, table in in_order.items()}),
        date_only=_by_column({name: table.date_only for name, table in in_order.items()}),
        listed_twice=in_order["flights"].listed_twice if "flights" in in_order else none,
        contradicted_hours=in_order["flights"].contradicted_hours if "flights" in in_order else none,
        several_names=several_names(tables),
        columns={name: table.columns for name, table in in_order.items()},
        near_names=near_names(tables, aliases, _names_without_a_zone(in_order)),
        dropped=pd.concat([no_rejects(), *(table.dropped for table in in_order.values())], ignore_index=True),
    )


def _names_without_a_zone(in_order: Mapping[str, Resolved]) -> dict[tuple[str, str], set[str]]:
    """The stations, by table and column, whose rows were set aside since they are not listed: a near one may be."""
    found: dict[tuple[str, str], set[str]] = {}
    for name, table in in_order.items():
        unknown = table.rejects[table.rejects["reason"] == NO_ZONE]
        for column in PLACES.get(name, ()):
            found[name, column] = set(unknown["value"][unknown["column"] == column])
    return found


def _by_column(of_tables: Mapping[str, Mapping[str, Rows]]) -> dict[tuple[str, str], Rows]:
    return {(name, column): rows for name, of_table in of_tables.items() for column, rows in of_table.items()}


def _zones(stations: pd.DataFrame, aliases: Aliases) -> dict[str, str]:
    zones = dict(zip(stations["station"], stations["timezone"], strict=True))
    other = {alias: zones[name] for alias, name in aliases.same.get("station", {}).items() if name in zones}
    return zones | other
